//! How far a rotor rests from the angle that its currents point to.
//!
//! Detent torque pulls towards the positions with one phase on, and friction holds the rotor
//! wherever it comes to rest within a dead band:
//!
//! ```text
//! K I sin(φ − θ) = T_x(θ)             detent: |θ − φ|/N, largest over the microsteps
//! K I sin(N x)   = Tf                 friction: ± x
//! ```
//!
//! | symbol | what | unit |
//! | --- | --- | --- |
//! | K | torque constant | N·m/A |
//! | I, φ | amplitude and electrical angle of the currents that flow | A, rad |
//! | θ | electrical angle of the rotor at rest | rad |
//! | T_x | detent torque, Td sin 4θ, and [what else](super::harmonics) was measured | N·m |
//! | Tf | friction of rotor and load at the motor's shaft | N·m |
//! | N | rotor teeth | |
//!
//! Source: the static balance of the machine's torque. Full and half steps rest where
//! sin 4θ = 0, so the detent moves none of them.

use std::f64::consts::FRAC_PI_2;

use crate::physics::Machine;
use crate::physics::feed::pull;
use crate::physics::harmonics::Harmonics;
use crate::physics::loss::RotorLoss;
use crate::rig::Axis;

/// Halvings of a quarter of a turn of the field: chosen, to about 10⁻¹² rad.
const HALVINGS: usize = 40;

/// How far a rotor may rest from the angle of its currents (rad at the motor's shaft, without
/// sign).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RestError {
    /// By the detent torque, after what the currents make up for.
    pub detent: f64,
    /// By the detent torque, were the currents those of a plain sine.
    pub uncorrected: f64,
    /// By friction.
    pub friction: f64,
}

/// Where the currents of a microstep point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Pointed {
    /// Their amplitude (A).
    pub amplitude: f64,
    /// Electrical angle at which the rotor would rest but for what pulls it (rad): the one that is
    /// meant, and what rounding of the currents adds.
    pub meant: f64,
    /// Electrical angle of the currents that flow (rad).
    pub to: f64,
}

impl RestError {
    /// Of an axis with those `currents`, one for each microstep. Of a loss that the rig leaves out the typical one is taken.
    pub(crate) fn of(axis: &Axis, currents: impl Iterator<Item = Pointed>) -> Self {
        let machine = Machine::of(axis);
        let pull = pull(axis);
        let friction = RotorLoss::of(&axis.motor).friction.typical + machine.friction;
        let mut error = Self {
            detent: 0.0,
            uncorrected: 0.0,
            friction: 0.0,
        };
        for Pointed {
            amplitude,
            meant,
            to,
        } in currents
        {
            let peak = machine.torque_constant * amplitude;
            let off = |to: f64| (rest(peak, &pull, to) - meant).abs();
            let (detent, uncorrected) = (off(to), off(meant));
            let dead_band = libm::asin((friction / peak).min(1.0));
            error.detent = error.detent.max(detent / machine.rotor_teeth);
            error.uncorrected = error.uncorrected.max(uncorrected / machine.rotor_teeth);
            error.friction = error.friction.max(dead_band / machine.rotor_teeth);
        }
        error
    }

    /// Both together.
    pub fn total(&self) -> f64 {
        self.detent + self.friction
    }
}

/// The electrical angle at which a rotor without friction rests near `angle`.
fn rest(peak: f64, pull: &Harmonics, angle: f64) -> f64 {
    let torque = |at: f64| peak * libm::sin(angle - at) - pull.at(at);
    let (mut low, mut high) = (angle - FRAC_PI_2, angle + FRAC_PI_2);
    for _ in 0..HALVINGS {
        let middle = f64::midpoint(low, high);
        if torque(middle) > 0.0 {
            low = middle;
        } else {
            high = middle;
        }
    }
    f64::midpoint(low, high)
}

#[cfg(test)]
mod tests {
    use std::f64::consts::FRAC_PI_4;

    use approx::assert_relative_eq;

    use super::*;
    use crate::physics::Simulator;
    use crate::physics::currents::CoilTable;
    use crate::rig::{Correction, Rest};
    use crate::testing::rigs::axis_of;
    use crate::units::Torque;

    /// An eighth of a full step beside the one-phase position the detent is strongest:
    /// x ≈ Td/(K I) there (first order of the balance).
    #[test]
    fn a_weak_detent_moves_the_rest_by_its_share_of_the_torque() {
        let angle = FRAC_PI_4 / 2.0;
        let off = angle - rest(1.0, &Harmonics::detent(1e-4), angle);
        assert_relative_eq!(off, 1e-4, max_relative = 1e-3);
    }

    #[test]
    fn full_and_half_steps_rest_where_they_are_meant_to() {
        for half_step in 0..8 {
            let angle = f64::from(half_step) * FRAC_PI_4;
            assert!((rest(1.0, &Harmonics::detent(0.2), angle) - angle).abs() < 1e-9);
        }
    }

    /// A motor with a second harmonic besides is measured by scipy on plain currents. From those
    /// rests, read off a scale with a zero of its own, come the currents that scipy's root finder
    /// gives with the torque known.
    #[test]
    fn currents_from_measured_rests_are_those_of_the_known_torque() {
        let text = include_str!("../../tests/reference/corrected_rests.json");
        let outside: serde_json::Value = serde_json::from_str(text).unwrap();
        let cases = outside["cases"].as_array().unwrap();
        let case = cases.iter().find(|case| case["second_nm"] != 0).unwrap();
        let number = |key: &str| case[key].as_f64().unwrap();
        let drive = format!(
            "kind: chopper, supply: 24 V, peak_current: {} A, microsteps: 16",
            number("peak_current_a")
        );
        let rests = case["rests_deg"].as_array().unwrap().iter().enumerate();
        let mut axis = axis_of(&drive, "");
        axis.drive.correction = Some(Correction::Measured(
            rests
                .map(|(microstep, degrees)| Rest {
                    microstep: microstep as i64,
                    angle: (degrees.as_f64().unwrap() + 12.0).to_radians(),
                })
                .collect(),
        ));
        let table = CoilTable::of(&axis);
        for (row, theirs) in table
            .rows
            .iter()
            .zip(case["currents_a"].as_array().unwrap())
        {
            let theirs = [0, 1].map(|phase| theirs[phase].as_f64().unwrap());
            // A hundredth of what the correction is.
            assert!((row.a.current - theirs[0]).abs() < 2e-3, "{}", row.index);
            assert!((row.b.current - theirs[1]).abs() < 2e-3, "{}", row.index);
        }
        let before = table.rest_error.uncorrected.to_degrees();
        assert_relative_eq!(before, number("largest_error_deg"), max_relative = 0.1);
        assert!(table.rest_error.detent < 1e-9);
        // The simulator's motor is pulled as the measured one, and rests evenly.
        let machine = Machine::of(&axis);
        for index in 0..64 {
            let rest = Simulator::at_rest(&machine, index, machine.internal_step());
            assert!(rest.lag().abs() < 1e-9, "{index}: {}", rest.lag());
        }
    }

    /// scipy lets a damped rotor come to rest at every sixteenth of a full step, with currents of a
    /// plain sine and with those that its own root finder makes up for the detent
    /// (`tests/reference/corrected_rests.py`).
    #[test]
    fn corrected_currents_rest_where_they_should_as_in_scipy() {
        let text = include_str!("../../tests/reference/corrected_rests.json");
        let outside: serde_json::Value = serde_json::from_str(text).unwrap();
        let cases = outside["cases"].as_array().unwrap();
        for case in cases.iter().filter(|case| case["second_nm"] == 0) {
            let number = |key: &str| case[key].as_f64().unwrap();
            let drive = format!(
                "kind: chopper, supply: 24 V, peak_current: {} A, microsteps: 16",
                number("peak_current_a")
            );
            let axis = |correction| {
                let mut axis = axis_of(&drive, "");
                axis.motor.detent_torque = Some(Torque::new(number("detent_torque_nm")));
                axis.drive.correction = correction;
                axis
            };
            let plain = CoilTable::of(&axis(None)).rest_error;
            let theirs = number("largest_error_deg");
            assert_relative_eq!(plain.detent.to_degrees(), theirs, max_relative = 0.01);
            assert_eq!(plain.uncorrected, plain.detent);
            let axis = axis(Some(Correction::Detent));
            let table = CoilTable::of(&axis);
            assert_relative_eq!(
                table.rest_error.uncorrected,
                plain.detent,
                max_relative = 1e-9
            );
            assert!(table.rest_error.detent.to_degrees() < 1e-6);
            let set = case["currents_a"].as_array().unwrap();
            for (row, theirs) in table.rows.iter().zip(set) {
                let theirs = [0, 1].map(|phase| theirs[phase].as_f64().unwrap());
                assert!((row.a.current - theirs[0]).abs() < 1e-6, "{}", row.index);
                assert!((row.b.current - theirs[1]).abs() < 1e-6, "{}", row.index);
            }
            // The simulator plays them, too.
            let machine = Machine::of(&axis);
            for index in 0..64 {
                let rest = Simulator::at_rest(&machine, index, machine.internal_step());
                assert!(rest.lag().abs() < 1e-9, "{index}: {}", rest.lag());
            }
        }
    }

    /// A converter's codes leave their rounding, and no more: 8 bits of 1.5 A are off by 3 mA at
    /// most in either phase.
    #[test]
    fn a_converter_rounds_corrected_currents_as_any_other() {
        let mut axis = axis_of(
            "kind: chopper, supply: 24 V, peak_current: 1.4 A, microsteps: 16, sense_resistor: 1 ohm, \
             converter_bits: 8, converter_reference: 1.5 V",
            "",
        );
        axis.motor.detent_torque = Some(Torque::new(0.018));
        axis.drive.correction = Some(Correction::Detent);
        let table = CoilTable::of(&axis);
        let step = 1.5 / 256.0;
        let bound = (step * std::f64::consts::FRAC_1_SQRT_2 / 1.4).asin() / 50.0;
        assert!(table.worst_angle_error() <= bound);
        assert!(table.rest_error.detent + table.worst_angle_error() < table.rest_error.uncorrected);
    }

    /// By hand: 0.42 N·m holds with both phases on at 1.5 A, so one phase gives 0.297 N·m;
    /// 30 mN·m of friction in the load and 21 mN·m in the rotor (5 % detent, all of it) hold
    /// it within asin(0.0510/0.297)/50 = 0.198 degrees.
    #[test]
    fn friction_holds_a_rotor_within_its_dead_band() {
        let axis = axis_of(
            "kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 16",
            "friction: 30 mN.m",
        );
        let error = CoilTable::of(&axis).rest_error;
        assert_relative_eq!(error.friction.to_degrees(), 0.198, max_relative = 5e-3);
        assert!(error.detent > 0.0 && error.total() > error.friction);
    }
}
