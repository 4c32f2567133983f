//! The motor: a two-phase hybrid stepping motor by its data sheet or bench values.

use crate::units::{Current, Damping, Inductance, Inertia, Resistance, Torque};

/// A two-phase stepping motor.
#[derive(Debug, Clone, PartialEq)]
pub struct Motor {
    /// What it is called.
    pub name: Option<String>,
    /// Teeth of the rotor; 50 teeth make 200 full steps a turn.
    pub rotor_teeth: u32,
    /// Resistance of one phase.
    pub phase_resistance: Resistance,
    /// Inductance of one phase.
    pub phase_inductance: Inductance,
    /// Current per phase at which the holding torque is quoted, both phases on.
    pub rated_current: Current,
    /// Holding torque, two phases on, at rated current.
    pub holding_torque: Torque,
    /// Detent torque (zero where it is not given).
    pub detent_torque: Torque,
    /// Moment of inertia of the rotor.
    pub rotor_inertia: Inertia,
    /// Viscous damping of the motor (zero where it is not given).
    pub viscous_damping: Damping,
    /// A measured pull-out curve, rising in step rate; replaces the computed one.
    pub pull_out: Option<Vec<PullOutPoint>>,
    /// Where the numbers come from.
    pub source: Option<String>,
}

/// One measured point of a pull-out curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PullOutPoint {
    /// Full steps a second.
    pub step_rate_hz: f64,
    /// Pull-out torque there.
    pub torque: Torque,
}

impl Motor {
    /// Torque constant of one phase (N·m/A): K = Th / (√2 · Irated), since holding
    /// torque is quoted with both phases at the rated current.
    pub fn torque_constant(&self) -> f64 {
        self.holding_torque.si() / (std::f64::consts::SQRT_2 * self.rated_current.si())
    }

    /// Angle of a full step (rad).
    pub fn full_step_angle(&self) -> f64 {
        std::f64::consts::TAU / (4.0 * f64::from(self.rotor_teeth))
    }
}
