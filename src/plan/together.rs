//! Several axes on one straight line, from one tick to another.
//!
//! The group is one path, as long as the largest of its moves; an axis that makes n_i of
//! the n microsteps goes at the share k_i = n_i/n of the path's speed, acceleration and
//! jerk. So every limit of an axis, divided by k_i, is one of the path, and the path
//! keeps the strictest:
//!
//! ```text
//! v ≤ min v_i/k_i        a(v) ≤ min a_i(k_i v)/k_i        j ≤ min j_i/k_i
//! ```
//!
//! Each axis then makes the same segments times k_i: ideally all are on the line at all
//! times, and each commanded position is within half a microstep of that.

use std::collections::VecDeque;

use crate::diagnostic::{Diagnostic, Span};
use crate::plan::Item;
use crate::plan::approach::{Detour, given};
use crate::plan::job::AxisJob;
use crate::plan::planner::Planner;
use crate::plan::position::Position;
use crate::script::{Action, ActionKind, Move, MovePace};

impl Planner<'_> {
    /// Plans a `together` block.
    pub(crate) fn together(
        &mut self,
        action: &Action,
        inside: &[Action],
        ready: &mut VecDeque<Item>,
    ) -> Result<(), Diagnostic> {
        let mut parts: Vec<(AxisJob, Position, Position)> = Vec::new();
        let mut pace = MovePace::Limits;
        for inner in inside {
            let ActionKind::Move(turn) = &inner.kind else {
                return Err(self.stray(inner.span, "together"));
            };
            let axis = self.names.axis(turn, inner.span)?;
            if parts.iter().any(|(job, ..)| job.axis == axis) {
                return Err(self.axis_twice(axis, inner.span));
            }
            let from = self.standing.positions[axis];
            let to = self.target(axis, from, turn)?;
            let job = self.job(axis, to.steps - from.steps, inner.span, turn)?;
            pace = self.one_time(pace, turn)?;
            parts.push((job, from, to));
        }
        parts.sort_by_key(|(job, ..)| job.axis);
        for (job, _, to) in &parts {
            self.standing.positions[job.axis] = *to;
        }
        // Axes that do not move have no part in the motion, unless none moves.
        let any = parts.iter().any(|(job, ..)| job.steps != 0);
        parts.retain(|(job, ..)| job.steps != 0 || !any);
        let jobs: Vec<AxisJob> = parts.iter().map(|(job, ..)| *job).collect();
        let late: Vec<(AxisJob, Position)> = parts
            .iter()
            .filter_map(|(job, _, to)| {
                let steps = self.standing.take_up(job.axis, job.steps)?;
                Some((AxisJob { steps, ..*job }, *to))
            })
            .collect();
        let pair = self
            .motions
            .there_and_back(&late.iter().map(|(job, _)| *job).collect::<Vec<_>>());
        let done = pair.and_then(|pair| {
            let after = pair.iter().flatten().map(|planned| planned.motion.duration);
            let after: f64 = after.sum();
            let time = given(pace).map(|time| time - after);
            let line = self
                .motions
                .line(&jobs, time)
                .map_err(|failure| failure.later(after));
            Ok((line?, pair))
        });
        let (line, pair) =
            done.map_err(|failure| self.names.explain(&failure, action.span, pace))?;
        let travel = parts
            .iter()
            .map(|(job, from, to)| self.standing.travel(job.axis, *from, *to))
            .collect();
        let planned = self.numbered(action, line, travel);
        ready.push_back(Item::Move(planned));
        for job in &jobs {
            self.standing.taken_up(job.axis, job.steps);
        }
        if let Some(pair) = pair {
            let detours: Vec<Detour> = late
                .iter()
                .map(|(job, at)| Detour {
                    axis: job.axis,
                    from: *at,
                    to: *at,
                    take_up: job.steps,
                })
                .collect();
            self.give_detour(action, &detours, pair, ready);
        }
        Ok(())
    }

    /// The pace of the group after one more move: one time for all.
    fn one_time(&self, group: MovePace, turn: &Move) -> Result<MovePace, Diagnostic> {
        match (group, turn.pace) {
            (MovePace::In(first, before), MovePace::In(second, here)) if first != second => {
                Err(Diagnostic::error(
                    "two-times",
                    "moves that start and end together take one time",
                )
                .at(&self.names.source, here, "another time")
                .at(&self.names.source, before, "one time")
                .help("write the time with one of the moves"))
            }
            (_, MovePace::In(..)) => Ok(turn.pace),
            _ => Ok(group),
        }
    }

    fn axis_twice(&self, axis: usize, place: Span) -> Diagnostic {
        Diagnostic::error(
            "axis-twice",
            format!(
                "axis “{}” has two moves in one group",
                self.names.rig.axes[axis].name
            ),
        )
        .at(&self.names.source, place, "the second one")
    }

    /// Words for a statement that has no place in a group.
    pub(crate) fn stray(&self, place: Span, group: &str) -> Diagnostic {
        Diagnostic::error("not-in-a-group", format!("not allowed inside “{group}”")).at(
            &self.names.source,
            place,
            "",
        )
    }
}
