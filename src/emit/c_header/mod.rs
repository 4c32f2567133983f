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
//! and an interval of 0 is a step on the same tick. Actions that repeat are folded. A
//! program without end goes on with an earlier action at its last; its period then takes
//! whole ticks, half a tick off at most.
//! The ticks are those of the schedule, with no rounding of their own.
//!
//! No array is longer than 32,767 bytes, the most that one object may have on an
//! 8-bit controller; longer tables are cut into arrays of a power of two.

mod fold;
mod parts;
mod text;

use std::io::Write;
use std::ops::Range;
use std::sync::Arc;

use thiserror::Error;

use self::fold::LONGEST;
use self::parts::{MOST_INTERVALS, Parts};
use super::{EmitError, Format, Heading, Pages};
use crate::plan::{Direction, Passages};
use crate::rig::Rig;
use crate::schedule::periodic::{PeriodicSchedule, Repeated, SchedulePart};
use crate::schedule::{Event, EventKind, Facts, ScheduleRun};
use crate::script::{Until, WITHOUT_END};

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
    Forever,
}

impl HeaderActionKind {
    /// Every kind, its name in the header, and what it says there.
    const ALL: [(Self, &'static str, &'static str); 10] = [
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
        (
            Self::Forever,
            "FOREVER",
            "go on with action number value, without end",
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

    fn can_be_endless(&self) -> bool {
        true
    }

    fn write(
        &self,
        heading: &Heading<'_>,
        passages: &mut dyn Passages,
        out: &mut dyn Write,
    ) -> Result<(), EmitError> {
        let held = held(heading.rig, passages).map_err(|overflow| EmitError::Unfit {
            format: self.name(),
            reason: overflow.to_string(),
        })?;
        let mut pages = Pages::new(out);
        text::write(
            &held.tables,
            heading,
            &held.facts,
            held.end_tick,
            &mut pages,
        )?;
        Ok(pages.finish()?)
    }
}

/// What a header says of a program.
struct HeaderContents {
    tables: Tables,
    facts: Facts,
    end_tick: u64,
}

/// Gathers the tables of a program.
fn held(rig: &Rig, passages: &mut dyn Passages) -> Result<HeaderContents, HeaderOverflow> {
    let counts = [rig.axes.len(), rig.outputs.len(), rig.inputs.len()];
    if counts.iter().any(|count| *count >= usize::from(SEVERAL)) {
        return Err(HeaderOverflow {
            what: HeaderLimit::Names,
            line: None,
        });
    }
    let mut schedule = PeriodicSchedule::new(passages, rig);
    let mut tables = Tables::default();
    let mut line = None;
    let mut gather = || {
        while let Some(part) = schedule.next_part() {
            match part {
                SchedulePart::Run(ScheduleRun::Steps {
                    axis, ticks, of, ..
                }) => {
                    line = Some(of.planned.line);
                    tables.steps(axis, ticks, of.number)?;
                }
                SchedulePart::Run(ScheduleRun::Event(event)) => tables.event(&event)?,
                SchedulePart::Begins => tables.begins()?,
                SchedulePart::Ends(repeated) => {
                    if tables.ends(repeated)? {
                        schedule.leap();
                    }
                }
            }
        }
        tables.finish(schedule.end_tick())
    };
    match gather() {
        Ok(()) => Ok(HeaderContents {
            facts: schedule.facts().clone(),
            end_tick: schedule.end_tick(),
            tables,
        }),
        Err(what) => Err(HeaderOverflow { what, line }),
    }
}

/// Why a header cannot hold a program; none where it can.
pub(crate) fn overflow(rig: &Rig, passages: &mut dyn Passages) -> Option<HeaderOverflow> {
    held(rig, passages).err()
}

/// What of a program is more than the tables hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub(crate) enum HeaderLimit {
    #[error("the rig has more than 254 axes, outputs or inputs")]
    Names,
    #[error("the program takes more than {MOST_ACTIONS} actions")]
    Actions,
    #[error("the program takes more than {MOST_INTERVALS} different intervals")]
    Intervals,
    #[error("a timeout is longer than 2^32 ticks")]
    Timeout,
    #[error("a header has no action for `seek` and `zero`: use the format `firmware`")]
    Seek,
}

/// Why a header cannot hold a program.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
#[error("{what}{}", line.map_or_else(String::new, |line| format!(", reached in line {line}")))]
pub(crate) struct HeaderOverflow {
    what: HeaderLimit,
    /// The line of the last move before it, if there is one.
    pub(crate) line: Option<usize>,
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
    /// Where the open periods begin: in the actions, and on which tick the wait before counts.
    periods: Vec<(usize, u64)>,
    /// Actions that are repeated as they stand, each with its repeats.
    repeated: Vec<Range<usize>>,
    /// From which action on it repeats without end.
    endless: Option<usize>,
}

impl Tables {
    fn steps(&mut self, axis: usize, ticks: &[u64], of_move: u64) -> Result<(), HeaderLimit> {
        if of_move != self.of_move {
            self.close()?;
            self.of_move = of_move;
        }
        // The number of axes was checked at the start.
        self.parts.add(axis as u8, ticks)
    }

    fn event(&mut self, event: &Event) -> Result<(), HeaderLimit> {
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
                let ticks = ticks.map_err(|_| HeaderLimit::Timeout)?;
                let kind = match until {
                    Until::Active => HeaderActionKind::Await,
                    Until::Released => HeaderActionKind::AwaitReleased,
                    Until::Pressed => HeaderActionKind::AwaitPressed,
                };
                (kind, *input, ticks)
            }
            EventKind::Seek { .. } | EventKind::Sought { .. } | EventKind::Zero { .. } => {
                return Err(HeaderLimit::Seek);
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

    /// A period begins.
    fn begins(&mut self) -> Result<(), HeaderLimit> {
        self.close()?;
        self.periods.push((self.actions.len(), self.tick));
        Ok(())
    }

    /// A period ends; whether what comes again is told by a repeat. It is where the actions
    /// are few, as repeats do not nest.
    fn ends(&mut self, repeated: Repeated) -> Result<bool, HeaderLimit> {
        self.close()?;
        // Periods are told of in pairs.
        let Some((begin, tick)) = self.periods.pop() else {
            return Ok(false);
        };
        if repeated.times == WITHOUT_END {
            // Its waits were counted from the last event of the pass before.
            self.endless = Some(begin);
            return Ok(true);
        }
        let body = self.actions[begin..].to_vec();
        let is_nested = self.repeated.last().is_some_and(|inner| inner.end > begin);
        let Some(ticks) = repeated.span.whole_ticks() else {
            // Each repetition is rounded to ticks in another way.
            return Ok(false);
        };
        let in_step = self.tick.checked_sub(tick) == Some(ticks);
        if repeated.times == 0 || body.is_empty() || body.len() > LONGEST || is_nested || !in_step {
            return Ok(false);
        }
        let mut left = repeated.times;
        loop {
            let times = left.min(u64::from(u32::MAX));
            // Fewer than a u8 and a u32 hold.
            self.put(HeaderActionKind::Repeat, body.len() as u8, times as u32, 0)?;
            left -= times;
            let Some(more) = left.checked_sub(1) else {
                break;
            };
            left = more;
            for action in &body {
                self.put(action.kind, action.which, action.value, action.wait)?;
            }
            if left == 0 {
                break;
            }
        }
        self.repeated.push(begin..self.actions.len());
        self.tick += ticks * repeated.times;
        Ok(true)
    }

    /// Ends the open part and plays it.
    fn close(&mut self) -> Result<(), HeaderLimit> {
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
    ) -> Result<(), HeaderLimit> {
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
    ) -> Result<(), HeaderLimit> {
        if self.actions.len() == MOST_ACTIONS {
            return Err(HeaderLimit::Actions);
        }
        self.actions.push(HeaderAction {
            kind,
            which,
            value,
            wait,
        });
        Ok(())
    }

    /// Ends the program on a tick, or has it go on without end.
    fn finish(&mut self, end: u64) -> Result<(), HeaderLimit> {
        self.close()?;
        let repeated = std::mem::take(&mut self.repeated);
        let Some(begin) = self.endless else {
            // A table has at least one entry, be it an empty wait.
            if end > self.tick || self.actions.is_empty() {
                self.push(end, HeaderActionKind::Wait, 0, 0)?;
            }
            self.actions = self.folded(0..self.actions.len(), &repeated);
            return Ok(());
        };
        let mut folded = self.folded(0..begin, &repeated);
        let again = folded.len();
        folded.extend(self.folded(begin..self.actions.len(), &repeated));
        self.actions = folded;
        // There are fewer than MOST_ACTIONS.
        self.put(HeaderActionKind::Forever, 0, again as u32, 0)
    }

    /// A range of the actions, with what repeats once.
    fn folded(&self, range: Range<usize>, repeated: &[Range<usize>]) -> Vec<HeaderAction> {
        let (mut folded, mut done) = (Vec::new(), range.start);
        let inside = |one: &&Range<usize>| range.start <= one.start && one.end <= range.end;
        for Range { start, end } in repeated.iter().filter(inside) {
            folded.extend(fold::fold(&self.actions[done..*start]));
            folded.extend_from_slice(&self.actions[*start..*end]);
            done = *end;
        }
        folded.extend(fold::fold(&self.actions[done..range.end]));
        folded
    }
}
