//! Where the electrical power goes: windings, switches, transistors, sense resistors,
//! supply; and what comes back when a load is braked.
//!
//! Averaged over the microsteps of a cycle (running) or at the worst of them
//! (standing), with iA, iB of the [coil table](super::currents):
//!
//! ```text
//! windings     (iA² + iB²) R              which is 2 Irms² R while running
//! switches     (iA² + iB²) Rsw
//! resistors    (iA² + iB²) Rs
//! transistors  V (|iA| + |iB|) − (iA² + iB²)(R + Rsw + Rs)      linear source only
//! supply       V (|iA| + |iB|) for a linear source and for fixed voltage,
//!              the sum of the losses for a chopper
//! ```
//!
//! Running losses are those of slow running, where the current is at its full value
//! and the motor's own voltage is small: the warmest case. Iron losses are not in the
//! model. Standing losses carry the hold current: h times each current.
//!
//! Braking: the shaft gives back P = |T| ω; what the losses do not swallow returns to
//! the supply (chopper, fixed voltage). On a ramp down from ω at the rate α,
//! E = ∫ (|T| w − P_loss) dw/α from P_loss/|T| to ω.
//!
//! Source: Joule's law and the balance of power.

use std::fmt;

use super::{CoilTable, ShaftLoad};
use crate::plan::Direction;
use crate::rig::{Axis, DriveKind};
use crate::units::{Current, Power, Torque, Voltage};

/// Power (W) that a bare transistor in a common plastic package sheds without a heat
/// sink (common practice).
const BARE_TRANSISTOR: f64 = 1.5;

/// Power (W) that an ordinary small resistor takes at half its rating.
const SMALL_RESISTOR: f64 = 0.25;

/// How far above the rated value a current may be before it is called too much.
const SLACK: f64 = 1.05;

/// The cautions that every builder of such a drive should have read.
pub const CAUTIONS: [&str; 3] = [
    "Hot parts: a motor at rated current, power transistors and ballast or sense resistors can burn skin long after the power is off.",
    "Never unplug a motor that is powered: the current in its windings makes a high voltage that destroys the drive and can hurt.",
    "Keep hands out while the rig can move; it starts without warning. Follow local codes, and leave mains wiring to those licensed for it.",
];

/// The losses of one axis in one condition (W).
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Losses {
    /// In both windings of the motor.
    pub copper: f64,
    /// In the switches and what is in series with the phases.
    pub switches: f64,
    /// In the transistors of a linear source.
    pub transistors: f64,
    /// In the sense resistors.
    pub sense: f64,
    /// Drawn from the supply.
    pub supply: f64,
}

/// The heat of one axis, with what is to be said about it.
#[derive(Debug, Clone, PartialEq)]
pub struct Heat {
    /// Running slowly at full current, averaged over a cycle.
    pub running: Losses,
    /// Standing with the hold current, each at the microstep where it is worst.
    pub holding: Losses,
    /// Effective current of a phase while running (A).
    pub rms_current: f64,
    /// The most that one transistor stage takes, standing or running (W); zero but for
    /// a linear source.
    pub hottest_transistor: f64,
    /// The most that one sense resistor takes, standing or running (W).
    pub hottest_sense_resistor: f64,
    /// What should be looked at.
    pub warnings: Vec<HeatWarning>,
}

/// A warning about heat, current or a hanging load.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum HeatWarning {
    /// A stage of a linear source gets hotter than a bare transistor stands.
    HotTransistors {
        /// The most that one stage takes (W).
        stage: f64,
        /// All stages together while the axis stands (W).
        standing: f64,
    },
    /// The windings get more than at the rated current.
    HotWindings {
        /// The most that the windings take (W).
        copper: f64,
        /// What they take at the rated current (W).
        rated: f64,
    },
    /// A phase's current is above what the motor is rated for.
    CurrentAboveRated {
        /// The largest effective current of a phase (A).
        current: f64,
        /// The rated current (A).
        rated: f64,
    },
    /// A sense resistor takes more than a small one stands.
    HotSenseResistor {
        /// The most that one takes (W).
        power: f64,
    },
    /// The supply cannot drive the peak current through the windings.
    SupplyTooLow {
        /// The least that could (V).
        needed: f64,
        /// What there is (V).
        supply: f64,
    },
    /// The converter cannot set the peak current.
    ConverterTooSmall {
        /// The peak current (A).
        peak: f64,
    },
    /// The load turns the shaft by itself when the current is removed.
    LoadDrops {
        /// Torque that the load puts on the motor's shaft (N·m).
        torque: f64,
    },
    /// The hold current does not hold the load with the margin.
    HoldTooWeak {
        /// Torque that the hold current gives, the margin taken off (N·m).
        holding: f64,
        /// Torque that the load puts on the motor's shaft (N·m).
        needed: f64,
    },
}

impl HeatWarning {
    /// The kind of warning in one hyphenated word.
    pub const fn code(&self) -> &'static str {
        match self {
            Self::HotTransistors { .. } => "hot-transistors",
            Self::HotWindings { .. } => "hot-windings",
            Self::CurrentAboveRated { .. } => "current-above-rated",
            Self::HotSenseResistor { .. } => "hot-sense-resistor",
            Self::SupplyTooLow { .. } => "supply-below-peak-current",
            Self::ConverterTooSmall { .. } => "converter-below-peak-current",
            Self::LoadDrops { .. } => "load-drops",
            Self::HoldTooWeak { .. } => "hold-too-weak",
        }
    }
}

impl fmt::Display for HeatWarning {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Self::HotTransistors { stage, standing } => write!(
                f,
                "hot parts: a stage of the linear source turns up to {} into heat, {} in all at standstill; \
                 give the transistors a heat sink, or lower the supply or the hold current",
                Power::new(stage),
                Power::new(standing)
            ),
            Self::HotWindings { copper, rated } => write!(
                f,
                "hot parts: the windings take {}, and at rated current {}; lower the current, or let the motor rest and watch its temperature",
                Power::new(copper),
                Power::new(rated)
            ),
            Self::CurrentAboveRated { current, rated } => write!(
                f,
                "a phase carries {} (effective), and {} is rated: lower the current, or put a ballast resistor in series",
                Current::new(current),
                Current::new(rated)
            ),
            Self::HotSenseResistor { power } => write!(
                f,
                "hot parts: a sense resistor takes up to {}; use one rated for {} or more",
                Power::new(power),
                Power::new(2.0 * power)
            ),
            Self::SupplyTooLow { needed, supply } => write!(
                f,
                "the peak current takes {} through the windings and switches at standstill, and the supply gives {}: the current stays below its peak",
                Voltage::new(needed),
                Voltage::new(supply)
            ),
            Self::ConverterTooSmall { peak } => write!(
                f,
                "the converter's full scale is below the peak current of {}: raise its reference, or lower the sense resistor or its gain",
                Current::new(peak)
            ),
            Self::LoadDrops { torque } => write!(
                f,
                "danger: the load pulls on the shaft with {}; it drops when the current is removed or a step is lost: \
                 keep hands away, and fit a brake or a counterweight",
                Torque::new(torque)
            ),
            Self::HoldTooWeak { holding, needed } => write!(
                f,
                "the hold current holds {} with the margin taken off, and the load needs {}: raise `hold_current`",
                Torque::new(holding),
                Torque::new(needed)
            ),
        }
    }
}

impl Heat {
    /// The heat of an axis.
    pub fn of(axis: &Axis) -> Self {
        let table = CoilTable::of(axis);
        let circuit = Circuit::of(axis);
        let pairs: Vec<(f64, f64)> = table
            .rows
            .iter()
            .map(|row| (row.a.current, row.b.current))
            .collect();
        let count = pairs.len() as f64;
        let running = pairs.iter().fold(Losses::default(), |sum, &(a, b)| {
            sum.zip(circuit.losses(a, b), |sum, one| sum + one / count)
        });
        let hold = axis.drive.hold_current;
        let holding = pairs.iter().fold(Losses::default(), |worst, &(a, b)| {
            worst.zip(circuit.losses(hold * a, hold * b), f64::max)
        });
        let square = |&(a, b): &(f64, f64)| (a * a + b * b) / 2.0;
        let rms_current = (pairs.iter().map(square).sum::<f64>() / count).sqrt();
        let stages = |share: f64| {
            let one = move |(a, b): &(f64, f64)| [share * a, share * b];
            pairs.iter().flat_map(one).map(f64::abs)
        };
        // Standing, a stage keeps its worst current; running, it sees their average.
        let stage_power = |current: f64| circuit.losses(current, 0.0).transistors;
        let standing_stage = stages(hold).map(stage_power).fold(0.0, f64::max);
        let largest = stages(1.0).fold(0.0, f64::max);
        let held = hold * largest;
        let sense = circuit.sense;
        let mut heat = Self {
            running,
            holding,
            rms_current,
            hottest_transistor: standing_stage.max(running.transistors / 2.0),
            hottest_sense_resistor: (held * held * sense).max(rms_current * rms_current * sense),
            warnings: Vec::new(),
        };
        heat.warnings = heat.warn(axis, &table, &circuit, largest);
        heat
    }

    fn warn(
        &self,
        axis: &Axis,
        table: &CoilTable,
        circuit: &Circuit,
        largest: f64,
    ) -> Vec<HeatWarning> {
        let mut warnings = Vec::new();
        if self.hottest_transistor > BARE_TRANSISTOR {
            warnings.push(HeatWarning::HotTransistors {
                stage: self.hottest_transistor,
                standing: self.holding.transistors,
            });
        }
        let rated_current = axis.motor.rated_current.si();
        let rated = 2.0 * rated_current * rated_current * circuit.winding;
        let copper = self.running.copper.max(self.holding.copper);
        if copper > rated * SLACK * SLACK {
            warnings.push(HeatWarning::HotWindings { copper, rated });
        }
        if self.rms_current > rated_current * SLACK {
            warnings.push(HeatWarning::CurrentAboveRated {
                current: self.rms_current,
                rated: rated_current,
            });
        }
        if self.hottest_sense_resistor > SMALL_RESISTOR {
            warnings.push(HeatWarning::HotSenseResistor {
                power: self.hottest_sense_resistor,
            });
        }
        if axis.drive.peak_current().is_some() {
            let needed = largest * circuit.series();
            if needed > circuit.supply {
                warnings.push(HeatWarning::SupplyTooLow {
                    needed,
                    supply: circuit.supply,
                });
            }
        }
        if table.clamped() {
            warnings.push(HeatWarning::ConverterTooSmall {
                peak: table.full_current,
            });
        }
        self.warn_of_load(axis, table, &mut warnings);
        warnings
    }

    fn warn_of_load(&self, axis: &Axis, table: &CoilTable, warnings: &mut Vec<HeatWarning>) {
        let needed = ShaftLoad::of(axis).standing_torque();
        if needed <= 0.0 {
            return;
        }
        warnings.push(HeatWarning::LoadDrops { torque: needed });
        let ratios = table.rows.iter().map(|row| row.torque_ratio);
        let weakest = ratios.fold(f64::MAX, f64::min);
        let current = axis.drive.hold_current * table.full_current * weakest;
        let share = 1.0 - axis.limits.torque_margin;
        let holding = axis.motor.torque_constant() * current * share;
        if holding < needed {
            warnings.push(HeatWarning::HoldTooWeak { holding, needed });
        }
    }
}

impl Losses {
    /// Each part of two put together.
    fn zip(self, other: Self, join: impl Fn(f64, f64) -> f64) -> Self {
        Self {
            copper: join(self.copper, other.copper),
            switches: join(self.switches, other.switches),
            transistors: join(self.transistors, other.transistors),
            sense: join(self.sense, other.sense),
            supply: join(self.supply, other.supply),
        }
    }
}

/// What a phase current flows through (Ω, V).
struct Circuit {
    winding: f64,
    switches: f64,
    sense: f64,
    supply: f64,
    kind: DriveKind,
}

impl Circuit {
    fn of(axis: &Axis) -> Self {
        // A fixed-voltage drive has nothing to sense; its current is what supply and
        // resistance make it.
        let sense = match axis.drive.kind {
            DriveKind::FixedVoltage { .. } => 0.0,
            _ => axis.drive.sense_resistor.map_or(0.0, |sense| sense.si()),
        };
        Self {
            winding: axis.motor.phase_resistance.si(),
            switches: axis.drive.switch_resistance.si(),
            sense,
            supply: axis.drive.supply.si(),
            kind: axis.drive.kind,
        }
    }

    fn series(&self) -> f64 {
        self.winding + self.switches + self.sense
    }

    /// The losses with these currents in the phases, at standstill.
    fn losses(&self, a: f64, b: f64) -> Losses {
        let squares = a * a + b * b;
        let drawn = self.supply * (a.abs() + b.abs());
        let in_series = squares * self.series();
        let (transistors, supply) = match self.kind {
            DriveKind::LinearCurrent { .. } => ((drawn - in_series).max(0.0), drawn),
            DriveKind::FixedVoltage { .. } | DriveKind::Chopper { .. } => (0.0, in_series),
        };
        Losses {
            copper: squares * self.winding,
            switches: squares * self.switches,
            transistors,
            sense: squares * self.sense,
            supply,
        }
    }
}

/// What comes back while an axis is braked: an estimate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Regeneration {
    /// Mechanical power that the motor takes from the shaft at the start of the ramp (W).
    pub braking_power: f64,
    /// Power that the losses swallow (W).
    pub swallowed: f64,
    /// Energy that returns to the supply over the whole ramp (J); none from a linear
    /// source, whose transistors take it all.
    pub returned_energy: f64,
    /// Least capacity at the supply (F) that keeps its voltage from rising by more
    /// than a fifth, where the supply itself takes nothing back.
    pub capacity: f64,
}

impl Regeneration {
    /// Ramp down from the speed `omega` (rad/s of the motor) to rest at the rate
    /// `alpha` (rad/s², positive), where the load has to be braked at all and more
    /// comes back than the losses take.
    pub fn of(axis: &Axis, heat: &Heat, omega: f64, alpha: f64, way: Direction) -> Option<Self> {
        if matches!(axis.drive.kind, DriveKind::LinearCurrent { .. }) {
            return None;
        }
        let torque = -ShaftLoad::of(axis).required_torque(omega, -alpha, way);
        let losses = &heat.running;
        let swallowed = losses.copper + losses.switches + losses.sense;
        let braking_power = torque * omega;
        if torque <= 0.0 || braking_power <= swallowed {
            return None;
        }
        let even = swallowed / torque;
        let energy =
            (torque * (omega * omega - even * even) / 2.0 - swallowed * (omega - even)) / alpha;
        let supply = axis.drive.supply.si();
        Some(Self {
            braking_power,
            swallowed,
            returned_energy: energy,
            // ½ C ((1.2 V)² − V²) = 0.22 C V².
            capacity: energy / (0.22 * supply * supply),
        })
    }
}

#[cfg(test)]
mod tests {
    use approx::assert_relative_eq;

    use super::*;
    use crate::diagnostic::Source;
    use crate::rig::{NoFiles, Rig};

    fn axis(drive: &str, load: &str) -> Axis {
        let text = format!(
            "axes: {{ a: {{ motor: {{ rotor_teeth: 50, phase_resistance: 1.6 ohm, phase_inductance: 3.2 mH, \
             rated_current: 1.5 A, holding_torque: 0.42 N.m, rotor_inertia: 57 g.cm^2 }}, \
             drive: {{ {drive} }}, load: {{ {load} }} }} }}\ntimer: {{ clock: 8 MHz }}\n"
        );
        let mut read = Rig::parse(&Source::new("rig.yaml", text), &mut NoFiles).unwrap();
        read.rig.axes.remove(0)
    }

    fn codes(heat: &Heat) -> Vec<&'static str> {
        heat.warnings.iter().map(HeatWarning::code).collect()
    }

    /// What is drawn is lost, to the last milliwatt: with every kind of drive.
    #[test]
    fn power_drawn_is_power_lost() {
        for drive in [
            "kind: linear-current, supply: 15 V, peak_current: 0.9 A, microsteps: 8, switch_resistance: 0.3 ohm, sense_resistor: 0.5 ohm",
            "kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 16, sense_resistor: 0.1 ohm",
            "kind: fixed-voltage, supply: 2.4 V, sequence: half-step, switch_resistance: 1 ohm",
        ] {
            let running = Heat::of(&axis(drive, "")).running;
            let lost = running.copper + running.switches + running.transistors + running.sense;
            assert_relative_eq!(running.supply, lost, max_relative = 1e-12);
        }
    }

    /// 2 Irms² R with Irms = I/√2 for a sine (physics of alternating current), and the
    /// mean of |sin| of 2/π: 15 V · 0.9 A · 4/π drawn.
    #[test]
    fn a_linear_source_burns_what_the_sine_leaves() {
        let heat = Heat::of(&axis(
            "kind: linear-current, supply: 15 V, peak_current: 0.9 A, microsteps: 256",
            "",
        ));
        let rms = 0.9 / std::f64::consts::SQRT_2;
        assert_relative_eq!(heat.rms_current, rms, max_relative = 1e-12);
        assert_relative_eq!(
            heat.running.copper,
            2.0 * rms * rms * 1.6,
            max_relative = 1e-12
        );
        let drawn = 15.0 * 0.9 * 4.0 / std::f64::consts::PI;
        assert_relative_eq!(heat.running.supply, drawn, max_relative = 1e-4);
        // At standstill the two-phase position is the worst: √2 V I − I² R; a single
        // stage is worst with all the current: V I − I² R.
        let worst = std::f64::consts::SQRT_2 * 15.0 * 0.9 - 0.81 * 1.6;
        assert_relative_eq!(heat.holding.transistors, worst, max_relative = 1e-9);
        assert_relative_eq!(
            heat.hottest_transistor,
            15.0 * 0.9 - 0.81 * 1.6,
            max_relative = 1e-9
        );
        assert!(codes(&heat).contains(&"hot-transistors"));
    }

    #[test]
    fn the_hold_current_lowers_losses_by_its_square() {
        let drive = "kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 8";
        let full = Heat::of(&axis(drive, "")).holding.copper;
        let half = Heat::of(&axis(&format!("{drive}, hold_current: 50 %"), ""))
            .holding
            .copper;
        assert_relative_eq!(half, full / 4.0, max_relative = 1e-12);
    }

    #[test]
    fn two_phases_on_at_rated_voltage_take_the_rated_current() {
        let heat = Heat::of(&axis(
            "kind: fixed-voltage, supply: 2.4 V, sequence: two-phase",
            "",
        ));
        assert_relative_eq!(heat.rms_current, 1.5, max_relative = 1e-12);
        assert_relative_eq!(
            heat.holding.copper,
            2.0 * 1.5 * 1.5 * 1.6,
            max_relative = 1e-12
        );
        assert!(heat.warnings.is_empty());
    }

    #[test]
    fn too_much_current_and_too_little_supply_are_told() {
        let high = Heat::of(&axis(
            "kind: fixed-voltage, supply: 5 V, sequence: two-phase",
            "",
        ));
        assert_eq!(codes(&high), ["hot-windings", "current-above-rated"]);
        let low = Heat::of(&axis(
            "kind: chopper, supply: 2 V, peak_current: 1.5 A, microsteps: 8",
            "",
        ));
        assert_eq!(codes(&low), ["supply-below-peak-current"]);
        let sense = Heat::of(&axis(
            "kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 8, sense_resistor: 1 ohm",
            "",
        ));
        assert_eq!(codes(&sense), ["hot-sense-resistor"]);
    }

    #[test]
    fn a_hanging_load_drops_and_may_be_too_heavy_to_hold() {
        let drive =
            "kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 8, hold_current: 20 %";
        let light = Heat::of(&axis(drive, "constant_torque: 10 mN.m"));
        assert_eq!(codes(&light), ["load-drops"]);
        assert!(
            light.warnings[0]
                .to_string()
                .contains("drops when the current is removed")
        );
        let heavy = Heat::of(&axis(drive, "constant_torque: 50 mN.m"));
        assert_eq!(codes(&heavy), ["load-drops", "hold-too-weak"]);
    }

    /// Conservation of energy: without friction, what returns and what the losses take
    /// over the ramp is the kinetic energy, down to the speed where the balance turns.
    #[test]
    fn what_comes_back_is_kinetic_energy_less_losses() {
        let drive = "kind: chopper, supply: 24 V, peak_current: 0.3 A, microsteps: 8";
        let axis = axis(drive, "inertia: 20 kg.cm^2");
        let heat = Heat::of(&axis);
        let (omega, alpha) = (60.0, 20.0);
        let back = Regeneration::of(&axis, &heat, omega, alpha, Direction::Positive).unwrap();
        let inertia = 20e-4 + 57e-7;
        assert_relative_eq!(
            back.braking_power,
            inertia * alpha * omega,
            max_relative = 1e-12
        );
        let even = back.swallowed / (inertia * alpha);
        let kinetic = inertia * (omega * omega - even * even) / 2.0;
        let lost = back.swallowed * (omega - even) / alpha;
        assert_relative_eq!(back.returned_energy, kinetic - lost, max_relative = 1e-12);
        assert!(Regeneration::of(&axis, &heat, 3.0, alpha, Direction::Positive).is_none());
    }
}
