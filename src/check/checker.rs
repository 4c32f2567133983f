//! Goes through a program move by move.

use std::collections::HashMap;
use std::sync::Arc;

use super::ability::AxisAbility;
use super::braking::Stops;
use super::crossing::crossings;
use super::finding::{Severity, Verdict};
use super::outcome::{
    AxisCheck, AxisStops, FirstFailure, MotionCheck, MoveCheck, SimulatedSummary, Summary,
};
use super::rehearsed::{MotorModel, RehearsedMoves};
use super::slow_down::{self, SlowDowns};
use super::torque::TorqueRule;
use super::{cure, filter, reasons, stops};
use crate::physics::regeneration::Braking;
use crate::plan::{AxisMotion, Item, Motion, PlannedMove};
use crate::rig::Rig;
use crate::schedule::timer::{self, TimerProblem};

/// Motions remembered at most, past which the memory starts afresh: chosen, to bound it to
/// some megabytes.
const REMEMBERED: usize = 4096;
/// Failing motions for which cures by another current or supply are sought; each
/// takes some milliseconds. Chosen, so that a program of failures is still checked at once.
const CURED: usize = 16;

/// Checks the moves of one program.
#[derive(Debug)]
pub(crate) struct Checker<'a> {
    rig: &'a Rig,
    abilities: &'a [AxisAbility],
    seen: HashMap<*const Motion, (Arc<Motion>, Arc<MotionCheck>)>,
    cures_left: usize,
    /// How long each axis moves, or stands with its full current before the hold current (s).
    moving: Vec<f64>,
    /// For how long each axis keeps its full current if it stands from now on (s).
    full: Vec<f64>,
    /// What the motor model makes of the moves, where it was asked.
    rehearsed: Option<RehearsedMoves<'a>>,
    /// What the moves come to, without what is found about the rig.
    of_moves: Summary,
}

/// Whether an item moves an axis.
fn is_moved(item: &Item, number: usize) -> bool {
    match item {
        Item::Move(planned) => planned.motion.axes.iter().any(|axis| axis.axis == number),
        Item::Dwell(_)
        | Item::Await { .. }
        | Item::Output { .. }
        | Item::Zero { .. }
        | Item::Mark(_) => false,
    }
}

impl<'a> Checker<'a> {
    /// For programs on `rig`, whose axes can do `abilities` (one each, in order).
    pub(crate) fn new(rig: &'a Rig, abilities: &'a [AxisAbility]) -> Self {
        Self {
            rig,
            abilities,
            seen: HashMap::new(),
            cures_left: CURED,
            moving: vec![0.0; rig.axes.len()],
            full: vec![0.0; rig.axes.len()],
            rehearsed: None,
            of_moves: Summary {
                ok: true,
                moves: 0,
                warned: 0,
                failed: 0,
                total_time: 0.0,
                waits: false,
                least_margin: None,
                first_failure: None,
                hard_slow_down: None,
                stops: rig.axes.iter().map(AxisStops::of).collect(),
                simulated: None,
                endless: None,
                findings: Vec::new(),
            },
        }
    }

    /// The same for a program that a motor model has played.
    #[must_use]
    pub(crate) fn with_model(self, model: Option<MotorModel<'a>>) -> Self {
        Self {
            rehearsed: model.map(|model| RehearsedMoves::new(self.rig, model)),
            ..self
        }
    }

    /// The same without a search for cures, for who tries one motion after another.
    #[must_use]
    pub(crate) fn without_cures(self) -> Self {
        Self {
            cures_left: 0,
            rehearsed: self.rehearsed.map(RehearsedMoves::without_cures),
            ..self
        }
    }

    /// Looks at the next item of the program, which comes so many times; a move comes back
    /// with its verdict.
    pub(crate) fn check(&mut self, item: &Item, times: u64) -> Option<MoveCheck> {
        self.of_moves.total_time += item.duration() * times as f64;
        for (number, full) in self.full.iter_mut().enumerate() {
            if is_moved(item, number) {
                *full = self.rig.axes[number].drive.lines.hold_delay.si();
            } else {
                let stands = full.min(item.duration());
                *full -= stands;
                self.moving[number] += stands * times as f64;
            }
        }
        match item {
            Item::Move(planned) => {
                return Some(self.check_move(planned, times));
            }
            Item::Await { .. } => self.of_moves.waits = true,
            Item::Dwell(_) | Item::Output { .. } | Item::Zero { .. } | Item::Mark(_) => {}
        }
        None
    }

    fn check_move(&mut self, planned: &PlannedMove, times: u64) -> MoveCheck {
        let check = self.motion(&planned.motion, planned.seeks.is_some());
        let rehearsed = self.rehearsed.as_mut();
        let played = rehearsed.map_or_else(Vec::new, |rehearsed| rehearsed.of(planned, &check));
        let changes = planned
            .changes
            .iter()
            .map(|change| reasons::change(self.rig, change))
            .chain(reasons::no_step(self.rig, planned));
        let checked = MoveCheck {
            planned: planned.clone(),
            times,
            check,
            played,
            changes: changes.collect(),
        };
        let summary = &mut self.of_moves;
        stops::add(&mut summary.stops, self.rig, &checked);
        summary.moves = summary.moves.saturating_add(times);
        match checked.verdict() {
            Verdict::Pass => {}
            Verdict::Warn => summary.warned = summary.warned.saturating_add(times),
            Verdict::Fail => {
                summary.failed = summary.failed.saturating_add(times);
                summary.ok = false;
            }
        }
        for (number, axis) in checked.check.axes.iter().enumerate() {
            self.moving[axis.axis] += axis.duration * times as f64;
            if let Some(margin) = axis.torque
                && summary
                    .least_margin
                    .is_none_or(|(least, _)| margin.least < least)
            {
                summary.least_margin = Some((margin.least, planned.line));
            }
            let failure = checked
                .axis_findings(number)
                .find(|finding| finding.severity == Severity::Failure);
            let hard = checked
                .axis_findings(number)
                .find(|finding| finding.code == slow_down::CODE);
            for (first, found) in [
                (&mut summary.first_failure, failure),
                (&mut summary.hard_slow_down, hard),
            ] {
                if let (None, Some(found)) = (&first, found) {
                    *first = Some(FirstFailure {
                        line: Some(planned.line),
                        reason: found.message.clone(),
                    });
                }
            }
        }
        checked
    }

    /// What all the moves so far come to, on the rig as a whole: how warm a motor gets
    /// depends on how long it rests between them.
    pub(crate) fn summary(&self) -> Summary {
        let mut summary = self.of_moves.clone();
        let axes = self.rig.axes.iter().zip(self.abilities).zip(&self.moving);
        summary.findings = axes
            .flat_map(|((axis, ability), moving)| {
                let share = moving / summary.total_time;
                let share = (summary.total_time > 0.0).then_some(share);
                reasons::about_axis(axis, ability, share)
            })
            .chain(reasons::player(self.rig))
            .chain(reasons::no_moves(&summary))
            .collect();
        if let Some(rehearsed) = &self.rehearsed {
            let simulated = SimulatedSummary::of(rehearsed.rehearsal());
            summary
                .findings
                .extend(reasons::simulated_in_part(&simulated));
            summary.simulated = Some(simulated);
        }
        let failure = summary
            .findings
            .iter()
            .find(|finding| finding.severity == Severity::Failure);
        if let Some(failure) = failure {
            summary.ok = false;
            summary.first_failure = Some(FirstFailure {
                line: None,
                reason: failure.message.clone(),
            });
        }
        summary
    }

    /// The verdict on a motion; no seek shares one with a move.
    fn motion(&mut self, motion: &Arc<Motion>, seeks: bool) -> Arc<MotionCheck> {
        let key = Arc::as_ptr(motion);
        if let Some((_, check)) = self.seen.get(&key) {
            return Arc::clone(check);
        }
        let problems = timer::verdict(motion, self.rig).err().unwrap_or_default();
        let axes = motion
            .axes
            .iter()
            .map(|axis| self.axis_motion(motion, axis, seeks, &problems))
            .collect();
        let check = Arc::new(MotionCheck { axes });
        if self.seen.len() >= REMEMBERED {
            self.seen.clear();
        }
        // The motion is kept too, so that its address is not given to another one.
        self.seen
            .insert(key, (Arc::clone(motion), Arc::clone(&check)));
        check
    }

    fn axis_motion(
        &mut self,
        whole: &Motion,
        motion: &AxisMotion,
        seeks: bool,
        problems: &[TimerProblem],
    ) -> AxisCheck {
        let axis = &self.rig.axes[motion.axis];
        let ability = &self.abilities[motion.axis];
        let tolerance = self.rig.timer.tolerance;
        let rule = TorqueRule::new(axis, &ability.load, &ability.pull_out, tolerance);
        let torque = rule.least(motion);
        let per_travel = axis.microsteps_per_travel();
        let (peak_speed, peak_acceleration) = motion.peaks();
        let crossings = crossings(motion, axis, ability, &rule);
        let braking = Braking::of(axis, &ability.heat).map(|drive| Stops {
            drive,
            rule: &rule,
            motion,
            rotor_drag: ability.loss.viscous.low,
        });
        let regeneration = braking.as_ref().map(|stops| stops.regeneration(1.0));
        let simulated = self.rehearsed.is_some();
        let mut findings = Vec::new();
        findings.extend(reasons::torque(axis, torque, |worst| {
            if self.cures_left == 0 {
                return vec![cure::more_torque(axis, worst, axis.limits.torque_margin)];
            }
            self.cures_left -= 1;
            cure::for_torque(axis, &ability.load, &ability.pull_out, tolerance, motion)
        }));
        let in_bands = crossings.iter();
        findings.extend(in_bands.filter_map(|crossing| reasons::band(axis, crossing, simulated)));
        findings.extend(reasons::start(axis, ability, tolerance, motion, seeks));
        findings.extend(filter::lag(axis, peak_speed));
        let own = problems
            .iter()
            .filter(|problem| problem.axis == motion.axis);
        findings.extend(own.map(|problem| reasons::too_fast(self.rig, problem, motion)));
        findings.extend(reasons::regeneration(axis, regeneration, || {
            braking.and_then(|stops| stops.gentler(axis))
        }));
        // A seek cannot be streamed, and what fails must not run at all.
        if !seeks && Verdict::of(&findings) != Verdict::Fail {
            let slow_downs = SlowDowns {
                rule: &rule,
                motion,
                shape: whole.shape,
            };
            findings.extend(slow_downs.too_hard(axis));
        }
        AxisCheck {
            axis: motion.axis,
            duration: motion.duration(),
            peak_speed: peak_speed / per_travel,
            peak_acceleration: peak_acceleration / per_travel,
            torque,
            bands: crossings,
            regeneration,
            findings,
        }
    }
}
