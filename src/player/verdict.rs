//! What the player can play, and why not. `check`, `emit` and `stream` all ask here.
//!
//! A program is judged on one board from one source. From memory the packed schedule is
//! followed event by event, as the board decodes it; from a line the schedule itself, which
//! is sent. What no event is to blame for (pins, memory) has no line.

use thiserror::Error;

use super::board::{Board, OtherBoard};
use super::budget::{LONGEST_TABLE, MOST_MARKS, line_step_rate};
use super::coils::Unswitched;
use super::options::{PlayerOptions, ScheduleSource};
use super::pace::{EventPace, TooClose};
use super::place::{ProgramPlace, StreamCounts};
use super::wiring::{Lack, Shortcoming, Unwired};
use crate::emit::binary::{Layout, lay_out};
use crate::plan::Item;
use crate::rig::Rig;
use crate::schedule::pack::{PackError, pack};
use crate::schedule::{Event, EventKind, Schedule, timer};
use crate::units::{Frequency, Rounded};

/// Why the player cannot play a program, or cannot be written for a rig.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum Unplayable {
    /// No part fits the rig.
    #[error("no part that the player supports fits the rig: {0}")]
    Unwired(Unwired),
    /// Coils on a board that is none of ours.
    #[error("the player switches coils only on boards that it supports, and here {0}")]
    CoilsElsewhere(OtherBoard),
    /// Coils that it cannot switch.
    #[error(transparent)]
    Unswitched(#[from] Unswitched),
    /// A rate that the serial port does not make.
    #[error("with a clock of {clock} its serial port makes {made} bit/s, not {baud}")]
    Baud {
        /// The clock.
        clock: Frequency,
        /// The nearest rate that it makes.
        made: u32,
        /// The rate that was asked for.
        baud: u32,
        /// A common rate that it makes.
        fits: Option<u32>,
    },
    /// A program that cannot be packed.
    #[error(transparent)]
    Pack(#[from] PackError),
    /// More than 255 axes.
    #[error("the rig has more than 255 axes")]
    Axes,
    /// A table too long for one object of the compiler.
    #[error("packed schedule is {bytes} bytes; the limit is {LONGEST_TABLE}")]
    Table {
        /// Bytes of the table.
        bytes: usize,
    },
    /// Too many texts.
    #[error("the program has {marks} distinct marks; the player's limit is {MOST_MARKS}")]
    Marks {
        /// How many it has.
        marks: usize,
    },
    /// Events too close together.
    #[error(transparent)]
    TooClose(#[from] TooClose),
    /// A position that the player cannot count.
    #[error("`{axis}` goes {steps} microsteps from its start; the player counts {MOST_STEPS}")]
    Position {
        /// The axis.
        axis: String,
        /// How far from its start it goes.
        steps: u64,
    },
    /// More steps than a line carries.
    #[error(
        "the program needs up to {} microsteps/s over all axes; this board decodes {} from the line",
        Rounded(*rate),
        Rounded(*most)
    )]
    StepRate {
        /// What it asks for.
        rate: f64,
        /// What the board decodes.
        most: f64,
    },
}

impl Unplayable {
    /// The code of the finding that tells of it.
    pub const fn code(&self) -> &'static str {
        match self {
            Self::TooClose(TooClose::Changes { .. }) => "output-below-player",
            Self::TooClose(_) => "events-below-player",
            Self::StepRate { .. } => "line-below-player",
            Self::Position { .. } => "player-position",
            Self::Unwired(Unwired::Parts(_)) if self.is_about_flash() => "player-memory",
            Self::Unwired(_) | Self::CoilsElsewhere(_) | Self::Baud { .. } => "player-board",
            Self::Unswitched(_) => "player-coils",
            Self::Pack(_) | Self::Axes | Self::Table { .. } | Self::Marks { .. } => "player-memory",
        }
    }

    /// Whether the program is to blame, whatever the board.
    pub const fn is_of_the_program(&self) -> bool {
        match self {
            Self::Pack(_) | Self::Table { .. } | Self::Marks { .. } => true,
            Self::TooClose(_) | Self::StepRate { .. } | Self::Position { .. } => true,
            Self::Unwired(_) => self.is_about_flash(),
            Self::CoilsElsewhere(_) | Self::Unswitched(_) | Self::Baud { .. } | Self::Axes => false,
        }
    }

    /// Whether a part would fit but for its flash.
    const fn is_about_flash(&self) -> bool {
        let Self::Unwired(Unwired::Parts(parts)) = self else {
            return false;
        };
        let mut parts = parts.as_slice();
        while let Some((Shortcoming { lack, .. }, rest)) = parts.split_first() {
            if matches!(lack, Lack::Flash { .. }) {
                return true;
            }
            parts = rest;
        }
        false
    }

    /// What would cure it, at a place on the way of a move or between moves.
    fn cure(&self, on_the_way: bool) -> String {
        const SHORTER: &str = "stream the program over a line, or make it shorter";
        match self {
            Self::Unwired(Unwired::NoSuchPart { .. }) => {
                "name one of them as `controller`, or none".to_owned()
            }
            Self::Unwired(Unwired::ForeignPins(_)) => "name pins that a part has".to_owned(),
            Self::Unwired(Unwired::Parts(_)) if self.is_about_flash() => SHORTER.to_owned(),
            Self::Unwired(Unwired::Parts(parts)) if is_about_the_part(parts) => {
                "name a larger part as `controller`, or none".to_owned()
            }
            Self::Unwired(Unwired::Parts(_)) => {
                "leave `pin` out to let the player choose a free one".to_owned()
            }
            Self::CoilsElsewhere(_) => "use step and direction lines".to_owned(),
            Self::Unswitched(reason) => reason.cure().to_owned(),
            Self::Baud {
                fits: Some(baud), ..
            } => format!("use {baud} bit/s"),
            Self::Baud { fits: None, .. } => "use a faster clock".to_owned(),
            Self::Pack(PackError::TooSlow { .. }) => "use a larger prescaler".to_owned(),
            Self::Pack(PackError::TooManySteps { .. }) => {
                "make several moves of the one, or stream the program over a line".to_owned()
            }
            Self::Pack(
                PackError::TooManyMotions
                | PackError::TooManyMarks
                | PackError::TooManyPins
                | PackError::Inconsistent { .. },
            )
            | Self::Table { .. } => SHORTER.to_owned(),
            Self::Axes => "use several boards".to_owned(),
            Self::Marks { .. } => "use fewer marks, or the same text again".to_owned(),
            Self::TooClose(close) => close.cure(on_the_way),
            Self::Position { axis, .. } => {
                format!("turn `{axis}` back in between, use fewer microsteps, or split the program")
            }
            Self::StepRate { .. } => {
                "lower the speeds, or play it from the board's memory".to_owned()
            }
        }
    }
}

/// Whether it is the part itself that does, not its pins.
fn is_about_the_part(parts: &[Shortcoming]) -> bool {
    parts.iter().all(|one| match one.lack {
        Lack::Clock { .. } | Lack::Ram { .. } | Lack::Axes { .. } => true,
        Lack::Bridges { .. } | Lack::Converters { .. } | Lack::Pins | Lack::Interrupt => false,
        Lack::NoSuchPin { .. } | Lack::Taken { .. } | Lack::Flash { .. } => false,
    })
}

/// A program that the player refuses: where, why, and what would cure it.
#[derive(Debug, Clone, PartialEq, Error)]
#[error("{}{reason}: {}", at_line(*line), self.cure())]
pub struct Refusal {
    /// Why.
    pub reason: Unplayable,
    /// Line of the script, from 1, where one is to blame.
    pub line: Option<usize>,
    on_the_way: bool,
    place: ProgramPlace,
}

fn at_line(line: Option<usize>) -> String {
    line.map_or_else(String::new, |line| format!("line {line}: "))
}

impl Refusal {
    fn new(reason: impl Into<Unplayable>, place: ProgramPlace) -> Self {
        Self {
            reason: reason.into(),
            line: None,
            on_the_way: false,
            place,
        }
    }

    /// What would cure it.
    pub fn cure(&self) -> String {
        self.reason.cure(self.on_the_way)
    }

    /// With its line, from the items of the program that was refused, each with the line
    /// it comes from.
    #[must_use]
    pub(crate) fn located(self, rig: &Rig, items: impl Iterator<Item = (usize, Item)>) -> Self {
        match self.place.locate(rig, items) {
            Some((line, on_the_way)) => Self {
                line: Some(line),
                on_the_way,
                ..self
            },
            None => self,
        }
    }
}

impl From<Unplayable> for Refusal {
    fn from(reason: Unplayable) -> Self {
        let place = match reason {
            Unplayable::Pack(
                PackError::TooSlow { index }
                | PackError::TooManySteps { index, .. }
                | PackError::Inconsistent { index },
            ) => ProgramPlace::Move(index),
            _ => ProgramPlace::Nowhere,
        };
        Self::new(reason, place)
    }
}

/// Why the player refuses a program; empty where it plays it.
pub(crate) fn judge(
    rig: &Rig,
    options: PlayerOptions,
    items: impl Iterator<Item = Item>,
) -> Vec<Refusal> {
    match Board::of(rig, options) {
        Err(reason) => vec![reason.into()],
        Ok(mut board) => match options.source {
            ScheduleSource::Memory => board.load("", items).err().into_iter().collect(),
            ScheduleSource::Line { .. } => board.follow(items),
        },
    }
}

/// A packed schedule as a project holds it.
pub(super) struct Table {
    pub(super) layout: Layout,
    /// Steps of the program, of all axes.
    pub(super) steps: u64,
}

impl Board<'_> {
    /// Packs a program for the memory of the board, which becomes one that holds it.
    ///
    /// # Errors
    /// It does not fit, or the player does not keep up with it.
    pub(super) fn load(
        &mut self,
        remark: &str,
        items: impl Iterator<Item = Item>,
    ) -> Result<Table, Refusal> {
        let mut counted = Counted::new(items, self.rig);
        let packed = pack(&mut counted, self.rig);
        if let Some(refusal) = counted.exceeded {
            return Err(refusal);
        }
        let packed = packed.map_err(Unplayable::from)?;
        let layout = lay_out(&packed, self.rig, remark).map_err(|_| Unplayable::Axes)?;
        let bytes = layout.bytes.len();
        if bytes > LONGEST_TABLE {
            return Err(Unplayable::Table { bytes }.into());
        }
        let marks = packed.marks().len();
        if marks > MOST_MARKS {
            return Err(Unplayable::Marks { marks }.into());
        }
        self.wire(bytes)?;
        let steps = self.keep_up(packed.events())?;
        Ok(Table { layout, steps })
    }

    /// Whether the board keeps up with a program that comes over a line.
    fn follow(&self, items: impl Iterator<Item = Item>) -> Vec<Refusal> {
        let mut counted = Counted::new(items, self.rig);
        if self.wiring.is_err() {
            counted.by_ref().for_each(drop);
            return counted.exceeded.into_iter().collect();
        }
        let rated = Rated {
            items: &mut counted,
            rig: self.rig,
            most: line_step_rate(self.rig, self.options.lines),
            exceeded: None,
        };
        let mut schedule = Schedule::new(rated, self.rig);
        let kept_up = self.keep_up(&mut schedule);
        // What comes behind the refusal still counts for the rate.
        let rated = schedule.items_mut();
        rated.by_ref().for_each(drop);
        let too_fast = rated.exceeded.take();
        drop(schedule);
        let refusals = too_fast.into_iter().chain(kept_up.err());
        refusals.chain(counted.exceeded).collect()
    }

    /// Follows the events of a program; how many of them are steps.
    fn keep_up(&self, events: impl Iterator<Item = Event>) -> Result<u64, Refusal> {
        let mut pace = match &self.wiring {
            Ok(wiring) => Some(EventPace::new(self.rig, self.options.lines, wiring)),
            Err(_) => None,
        };
        let mut counts = StreamCounts::new(self.rig.axes.len());
        let (mut steps, mut last) = (0, ProgramPlace::Nowhere);
        for event in events {
            steps += u64::from(matches!(event.what, EventKind::Step { .. }));
            let place = counts.pass(&event.what);
            if let Some(pace) = &mut pace {
                pace.pass(&event)
                    .map_err(|close| Refusal::new(close, place))?;
            }
            last = place;
        }
        if let Some(pace) = &mut pace {
            pace.finish().map_err(|close| Refusal::new(close, last))?;
        }
        Ok(steps)
    }
}

/// The furthest that an axis may be from its start (microsteps): positions have 32 bits.
const MOST_STEPS: u64 = i32::MAX as u64;

/// Items on their way, until one of them takes an axis out of the player's count.
struct Counted<'a, I> {
    items: I,
    rig: &'a Rig,
    /// Where each axis is, since its start (microsteps).
    positions: Vec<i64>,
    exceeded: Option<Refusal>,
}

impl<'a, I: Iterator<Item = Item>> Counted<'a, I> {
    fn new(items: I, rig: &'a Rig) -> Self {
        Self {
            items,
            rig,
            positions: vec![0; rig.axes.len()],
            exceeded: None,
        }
    }
}

impl<I: Iterator<Item = Item>> Iterator for Counted<'_, I> {
    type Item = Item;

    fn next(&mut self) -> Option<Item> {
        if self.exceeded.is_some() {
            return None;
        }
        let item = self.items.next()?;
        if let Item::Move(planned) = &item {
            for moving in &planned.motion.axes {
                let position = &mut self.positions[moving.axis];
                let way = i64::try_from(moving.steps).unwrap_or(i64::MAX);
                *position = position.saturating_add(way * moving.direction.sign());
                if position.unsigned_abs() > MOST_STEPS {
                    let reason = Unplayable::Position {
                        axis: self.rig.axes[moving.axis].name.clone(),
                        steps: position.unsigned_abs(),
                    };
                    self.exceeded = Some(Refusal::new(reason, ProgramPlace::Move(planned.index)));
                    return None;
                }
            }
        }
        Some(item)
    }
}

/// Items on their way, with a look at the step rate of each move.
struct Rated<'a, I> {
    items: I,
    rig: &'a Rig,
    /// What the board decodes (microsteps/s, all axes together).
    most: f64,
    /// The highest rate that is more.
    exceeded: Option<Refusal>,
}

impl<I: Iterator<Item = Item>> Iterator for Rated<'_, I> {
    type Item = Item;

    fn next(&mut self) -> Option<Item> {
        let item = self.items.next()?;
        if let Item::Move(planned) = &item
            // What the timer cannot play at all is for the check to say.
            && let Ok(facts) = timer::verdict(&planned.motion, self.rig)
        {
            let rates = facts
                .axes
                .iter()
                .map(|axis| self.rig.timer.tick_rate() / axis.shortest_interval.max(1) as f64);
            let rate: f64 = rates.sum();
            let highest = match &self.exceeded {
                Some(Refusal {
                    reason: Unplayable::StepRate { rate, .. },
                    ..
                }) => *rate,
                _ => self.most,
            };
            if rate > highest {
                let most = self.most;
                self.exceeded = Some(Refusal::new(
                    Unplayable::StepRate { rate, most },
                    ProgramPlace::Move(planned.index),
                ));
            }
        }
        Some(item)
    }
}
