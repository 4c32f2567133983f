//! Backlash taken up: every move of an axis ends from one side.
//!
//! Where the rig gives a load's `approach`, the last stretch of each move goes that way,
//! long enough that the play b of the gearing is taken up whatever was before:
//!
//! ```text
//! take-up = ⌈b in microsteps⌉ + one full step
//! ```
//!
//! - A move that goes that way, from a place where the play was taken up or at least as
//!   far as the take-up, does so by itself. Nobody knows how the play lies when the
//!   program starts.
//! - Every other move goes beyond its target by the take-up and comes back: two motions,
//!   which take the time of the statement between them where it gives one. The way round
//!   of a rotary axis is that of the whole move; the stretch beyond does not count.
//! - Axes that move `together` keep their line and their end; those that arrived from
//!   the wrong side then go beyond and come back, at once.
//! - `through` blocks have to go that way, or their targets would be passed with the play
//!   on the wrong side. Where the first of them comes before the play is taken up, the
//!   axis first goes back and comes again.

use std::collections::VecDeque;

use crate::diagnostic::{Diagnostic, Span};
use crate::exact::Exact;
use crate::plan::job::AxisJob;
use crate::plan::motions::{Motions, Planned};
use crate::plan::planner::Planner;
use crate::plan::position::Position;
use crate::plan::unplannable::Unplannable;
use crate::plan::{Change, ChangeKind, Direction, Item, MovePart, PlannedMove};
use crate::script::{Action, MovePace};

/// The way of one axis beyond its target and back.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Detour {
    pub(crate) axis: usize,
    pub(crate) from: Position,
    pub(crate) to: Position,
    /// The way back, with its sign.
    pub(crate) take_up: i64,
}

impl Motions<'_> {
    /// A job that goes beyond its target by `take_up` and comes back, in exactly `time`
    /// seconds if that is given.
    pub(crate) fn beyond_and_back(
        &mut self,
        job: AxisJob,
        take_up: i64,
        time: Option<f64>,
    ) -> Result<[Planned; 2], Unplannable> {
        let part = |steps| AxisJob { steps, ..job };
        let back = self.single(part(take_up), None)?;
        let left = time.map(|time| time - back.motion.duration);
        let mut beyond = self
            .single(part(job.steps - take_up), left)
            .map_err(|failure| failure.later(back.motion.duration))?;
        let cost = match time {
            Some(_) => 0.0,
            None => {
                let straight = self.single(job, None)?.motion.duration;
                beyond.motion.duration + back.motion.duration - straight
            }
        };
        beyond.changes.push(self.beyond(job.axis, take_up, cost));
        Ok([beyond, back])
    }

    /// Beyond and back for axes that stand at their targets, with the ways back as jobs;
    /// none where there are no such axes.
    pub(crate) fn there_and_back(
        &mut self,
        jobs: &[AxisJob],
    ) -> Result<Option<[Planned; 2]>, Unplannable> {
        if jobs.is_empty() {
            return Ok(None);
        }
        let turned: Vec<AxisJob> = jobs
            .iter()
            .map(|job| AxisJob {
                steps: -job.steps,
                ..*job
            })
            .collect();
        let mut beyond = self.line(&turned, None)?;
        let back = self.line(jobs, None)?;
        let mut cost = beyond.motion.duration + back.motion.duration;
        for job in jobs {
            // The cost of all is told once.
            let change = self.beyond(job.axis, job.steps, std::mem::take(&mut cost));
            beyond.changes.push(change);
        }
        Ok(Some([beyond, back]))
    }

    fn beyond(&self, axis: usize, take_up: i64, cost: f64) -> Change {
        let by = take_up.unsigned_abs() as f64 / self.ramps.full_step(axis);
        Change {
            axis,
            kind: ChangeKind::GoesBeyond { by },
            cost,
        }
    }
}

impl Planner<'_> {
    /// Puts out the two motions of axes that go beyond their targets and come back.
    pub(crate) fn give_detour(
        &mut self,
        action: &Action,
        detours: &[Detour],
        pair: [Planned; 2],
        ready: &mut VecDeque<Item>,
    ) {
        for (done, part) in pair.into_iter().zip([MovePart::Beyond, MovePart::Approach]) {
            let travel = detours.iter().map(|detour| {
                let beyond = whole(detour.to.steps - detour.take_up);
                match part {
                    MovePart::Beyond => self.standing.travel(detour.axis, detour.from, beyond),
                    MovePart::Whole | MovePart::Approach => {
                        self.standing.travel(detour.axis, beyond, detour.to)
                    }
                }
            });
            let travel = travel.collect();
            let planned = PlannedMove {
                part,
                ..self.numbered(action, done, travel)
            };
            ready.push_back(Item::Move(planned));
        }
        for detour in detours {
            self.standing.taken_up(detour.axis, detour.take_up);
        }
    }

    /// Words for a `through` block that goes the wrong way.
    pub(crate) fn against_approach(
        &self,
        axis: usize,
        direction: Direction,
        place: Span,
    ) -> Option<Diagnostic> {
        let take_up = self.standing.take_ups[axis]?;
        if direction == take_up.direction {
            return None;
        }
        let way = match take_up.direction {
            Direction::Positive => "positive",
            Direction::Negative => "negative",
        };
        Some(
            Diagnostic::error(
                "against-approach",
                format!(
                    "axis “{}” takes up its play in {way} direction, and this block passes its targets the other way",
                    self.names.rig.axes[axis].name
                ),
            )
            .at(&self.names.source, place, "the play lies on the wrong side of each target")
            .help("let the axis stop at the targets, or come from the other side"),
        )
    }
}

/// A place on a whole microstep.
fn whole(steps: i64) -> Position {
    Position {
        asked: Exact::from(steps as f64),
        steps,
    }
}

/// The time that the script gives.
pub(crate) fn given(pace: MovePace) -> Option<f64> {
    match pace {
        MovePace::In(seconds, _) => Some(seconds),
        MovePace::At(..) | MovePace::Limits => None,
    }
}
