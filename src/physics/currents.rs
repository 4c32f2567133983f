//! What flows in the phases at each microstep, and what a converter makes of it.
//!
//! ```text
//! iA = I cos φ    iB = I sin φ    φ = φ₀ + k · 90°/m
//! code = round(|i| · Rs · g / Vref · 2^bits), at most 2^bits − 1
//! i'   = code · Vref / (2^bits · Rs · g), with the sign of i
//! ```
//!
//! | symbol | what | unit |
//! | --- | --- | --- |
//! | I | amplitude (peak current), as far as [converter and supply reach](crate::rig::Amplitude) | A |
//! | φ | electrical angle of the current, that is of the rotor at rest | rad |
//! | m | microsteps a full step; k counts them through one cycle of 4 m | |
//! | Rs, g | sense resistor and the gain behind it | Ω, |
//! | Vref, bits | full scale and width of the converter | V, |
//!
//! The rotor comes to rest at the angle of the current vector, atan2(iB', iA'), and its
//! holding torque goes with the vector's length: the rounding of the codes shows as an
//! angle error and as a ripple. A [correction](crate::physics::feed) turns φ in iA and iB, not where the rotor
//! rests. Detent and friction add to that error: see [`RestError`]. The signs and φ₀ are those of
//! [`Machine::command_angle`].
//!
//! Source: the equilibrium of T = K (iB cos θe − iA sin θe); tables of the trade round
//! the same cosines (quarter step: 100, 92.4, 70.7, 38.3, 0 %).

use crate::physics::feed::Demand;
use crate::physics::filter::ConverterFilter;
use crate::physics::machine::Machine;
use crate::physics::rest_error::{Pointed, RestError};
use crate::rig::{Amplitude, Axis, Converter, DriveKind};
use crate::units::Resistance;

/// The currents of one axis through one electrical cycle (four full steps).
#[derive(Debug, Clone, PartialEq)]
pub struct CoilTable {
    /// What the axis is called.
    pub axis: String,
    /// The kind of drive with its sequence, as a rig writes it.
    pub drive: String,
    /// Microsteps a full step.
    pub microsteps: u32,
    /// The current at 100 % (A): the amplitude of the sine that is reached, or the
    /// current of a phase that is on at standstill.
    pub full_current: f64,
    /// What the rig asks for and what limits it, where the current is regulated.
    pub amplitude: Option<Amplitude>,
    /// What sets the currents, where the rig describes it.
    pub converter: Option<Converter>,
    /// What filters its PWM, where it is one.
    pub filter: Option<ConverterFilter>,
    /// One row a microstep.
    pub rows: Vec<CoilRow>,
    /// How far detent and friction let the rotor rest from the angle of the currents.
    pub rest_error: RestError,
}

/// What the phases carry at one microstep.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CoilRow {
    /// Which microstep of the cycle, from 0.
    pub index: u32,
    /// Electrical angle that is meant (rad).
    pub electrical: f64,
    /// Phase A.
    pub a: PhaseCurrent,
    /// Phase B.
    pub b: PhaseCurrent,
    /// Angle of the currents that flow less that of those meant (rad at the motor's shaft);
    /// zero without a converter.
    pub angle_error: f64,
    /// Holding torque here over that of the full current in one phase.
    pub torque_ratio: f64,
}

/// The current of one phase.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PhaseCurrent {
    /// Which way it flows: −1, 0 or 1.
    pub sign: i8,
    /// Current that is meant, with its sign (A).
    pub current: f64,
    /// Code of the converter, where there is one.
    pub code: Option<Code>,
}

/// A converter's code.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Code {
    /// The number to write.
    pub value: u32,
    /// Current that the code makes less the one that is meant (A).
    pub error: f64,
}

impl PhaseCurrent {
    /// Current that flows: what the code makes, or what is meant.
    pub fn flowing(&self) -> f64 {
        self.current + self.code.map_or(0.0, |code| code.error)
    }
}

impl CoilTable {
    /// The table of an axis.
    pub fn of(axis: &Axis) -> Self {
        let machine = Machine::of(axis);
        let set = axis.drive.current_setter();
        let amplitude = axis.amplitude();
        let full_current = match amplitude {
            Some(amplitude) => amplitude.reached(),
            None => axis.drive.supply.si() / machine.resistance,
        };
        let rows: Vec<CoilRow> = (0..4 * axis.drive.microsteps())
            .map(|index| row(&machine, index, set, full_current))
            .collect();
        let flowing = rows.iter().map(|row| {
            let off = row.angle_error * machine.rotor_teeth;
            Pointed {
                amplitude: row.torque_ratio * full_current,
                meant: row.electrical + off,
                to: machine.feed.current_angle(i64::from(row.index)) + off,
            }
        });
        let rest_error = RestError::of(axis, flowing);
        let kind = axis.drive.kind;
        let drive = match kind {
            DriveKind::FixedVoltage { sequence } => format!("{} {}", kind.name(), sequence.name()),
            DriveKind::LinearCurrent { .. } | DriveKind::Chopper { .. } => kind.name().to_owned(),
        };
        Self {
            axis: axis.name.clone(),
            drive,
            microsteps: axis.drive.microsteps(),
            full_current,
            amplitude,
            converter: set.map(|(converter, _)| converter),
            filter: ConverterFilter::of(axis),
            rows,
            rest_error,
        }
    }

    /// Share of the full current (%) that a current is.
    pub fn percent(&self, current: f64) -> f64 {
        100.0 * current / self.full_current
    }

    /// The largest angle error of all rows (rad at the motor's shaft), without sign.
    pub fn worst_angle_error(&self) -> f64 {
        let errors = self.rows.iter().map(|row| row.angle_error.abs());
        errors.fold(0.0, f64::max)
    }

    /// Ripple of the holding torque over the cycle: (greatest − least) / mean.
    pub fn torque_ripple(&self) -> f64 {
        let ratios = || self.rows.iter().map(|row| row.torque_ratio);
        let mean = ratios().sum::<f64>() / self.rows.len() as f64;
        let greatest = ratios().fold(f64::MIN, f64::max);
        let least = ratios().fold(f64::MAX, f64::min);
        (greatest - least) / mean
    }

    /// Whether the rig asks for more than the converter can set.
    pub fn beyond_converter(&self) -> bool {
        let beyond = |amplitude: Amplitude| amplitude.beyond_converter();
        self.amplitude.is_some_and(beyond)
    }
}

fn row(
    machine: &Machine,
    index: u32,
    set: Option<(Converter, Resistance)>,
    full_current: f64,
) -> CoilRow {
    let (a, b) = match machine.demand(i64::from(index)) {
        Demand::Current(a, b) => (a, b),
        Demand::Voltage(a, b) => (a / machine.resistance, b / machine.resistance),
    };
    let (a, b) = (phase(a, full_current, set), phase(b, full_current, set));
    let electrical = machine.command_angle(i64::from(index));
    let pointed = machine.feed.current_angle(i64::from(index));
    let flowing = libm::atan2(b.flowing(), a.flowing());
    let off = (flowing - pointed).rem_euclid(std::f64::consts::TAU);
    let off = if off > std::f64::consts::PI {
        off - std::f64::consts::TAU
    } else {
        off
    };
    CoilRow {
        index,
        electrical,
        a,
        b,
        angle_error: off / machine.rotor_teeth,
        torque_ratio: libm::hypot(a.flowing(), b.flowing()) / full_current,
    }
}

fn phase(current: f64, full_current: f64, set: Option<(Converter, Resistance)>) -> PhaseCurrent {
    // The cosine of a right angle is 6·10⁻¹⁷, which is no current.
    let current = if current.abs() < 1e-12 * full_current {
        0.0
    } else {
        current
    };
    PhaseCurrent {
        sign: i8::from(current > 0.0) - i8::from(current < 0.0),
        current,
        code: set.map(|(converter, resistor)| code(current, converter, resistor)),
    }
}

fn code(current: f64, converter: Converter, resistor: Resistance) -> Code {
    let codes = f64::from(1u32 << converter.bits);
    let step = converter.reference.si() / (codes * resistor.si() * converter.sense_gain);
    let wanted = (current.abs() / step).round();
    let value = wanted.min(codes - 1.0);
    Code {
        value: value as u32,
        error: (value * step).copysign(current) - current,
    }
}

#[cfg(test)]
mod tests {
    use approx::assert_relative_eq;

    use super::*;
    use crate::diagnostic::Source;
    use crate::rig::{NoFiles, Rig};
    use crate::testing::motors::MEDIUM;

    fn table(drive: &str) -> CoilTable {
        let text = format!(
            "axes: {{ a: {{ motor: {{ {MEDIUM} }}, drive: {{ {drive} }} }} }}\ntimer: {{ clock: 8 MHz }}\n"
        );
        let read = Rig::parse(&Source::new("rig.yaml", text), &mut NoFiles).unwrap();
        CoilTable::of(&read.rig.axes[0])
    }

    fn chopper(microsteps: u32, more: &str) -> CoilTable {
        table(&format!(
            "kind: chopper, supply: 24 V, peak_current: 1 A, microsteps: {microsteps}{more}"
        ))
    }

    /// The trade's rounding of the quarter step, 100, 92.4, 70.7, 38.3, 0 % (common
    /// practice; follows from cos k·22.5°).
    #[test]
    fn quarter_step_currents_are_those_of_the_trade() {
        let table = chopper(4, "");
        let rounded: Vec<String> = table.rows[..5]
            .iter()
            .map(|row| format!("{:.1}", table.percent(row.a.current)))
            .collect();
        assert_eq!(rounded, ["100.0", "92.4", "70.7", "38.3", "0.0"]);
        let other: Vec<f64> = table.rows[..5].iter().map(|row| row.b.current).collect();
        for (row, b) in table.rows[..5].iter().rev().zip(other) {
            assert_relative_eq!(row.a.current, b, epsilon = 1e-12);
        }
    }

    #[test]
    fn without_a_converter_the_torque_is_the_same_at_every_microstep() {
        for microsteps in [1, 2, 3, 8, 16, 256] {
            let table = chopper(microsteps, "");
            assert_eq!(table.rows.len() as u32, 4 * microsteps);
            assert!(table.torque_ripple() < 1e-12);
            assert!(table.worst_angle_error() < 1e-12);
        }
    }

    /// The sequences of signs are those of every textbook on stepping motors (common
    /// practice).
    #[test]
    fn fixed_voltage_sequences_have_the_signs_of_the_textbook() {
        let signs = |sequence: &str| -> Vec<(i8, i8)> {
            table(&format!(
                "kind: fixed-voltage, supply: 5 V, sequence: {sequence}"
            ))
            .rows
            .iter()
            .map(|row| (row.a.sign, row.b.sign))
            .collect()
        };
        assert_eq!(signs("wave"), [(1, 0), (0, 1), (-1, 0), (0, -1)]);
        assert_eq!(signs("two-phase"), [(1, 1), (-1, 1), (-1, -1), (1, -1)]);
        assert_eq!(
            signs("half-step"),
            [
                (1, 0),
                (1, 1),
                (0, 1),
                (-1, 1),
                (-1, 0),
                (-1, -1),
                (0, -1),
                (1, -1)
            ]
        );
    }

    /// With one and two phases on in turn the torque alternates between 1 and √2.
    #[test]
    fn plain_half_stepping_ripples_between_one_and_the_root_of_two() {
        let table = table("kind: fixed-voltage, supply: 5 V, sequence: half-step");
        let root = std::f64::consts::SQRT_2;
        assert_relative_eq!(
            table.torque_ripple(),
            2.0 * (root - 1.0) / (root + 1.0),
            max_relative = 1e-12
        );
        assert!(table.worst_angle_error() < 1e-12);
    }

    /// With a 1 Ω sense resistor volts read as amperes (common practice): a 10-bit
    /// converter on 1.024 V then counts milliamperes.
    #[test]
    fn a_one_ohm_resistor_and_a_millivolt_converter_count_milliamperes() {
        let table = chopper(
            4,
            ", sense_resistor: 1 ohm, converter_bits: 10, converter_reference: 1.024 V",
        );
        let codes: Vec<u32> = table.rows[..5]
            .iter()
            .map(|row| row.a.code.unwrap().value)
            .collect();
        assert_eq!(codes, [1000, 924, 707, 383, 0]);
        for row in &table.rows {
            assert!(row.a.code.unwrap().error.abs() <= 0.5e-3 * 1.000_001);
        }
        assert!(!table.beyond_converter());
    }

    #[test]
    fn a_coarse_converter_shows_as_angle_error_and_ripple() {
        let coarse = |bits: u32| {
            chopper(
                16,
                &format!(
                    ", sense_resistor: 1 ohm, converter_bits: {bits}, converter_reference: 1.05 V"
                ),
            )
        };
        let errors: Vec<f64> = [4, 6, 8, 10]
            .map(|bits| coarse(bits).worst_angle_error())
            .into();
        assert!(
            errors.windows(2).all(|pair| pair[1] < pair[0]),
            "{errors:?}"
        );
        // A vector whose parts are each off by half a code lies at most √2/2 codes
        // from where it should be: asin of that over its length bounds the angle.
        for bits in [4, 6, 8, 10] {
            let table = coarse(bits);
            let code = 1.05 / f64::from(1u32 << bits);
            let bound = (code * std::f64::consts::FRAC_1_SQRT_2).asin() / 50.0;
            assert!(table.worst_angle_error() <= bound);
            assert!(table.torque_ripple() <= 2.01 * code);
        }
    }

    #[test]
    fn a_converter_that_cannot_reach_the_peak_makes_a_smaller_sine_of_it() {
        let table = chopper(
            4,
            ", sense_resistor: 1 ohm, converter_bits: 8, converter_reference: 0.8 V",
        );
        assert!(table.beyond_converter());
        assert_relative_eq!(table.full_current, 0.8, max_relative = 1e-12);
        // Full scale, but for the last code; and 0.8 A · cos 22.5° of it: 236.5 of 256.
        let codes: Vec<u32> = table.rows[..2]
            .iter()
            .map(|row| row.a.code.unwrap().value)
            .collect();
        assert_eq!(codes, [255, 237]);
    }

    /// Ohm's law: 2.5 V through 2.1 Ω of winding and 0.4 Ω of sense resistor are 1 A.
    #[test]
    fn a_supply_that_cannot_reach_the_peak_makes_a_smaller_sine_of_it() {
        let drive = "kind: chopper, supply: 2.5 V, peak_current: 1.5 A, sense_resistor: 0.4 ohm";
        let fine = table(&format!("{drive}, microsteps: 8"));
        assert_relative_eq!(fine.full_current, 1.0, max_relative = 1e-12);
        assert!(fine.amplitude.unwrap().beyond_supply());
        // Full steps rest with both phases on: cos 45° of the amplitude in each.
        let full = table(&format!("{drive}, microsteps: 1"));
        assert_relative_eq!(full.rows[0].a.current, 1.0, max_relative = 1e-12);
    }
}
