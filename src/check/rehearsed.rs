//! What the motor model makes of a move, judged: steps lost, in the rig's motor or in a worse
//! one, and a stop that is not steady when the program goes on.
//!
//! Cures are tried in the motor model from rest, in the rig's motor and in the worse one, as
//! [`Following`] does it: a pause before the move, then a slower move.

use std::fmt;
use std::sync::Arc;

use super::finding::{Finding, Severity, Verdict};
use super::outcome::{AxisPlayed, MotionCheck};
use crate::plan::{AxisMotion, Following, Motion, PlannedMove, Segment, Settling};
use crate::rig::{Axis, Rig, TravelUnit};
use crate::script::Shape;
use crate::simulate::{MoveOutcome, Rehearsal};
use crate::units::{Rounded, Time, two_digits_down, two_digits_up};

/// Lag (electrical degrees) that leaves little before the next equilibrium, which takes over
/// beyond 180 degrees: chosen.
pub(crate) const LITTLE_LAG_LEFT: f64 = 150.0;

/// How many times slower the moves are that are tried: chosen.
const SLOWER: [f64; 4] = [1.25, 1.6, 2.0, 3.0];

/// Motions for which slower ones are tried; each may take some tenths of a second. Chosen, so
/// that a program of failures is still checked at once.
const CURED: usize = 8;

/// A motor model that has played the program, and can be asked for more.
#[derive(Debug, Clone, Copy)]
pub(crate) struct MotorModel<'a> {
    /// What became of the program.
    pub(crate) rehearsal: &'a Rehearsal,
    /// Whether a rotor follows a motion from rest.
    pub(crate) following: &'a dyn Following,
    /// How long it swings afterwards.
    pub(crate) settling: &'a dyn Settling,
}

/// Judges the moves of a program that has been played.
#[derive(Debug)]
pub(crate) struct RehearsedMoves<'a> {
    rig: &'a Rig,
    model: MotorModel<'a>,
    cures_left: usize,
    /// Cures of motions that were asked for, each kept with its motion so that its address is
    /// given to no other.
    cures: Vec<(Arc<Motion>, usize, Vec<String>)>,
}

impl<'a> RehearsedMoves<'a> {
    /// Of a program on `rig`.
    pub(crate) const fn new(rig: &'a Rig, model: MotorModel<'a>) -> Self {
        Self {
            rig,
            model,
            cures_left: CURED,
            cures: Vec::new(),
        }
    }

    /// The same without a search for cures.
    pub(crate) fn without_cures(self) -> Self {
        Self {
            cures_left: 0,
            ..self
        }
    }

    /// What became of the program.
    pub(crate) const fn rehearsal(&self) -> &'a Rehearsal {
        self.model.rehearsal
    }

    /// What became of a move, by its axes.
    pub(crate) fn of(&mut self, planned: &PlannedMove, check: &MotionCheck) -> Vec<AxisPlayed> {
        let numbers = 0..planned.motion.axes.len();
        numbers
            .map(|number| self.axis(planned, number, check))
            .collect()
    }

    fn axis(&mut self, planned: &PlannedMove, number: usize, check: &MotionCheck) -> AxisPlayed {
        let axis = &self.rig.axes[planned.motion.axes[number].axis];
        let rehearsal = self.model.rehearsal;
        let outcome = rehearsal.of(planned, &axis.name);
        let worse = rehearsal.worse_of(planned, &axis.name);
        let lost = outcome.filter(|outcome| outcome.lost_steps != 0);
        // Whose torque or band fails already has its cures.
        let failed = Verdict::of(&check.axes[number].findings) == Verdict::Fail;
        let mut findings = Vec::new();
        if let Some(lost) = lost {
            findings.push(
                Finding::new("steps-lost", Severity::Failure, steps_lost(lost))
                    .cures(self.cures(axis, planned, number, failed)),
            );
        } else if let Some(outcome) = outcome {
            let worse_lost = worse.filter(|worse| worse.lost_steps != 0);
            if let Some(worse) = worse_lost {
                let message = lost_when_worse(axis, outcome, worse);
                findings.push(
                    Finding::new("little-lag-left", Severity::Warning, message)
                        .cures(self.cures(axis, planned, number, failed)),
                );
            } else {
                findings.extend(little_lag_left(outcome));
            }
        }
        findings.extend(outcome.and_then(|outcome| self.unsettled(axis, planned, number, outcome)));
        let of_axis = findings.into_iter();
        AxisPlayed {
            outcome: outcome.cloned(),
            findings: of_axis.map(|finding| finding.axis(&axis.name)).collect(),
        }
    }

    /// A stop at which the program dwells, and which does not come within `settle` before the next
    /// move; from rest, as [`Settling`] knows it, where it swings when the next move begins.
    fn unsettled(
        &self,
        axis: &Axis,
        planned: &PlannedMove,
        number: usize,
        outcome: &MoveOutcome,
    ) -> Option<Finding> {
        let settle = axis.limits.settle?;
        let pause = self.model.rehearsal.pause_after(planned);
        if pause == 0.0 || outcome.steady || outcome.lost_steps != 0 {
            return None;
        }
        let from = planned.travel[number].from_steps;
        let settled = self.model.settling.after(&planned.motion, number, from);
        if settled.is_ok_and(|after| after <= pause) {
            return None;
        }
        let unit = TravelUnit::of(axis);
        let message = format!(
            "the load is not within `settle` ({} {}) when the next move begins",
            Rounded(settle * unit.per_si),
            unit.name
        );
        let cures = match settled {
            Ok(time) => vec![
                format!("a dwell of {} after it", Time::new(two_digits_up(time))),
                "dwell until settled".to_owned(),
            ],
            Err(_) => vec!["a wider `settle`, more damping, or a gentler ramp".to_owned()],
        };
        Some(Finding::new("not-settled", Severity::Warning, message).cures(cures))
    }

    /// What would keep the rotor in synchronism in this move.
    fn cures(
        &mut self,
        axis: &Axis,
        planned: &PlannedMove,
        number: usize,
        failed: bool,
    ) -> Vec<String> {
        let generic = || vec!["a gentler ramp, another cruise speed, or more damping".to_owned()];
        if failed {
            return vec!["the cure of the failure that this move has besides".to_owned()];
        }
        let known = |(motion, axis, _): &&(Arc<Motion>, usize, Vec<String>)| {
            Arc::ptr_eq(motion, &planned.motion) && *axis == number
        };
        if let Some((_, _, cures)) = self.cures.iter().find(known) {
            return cures.clone();
        }
        if self.cures_left == 0 {
            return generic();
        }
        self.cures_left -= 1;
        let cures = self.tried(axis, planned, number).unwrap_or_else(generic);
        let motion = Arc::clone(&planned.motion);
        self.cures.push((motion, number, cures.clone()));
        cures
    }

    /// What was tried in the motor model and holds; none where nothing does.
    fn tried(&self, axis: &Axis, planned: &PlannedMove, number: usize) -> Option<Vec<String>> {
        let shape = planned.motion.shape;
        let motion = &planned.motion.axes[number];
        let follows = |motion: AxisMotion| {
            let duration = motion.duration();
            let alone = Motion {
                shape,
                axes: vec![motion],
                duration,
            };
            self.model.following.followed(&Arc::new(alone), true)
        };
        if follows(motion.clone()) == Some(true) {
            return Some(vec![
                "it follows from rest: `dwell until settled`, or a dwell, before it".to_owned(),
            ]);
        }
        let slower = SLOWER
            .into_iter()
            .map(|times| Slower::of(shape, motion, times));
        let found = slower
            .map_while(|slower| follows(slower.motion.clone()).map(|follows| (slower, follows)))
            .find(|(_, follows)| *follows);
        found.map(|(slower, _)| vec![slower.words(axis)])
    }
}

/// Steps that the rig's own motor loses.
pub(crate) fn steps_lost(lost: &MoveOutcome) -> String {
    let (count, does) = match lost.lost_steps {
        lost @ 0.. => (lost, "loses"),
        gained => (-gained, "gains"),
    };
    format!("the rotor {does} {count} full steps in the motor model")
}

/// A move that the rig's own motor follows and the worse one does not.
fn lost_when_worse(axis: &Axis, outcome: &MoveOutcome, worse: &MoveOutcome) -> String {
    format!(
        "with {} it loses {} full steps; its peak lag as the rig stands is {} electrical degrees",
        WorseWords(axis),
        worse.lost_steps.abs(),
        Rounded(outcome.peak_lag_electrical_deg.round())
    )
}

/// A move that loses nothing, with a lag near to where it would.
fn little_lag_left(outcome: &MoveOutcome) -> Option<Finding> {
    let peak = outcome.peak_lag_electrical_deg;
    if peak < LITTLE_LAG_LEFT {
        return None;
    }
    let message = format!(
        "its peak lag is {} electrical degrees; beyond 180 a rotor may fall into the next equilibrium",
        Rounded(peak.round())
    );
    let cure = "less acceleration, a lower speed, finer microsteps, or more damping";
    Some(Finding::new("little-lag-left", Severity::Warning, message).cures(vec![cure.to_owned()]))
}

/// The worse motor and load of an axis, in words.
struct WorseWords<'a>(&'a Axis);

impl fmt::Display for WorseWords<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let limits = &self.0.limits;
        write!(
            f,
            "{} % less motor torque and {} % more load inertia and friction",
            Rounded(100.0 * limits.weaker_motor),
            Rounded(100.0 * limits.heavier_load)
        )
    }
}

/// A slower move over the same way.
struct Slower {
    motion: AxisMotion,
    /// Peak speed and acceleration (microsteps/s, /s²).
    speed: f64,
    accel: f64,
    /// The shape, where it is another one.
    shape: Option<Shape>,
}

impl Slower {
    /// The same motion, `times` as long; a trapezoid with the mean acceleration in place of a
    /// full-torque ramp, whose acceleration the script does not set.
    fn of(shape: Shape, motion: &AxisMotion, times: f64) -> Self {
        let (speed, accel) = motion.peaks();
        match shape {
            Shape::Trapezoid | Shape::SCurve => {
                let (speed, accel) = (speed / times, accel / times.powi(2));
                Self {
                    motion: stretched(motion, times),
                    speed,
                    accel,
                    shape: None,
                }
            }
            Shape::FullTorque => {
                let way = motion.steps as f64;
                // Twice the way over the time is the peak speed of a triangle.
                let time = times * motion.duration();
                let speed = (speed / times).min(1.9 * way / time);
                let accel = speed / (time - way / speed);
                Self {
                    motion: trapezoid(motion, speed, accel),
                    speed,
                    accel,
                    shape: Some(Shape::Trapezoid),
                }
            }
        }
    }

    fn words(&self, axis: &Axis) -> String {
        let unit = TravelUnit::of(axis);
        let to_load = unit.per_si / axis.microsteps_per_travel();
        let shape = self
            .shape
            .map_or_else(String::new, |shape| format!("shape {}, ", shape.name()));
        format!(
            "{shape}speed {speed} {unit}/s and accel {accel} {unit}/s^2",
            speed = Rounded(two_digits_down(self.speed * to_load)),
            accel = Rounded(two_digits_down(self.accel * to_load)),
            unit = unit.name
        )
    }
}

fn stretched(motion: &AxisMotion, times: f64) -> AxisMotion {
    let mut slower = motion.clone();
    for segment in &mut slower.segments {
        segment.duration *= times;
        segment.velocity /= times;
        segment.acceleration /= times.powi(2);
        segment.jerk /= times.powi(3);
    }
    slower
}

/// A trapezoid from rest to rest over the way of `motion`.
fn trapezoid(motion: &AxisMotion, speed: f64, accel: f64) -> AxisMotion {
    let (way, ramp) = (motion.steps as f64, speed / accel);
    let on_ramp = 0.5 * speed * ramp;
    let segments = vec![
        Segment {
            duration: ramp,
            acceleration: accel,
            ..Segment::default()
        },
        Segment {
            duration: way / speed - ramp,
            position: on_ramp,
            velocity: speed,
            ..Segment::default()
        },
        Segment {
            duration: ramp,
            position: way - on_ramp,
            velocity: speed,
            acceleration: -accel,
            ..Segment::default()
        },
    ];
    AxisMotion {
        segments,
        ..motion.clone()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rotor_that_ran_ahead_has_gained_steps() {
        let outcome = |lost_steps| MoveOutcome {
            lost_steps,
            ..MoveOutcome::without_loss()
        };
        for (lost, words) in [(4, "loses 4 full steps"), (-8, "gains 8 full steps")] {
            let told = steps_lost(&outcome(lost));
            assert!(told.contains(words), "{told}");
        }
    }
}
