//! Test programs for a rig, and the sheet that goes with them: what to connect, what to write
//! down, when to stop. What they yield goes into the notes that [`super::Notes`] reads.

use std::fmt::Write as _;

use super::power_up;
use crate::physics::Machine;
use crate::rig::{Axis, DriveKind, TravelUnit};
use crate::units::{Rounded, two_digits};

/// A file of the bench.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct File {
    /// Its name.
    pub name: String,
    /// What it holds.
    pub text: String,
}

/// Steps of a ladder of rates.
const RUNGS: u32 = 12;
/// Full steps of a start without a ramp.
const BURST: u32 = 50;
/// A full step every tenth of a second: each microstep comes to rest.
const SLOW: f64 = 10.0;
/// How long each rung of the pull-out ladder lasts (s).
const RUNG_TIME: f64 = 2.0;

/// The programs for one axis, whose model starts without a ramp up to `start_stop` and is of use
/// up to `end` (full steps/s). `rig` is the rig's path as a script beside them names it.
pub fn programs(rig: &str, axis: &Axis, start_stop: f64, end: f64) -> Vec<File> {
    let program = Programs {
        rig,
        axis,
        unit: TravelUnit::of(axis).name,
        per_step: TravelUnit::of(axis).per_si * axis.travel_per_full_step(),
    };
    vec![
        program.ring_down(),
        program.start_stop(start_stop),
        program.pull_out(end),
        program.return_test(),
        program.microsteps(),
    ]
}

struct Programs<'a> {
    rig: &'a str,
    axis: &'a Axis,
    /// The unit of the load's travel.
    unit: &'static str,
    /// Travel of a full step in that unit.
    per_step: f64,
}

impl Programs<'_> {
    fn file(&self, what: &str, purpose: &str, body: &str) -> File {
        let name = &self.axis.name;
        File {
            name: format!("{name}-{what}.moves"),
            text: format!("# {purpose}\nrig \"{}\"\n\nbands allow\n{body}", self.rig),
        }
    }

    /// A speed of so many full steps a second.
    fn speed(&self, rate: f64) -> String {
        format!("{} {}/s", short(rate * self.per_step), self.unit)
    }

    /// An acceleration of so many full steps per second squared.
    fn accel(&self, rate: f64) -> String {
        format!("{} {}/s^2", short(rate * self.per_step), self.unit)
    }

    /// An acceleration for moves that begin and end at their speed: it is asked for, not used.
    fn no_ramp(&self, rate: f64) -> String {
        self.accel(10.0 * rate)
    }

    fn natural(&self) -> f64 {
        natural_frequency(self.axis)
    }

    /// A full step at once, again and again.
    fn ring_down(&self) -> File {
        let name = &self.axis.name;
        // So fast that the step is over before the rotor has gone far.
        let rate = two_digits(8.0 * self.natural());
        let (fast, ramp) = (self.speed(rate), self.no_ramp(rate));
        let body = format!(
            "start {fast}\nspeed {fast}\naccel {ramp}\n\nrepeat 10 {{\n    mark \"step\"\n    turn {name} by 1 step\n    dwell 2 s\n    \
             mark \"back\"\n    turn {name} by -1 step\n    dwell 2 s\n}}\n"
        );
        self.file(
            "ring-down",
            "Ring-down: single full steps with two seconds to die away after each.",
            &body,
        )
    }

    /// Starts without a ramp at rising rates.
    fn start_stop(&self, expected: f64) -> File {
        let name = &self.axis.name;
        let expected = if expected > 0.0 {
            expected
        } else {
            self.natural()
        };
        let mut body = String::new();
        for rung in 0..RUNGS {
            let rate = two_digits(expected * (0.4 + 0.1 * f64::from(rung)));
            let (speed, ramp) = (self.speed(rate), self.no_ramp(rate));
            // Writing to a String cannot fail.
            let _ = write!(
                body,
                "\nmark \"{} full steps a second\"\nstart {speed}\nspeed {speed}\naccel {ramp}\nturn {name} by {BURST} step\ndwell 1 \
                 s\nturn {name} by -{BURST} step\ndwell 2 s\n",
                Rounded(rate)
            );
        }
        self.file(
            "start-stop",
            "Start-stop rate: bursts without a ramp, faster each time. It exceeds the limits on purpose: skip the check when you play it.",
            &body,
        )
    }

    /// Long runs at rising rates, against a known load.
    fn pull_out(&self, end: f64) -> File {
        let name = &self.axis.name;
        let mut body = format!(
            "shape trapezoid\naccel {}\n",
            self.accel(two_digits(2.0 * self.natural()))
        );
        for rung in 1..=RUNGS {
            let rate = two_digits(end * f64::from(rung) / f64::from(RUNGS));
            let steps = (rate * RUNG_TIME).round().max(f64::from(BURST));
            let _ = write!(
                body,
                "\nmark \"{} full steps a second\"\nspeed {}\nturn {name} by {steps} step\ndwell 1 s\nturn {name} by \
                 -{steps} step\ndwell 2 s\n",
                Rounded(rate),
                self.speed(rate)
            );
        }
        self.file(
            "pull-out",
            "Pull-out ladder: runs of two seconds and more, faster each time. It exceeds the limits on purpose: skip the check when you play it.",
            &body,
        )
    }

    /// A turn of the motor in microsteps, there and back.
    fn return_test(&self) -> File {
        let name = &self.axis.name;
        let steps = self.axis.microsteps_per_motor_turn();
        let (speed, ramp) = (self.speed(SLOW), self.no_ramp(SLOW));
        let body = format!(
            "start {speed}\nspeed {speed}\naccel {ramp}\n\nmark \"a turn of the motor\"\nturn {name} by {steps} microstep\ndwell 2 \
             s\nmark \"back\"\nturn {name} by -{steps} microstep\ndwell 2 s\n"
        );
        self.file(
            "return",
            "Return test: a full turn of the motor in single microsteps, and back.",
            &body,
        )
    }

    /// Microstep by microstep through an electrical cycle, to be measured one by one.
    fn microsteps(&self) -> File {
        let name = &self.axis.name;
        let cycle = 4 * self.axis.drive.microsteps();
        let (speed, ramp) = (self.speed(SLOW), self.no_ramp(SLOW));
        let body = format!(
            "start {speed}\nspeed {speed}\naccel {ramp}\n\nmark \"start: note the angle\"\nrepeat {cycle} {{\n    turn {name} by 1 \
             microstep\n    dwell 3 s\n}}\nmark \"and back, against friction from the other side\"\nrepeat {cycle} {{\n    \
             turn {name} by -1 microstep\n    dwell 3 s\n}}\n"
        );
        self.file(
            "microsteps",
            "Microstep angles: one microstep every three seconds through an electrical cycle, and back.",
            &body,
        )
    }
}

/// A number without what rounding left behind.
fn short(value: f64) -> f64 {
    (value * 1e6).round() / 1e6
}

/// Natural frequency (Hz) of the rotor with its load.
fn natural_frequency(axis: &Axis) -> f64 {
    Machine::of(axis).natural_frequency() / std::f64::consts::TAU
}

/// The sheet for a rig, as Markdown.
pub fn sheet(axes: &[Axis]) -> String {
    let mut text = String::from(SHEET);
    for axis in axes {
        text.push('\n');
        text.push_str(&power_up::procedure(axis));
        text.push_str(&of_axis(axis));
    }
    text
}

/// What to do with each program of an axis.
fn of_axis(axis: &Axis) -> String {
    let name = &axis.name;
    let settings = match axis.drive.kind {
        DriveKind::FixedVoltage { sequence } => {
            format!("supply {}, {} sequence", axis.drive.supply, sequence.name())
        }
        DriveKind::LinearCurrent {
            peak_current,
            microsteps,
        }
        | DriveKind::Chopper {
            peak_current,
            microsteps,
        } => format!(
            "supply {}, peak current {peak_current}, {microsteps} microsteps",
            axis.drive.supply
        ),
    };
    let natural = Rounded(two_digits(natural_frequency(axis)));
    let angle = Rounded(360.0 / axis.microsteps_per_motor_turn() as f64);
    OF_AXIS
        .replace("{axis}", name)
        .replace("{settings}", &settings)
        .replace("{natural}", &natural.to_string())
        .replace("{microstep}", &angle.to_string())
}

const SHEET: &str = include_str!("bench/sheet.md");
const OF_AXIS: &str = include_str!("bench/axis.md");
