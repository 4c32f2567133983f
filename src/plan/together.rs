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
use std::sync::Arc;

use crate::diagnostic::{Diagnostic, Span};
use crate::plan::approach::{Detour, given, later};
use crate::plan::bands::Bands;
use crate::plan::group::{planned, standstill};
use crate::plan::job::{AxisJob, Key};
use crate::plan::path::{Leg, drive};
use crate::plan::planner::{Planned, Planner, Unplannable, torque_ramps};
use crate::plan::position::Position;
use crate::plan::profile::Ramp;
use crate::plan::s_curve::LimitedJerk;
use crate::plan::trapezoid::ConstantAcceleration;
use crate::plan::{Change, Direction, Item};
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
            let axis = self.axis(turn, inner.span)?;
            if parts.iter().any(|(job, ..)| job.axis == axis) {
                return Err(self.axis_twice(axis, inner.span));
            }
            let from = self.positions[axis];
            let to = self.target(axis, from, turn)?;
            let job = self.job(axis, to.steps - from.steps, inner.span, turn)?;
            pace = self.one_time(pace, turn)?;
            parts.push((job, from, to));
        }
        parts.sort_by_key(|(job, ..)| job.axis);
        for (job, _, to) in &parts {
            self.positions[job.axis] = *to;
        }
        // Axes that do not move have no part in the motion, unless none moves.
        let any = parts.iter().any(|(job, ..)| job.steps != 0);
        parts.retain(|(job, ..)| job.steps != 0 || !any);
        let jobs: Vec<AxisJob> = parts.iter().map(|(job, ..)| *job).collect();
        let late: Vec<(AxisJob, Position)> = parts
            .iter()
            .filter_map(|(job, _, to)| {
                let steps = self.take_up(job.axis, job.steps)?;
                Some((AxisJob { steps, ..*job }, *to))
            })
            .collect();
        let pair = self.there_and_back(&late.iter().map(|(job, _)| *job).collect::<Vec<_>>());
        let done = pair.and_then(|pair| {
            let after = pair.iter().flatten().map(|planned| planned.motion.duration);
            let after: f64 = after.sum();
            let time = given(pace).map(|time| time - after);
            let line = self
                .line(&jobs, time)
                .map_err(|failure| later(failure, after));
            Ok((line?, pair))
        });
        let (line, pair) = done.map_err(|failure| self.explain(&failure, action.span, pace))?;
        let travel = parts
            .iter()
            .map(|(job, from, to)| self.travel(job.axis, *from, *to))
            .collect();
        let planned = self.numbered(action, line, travel);
        ready.push_back(Item::Move(planned));
        for job in &jobs {
            self.taken_up(job.axis, job.steps);
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

    /// The motion of jobs that start and end together.
    pub(crate) fn line(
        &mut self,
        jobs: &[AxisJob],
        time: Option<f64>,
    ) -> Result<Planned, Unplannable> {
        let key = Key::new(jobs, false, time);
        self.motion(key, |planner| {
            let longest = jobs.iter().map(|job| job.steps.unsigned_abs()).max();
            let distance = longest.unwrap_or(0) as f64;
            let shares: Vec<f64> = jobs
                .iter()
                .map(|job| job.steps.unsigned_abs() as f64 / distance.max(1.0))
                .collect();
            if distance == 0.0 {
                return Ok(planned(jobs, &standstill(time), &shares, Vec::new()));
            }
            let (leg, start) = planner.line_leg(jobs, &shares, distance)?;
            let driven = drive(&[leg], [start; 2], time)?;
            let mut changes: Vec<Change> = Vec::new();
            for (job, &share) in jobs.iter().zip(&shares) {
                let own = planner.avoided(job, share);
                let mut concerned = driven.clone();
                concerned
                    .avoided
                    .retain(|avoided| own.around(avoided.from).is_some());
                concerned
                    .slow_crossings
                    .retain(|slow| own.overlap(slow.band));
                if !changes.is_empty() {
                    concerned.cost = 0.0;
                }
                changes.extend(planner.changes(job.axis, share, &concerned));
            }
            Ok(planned(jobs, &driven, &shares, changes))
        })
    }

    /// The path that keeps every axis's limits, and the speed that it begins at.
    fn line_leg(
        &mut self,
        jobs: &[AxisJob],
        shares: &[f64],
        distance: f64,
    ) -> Result<(Leg, f64), Unplannable> {
        let strictest = |of: fn(&AxisJob) -> f64| {
            jobs.iter()
                .zip(shares)
                .map(|(job, share)| of(job) / share)
                .fold(f64::INFINITY, f64::min)
        };
        let speed = strictest(|job| job.limits.speed);
        let caps = [
            strictest(|job| job.limits.accel),
            strictest(|job| job.limits.decel),
        ];
        let jerk = strictest(|job| job.limits.jerk.unwrap_or(f64::INFINITY));
        let jerk = jerk.is_finite().then_some(jerk);
        let [up, down] = if jobs.iter().any(|job| job.shape.follows_torque()) {
            self.line_torque_ramps(jobs, shares, speed, caps, jerk)?
        } else {
            caps.map(|acceleration| -> Arc<dyn Ramp> {
                match jerk {
                    None => Arc::new(ConstantAcceleration(acceleration)),
                    Some(jerk) => Arc::new(LimitedJerk { acceleration, jerk }),
                }
            })
        };
        let mut bands = Vec::new();
        let mut patience = f64::INFINITY;
        for (job, &share) in jobs.iter().zip(shares) {
            let own = self.avoided(job, share);
            bands.extend_from_slice(own.ranges());
            patience = patience.min(own.patience());
        }
        let leg = Leg {
            distance,
            speed,
            up,
            down,
            bands: Bands::new(bands, patience),
        };
        Ok((leg, strictest(|job| job.limits.start)))
    }

    fn line_torque_ramps(
        &mut self,
        jobs: &[AxisJob],
        shares: &[f64],
        speed: f64,
        caps: [f64; 2],
        jerk: Option<f64>,
    ) -> Result<[Arc<dyn Ramp>; 2], Unplannable> {
        let mut axes = Vec::with_capacity(jobs.len());
        let mut top = speed;
        for (job, &share) in jobs.iter().zip(shares) {
            let abilities = self.abilities(job.axis);
            let direction = Direction::of(job.steps);
            let own = abilities.top(speed * share, direction);
            if own <= 0.0 {
                return Err(Unplannable::Weak { axis: job.axis });
            }
            top = top.min(own / share);
            axes.push((abilities, direction, share));
        }
        torque_ramps(top, jerk, |speed, which| {
            axes.iter()
                .map(|(abilities, direction, share)| {
                    abilities.at(speed * share, *direction)[which] / share
                })
                .fold(caps[which], f64::min)
        })
        .ok_or(Unplannable::Weak { axis: jobs[0].axis })
    }

    /// The pace of the group after one more move: one time for all.
    fn one_time(&self, group: MovePace, turn: &Move) -> Result<MovePace, Diagnostic> {
        match (group, turn.pace) {
            (MovePace::In(first, before), MovePace::In(second, here)) if first != second => {
                Err(Diagnostic::error(
                    "two-times",
                    "moves that start and end together take one time",
                )
                .at(&self.source, here, "another time")
                .at(&self.source, before, "one time")
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
                self.rig.axes[axis].name
            ),
        )
        .at(&self.source, place, "the second one")
    }

    /// Words for a statement that has no place in a group.
    pub(crate) fn stray(&self, place: Span, group: &str) -> Diagnostic {
        Diagnostic::error("not-in-a-group", format!("not allowed inside “{group}”")).at(
            &self.source,
            place,
            "",
        )
    }
}
