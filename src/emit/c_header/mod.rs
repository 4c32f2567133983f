//! A C99 header: the schedule as tables that firmware plays from program memory.
//!
//! The program is a table of **actions**, each so many ticks after the one before. A
//! play action issues the steps of a **part**: steps without anything else between
//! them, stored once however often they are played, in whichever direction. The first
//! step of a part falls on the action's own tick; a table holds the intervals to the
//! others:
//!
//! ```text
//! below 65535   ticks since the step before
//! 65535         add 65535 and go on with the next entry
//! ```
//!
//! Where several axes step in one part, a second table holds the axis of each step,
//! and an interval of 0 is a step on the same tick. Actions that repeat are folded.
//! The ticks are those of the schedule, with no rounding of their own.
//!
//! No array is longer than 32,767 bytes, the most that one object may have on an
//! 8-bit controller; longer tables are cut into arrays of a power of two.

mod fold;
mod parts;
mod text;

use std::io::Write;
use std::sync::Arc;

use self::parts::Parts;
use super::{EmitError, Format, Heading, Pages};
use crate::plan::{Direction, Item};
use crate::schedule::{Event, EventKind, Schedule, ScheduleRun};
use crate::script::Until;

/// The format `c`.
#[derive(Debug, Clone, Copy)]
pub struct CHeader;

/// More actions than any controller holds (before they are folded).
const MOST_ACTIONS: usize = 1 << 20;
/// The axis number that means several axes.
const SEVERAL: u8 = 255;

/// One line of the action table.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct HeaderAction {
    kind: HeaderActionKind,
    /// Axis, output or input.
    which: u8,
    value: u32,
    /// Ticks since the action before, or since the last step that it played.
    wait: u32,
}

/// What an action does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum HeaderActionKind {
    Wait,
    Play,
    Direction,
    Output,
    Await,
    Mark,
    Repeat,
    AwaitReleased,
    AwaitPressed,
}

impl HeaderActionKind {
    /// Every kind, its name in the header, and what it says there.
    const ALL: [(Self, &'static str, &'static str); 9] = [
        (Self::Wait, "WAIT", "nothing but the wait"),
        (
            Self::Play,
            "PLAY",
            "play part number value on axis which (SEVERAL: each step has its own)",
        ),
        (
            Self::Direction,
            "DIRECTION",
            "set the direction of axis which: 1 positive, 0 negative",
        ),
        (Self::Output, "OUTPUT", "switch output which: 1 on, 0 off"),
        (
            Self::Await,
            "AWAIT",
            "stop the clock until input which is active; give up after value ticks (0: never)",
        ),
        (Self::Mark, "MARK", "mark number value, see below"),
        (
            Self::Repeat,
            "REPEAT",
            "go back over the last which actions, value times in all",
        ),
        (
            Self::AwaitReleased,
            "AWAIT_RELEASED",
            "as AWAIT, until input which is not active",
        ),
        (
            Self::AwaitPressed,
            "AWAIT_PRESSED",
            "as AWAIT, until input which becomes active, after it has not been",
        ),
    ];

    fn word(self) -> &'static str {
        let (_, word, _) = Self::ALL[self as usize];
        word
    }
}

impl Format for CHeader {
    fn name(&self) -> &'static str {
        "c"
    }

    fn write(
        &self,
        heading: &Heading<'_>,
        items: &mut dyn Iterator<Item = Item>,
        out: &mut dyn Write,
    ) -> Result<(), EmitError> {
        let rig = heading.rig;
        if [rig.axes.len(), rig.outputs.len(), rig.inputs.len()]
            .iter()
            .any(|count| *count >= usize::from(SEVERAL))
        {
            return Err(unfit("it numbers at most 254 axes, outputs and inputs"));
        }
        let mut schedule = Schedule::new(items, rig);
        let mut tables = Tables::default();
        while let Some(run) = schedule.next_run() {
            match run {
                ScheduleRun::Steps {
                    axis, ticks, of, ..
                } => tables.steps(axis, ticks, of.number)?,
                ScheduleRun::Event(event) => tables.event(&event)?,
            }
        }
        tables.finish(schedule.end_tick())?;
        let mut pages = Pages::new(out);
        let facts = schedule.facts();
        text::write(&tables, heading, facts, schedule.end_tick(), &mut pages)?;
        Ok(pages.finish()?)
    }
}

fn unfit(reason: impl Into<String>) -> EmitError {
    EmitError::Unfit {
        format: "c",
        reason: reason.into(),
    }
}

/// The tables of one program.
#[derive(Debug, Default)]
struct Tables {
    actions: Vec<HeaderAction>,
    parts: Parts,
    marks: Vec<Arc<str>>,
    /// Which move the open part belongs to. Parts end where moves do, so that equal
    /// moves give equal parts.
    of_move: u64,
    /// Tick that the next wait counts from.
    tick: u64,
}

impl Tables {
    fn steps(&mut self, axis: usize, ticks: &[u64], of_move: u64) -> Result<(), EmitError> {
        if of_move != self.of_move {
            self.close()?;
            self.of_move = of_move;
        }
        // The number of axes was checked at the start.
        self.parts.add(axis as u8, ticks)
    }

    fn event(&mut self, event: &Event) -> Result<(), EmitError> {
        self.close()?;
        let (kind, which, value) = match &event.what {
            EventKind::Step { axis, .. } => return self.parts.add(*axis as u8, &[event.tick]),
            EventKind::Direction { axis, direction } => {
                let positive = *direction == Direction::Positive;
                (HeaderActionKind::Direction, *axis, u32::from(positive))
            }
            EventKind::Output { output, on } => (HeaderActionKind::Output, *output, u32::from(*on)),
            EventKind::Await {
                input,
                until,
                timeout,
            } => {
                let ticks = timeout.map_or(Ok(0), |ticks| u32::try_from(ticks.max(1)));
                let ticks = ticks.map_err(|_| unfit("a timeout is longer than 2^32 ticks"))?;
                let kind = match until {
                    Until::Active => HeaderActionKind::Await,
                    Until::Released => HeaderActionKind::AwaitReleased,
                    Until::Pressed => HeaderActionKind::AwaitPressed,
                };
                (kind, *input, ticks)
            }
            EventKind::Mark(text) => (HeaderActionKind::Mark, 0, self.mark(text)),
        };
        self.push(event.tick, kind, which as u8, value)?;
        self.tick = event.tick;
        Ok(())
    }

    fn mark(&mut self, text: &Arc<str>) -> u32 {
        let known = self.marks.iter().position(|mark| mark == text);
        let number = known.unwrap_or_else(|| {
            self.marks.push(Arc::clone(text));
            self.marks.len() - 1
        });
        // There are fewer marks than actions, which are limited.
        number as u32
    }

    /// Ends the open part and plays it.
    fn close(&mut self) -> Result<(), EmitError> {
        let Some(played) = self.parts.close() else {
            return Ok(());
        };
        self.push(
            played.first_tick,
            HeaderActionKind::Play,
            played.axis,
            played.part,
        )?;
        self.tick = played.last_tick;
        Ok(())
    }

    fn push(
        &mut self,
        tick: u64,
        kind: HeaderActionKind,
        which: u8,
        value: u32,
    ) -> Result<(), EmitError> {
        let mut wait = tick - self.tick;
        while wait > u64::from(u32::MAX) {
            wait -= u64::from(u32::MAX);
            self.put(HeaderActionKind::Wait, 0, 0, u32::MAX)?;
        }
        // The loop has left what a u32 holds.
        self.put(kind, which, value, wait as u32)
    }

    fn put(
        &mut self,
        kind: HeaderActionKind,
        which: u8,
        value: u32,
        wait: u32,
    ) -> Result<(), EmitError> {
        if self.actions.len() == MOST_ACTIONS {
            return Err(unfit(format!("it takes more than {MOST_ACTIONS} actions")));
        }
        self.actions.push(HeaderAction {
            kind,
            which,
            value,
            wait,
        });
        Ok(())
    }

    /// Ends the program on a tick.
    fn finish(&mut self, end: u64) -> Result<(), EmitError> {
        self.close()?;
        // A table has at least one entry, be it an empty wait.
        if end > self.tick || self.actions.is_empty() {
            self.push(end, HeaderActionKind::Wait, 0, 0)?;
        }
        self.actions = fold::fold(&self.actions);
        Ok(())
    }
}
