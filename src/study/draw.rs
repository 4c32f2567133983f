//! One rig of a study.
//!
//! Random numbers are those of ChaCha with eight rounds (D. J. Bernstein, *ChaCha, a variant of
//! Salsa20*, 2008): the seed of the study is its key, the number of the draw its stream. A
//! normal number comes from two even ones, √(−2 ln u) cos 2πv (G. E. P. Box and M. E. Muller,
//! *Annals of Mathematical Statistics* 29, 610, 1958; from memory).

use std::f64::consts::TAU;

use chacha20::ChaCha8Rng;
use chacha20::rand_core::{Rng, SeedableRng};

use super::varied::{Law, VariedKind, range};
use crate::physics::Spread;
use crate::physics::torque::COPPER;
use crate::rig::{Axis, AxisTolerances, COLD, Limits, MotorTolerances, Rig};
use crate::units::{Damping, Force, Inertia, LinearDamping, Mass, Resistance, Torque, Voltage};

/// A rig that was drawn.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct DrawnRig {
    /// The rig, of which everything is known, and nothing is kept in reserve.
    pub rig: Rig,
    /// What was drawn, in the order of [`Study::varied`](super::Study::varied).
    pub values: Vec<f64>,
}

impl DrawnRig {
    /// Draw number `index` of a study with that seed.
    pub(crate) fn of(rig: &Rig, seed: u64, index: u64) -> Self {
        let mut dice = Dice::new(seed, index);
        let mut values = Vec::new();
        let axes = rig.axes.iter();
        let axes = axes
            .map(|axis| drawn_axis(axis, &mut dice, &mut values))
            .collect();
        let mut timer = rig.timer.clone();
        let clock = Spread::even(0.0, timer.tolerance);
        timer.tolerance = dice.value(clock, Law::Even);
        if !clock.is_exact() {
            values.push(timer.tolerance);
        }
        Self {
            rig: Rig {
                axes,
                timer,
                ..rig.clone()
            },
            values,
        }
    }
}

/// A source of random numbers.
struct Dice(ChaCha8Rng);

impl Dice {
    fn new(seed: u64, stream: u64) -> Self {
        let mut key = [0; 32];
        key[..8].copy_from_slice(&seed.to_le_bytes());
        let mut numbers = ChaCha8Rng::from_seed(key);
        numbers.set_stream(stream);
        Self(numbers)
    }

    /// From 0 to below 1: the upper 53 bits of a number.
    fn even(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// A value; whatever its law, it takes two numbers.
    fn value(&mut self, spread: Spread, law: Law) -> f64 {
        let (u, v) = (self.even(), self.even());
        let normal = libm::sqrt(-2.0 * libm::log(1.0 - u)) * libm::cos(TAU * v);
        law.value(spread, u, normal)
    }
}

/// The axis with all that varies drawn. The draws of detent torque, damping and friction see
/// the motor as it is drawn before them.
fn drawn_axis(axis: &Axis, dice: &mut Dice, values: &mut Vec<f64>) -> Axis {
    let mut drawn = axis.clone();
    for kind in VariedKind::ALL {
        let Some((_, law)) = range(axis, kind) else {
            continue;
        };
        let spread = range(&drawn, kind).map_or(Spread::exactly(1.0), |(spread, _)| spread);
        let value = dice.value(spread, law);
        put(&mut drawn, axis, kind, value);
        values.push(value);
    }
    // Nothing is left that is not known, and so nothing that a reserve would be for.
    drawn.motor.tolerances = MotorTolerances::EXACT;
    drawn.tolerances = AxisTolerances {
        early_saturation: drawn.tolerances.early_saturation,
        ..AxisTolerances::EXACT
    };
    if range(axis, VariedKind::Saturation).is_none() {
        drawn.tolerances.early_saturation = 0.0;
    }
    drawn.limits = Limits {
        torque_margin: 0.0,
        weaker_motor: 0.0,
        heavier_load: 0.0,
        ..drawn.limits
    };
    drawn
}

/// Puts a value that was drawn into the axis.
fn put(drawn: &mut Axis, of: &Axis, kind: VariedKind, value: f64) {
    let (motor, load) = (&mut drawn.motor, &mut drawn.load);
    match kind {
        VariedKind::TorqueConstant => {
            motor.holding_torque = Torque::new(value * motor.holding_torque.si());
        }
        VariedKind::PhaseInductance => {
            let si = value * motor.phase_inductance.si();
            motor.phase_inductance = crate::units::Inductance::new(si);
        }
        VariedKind::PhaseResistance => {
            motor.phase_resistance = Resistance::new(value * motor.phase_resistance.si());
        }
        VariedKind::Temperature => {
            let warm = 1.0 + COPPER * (value - COLD);
            motor.phase_resistance = Resistance::new(warm * motor.phase_resistance.si());
        }
        VariedKind::RotorInertia => {
            motor.rotor_inertia = Inertia::new(value * motor.rotor_inertia.si());
        }
        VariedKind::DetentTorque => motor.detent_torque = Some(Torque::new(value)),
        VariedKind::ViscousDamping => motor.viscous_damping = Some(Damping::new(value)),
        VariedKind::FrictionTorque => motor.friction_torque = Some(Torque::new(value)),
        VariedKind::Saturation => drawn.tolerances.early_saturation = value,
        VariedKind::Supply => drawn.drive.supply = Voltage::new(value * of.drive.supply.si()),
        VariedKind::LoadFriction => {
            load.friction = Torque::new(value * load.friction.si());
            load.viscous = Damping::new(value * load.viscous.si());
            if let Some(linear) = &mut load.linear {
                linear.friction = Force::new(value * linear.friction.si());
                linear.viscous = LinearDamping::new(value * linear.viscous.si());
            }
        }
        VariedKind::LoadInertia => {
            load.inertia = Inertia::new(value * load.inertia.si());
            if let Some(linear) = &mut load.linear {
                linear.mass = Mass::new(value * linear.mass.si());
            }
        }
        // It is no part of an axis.
        VariedKind::Clock => {}
    }
}

/// The first random number of a draw, for a test.
#[cfg(test)]
pub(super) fn first_even(seed: u64, stream: u64) -> f64 {
    Dice::new(seed, stream).even()
}
