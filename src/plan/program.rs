//! A whole script: its actions, one after the other, become planned items.
//!
//! The stream keeps only where each axis stands and a bounded cache of motions, so
//! that a program of any length takes constant memory. Equal moves share one
//! [`Motion`](crate::plan::Motion).

use std::collections::VecDeque;
use std::sync::Arc;

use crate::diagnostic::{Diagnostic, Source, Span};
use crate::physics::band::Band;
use crate::plan::Item;
use crate::plan::approach::{Detour, given};
use crate::plan::following::Following;
use crate::plan::planner::Planner;
use crate::plan::settling::Settling;
use crate::rig::Rig;
use crate::script::{Action, ActionKind, Move};
use crate::units::{Rounded, Time};

/// Plans what `actions`, written in `source`, ask of the rig.
///
/// The program's origin is where every axis stands at its start. The stream ends with
/// the first error.
pub fn program<'rig, I>(
    rig: &'rig Rig,
    source: &Arc<Source>,
    actions: I,
) -> Program<'rig, I::IntoIter>
where
    I: IntoIterator<Item = Result<Action, Diagnostic>>,
{
    Program {
        planner: Planner::new(rig, source),
        actions: actions.into_iter(),
        ready: VecDeque::new(),
        line: 0,
        seconds: 0.0,
        ended: false,
    }
}

/// The stream of planned items; see [`program()`].
#[derive(Debug)]
pub struct Program<'rig, I> {
    planner: Planner<'rig>,
    actions: I,
    ready: VecDeque<Item>,
    /// Line of the action that `ready` comes from.
    line: usize,
    /// How long the program is so far.
    seconds: f64,
    ended: bool,
}

impl<'rig, I> Program<'rig, I> {
    /// The program with cruise speeds kept out of these bands of each axis (in the order
    /// of the rig's axes; axes without a list have none), where the script does not allow
    /// them. Without this the bands are worked out from the rig.
    #[must_use]
    pub fn with_bands(mut self, bands: Vec<Vec<Band>>) -> Self {
        self.planner.motions.ramps.keep_out_of(bands);
        self
    }

    /// Line of the script that the last item comes from.
    pub(crate) const fn line(&self) -> usize {
        self.line
    }

    /// The program with somebody who knows how long `dwell until settled` takes; without,
    /// that is refused.
    #[must_use]
    pub fn with_settling(mut self, settling: &'rig dyn Settling) -> Self {
        self.planner.swings.ask(settling);
        self
    }

    /// The program with somebody who knows whether the rotors follow what the planner makes
    /// of its own: full-torque ramps and cruises moved out of a band. Without, these are as
    /// fast as the torque allows.
    #[must_use]
    pub fn with_following(mut self, following: &'rig dyn Following) -> Self {
        self.planner.motions.ask(following);
        self
    }
}

impl<I: Iterator<Item = Result<Action, Diagnostic>>> Iterator for Program<'_, I> {
    type Item = Result<Item, Diagnostic>;

    fn next(&mut self) -> Option<Self::Item> {
        loop {
            if let Some(item) = self.ready.pop_front() {
                self.planner.swings.note(&item);
                return Some(Ok(item));
            }
            if self.ended {
                return None;
            }
            let planned = match self.actions.next()? {
                Ok(action) => {
                    self.line = action.line;
                    self.planner
                        .action(&action, &mut self.ready)
                        .and_then(|()| {
                            self.seconds += self.ready.iter().map(Item::duration).sum::<f64>();
                            self.planner.countable(self.seconds, action.span)
                        })
                }
                Err(error) => Err(error),
            };
            if let Err(error) = planned {
                self.ready.clear();
                self.ended = true;
                return Some(Err(error));
            }
        }
    }
}

/// Ticks that a program may take. A schedule counts them in 64 bits; what is added between
/// moves for the rules of the timer has as many again.
const MOST_TICKS: f64 = 9_223_372_036_854_775_808.0;

impl Planner<'_> {
    /// Refuses a program that is longer than its ticks can be counted.
    fn countable(&self, seconds: f64, span: Span) -> Result<(), Diagnostic> {
        let rate = self.names.rig.timer.tick_rate();
        if seconds * rate <= MOST_TICKS {
            return Ok(());
        }
        Err(Diagnostic::error(
            "too-long",
            "the program lasts longer than its ticks can be counted",
        )
        .at(&self.names.source, span, "in here it goes beyond")
        .help(format!(
            "at {} ticks a second, the limit of a program is {}",
            Rounded(rate),
            Time::new(MOST_TICKS / rate)
        )))
    }

    fn action(&mut self, action: &Action, ready: &mut VecDeque<Item>) -> Result<(), Diagnostic> {
        let item = match &action.kind {
            ActionKind::Move(turn) => return self.turn(action, turn, ready),
            ActionKind::Together(inside) => return self.together(action, inside, ready),
            ActionKind::Through(inside) => return self.through(action, inside, ready),
            ActionKind::Dwell(seconds) => Item::Dwell(*seconds),
            ActionKind::Output {
                passing: Some(_), ..
            } => {
                return Err(Diagnostic::error(
                    "passing-nothing",
                    "“passing” belongs between the moves of a “through” block",
                )
                .at(&self.names.source, action.span, "no axis turns here")
                .help(
                    "leave “passing …” out, or put the output and the moves into “through { }”",
                ));
            }
            ActionKind::Output {
                name,
                name_span,
                on,
                passing: None,
            } => Item::Output {
                output: self
                    .names
                    .pin("output", &self.names.rig.outputs, name, *name_span)?,
                on: *on,
            },
            ActionKind::Await {
                name,
                name_span,
                until,
                timeout,
            } => Item::Await {
                input: self
                    .names
                    .pin("input", &self.names.rig.inputs, name, *name_span)?,
                until: *until,
                timeout: *timeout,
            },
            ActionKind::Mark(text) => Item::Mark(Arc::clone(text)),
            ActionKind::DwellUntilSettled => Item::Dwell(self.swings.until_settled(
                &self.names,
                &mut self.motions.ramps,
                action.span,
            )?),
        };
        ready.push_back(item);
        Ok(())
    }

    fn turn(
        &mut self,
        action: &Action,
        turn: &Move,
        ready: &mut VecDeque<Item>,
    ) -> Result<(), Diagnostic> {
        let axis = self.names.axis(turn, action.span)?;
        let from = self.standing.positions[axis];
        let to = self.target(axis, from, turn)?;
        let job = self.job(axis, to.steps - from.steps, action.span, turn)?;
        self.standing.positions[axis] = to;
        let time = given(turn.pace);
        let Some(take_up) = self.standing.take_up(axis, job.steps) else {
            let done = self
                .motions
                .single(job, time)
                .map_err(|failure| self.names.explain(&failure, action.span, turn.pace))?;
            let travel = vec![self.standing.travel(axis, from, to)];
            let planned = self.numbered(action, done, travel);
            ready.push_back(Item::Move(planned));
            self.standing.taken_up(axis, job.steps);
            return Ok(());
        };
        let pair = self
            .motions
            .beyond_and_back(job, take_up, time)
            .map_err(|failure| self.names.explain(&failure, action.span, turn.pace))?;
        let detour = Detour {
            axis,
            from,
            to,
            take_up,
        };
        self.give_detour(action, &[detour], pair, ready);
        Ok(())
    }
}
