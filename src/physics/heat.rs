//! Where the electrical power goes: windings, switches, transistors, sense resistors,
//! supply. What comes back when a load is braked is a matter of
//! [`regeneration`](super::regeneration).
//!
//! Averaged over the microsteps of a cycle (running) or at the worst of them
//! (standing), with iA, iB of the [coil table](super::currents):
//!
//! ```text
//! windings     (iA² + iB²) R              which is 2 Irms² R while running
//! switches     (iA² + iB²) Rsw + (|iA| + |iB|) f (V t + 2 Vd td)     the latter of a chopper only
//! ballast      (iA² + iB²) Rb                     Rb: what of it each phase has in series
//! resistors    (iA² + iB²) Rs
//! transistors  V (|iA| + |iB|) − (iA² + iB²)(R + Rsw + Rb + Rs)      linear source only
//! supply       V (|iA| + |iB|) for a linear source and for fixed voltage,
//!              the sum of the losses for a chopper
//! ```
//!
//! A chopper switches each phase on and off f times a second. At an edge voltage and current change
//! places within t, which takes ½ V |i| t; for td at each edge a diode of Vd carries the current
//! (textbooks of power electronics; from memory). A bridge that only follows the steps switches some
//! thousand times a second, which takes milliwatts and is not counted.
//!
//! Where the supply does not drive the set current, the tops of the wave are cut off at what
//! it drives, which heats more than a sine of that height.
//!
//! Running losses are those of slow running, where the current is at its full value
//! and the motor's own voltage is small: the warmest case. Iron losses are not in the
//! model. Standing losses carry the hold current: h times each current.
//!
//! Source: Joule's law and the balance of power.
//!
//! The continuous rating of a motor is the loss in its windings with the rated
//! current in both phases ([`Windings`]).

mod windings;

pub(crate) use windings::{Overload, SLACK, Windings};

use super::currents::CoilTable;
use crate::rig::{Axis, BallastPlace, DriveKind};

/// Forward voltage of the diode beside a switch (V; common practice for silicon).
const DIODE: f64 = 0.8;

/// The cautions that every builder of such a drive should have read.
pub const CAUTIONS: [&str; 3] = [
    "Hot parts: a motor at rated current, power transistors and ballast or sense resistors can burn skin long after the power is off.",
    "Never unplug a motor that is powered: the current in its windings makes a high voltage that destroys the drive and can hurt.",
    "Keep hands out while the rig can move; it starts without warning. Follow local codes, and leave mains wiring to those licensed for it.",
];

/// One of the losses of an axis (W).
pub(crate) type LossPart = fn(&Losses) -> f64;

/// The losses of one axis in one condition (W).
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Losses {
    /// In both windings of the motor.
    pub copper: f64,
    /// In the switches.
    pub switches: f64,
    /// In the ballast resistors.
    pub ballast: f64,
    /// In the transistors of a linear source.
    pub transistors: f64,
    /// In the sense resistors.
    pub sense: f64,
    /// Drawn from the supply.
    pub supply: f64,
}

/// The heat of one axis. What of it is too much, the check says.
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
    /// The most that one ballast resistor takes, standing or running (W); none without one.
    pub hottest_ballast: Option<f64>,
    /// The most that one sense resistor takes, standing or running (W).
    pub hottest_sense_resistor: f64,
    /// What the windings take, and what they stand.
    pub windings: Windings,
    /// Torque that the hold current holds at the microstep where it holds the least (N·m).
    pub held_torque: f64,
}

impl Heat {
    /// The heat of an axis.
    pub fn of(axis: &Axis) -> Self {
        let table = CoilTable::of(axis);
        let circuit = Circuit::of(axis);
        // A wave that is set beyond what the supply drives is cut off there.
        let (set, driven) = table.amplitude.map_or((1.0, f64::INFINITY), |amplitude| {
            (amplitude.set() / amplitude.reached(), circuit.driven())
        });
        let flows = |current: f64| (current * set).clamp(-driven, driven);
        let pairs: Vec<(f64, f64)> = table
            .rows
            .iter()
            .map(|row| (flows(row.a.current), flows(row.b.current)))
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
        let hottest_ballast = axis.drive.ballast.map(|ballast| {
            let shared = match ballast.place {
                BallastPlace::Common => running.ballast.max(holding.ballast),
                BallastPlace::Phase => circuit.ballast * held.max(rms_current).powi(2),
            };
            shared / f64::from(ballast.count)
        });
        let windings = Windings {
            running: running.copper,
            standing: holding.copper,
            rated: circuit.copper(axis.motor.rated_current.si()),
        };
        let ratios = table.rows.iter().map(|row| row.torque_ratio);
        let weakest = ratios.fold(f64::MAX, f64::min);
        Self {
            running,
            holding,
            rms_current,
            hottest_transistor: standing_stage.max(running.transistors / 2.0),
            hottest_ballast,
            hottest_sense_resistor: (held * held * sense).max(rms_current * rms_current * sense),
            windings,
            held_torque: axis.motor.torque_constant() * (hold * table.full_current * weakest),
        }
    }
}

impl Losses {
    /// Each part of two put together.
    fn zip(self, other: Self, join: impl Fn(f64, f64) -> f64) -> Self {
        Self {
            copper: join(self.copper, other.copper),
            switches: join(self.switches, other.switches),
            ballast: join(self.ballast, other.ballast),
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
    ballast: f64,
    sense: f64,
    supply: f64,
    /// What the edges of a chopper take for each ampere (V).
    edges: f64,
    kind: DriveKind,
}

impl Circuit {
    fn of(axis: &Axis) -> Self {
        Self {
            winding: axis.motor.phase_resistance.si(),
            switches: axis.drive.switch_resistance.si(),
            ballast: axis.drive.ballast_in_series(),
            sense: axis.drive.sense_resistor.map_or(0.0, |sense| sense.si()),
            supply: axis.drive.supply.si(),
            edges: axis.drive.chopping.map_or(0.0, |chopping| {
                let edge = axis.drive.supply.si() * chopping.transition.si();
                chopping.frequency.si() * (edge + 2.0 * DIODE * chopping.dead_time.si())
            }),
            kind: axis.drive.kind,
        }
    }

    /// What the supply drives through one phase at standstill (A).
    fn driven(&self) -> f64 {
        self.supply / self.series()
    }

    /// Loss in the windings with an effective current in both (W).
    fn copper(&self, effective: f64) -> f64 {
        2.0 * effective * effective * self.winding
    }

    fn series(&self) -> f64 {
        self.winding + self.switches + self.ballast + self.sense
    }

    /// The losses with these currents in the phases, at standstill.
    fn losses(&self, a: f64, b: f64) -> Losses {
        let squares = a * a + b * b;
        let drawn = self.supply * (a.abs() + b.abs());
        let in_series = squares * self.series();
        let edges = self.edges * (a.abs() + b.abs());
        let (transistors, supply) = if self.kind.burns_the_rest() {
            ((drawn - in_series).max(0.0), drawn)
        } else {
            (0.0, in_series + edges)
        };
        Losses {
            copper: squares * self.winding,
            switches: squares * self.switches + edges,
            ballast: squares * self.ballast,
            transistors,
            sense: squares * self.sense,
            supply,
        }
    }
}

#[cfg(test)]
mod tests {
    use approx::assert_relative_eq;

    use super::*;
    use crate::testing::rigs::axis_of;

    /// What is drawn is lost, to the last milliwatt: with every kind of drive.
    #[test]
    fn power_drawn_is_power_lost() {
        for drive in [
            "kind: linear-current, supply: 15 V, peak_current: 0.9 A, microsteps: 8, switch_resistance: 0.3 ohm, sense_resistor: 0.5 ohm",
            "kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 16, sense_resistor: 0.1 ohm",
            "kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 16, chopping: { frequency: 30 kHz, transition: 150 ns }",
            "kind: fixed-voltage, supply: 3.15 V, sequence: half-step, switch_resistance: 1 ohm",
            "kind: fixed-voltage, supply: 3.15 V, sequence: two-phase, sense_resistor: 0.2 ohm",
            "kind: fixed-voltage, supply: 12 V, sequence: wave, ballast: { resistance: 6 ohm, place: common }",
        ] {
            let running = Heat::of(&axis_of(drive, "")).running;
            let lost = running.copper
                + running.switches
                + running.ballast
                + running.transistors
                + running.sense;
            assert_relative_eq!(running.supply, lost, max_relative = 1e-12);
        }
    }

    /// 2 Irms² R with Irms = I/√2 for a sine (physics of alternating current), and the
    /// mean of |sin| of 2/π: 15 V · 0.9 A · 4/π drawn.
    #[test]
    fn a_linear_source_burns_what_the_sine_leaves() {
        let heat = Heat::of(&axis_of(
            "kind: linear-current, supply: 15 V, peak_current: 0.9 A, microsteps: 256",
            "",
        ));
        let rms = 0.9 / std::f64::consts::SQRT_2;
        assert_relative_eq!(heat.rms_current, rms, max_relative = 1e-12);
        assert_relative_eq!(
            heat.running.copper,
            2.0 * rms * rms * 2.1,
            max_relative = 1e-12
        );
        let drawn = 15.0 * 0.9 * 4.0 / std::f64::consts::PI;
        assert_relative_eq!(heat.running.supply, drawn, max_relative = 1e-4);
        // At standstill the two-phase position is the worst: √2 V I − I² R; a single
        // stage is worst with all the current: V I − I² R.
        let worst = std::f64::consts::SQRT_2 * 15.0 * 0.9 - 0.81 * 2.1;
        assert_relative_eq!(heat.holding.transistors, worst, max_relative = 1e-9);
        assert_relative_eq!(
            heat.hottest_transistor,
            15.0 * 0.9 - 0.81 * 2.1,
            max_relative = 1e-9
        );
    }

    #[test]
    fn the_hold_current_lowers_losses_by_its_square() {
        let drive = "kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 8";
        let full = Heat::of(&axis_of(drive, "")).holding.copper;
        let half = Heat::of(&axis_of(&format!("{drive}, hold_current: 50 %"), ""))
            .holding
            .copper;
        assert_relative_eq!(half, full / 4.0, max_relative = 1e-12);
    }

    /// By hand: 1.5 A · 4/π in both phases on average. Two edges of ½ · 24 V · 200 ns each are 4.8 µVs,
    /// two dead times of 1 µs on 0.8 V are 1.6 µVs: 6.4 µVs 20,000 times a second are 0.128 V.
    #[test]
    fn a_chopper_pays_for_its_edges() {
        let drive = "kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 256, switch_resistance: 0.2 ohm";
        let chopping = "chopping: { frequency: 20 kHz, transition: 200 ns, dead_time: 1 us }";
        let quiet = Heat::of(&axis_of(drive, "")).running;
        let chopped = Heat::of(&axis_of(&format!("{drive}, {chopping}"), "")).running;
        let edges = 0.128 * 1.5 * 4.0 / std::f64::consts::PI;
        assert_relative_eq!(
            chopped.switches,
            quiet.switches + edges,
            max_relative = 1e-4
        );
        assert_relative_eq!(chopped.supply, quiet.supply + edges, max_relative = 1e-4);
        assert_relative_eq!(chopped.copper, quiet.copper, max_relative = 1e-12);
    }

    #[test]
    fn two_phases_on_at_rated_voltage_take_the_rated_current() {
        let heat = Heat::of(&axis_of(
            "kind: fixed-voltage, supply: 3.15 V, sequence: two-phase",
            "",
        ));
        assert_relative_eq!(heat.rms_current, 1.5, max_relative = 1e-12);
        assert_relative_eq!(
            heat.holding.copper,
            2.0 * 1.5 * 1.5 * 2.1,
            max_relative = 1e-12
        );
    }

    /// Ohm's law by hand: 12 V through 2.1 Ω and 5.9 Ω is 1.5 A, 13.275 W in each ballast and half of that
    /// in two of them; with both phases on, one common resistor of half of it carries 3 A: 26.55 W.
    #[test]
    fn a_ballast_drops_what_the_motor_does_not_stand() {
        let drive = "kind: fixed-voltage, supply: 12 V, sequence: two-phase, ballast";
        for (ballast, watts) in [
            ("resistance: 5.9 ohm", 13.275),
            ("resistance: 5.9 ohm, count: 2", 6.6375),
            ("resistance: 2.95 ohm, place: common", 26.55),
        ] {
            let axis = axis_of(&format!("{drive}: {{ {ballast} }}"), "");
            let heat = Heat::of(&axis);
            assert_relative_eq!(heat.rms_current, 1.5, max_relative = 1e-12);
            assert_relative_eq!(heat.running.ballast, 26.55, max_relative = 1e-12);
            assert_relative_eq!(heat.hottest_ballast.unwrap(), watts, max_relative = 1e-12);
            assert_relative_eq!(axis.loop_resistance(), 8.0, max_relative = 1e-12);
        }
    }

    /// A wave of 3 A on a supply that drives 3.15 V / 2.1 Ω = 1.5 A is cut off at 30°: from
    /// cos φ > 1/2 on the current stands at 1.5 A. Mean square by calculus, over a quarter
    /// period: (2/π) · (1.5² π/3 + 3² (π/12 − √3/8)).
    #[test]
    fn a_wave_that_the_supply_cuts_off_heats_more_than_a_sine_of_its_height() {
        let cut = Heat::of(&axis_of(
            "kind: chopper, supply: 3.15 V, peak_current: 3 A, microsteps: 256",
            "",
        ));
        let pi = std::f64::consts::PI;
        let square = 2.0 / pi * (1.5 * 1.5 * pi / 3.0 + 9.0 * (pi / 12.0 - 3_f64.sqrt() / 8.0));
        assert_relative_eq!(cut.rms_current, square.sqrt(), max_relative = 1e-4);
    }
}
