//! What is unknown about a motor, and the values that a profile makes of it.
//!
//! Everything unknown is positive and known to a factor rather than to a difference, so
//! the estimate works with natural logarithms: most measurements are then sums of the
//! unknowns, and a standard deviation is a relative one.

use nalgebra::SVector;

use crate::units::{Current, Damping, Inductance, Inertia, Resistance, Rounded, Torque};

/// How many unknowns there are.
pub(super) const UNKNOWNS: usize = 10;

/// Natural logarithms of the unknowns in SI units; also a gradient with respect to them.
pub(super) type Point = SVector<f64, UNKNOWNS>;

/// One unknown of a motor.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unknown {
    /// Side of the frame (m).
    Frame,
    /// Length of the body (m).
    Length,
    /// Resistance of a phase at 25 °C (Ω).
    Resistance,
    /// Inductance of a phase (H).
    Inductance,
    /// Rated current of a phase (A).
    RatedCurrent,
    /// Torque constant of a phase, which is its back-EMF constant (N·m/A, V·s/rad).
    TorqueConstant,
    /// Inertia of the rotor (kg·m²).
    RotorInertia,
    /// Detent torque (N·m).
    DetentTorque,
    /// Drag in proportion to speed (N·m·s/rad).
    Damping,
    /// Dry friction of the bearings and hysteresis of the iron (N·m).
    Friction,
}

impl Unknown {
    /// Where it stands in a [`Point`].
    pub const fn index(self) -> usize {
        self as usize
    }

    /// Its value (SI units) at a point.
    pub fn at(self, point: &Point) -> f64 {
        point[self.index()].exp()
    }

    /// Its logarithm at a point.
    pub fn ln(self, point: &Point) -> f64 {
        point[self.index()]
    }
}

/// A value of the motor's profile, or one that is worth knowing beside it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum MotorValue {
    /// Resistance of a phase at 25 °C.
    PhaseResistance,
    /// Inductance of a phase.
    PhaseInductance,
    /// Rated current of a phase.
    RatedCurrent,
    /// Holding torque at rated current in both phases: √2 K I.
    HoldingTorque,
    /// Detent torque.
    DetentTorque,
    /// Inertia of the rotor.
    RotorInertia,
    /// Drag in proportion to speed.
    ViscousDamping,
    /// Dry friction of the bearings and hysteresis of the iron.
    FrictionTorque,
}

impl MotorValue {
    /// All of them, in the order of a profile.
    pub const ALL: [Self; 8] = [
        Self::PhaseResistance,
        Self::PhaseInductance,
        Self::RatedCurrent,
        Self::HoldingTorque,
        Self::DetentTorque,
        Self::RotorInertia,
        Self::ViscousDamping,
        Self::FrictionTorque,
    ];

    /// Its key in a motor's profile.
    pub const fn key(self) -> &'static str {
        match self {
            Self::PhaseResistance => "phase_resistance",
            Self::PhaseInductance => "phase_inductance",
            Self::RatedCurrent => "rated_current",
            Self::HoldingTorque => "holding_torque",
            Self::DetentTorque => "detent_torque",
            Self::RotorInertia => "rotor_inertia",
            Self::ViscousDamping => "viscous_damping",
            Self::FrictionTorque => "friction_torque",
        }
    }

    /// What it is called.
    pub const fn words(self) -> &'static str {
        match self {
            Self::PhaseResistance => "phase resistance",
            Self::PhaseInductance => "phase inductance",
            Self::RatedCurrent => "rated current",
            Self::HoldingTorque => "holding torque",
            Self::DetentTorque => "detent torque",
            Self::RotorInertia => "rotor inertia",
            Self::ViscousDamping => "viscous damping",
            Self::FrictionTorque => "friction torque",
        }
    }

    /// The unknowns whose product it is.
    pub const fn factors(self) -> &'static [Unknown] {
        match self {
            Self::PhaseResistance => &[Unknown::Resistance],
            Self::PhaseInductance => &[Unknown::Inductance],
            Self::RatedCurrent => &[Unknown::RatedCurrent],
            Self::HoldingTorque => &[Unknown::TorqueConstant, Unknown::RatedCurrent],
            Self::DetentTorque => &[Unknown::DetentTorque],
            Self::RotorInertia => &[Unknown::RotorInertia],
            Self::ViscousDamping => &[Unknown::Damping],
            Self::FrictionTorque => &[Unknown::Friction],
        }
    }

    /// Its value (SI units) at a point.
    pub fn at(self, point: &Point) -> f64 {
        let product: f64 = self.factors().iter().map(|one| one.at(point)).product();
        match self {
            Self::HoldingTorque => std::f64::consts::SQRT_2 * product,
            Self::PhaseResistance
            | Self::PhaseInductance
            | Self::RatedCurrent
            | Self::DetentTorque
            | Self::RotorInertia
            | Self::ViscousDamping
            | Self::FrictionTorque => product,
        }
    }

    /// How its logarithm changes with the logarithms of the unknowns.
    pub fn gradient(self) -> Point {
        let mut gradient = Point::zeros();
        for factor in self.factors() {
            gradient[factor.index()] = 1.0;
        }
        gradient
    }

    /// The value (SI units) as a rig writes it.
    pub fn show(self, si: f64) -> String {
        match self {
            Self::PhaseResistance => Resistance::new(si).to_string(),
            Self::PhaseInductance => Inductance::new(si).to_string(),
            Self::RatedCurrent => Current::new(si).to_string(),
            Self::HoldingTorque | Self::DetentTorque | Self::FrictionTorque => {
                Torque::new(si).to_string()
            }
            Self::RotorInertia => Inertia::new(si).to_string(),
            Self::ViscousDamping => Damping::new(si).to_string(),
        }
    }
}

/// A ratio with its sign of multiplication: ×1.41.
pub(super) fn factor(ratio: f64) -> String {
    format!("{}", Rounded((ratio * 100.0).round() / 100.0))
}
