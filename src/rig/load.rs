//! The load: what the motor turns.

use crate::units::{
    Angle, Damping, Force, Inertia, Length, LinearDamping, Mass, Torque, Unbalance,
};

/// What the motor turns, seen at the load. A linear load has its own fields in
/// [`LinearLoad`]; then the rotary ones describe the screw or pulley itself.
#[derive(Debug, Clone, PartialEq)]
pub struct Load {
    /// Moment of inertia at the load's shaft.
    pub inertia: Inertia,
    /// Coulomb friction at the load's shaft.
    pub friction: Torque,
    /// Viscous damping at the load's shaft.
    pub viscous: Damping,
    /// A torque that always acts, such as gravity on an arm (positive: against
    /// positive, counter-clockwise, travel).
    pub constant_torque: Torque,
    /// Mass times radius of an unbalance on a horizontal shaft.
    pub unbalance: Unbalance,
    /// Gearing between motor and load.
    pub gearing: Gearing,
    /// Share of the power that the gearing passes on, above 0 and up to 1.
    pub efficiency: f64,
    /// Play of the gearing at the load.
    pub backlash: Angle,
    /// Set where the load moves in a line.
    pub linear: Option<LinearLoad>,
}

/// What a linear axis has besides.
#[derive(Debug, Clone, PartialEq)]
pub struct LinearLoad {
    /// Mass that travels.
    pub mass: Mass,
    /// Travel for one turn of the load's shaft (the screw's lead, the pulley's
    /// circumference).
    pub travel_per_turn: Length,
    /// Slope of the travel over the horizontal; positive travel climbs.
    pub incline: Angle,
    /// Coulomb friction along the travel.
    pub friction: Force,
    /// Viscous drag along the travel.
    pub viscous: LinearDamping,
    /// A force that always acts (positive: against positive travel).
    pub constant_force: Force,
    /// Play along the travel.
    pub backlash: Length,
}

/// Motor turns for so many load turns, exactly as written (`10:3`).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gearing {
    /// Turns of the motor …
    pub motor: f64,
    /// … for so many turns of the load.
    pub load: f64,
}

impl Gearing {
    /// Without gearing.
    pub const DIRECT: Self = Self {
        motor: 1.0,
        load: 1.0,
    };

    /// Motor turns a load turn.
    pub fn ratio(self) -> f64 {
        self.motor / self.load
    }
}
