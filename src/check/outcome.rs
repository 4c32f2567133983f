//! What a check comes to: for an axis of a motion, a motion, a move, a program.

use std::fmt;
use std::sync::Arc;

use super::crossing::Crossing;
use super::finding::{Finding, Verdict};
use super::torque::TorqueMargin;
use crate::physics::band::BandKind;
use crate::physics::regeneration::Regeneration;
use crate::plan::{Endless, PlannedMove};
use crate::rig::{Rig, TravelUnit};
use crate::simulate::{MoveOutcome, Rehearsal};
use crate::units::{Decimal, Rounded, Time, two_digits};

/// What was found about one axis of a motion.
#[derive(Debug, Clone, PartialEq)]
pub struct AxisCheck {
    /// Which axis of the rig.
    pub axis: usize,
    /// How long it moves (s).
    pub duration: f64,
    /// Its highest speed (rad/s or m/s of the load).
    pub peak_speed: f64,
    /// Its highest acceleration or deceleration (rad/s² or m/s² of the load).
    pub peak_acceleration: f64,
    /// The least torque margin; none where it does not move.
    pub torque: Option<TorqueMargin>,
    /// The bands that it enters.
    pub bands: Vec<Crossing>,
    /// What returns to the supply while it brakes; none from a linear source.
    pub regeneration: Option<Regeneration>,
    /// What was found.
    pub findings: Vec<Finding>,
}

impl AxisCheck {
    /// The least torque margin and the speed it is at, as a builder reads it.
    pub fn margin_text(&self, rig: &Rig) -> String {
        let Some(margin) = self.torque else {
            return "–".to_owned();
        };
        let axis = &rig.axes[self.axis];
        let unit = TravelUnit::of(axis);
        format!(
            "{:.0} % at {} {}/s",
            Decimal(margin.least * 100.0),
            Rounded(axis.travel_speed(margin.at.omega) * unit.per_si),
            unit.name
        )
    }

    /// How long it is in critical bands of each kind, as a builder reads it.
    pub fn bands_text(&self) -> String {
        let time_in = |kind: BandKind| {
            let of_kind = self.bands.iter().filter(|one| one.band.kind == kind);
            let time: f64 = of_kind.map(|one| one.time).sum();
            (time > 0.0).then(|| format!("{} {}", kind.word(), Time::new(two_digits(time))))
        };
        let kinds = [BandKind::Forced, BandKind::Unstable];
        let times: Vec<String> = kinds.into_iter().filter_map(time_in).collect();
        if times.is_empty() {
            "–".to_owned()
        } else {
            times.join(", ")
        }
    }
}

/// What was found about a motion: an entry for each of its axes.
#[derive(Debug, Clone, PartialEq)]
pub struct MotionCheck {
    /// By the axes of the motion.
    pub axes: Vec<AxisCheck>,
}

/// What became of one axis of a move in the motor model.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct AxisPlayed {
    /// In the rig's motor; none where it was not played.
    pub outcome: Option<MoveOutcome>,
    /// What was found.
    pub findings: Vec<Finding>,
}

/// A move with what was found about it.
#[derive(Debug, Clone, PartialEq)]
pub struct MoveCheck {
    /// The move.
    pub planned: PlannedMove,
    /// How often it comes: more than once in a long loop whose passes are all the same.
    pub times: u64,
    /// What was found; shared between equal motions.
    pub check: Arc<MotionCheck>,
    /// What the motor model made of it, by the axes of the motion; empty where it was not asked.
    pub played: Vec<AxisPlayed>,
    /// What the planner did otherwise than asked, or could not do.
    pub changes: Vec<Finding>,
}

impl MoveCheck {
    /// What was found about one of the axes of the motion, the motor model's findings last.
    pub fn axis_findings(&self, number: usize) -> impl Iterator<Item = &Finding> {
        let played = self.played.get(number).into_iter();
        let of_motion = self.check.axes[number].findings.iter();
        of_motion.chain(played.flat_map(|played| &played.findings))
    }

    /// What was found about all of the axes, without what the planner changed.
    pub fn findings(&self) -> impl Iterator<Item = &Finding> {
        (0..self.check.axes.len()).flat_map(|number| self.axis_findings(number))
    }

    /// The verdict on one of the axes.
    pub fn axis_verdict(&self, number: usize) -> Verdict {
        Verdict::of(self.axis_findings(number).chain(&self.changes))
    }

    /// The verdict over all the axes.
    pub fn verdict(&self) -> Verdict {
        Verdict::of(self.findings().chain(&self.changes))
    }
}

/// The first reason why a program must not run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FirstFailure {
    /// The line of the move; none where the program or the rig as a whole fails.
    pub line: Option<usize>,
    /// The reason.
    pub reason: String,
}

impl fmt::Display for FirstFailure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(line) = self.line {
            write!(f, "line {line}: ")?;
        }
        f.write_str(&self.reason)
    }
}

/// The stops of one axis.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct AxisStops {
    /// How many.
    pub count: u64,
    /// The greatest distance from what the script asked for (rad or m of the load).
    pub most_off: f64,
    /// The same on half steps; none where the drive has them, or finer ones.
    pub most_off_on_half_steps: Option<f64>,
    /// The furthest beyond the target in the motor model (in the unit of the axis).
    pub overshoot: Option<f64>,
    /// The longest until the load stays within `settle` (s), of the stops that were seen to.
    pub settle: Option<f64>,
}

/// What a whole program comes to.
#[derive(Debug, Clone, PartialEq)]
pub struct Summary {
    /// Whether every move may run.
    pub ok: bool,
    /// Moves, warned and failed ones among them.
    pub moves: u64,
    /// Moves that may run but have warnings.
    pub warned: u64,
    /// Moves that must not run.
    pub failed: u64,
    /// From start to end, without waiting for inputs (s).
    pub total_time: f64,
    /// What repeats without end; counts and times are then of the passes that
    /// [stand](Endless::passes_judged) for all.
    pub endless: Option<Endless>,
    /// Whether it waits for inputs, which takes time besides.
    pub waits: bool,
    /// The least torque margin of all and the line of its move.
    pub least_margin: Option<(f64, usize)>,
    /// The first reason why it must not run; none where it may.
    pub first_failure: Option<FirstFailure>,
    /// The first reason why it must not be streamed, though it may run: a slow-down for which the
    /// motor has too little torque.
    pub hard_slow_down: Option<FirstFailure>,
    /// The stops of each axis of the rig.
    pub stops: Vec<AxisStops>,
    /// What the motor model made of it; none where it was not asked.
    pub simulated: Option<SimulatedSummary>,
    /// What was found about the rig as a whole.
    pub findings: Vec<Finding>,
}

/// What the motor model makes of a whole program.
#[derive(Debug, Clone, PartialEq)]
pub struct SimulatedSummary {
    /// Full steps lost in the rig's own motor.
    pub lost_steps: u64,
    /// The greatest lag in it (electrical degrees).
    pub peak_lag_electrical_deg: f64,
    /// The line of the move with that lag.
    pub peak_lag_line: Option<usize>,
    /// Full steps lost in a worse motor; none where none was tried.
    pub lost_steps_worse: Option<u64>,
    /// Up to where the program was played (s); none where that is all of it.
    pub played_to: Option<f64>,
    /// Moves that were played to their end.
    pub played_moves: u64,
}

impl SimulatedSummary {
    /// Of a program that was played.
    pub(super) fn of(rehearsal: &Rehearsal) -> Self {
        let moves = &rehearsal.own.moves;
        let lag = |one: &MoveOutcome| one.peak_lag_electrical_deg;
        let worst = moves.iter().max_by(|a, b| lag(a).total_cmp(&lag(b)));
        Self {
            lost_steps: rehearsal.own.lost_steps,
            peak_lag_electrical_deg: rehearsal.own.peak_lag_electrical_deg,
            peak_lag_line: worst.map(|worst| worst.line),
            lost_steps_worse: rehearsal.worse.as_ref().map(|worse| worse.lost_steps),
            played_to: rehearsal.played_to(),
            played_moves: moves.last().map_or(0, |last| last.index + 1),
        }
    }
}
