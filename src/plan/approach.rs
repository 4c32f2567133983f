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
use crate::plan::planner::{Planned, Planner, Unplannable};
use crate::plan::position::Position;
use crate::plan::profile::Impossible;
use crate::plan::{Change, ChangeKind, Direction, Item, MovePart, PlannedMove};
use crate::rig::{Approach, Axis};
use crate::script::{Action, MovePace};

/// How an axis takes up its play.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct TakeUp {
    /// Which way moves end.
    direction: Direction,
    /// How far that takes (microsteps).
    distance: i64,
    /// Whether the play is taken up where the axis stands.
    done: bool,
}

impl TakeUp {
    /// Of that axis, where its rig asks for it.
    pub(crate) fn of(axis: &Axis) -> Option<Self> {
        let direction = match axis.load.approach? {
            Approach::Positive => Direction::Positive,
            Approach::Negative => Direction::Negative,
        };
        let play = (axis.load.play() * axis.microsteps_per_travel()).ceil();
        Some(Self {
            direction,
            distance: play as i64 + i64::from(axis.drive.microsteps()),
            done: false,
        })
    }

    /// The take-up with its sign, where a move of so many microsteps has to make it.
    fn after(self, steps: i64) -> Option<i64> {
        let ahead = steps * self.direction.sign();
        let by_itself = ahead == 0 || ahead >= self.distance || (ahead > 0 && self.done);
        (!by_itself).then_some(self.distance * self.direction.sign())
    }
}

/// The way of one axis beyond its target and back.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Detour {
    pub(crate) axis: usize,
    pub(crate) from: Position,
    pub(crate) to: Position,
    /// The way back, with its sign.
    pub(crate) take_up: i64,
}

impl Planner<'_> {
    /// The take-up with its sign that a move of so many microsteps needs at its end.
    pub(crate) fn take_up(&self, axis: usize, steps: i64) -> Option<i64> {
        self.take_ups[axis]?.after(steps)
    }

    /// Notes that the axis moved and that its play is taken up where it stands.
    pub(crate) fn taken_up(&mut self, axis: usize, steps: i64) {
        if let (Some(take_up), true) = (&mut self.take_ups[axis], steps != 0) {
            take_up.done = true;
        }
    }

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
            .map_err(|failure| later(failure, back.motion.duration))?;
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
        let by = take_up.unsigned_abs() as f64 / self.scales[axis].full_step();
        Change {
            axis,
            kind: ChangeKind::GoesBeyond { by },
            cost,
        }
    }

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
                    MovePart::Beyond => self.travel(detour.axis, detour.from, beyond),
                    MovePart::Whole | MovePart::Approach => {
                        self.travel(detour.axis, beyond, detour.to)
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
            self.taken_up(detour.axis, detour.take_up);
        }
    }

    /// Words for a `through` block that goes the wrong way.
    pub(crate) fn against_approach(
        &self,
        axis: usize,
        direction: Direction,
        place: Span,
    ) -> Option<Diagnostic> {
        let take_up = self.take_ups[axis]?;
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
                    self.rig.axes[axis].name
                ),
            )
            .at(&self.source, place, "the play lies on the wrong side of each target")
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

/// What remains to be done adds to the shortest time.
pub(crate) fn later(failure: Unplannable, seconds: f64) -> Unplannable {
    match failure {
        Unplannable::Impossible(Impossible::TooSoon { shortest }) => {
            Unplannable::Impossible(Impossible::TooSoon {
                shortest: shortest + seconds,
            })
        }
        other => other,
    }
}

/// The time that the script gives.
pub(crate) fn given(pace: MovePace) -> Option<f64> {
    match pace {
        MovePace::In(seconds, _) => Some(seconds),
        MovePace::At(..) | MovePace::Limits => None,
    }
}
