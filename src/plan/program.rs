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
use crate::plan::position::TravelScale;
use crate::plan::repetition::{AxisCycle, Loops, PassState, Passage, Patience};
use crate::plan::settling::Settling;
use crate::rig::{Axis, Rig};
use crate::script::{Action, ActionKind, Actions, BlockPass, EndlessPlace, Move, ScriptStep};
use crate::units::{Rounded, Time};

/// Plans what `actions`, written in `source`, ask of the rig.
///
/// The program's origin is where every axis stands at its start. The stream ends with
/// the first error.
pub(crate) fn program<'rig, I>(
    rig: &'rig Rig,
    source: &Arc<Source>,
    actions: I,
) -> Program<'rig, I::IntoIter>
where
    I: IntoIterator<Item = Result<Action, Diagnostic>>,
{
    Program {
        planner: Planner::new(rig, source),
        loops: Loops::new(rig.axes.iter().map(cycle).collect(), PATIENCE),
        actions: actions.into_iter(),
        ready: VecDeque::new(),
        line: 0,
        seconds: 0.0,
        ended: false,
        refusal: None,
        most_passes: MOST_PASSES,
        pass: None,
    }
}

/// The stream of planned items; see [`program()`].
#[derive(Debug)]
pub(crate) struct Program<'rig, I> {
    planner: Planner<'rig>,
    /// What repeats; of use only to those who ask for [`Passage`]s.
    loops: Loops,
    actions: I,
    ready: VecDeque<Item>,
    /// Line of the action that `ready` comes from.
    line: usize,
    /// How long the program is so far.
    seconds: f64,
    ended: bool,
    /// Why it is refused as a whole.
    refusal: Option<Diagnostic>,
    /// After how many passes without end that do not come again it is refused.
    most_passes: u64,
    /// The pass without end that began last.
    pass: Option<BlockPass>,
}

/// Passes of an endless repeat that are compared at most: chosen, to bound the search of one
/// that never comes back to what it was.
const MOST_PASSES: u64 = 1 << 17;

impl<'rig, I> Program<'rig, I> {
    /// The program with cruise speeds kept out of these bands of each axis (in the order
    /// of the rig's axes; axes without a list have none), where the script does not allow
    /// them. Without this the bands are worked out from the rig.
    #[must_use]
    pub(crate) fn with_bands(mut self, bands: Vec<Vec<Band>>) -> Self {
        self.planner.motions.ramps.keep_out_of(bands);
        self
    }

    /// Line of the script that the last item comes from.
    pub(crate) const fn line(&self) -> usize {
        self.line
    }

    /// The program refused as a whole, if there is a reason.
    #[must_use]
    pub(crate) fn refused(mut self, reason: Option<Diagnostic>) -> Self {
        self.refusal = reason;
        self
    }

    /// The program for those who take it pass by pass without end.
    #[must_use]
    pub(crate) const fn pass_by_pass(mut self) -> Self {
        self.most_passes = u64::MAX;
        self
    }

    /// The rig that it is planned for.
    pub(crate) const fn rig(&self) -> &'rig Rig {
        self.planner.names.rig
    }

    /// The program with somebody who knows how long `dwell until settled` takes; without,
    /// that is refused.
    #[must_use]
    pub(crate) fn with_settling(mut self, settling: &'rig dyn Settling) -> Self {
        self.planner.swings.ask(settling);
        self
    }

    /// The program with somebody who knows whether the rotors follow what the planner makes
    /// of its own: full-torque ramps and cruises moved out of a band. Without, these are as
    /// fast as the torque allows.
    #[must_use]
    pub(crate) fn with_following(mut self, following: &'rig dyn Following) -> Self {
        self.planner.motions.ask(following);
        self
    }
}

impl<I: Iterator<Item = Result<Action, Diagnostic>>> Iterator for Program<'_, I> {
    type Item = Result<Item, Diagnostic>;

    fn next(&mut self) -> Option<Self::Item> {
        if let Some(reason) = self.refusal.take() {
            self.ended = true;
            return Some(Err(reason));
        }
        loop {
            if let Some(item) = self.ready.pop_front() {
                self.planner.swings.note(&item);
                return Some(Ok(item));
            }
            if self.ended {
                return None;
            }
            let action = self.actions.next()?;
            if let Err(error) = self.plan(action) {
                return Some(Err(error));
            }
        }
    }
}

impl<I> Program<'_, I> {
    /// Plans an action. The stream ends with an error.
    fn plan(&mut self, action: Result<Action, Diagnostic>) -> Result<(), Diagnostic> {
        self.planner.aims.clear();
        let planned = action.and_then(|action| {
            self.line = action.line;
            self.planner.action(&action, &mut self.ready)?;
            self.seconds += self.ready.iter().map(Item::duration).sum::<f64>();
            self.planner.countable(self.seconds, action.span)?;
            Ok(matches!(action.kind, ActionKind::DwellUntilSettled))
        });
        match planned {
            Ok(settles) => {
                let steps = self.ready.iter().map(|item| match item {
                    Item::Move(planned) => planned.motion.steps(),
                    Item::Dwell(_)
                    | Item::Output { .. }
                    | Item::Await { .. }
                    | Item::Zero { .. }
                    | Item::Mark(_) => 0,
                });
                let items = self.ready.len() as u64;
                self.loops
                    .note(&self.planner.aims, settles, items, steps.sum());
                Ok(())
            }
            Err(error) => {
                self.ready.clear();
                self.ended = true;
                Err(error)
            }
        }
    }
}

/// Loops of fewer items and microsteps are gone through pass by pass: chosen, because that
/// takes milliseconds, and what repeats is then found in the result too.
const PATIENCE: Patience = Patience {
    items: 4096,
    steps: 1 << 20,
};

/// What of an axis matters for whether passes are alike.
fn cycle(axis: &Axis) -> AxisCycle {
    let balanced = axis.load.unbalance.si() == 0.0;
    AxisCycle {
        load_turn: TravelScale::new(axis).load_turn().nearest(),
        // Four full steps are a cycle of the currents.
        electrical: balanced.then_some(4 * i64::from(axis.drive.microsteps())),
    }
}

impl Program<'_, Actions> {
    /// The next item, or where passes through a loop that are all alike begin and end.
    pub(crate) fn next_passage(&mut self) -> Option<Result<Passage, Diagnostic>> {
        if let Some(reason) = self.refusal.take() {
            self.ended = true;
            return Some(Err(reason));
        }
        loop {
            if let Some(item) = self.ready.pop_front() {
                self.planner.swings.note(&item);
                return Some(Ok(Passage::Item(item)));
            }
            if self.ended {
                return None;
            }
            let pass = match self.actions.next_step()? {
                Ok(ScriptStep::Pass(pass)) => pass,
                Ok(ScriptStep::Act(action)) => match self.plan(Ok(action)) {
                    Ok(()) => continue,
                    Err(error) => return Some(Err(error)),
                },
                Err(error) => return self.plan(Err(error)).err().map(Err),
            };
            if pass.is_endless() {
                if pass.before > self.most_passes {
                    self.ended = true;
                    return Some(Err(self.never_repeats()));
                }
                self.pass = Some(pass);
            }
            let rate = self.planner.names.rig.timer.tick_rate();
            let left = (MOST_TICKS / rate - self.seconds).max(0.0);
            // Two periods are kept, for what is walked and for rounding.
            let most = |seconds: f64| ((left / seconds) as u64).saturating_sub(2);
            let state = || PassState::of(&self.planner, self.seconds);
            if let Some(passage) = self.loops.pass(pass, state, most) {
                return Some(Ok(passage));
            }
        }
    }

    /// Where it repeats without end, if it does.
    pub(crate) fn endless_place(&self) -> Option<EndlessPlace> {
        self.actions.endless()
    }

    /// Passes before the period without end that was offered last, and those of the period.
    pub(crate) fn endless_period(&self) -> (u64, u64) {
        let (passed, period) = (
            self.pass.map_or(0, |pass| pass.before),
            self.loops.offered(),
        );
        (passed.saturating_sub(period), period)
    }

    /// Something wrong with what repeats without end.
    pub(crate) fn endless_error(&self, code: &'static str, what: &str) -> Diagnostic {
        let error = Diagnostic::error(code, what);
        match self.endless_place() {
            Some(place) => error.at(
                &self.planner.names.source,
                place.span,
                "repeats without end",
            ),
            None => error,
        }
    }

    fn never_repeats(&self) -> Diagnostic {
        let what = format!(
            "none of {} passes begins as an earlier one did",
            self.most_passes
        );
        self.endless_error("never-repeats", &what).help(
            "let a pass turn by a fraction of a turn such as 360/7 deg, or by whole microsteps, so \
             that nothing is left to rounding; or give a number of passes",
        )
    }

    /// The program with passes that are alike looked for after so much of a loop.
    #[must_use]
    pub(crate) fn with_patience(mut self, patience: Patience) -> Self {
        self.loops.set_patience(patience);
        self
    }

    /// How many actions of the script lie behind.
    pub(crate) const fn done(&self) -> f64 {
        self.actions.done()
    }

    /// How many actions the script comes to, about.
    pub(crate) fn extent(&mut self) -> f64 {
        self.actions.extent()
    }

    /// Leaves out the periods that were offered last.
    pub(crate) fn leap(&mut self) {
        let passes = self.loops.leap(&mut self.planner, &mut self.seconds);
        self.actions.leave_out(passes);
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
            ActionKind::Seek(seek) => return self.seek(action, seek, ready),
            ActionKind::Zero(zero) => self.zero(action, zero)?,
            ActionKind::Mark(text) => Item::Mark(Arc::clone(text)),
            ActionKind::DwellUntilSettled => {
                self.place_known(action.span)?;
                let Self {
                    swings,
                    names,
                    motions,
                    ..
                } = self;
                Item::Dwell(swings.until_settled(names, &mut motions.ramps, action.span)?)
            }
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
