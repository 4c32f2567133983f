//! The schedule: every event of a program in the order of ticks.
//!
//! A program's items follow each other on one clock. Each event falls on the tick
//! nearest to its ideal time since the program's start, ties to even, so errors
//! never add up. The rules that may add time, always in whole ticks:
//!
//! - A direction line is set before the first step that needs it, at the start of
//!   the motion or, where that is later, `direction_setup` after the axis's last
//!   step; the first step follows `direction_setup` after it. Nobody knows how the
//!   line stands when the program starts, so the first motion of each axis sets it.
//! - Two steps of an axis in different motions keep the least interval of [`TickRules`].
//!
//! `await` stops the clock, and ticks after it count on as if it had taken no time.
//!
//! Events of one tick come in a fixed order: items in the program's order; within a
//! motion by axis, a direction before the step, and what happens on the way right
//! after the step that it waits for.

use std::collections::VecDeque;

use super::clock::{TickClock, TickInstant};
use super::event::{Event, EventKind};
use super::facts::Facts;
use super::shortened::{PLAYED, left_out};
use super::state::{AxisState, ScheduleState};
use super::ticks::StepTicks;
use super::timer::TickRules;
use crate::plan::{Direction, Item, OnTheWay, PlannedMove, SoughtInput};
use crate::rig::Rig;

/// A part of a schedule: one event, or steps of one axis that nothing interrupts.
#[derive(Debug, Clone, PartialEq)]
pub enum ScheduleRun<'a> {
    /// Anything but a step.
    Event(Event),
    /// Steps of one axis.
    Steps {
        /// Which axis.
        axis: usize,
        /// Which way.
        direction: Direction,
        /// Their ticks, rising; never empty.
        ticks: &'a [u64],
        /// The move that they belong to.
        of: &'a UnderWay,
    },
}

/// The move that a schedule is playing.
#[derive(Debug, Clone, PartialEq)]
pub struct UnderWay {
    /// How many moves the schedule has begun with it.
    pub number: u64,
    /// The move.
    pub planned: PlannedMove,
    /// When its motion starts.
    pub(crate) start: TickInstant,
}

/// An iterator of events in the order of ticks; what it holds in memory does not
/// grow with the number of steps. [`next_run`](Self::next_run) gives the same events
/// many steps at a time.
#[derive(Debug)]
pub(crate) struct Schedule<I> {
    items: I,
    clock: TickClock,
    pace: TickRules,
    /// Where the item that comes next begins.
    now: TickInstant,
    axes: Vec<AxisState>,
    playing: Option<Playing>,
    waiting: VecDeque<Event>,
    /// An event that was looked at ahead.
    peeked: Option<Event>,
    open: Option<OpenSteps>,
    /// Moves begun so far.
    moves: u64,
    /// Those of them that the rules of the timer delayed, or nearly so.
    tight: u64,
    facts: Facts,
    /// Whether very long even stretches lack their middle.
    is_short: bool,
}

/// By how many ticks rounding may move two events against each other.
const ROUNDING: u64 = 2;

/// Steps that are being given out: the first `count` that stream number `stream` has
/// ready, of which `given` are out.
#[derive(Debug, Clone, Copy)]
struct OpenSteps {
    stream: usize,
    count: usize,
    given: usize,
}

/// A motion that is being played.
#[derive(Debug)]
struct Playing {
    under_way: UnderWay,
    streams: Vec<AxisStream>,
    end: TickInstant,
}

/// One axis of a motion that is being played.
#[derive(Debug)]
struct AxisStream {
    steps: StepTicks,
    /// The direction line is set at this tick.
    turn: Option<u64>,
    /// What happens on the way, last first.
    on_the_way: Vec<OnTheWay>,
}

impl AxisStream {
    fn next_tick(&self) -> Option<u64> {
        self.turn.or_else(|| self.steps.peek())
    }
}

impl<I: Iterator<Item = Item>> Schedule<I> {
    /// The schedule of a planned program on a rig. Motions that
    /// [`verdict`](super::timer::verdict) refuses are scheduled too, at the speed they
    /// ask for; the caller asks first.
    pub(crate) fn new(items: impl IntoIterator<Item = Item, IntoIter = I>, rig: &Rig) -> Self {
        Self {
            items: items.into_iter(),
            clock: TickClock::new(&rig.timer),
            pace: TickRules::new(&rig.timer),
            now: TickInstant::default(),
            axes: vec![AxisState::default(); rig.axes.len()],
            playing: None,
            waiting: VecDeque::new(),
            peeked: None,
            open: None,
            moves: 0,
            tight: 0,
            facts: Facts::new(rig.axes.len()),
            is_short: false,
        }
    }

    /// The same without the middle of very long even stretches, for who judges it.
    pub(super) fn in_short(self) -> Self {
        Self {
            is_short: true,
            ..self
        }
    }

    /// What the items come from.
    pub(crate) const fn items_mut(&mut self) -> &mut I {
        &mut self.items
    }

    /// Counts so far; steps are counted by the run.
    pub(crate) fn facts(&self) -> &Facts {
        &self.facts
    }

    /// The tick at which the program ends, once everything has been given out.
    pub(crate) fn end_tick(&self) -> u64 {
        self.now.tick().max(self.facts.last_tick)
    }

    /// When the item that is being given out begins.
    pub(super) const fn now(&self) -> TickInstant {
        self.now
    }

    /// How many moves have begun.
    pub(super) const fn moves(&self) -> u64 {
        self.moves
    }

    /// Whether another run comes before the items end.
    pub(super) fn has_run(&mut self) -> bool {
        if self.peeked.is_none() {
            self.peeked = self.advance();
        }
        self.peeked.is_some() || self.open.is_some()
    }

    /// How things stand, between two items.
    pub(super) fn state(&self) -> ScheduleState {
        ScheduleState {
            now: self.now,
            axes: self.axes.clone(),
            moves: self.moves,
            tight: self.tight,
            facts: self.facts.clone(),
        }
    }

    /// Goes on from another state, between two items.
    pub(super) fn set_state(&mut self, state: ScheduleState) {
        let ScheduleState {
            now,
            axes,
            moves,
            tight,
            facts,
        } = state;
        self.now = now;
        self.axes = axes;
        self.moves = moves;
        self.tight = tight;
        self.facts = facts;
    }

    /// The next event, or as many steps as follow each other undisturbed.
    pub(crate) fn next_run(&mut self) -> Option<ScheduleRun<'_>> {
        if let Some(event) = self.peeked.take().or_else(|| self.advance()) {
            return Some(ScheduleRun::Event(event));
        }
        let open = self.open.as_mut()?;
        let playing = self.playing.as_ref()?;
        let steps = &playing.streams[open.stream].steps;
        let given = std::mem::replace(&mut open.given, open.count);
        Some(ScheduleRun::Steps {
            axis: steps.axis(),
            direction: steps.direction(),
            ticks: &steps.ready()[given..open.count],
            of: &playing.under_way,
        })
    }

    /// Goes on to the next event, which it returns, or opens a run of steps; where it
    /// does neither, the program is over.
    fn advance(&mut self) -> Option<Event> {
        if self.open.is_some_and(|open| open.given < open.count) {
            return None;
        }
        self.close();
        loop {
            if let Some(event) = self.waiting.pop_front() {
                self.facts.count(event.tick, self.pace.counter);
                return Some(event);
            }
            if self.playing.is_some() {
                if self.play() {
                    return None;
                }
            } else {
                self.begin()?;
            }
        }
    }

    /// Leaves behind the steps that have been given out.
    fn close(&mut self) {
        let (Some(open), Some(playing)) = (self.open.take(), self.playing.as_mut()) else {
            return;
        };
        let stream = &mut playing.streams[open.stream];
        let last = stream.steps.ready()[open.count - 1];
        stream.steps.used(open.count);
        let done = stream.steps.done();
        while let Some(due) = stream.on_the_way.pop_if(|due| due.step <= done) {
            self.waiting.extend(event_at(last, due.item));
        }
    }

    /// Opens the next run of the motion and says so, or puts its next direction into
    /// `waiting`, or ends it.
    fn play(&mut self) -> bool {
        let Some(playing) = self.playing.as_mut() else {
            return false;
        };
        let next = playing
            .streams
            .iter()
            .enumerate()
            .filter_map(|(number, stream)| Some((stream.next_tick()?, number)))
            .min();
        let Some((_, number)) = next else {
            self.now = playing.end.max(TickInstant::at_tick(self.facts.last_tick));
            if let Some((axis, _)) = playing.under_way.planned.sought() {
                self.waiting.push_back(Event {
                    tick: self.now.tick(),
                    what: EventKind::Sought { axis },
                });
            }
            self.playing = None;
            return false;
        };
        let others = playing
            .streams
            .iter()
            .enumerate()
            .filter(|(other, _)| *other != number)
            .filter_map(|(other, stream)| Some((stream.next_tick()?, other)))
            .min();

        let stream = &mut playing.streams[number];
        let (axis, direction) = (stream.steps.axis(), stream.steps.direction());
        let state = &mut self.axes[axis];
        if let Some(tick) = stream.turn.take() {
            state.direction = Some(direction);
            let what = EventKind::Direction { axis, direction };
            self.waiting.push_back(Event { tick, what });
            return false;
        }
        let ready = stream.steps.ready();
        let mut count = match others {
            Some(other) => ready.partition_point(|tick| (*tick, number) < other),
            None => ready.len(),
        };
        if let Some(due) = stream.on_the_way.last() {
            let until = due.step.saturating_sub(stream.steps.done());
            count = count
                .min(usize::try_from(until).unwrap_or(usize::MAX))
                .max(1);
        }
        let ticks = &ready[..count];
        state.last_step = ticks.last().copied();
        self.facts.count_steps(axis, ticks, self.pace.counter);
        self.open = Some(OpenSteps {
            stream: number,
            count,
            given: 0,
        });
        true
    }

    /// Begins the next item of the program; none behind the last.
    fn begin(&mut self) -> Option<()> {
        match self.items.next()? {
            Item::Dwell(seconds) => self.now = self.now.after(self.clock.span(seconds)),
            Item::Move(planned) => self.begin_move(planned),
            Item::Await {
                input,
                until,
                timeout,
            } => {
                // To the board, a timeout of no ticks is none.
                let timeout = timeout.map(|seconds| self.clock.span(seconds).tick().max(1));
                self.waiting.push_back(Event {
                    tick: self.now.tick(),
                    what: EventKind::Await {
                        input,
                        until,
                        timeout,
                    },
                });
            }
            Item::Zero { axis, steps } => self.waiting.push_back(Event {
                tick: self.now.tick(),
                what: EventKind::Zero { axis, steps },
            }),
            item @ (Item::Output { .. } | Item::Mark(_)) => {
                self.waiting.extend(event_at(self.now.tick(), item));
            }
        }
        Some(())
    }

    fn begin_move(&mut self, planned: PlannedMove) {
        self.moves += 1;
        let motion = &planned.motion;
        let moving: Vec<usize> = (0..motion.axes.len())
            .filter(|number| motion.axes[*number].steps > 0)
            .collect();

        let asked = self.now.tick();
        if let Some((axis, SoughtInput { input, until })) = planned.sought() {
            let what = EventKind::Seek { axis, input, until };
            self.waiting.push_back(Event { tick: asked, what });
        }

        // Where the line of each axis turns, and its first step at the earliest.
        let rules: Vec<(Option<u64>, u64)> = moving
            .iter()
            .map(|number| {
                let axis = &motion.axes[*number];
                let state = self.axes[axis.axis];
                let after_last = |ticks| state.last_step.map_or(0, |last| last + ticks);
                let step = after_last(self.pace.between_steps);
                if state.direction == Some(axis.direction) {
                    return (None, step);
                }
                let turn = asked.max(after_last(self.pace.direction_setup));
                (Some(turn), step.max(turn + self.pace.direction_setup))
            })
            .collect();

        let mut start = self.now;
        let mut tight = false;
        let mut streams: Vec<StepTicks>;
        loop {
            streams = moving
                .iter()
                .map(|number| StepTicks::new(motion, *number, self.clock, start))
                .collect();
            let late = |(steps, (_, earliest)): (&StepTicks, &(Option<u64>, u64))| {
                // With the room that rounding to ticks may take.
                (earliest + ROUNDING).saturating_sub(steps.peek()?).into()
            };
            let missing = streams.iter().zip(&rules).filter_map(late).max();
            tight |= missing.is_some_and(|ticks: u64| ticks > 0);
            match missing.map(|ticks| ticks.saturating_sub(ROUNDING)) {
                None | Some(0) => break,
                Some(ticks) => {
                    start = start.after(TickInstant::at_tick(ticks));
                    self.facts.added_ticks += ticks;
                }
            }
        }

        self.tight += u64::from(tight);
        if self.is_short && planned.on_the_way.is_empty() {
            for (steps, number) in streams.iter_mut().zip(&moving) {
                steps.leave_out(left_out(motion, *number, PLAYED));
            }
        }

        let mut on_the_way = planned.on_the_way.clone();
        on_the_way.sort_by_key(|due| due.step);
        let begins = start.tick();
        for due in on_the_way.extract_if(.., |due| {
            due.step == 0
                || !moving
                    .iter()
                    .any(|number| motion.axes[*number].axis == due.axis)
        }) {
            self.waiting.extend(event_at(begins, due.item));
        }
        let streams = streams
            .into_iter()
            .zip(rules)
            .map(|(steps, (turn, _))| {
                let axis = steps.axis();
                let mut on_the_way: Vec<OnTheWay> =
                    on_the_way.extract_if(.., |due| due.axis == axis).collect();
                on_the_way.reverse();
                AxisStream {
                    steps,
                    turn,
                    on_the_way,
                }
            })
            .collect();
        let end = start.after(self.clock.span(motion.duration));
        self.playing = Some(Playing {
            under_way: UnderWay {
                number: self.moves,
                planned,
                start,
            },
            streams,
            end,
        });
    }
}

impl<I: Iterator<Item = Item>> Iterator for Schedule<I> {
    type Item = Event;

    fn next(&mut self) -> Option<Event> {
        if let Some(event) = self.peeked.take().or_else(|| self.advance()) {
            return Some(event);
        }
        let open = self.open.as_mut()?;
        let steps = &self.playing.as_ref()?.streams[open.stream].steps;
        let tick = steps.ready()[open.given];
        open.given += 1;
        let (axis, direction) = (steps.axis(), steps.direction());
        let what = EventKind::Step { axis, direction };
        Some(Event { tick, what })
    }
}

/// The event of an output or a mark; none of an item that is no event by itself.
fn event_at(tick: u64, item: Item) -> Option<Event> {
    let what = match item {
        Item::Output { output, on } => EventKind::Output { output, on },
        Item::Mark(text) => EventKind::Mark(text),
        Item::Move(_) | Item::Dwell(_) | Item::Await { .. } | Item::Zero { .. } => return None,
    };
    Some(Event { tick, what })
}
