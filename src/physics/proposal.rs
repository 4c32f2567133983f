//! Which current a motor should get, and what each sequence makes of its supply.
//!
//! **A regulated current** is proposed as high as motor, supply and converter allow:
//!
//! ```text
//! I = min(√2 Irated, V / (c R), Vref / (g Rs))
//! ```
//!
//! √2 Irated has the winding loss of the rated current in both phases, 2 Irated² R, at every
//! microstep (symbols: [`Amplitude`](crate::rig::Amplitude)). Two digits, rounded down.
//!
//! **A fixed voltage** drives V/R. Where that is more than the rated current, a ballast in each
//! phase takes the rest:
//!
//! ```text
//! Rb = V / Irated − R        P = Irated² Rb        R: all else in series
//! ```
//!
//! Source: Ohm's and Joule's laws; common practice for drives without a regulator.

use std::f64::consts::SQRT_2;

use super::heat::Heat;
use super::machine::Machine;
use super::torque::PullOut;
use crate::rig::{Axis, BallastPlace, DriveKind, Sequence};
use crate::units::{two_digits_down, two_digits_up};

/// What keeps a current from being higher.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SetBy {
    /// The winding loss at the rated current.
    Motor,
    /// The voltage of the supply.
    Supply,
    /// The full scale of the converter.
    Converter,
}

impl SetBy {
    /// As it is shown behind “set by”.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Motor => "the motor's rated current",
            Self::Supply => "the supply",
            Self::Converter => "the converter's full scale",
        }
    }

    /// In one word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Motor => "motor",
            Self::Supply => "supply",
            Self::Converter => "converter",
        }
    }
}

/// The current that suits a motor on its drive.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Proposal {
    /// The amplitude of a regulated current, or the current of a phase that is on (A).
    pub current: f64,
    /// What keeps it from being higher.
    pub set_by: SetBy,
    /// The ballast in each phase that makes it so on a fixed voltage (Ω), and the power that it
    /// takes at standstill (W), where one is due.
    pub ballast: Option<(f64, f64)>,
}

impl Proposal {
    /// For the motor of `axis` on its drive.
    pub fn of(axis: &Axis) -> Self {
        let rated = axis.motor.rated_current.si();
        let Some(amplitude) = axis.amplitude() else {
            return Self::on_fixed_voltage(axis, rated);
        };
        let limits = [
            Some((SQRT_2 * rated, SetBy::Motor)),
            Some((amplitude.driven, SetBy::Supply)),
            amplitude.full_scale.map(|full| (full, SetBy::Converter)),
        ];
        let least = limits
            .into_iter()
            .flatten()
            .min_by(|a, b| a.0.total_cmp(&b.0));
        let (current, set_by) = least.unwrap_or((SQRT_2 * rated, SetBy::Motor));
        Self {
            current: two_digits_down(current),
            set_by,
            ballast: None,
        }
    }

    fn on_fixed_voltage(axis: &Axis, rated: f64) -> Self {
        let supply = axis.drive.supply.si();
        let bare = axis.loop_resistance() - axis.drive.ballast_in_series();
        let resistance = supply / rated - bare;
        if resistance <= 0.0 {
            return Self {
                current: supply / bare,
                set_by: SetBy::Supply,
                ballast: None,
            };
        }
        let resistance = two_digits_up(resistance);
        let current = supply / (bare + resistance);
        Self {
            current,
            set_by: SetBy::Motor,
            ballast: Some((resistance, current * current * resistance)),
        }
    }
}

/// What a sequence makes of the supply of a drive on a fixed voltage.
#[derive(Debug, Clone, PartialEq)]
pub struct SequenceAbility {
    /// Which.
    pub sequence: Sequence,
    /// Holding torque at the position that holds the least (N·m).
    pub holding: f64,
    /// The most that the windings take, running or standing (W).
    pub windings: f64,
    /// Whether that is more than at the rated current.
    pub hot: bool,
    /// The pull-out curve.
    pub pull_out: PullOut,
}

impl SequenceAbility {
    /// Of every sequence that the drive of `axis` could switch; none where it regulates.
    pub fn all(axis: &Axis) -> Vec<Self> {
        match axis.drive.kind {
            DriveKind::FixedVoltage { .. } => {
                [Sequence::Wave, Sequence::TwoPhase, Sequence::HalfStep]
                    .into_iter()
                    .filter_map(|sequence| Self::of(axis, sequence))
                    .collect()
            }
            DriveKind::LinearCurrent { .. } | DriveKind::Chopper { .. } => Vec::new(),
        }
    }

    /// None where a common ballast does not suit the sequence.
    fn of(axis: &Axis, sequence: Sequence) -> Option<Self> {
        let mut changed = axis.clone();
        changed.drive.kind = DriveKind::FixedVoltage { sequence };
        let common = |ballast: crate::rig::Ballast| ballast.place == BallastPlace::Common;
        if sequence == Sequence::HalfStep && changed.drive.ballast.is_some_and(common) {
            return None;
        }
        // A measured curve belongs to the sequence it was measured with.
        let present = axis.drive.kind == changed.drive.kind;
        if !present {
            changed.motor.pull_out = None;
        }
        let windings = Heat::of(&changed).windings;
        Some(Self {
            sequence,
            holding: Machine::of(&changed).holding_torque(),
            windings: windings.most(),
            hot: windings.hot(),
            pull_out: PullOut::of(&changed),
        })
    }
}

#[cfg(test)]
mod tests {
    use approx::assert_relative_eq;

    use super::*;
    use crate::testing::rigs::axis_of;

    /// By hand, of 1.5 A, 2.1 Ω: √2 · 1.5 A is 2.1 A; 4 V drive 1.905 A, through 0.4 Ω more 1.6 A;
    /// a converter of 1 V over 1 Ω sets 1 A.
    #[test]
    fn the_proposed_current_is_the_least_of_what_limits_it() {
        for (drive, current, set_by) in [
            ("supply: 24 V", 2.1, SetBy::Motor),
            ("supply: 4 V", 1.9, SetBy::Supply),
            (
                "supply: 4 V, switch_resistance: 0.4 ohm",
                1.6,
                SetBy::Supply,
            ),
            (
                "supply: 24 V, sense_resistor: 1 ohm, converter_bits: 8, converter_reference: 1 V",
                1.0,
                SetBy::Converter,
            ),
        ] {
            let drive = format!("kind: chopper, peak_current: 0.5 A, microsteps: 16, {drive}");
            let proposal = Proposal::of(&axis_of(&drive, ""));
            assert_relative_eq!(proposal.current, current, max_relative = 1e-9);
            assert_eq!(proposal.set_by, set_by);
        }
    }

    /// 12 V over 1.5 A are 8 Ω, of which the winding is 2.1 Ω; 1.5 A in 5.9 Ω are 13.275 W. What
    /// ballast there is already does not matter.
    #[test]
    fn a_fixed_voltage_gets_the_ballast_that_leaves_the_rated_current() {
        for ballast in ["", ", ballast: { resistance: 20 ohm }"] {
            let drive = format!("kind: fixed-voltage, supply: 12 V, sequence: wave{ballast}");
            let proposal = Proposal::of(&axis_of(&drive, ""));
            let (resistance, power) = proposal.ballast.unwrap();
            assert_relative_eq!(resistance, 5.9, max_relative = 1e-9);
            assert_relative_eq!(power, 13.275, max_relative = 1e-9);
            assert_relative_eq!(proposal.current, 1.5, max_relative = 1e-9);
        }
        let weak = axis_of("kind: fixed-voltage, supply: 2.1 V, sequence: wave", "");
        assert_eq!(Proposal::of(&weak).ballast, None);
        assert_relative_eq!(Proposal::of(&weak).current, 1.0, max_relative = 1e-9);
    }

    /// With both phases on at the rated voltage the motor holds what its data say; one phase holds
    /// 1/√2 of it, and so does the weaker half step (P. Acarnley, *Stepping Motors*; from memory).
    /// One phase takes half the heat of two, and half-steps stand as hot as two.
    #[test]
    fn sequences_differ_in_torque_and_heat_as_the_textbook_says() {
        let axis = axis_of("kind: fixed-voltage, supply: 3.15 V, sequence: wave", "");
        let all = SequenceAbility::all(&axis);
        let holding: Vec<f64> = all.iter().map(|one| one.holding / 0.42).collect();
        let windings: Vec<f64> = all.iter().map(|one| one.windings).collect();
        let half = 0.5_f64.sqrt();
        for (place, (torque, watts)) in [(half, 4.725), (1.0, 9.45), (half, 9.45)]
            .into_iter()
            .enumerate()
        {
            assert_relative_eq!(holding[place], torque, max_relative = 1e-9);
            assert_relative_eq!(windings[place], watts, max_relative = 1e-9);
        }
        assert!(all[1].pull_out.at(0.0) > all[0].pull_out.at(0.0));
        let chopper = axis_of(
            "kind: chopper, supply: 24 V, peak_current: 1 A, microsteps: 4",
            "",
        );
        assert!(SequenceAbility::all(&chopper).is_empty());
    }
}
