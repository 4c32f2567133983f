//! What the player can play, and why not. `check`, `emit` and `stream` all ask here.
//!
//! A program is judged on one board from one source. From memory the packed schedule is
//! followed event by event, as the board decodes it; from a line the schedule itself, which
//! is sent. What no event is to blame for (pins, memory) has no line.

use thiserror::Error;

use super::board::{Board, OtherBoard};
use super::budget::{
    LONGEST_TABLE, MOST_MARKS, SEEK_BYTES, SELECT_BYTES, USER_BYTES, line_step_rate,
};
use super::coils::Unswitched;
use super::counted::{Counted, Rated};
use super::options::{Lines, PlayerOptions, ScheduleSource};
use super::pace::{EventPace, TooClose};
use super::place::{Lined, ProgramPlace, StreamCounts};
use super::shortcoming::{Lack, Shortcoming, Unwired};
use super::wiring::Wiring;
use crate::emit::Heading;
use crate::emit::binary::{Layout, lay_out};
use crate::plan::Passages;
use crate::rig::Rig;
use crate::schedule::Event;
use crate::schedule::pack::{PackError, Packed, pack};
use crate::schedule::periodic::PeriodicSchedule;
use crate::units::{Frequency, Rounded, Time};

/// The furthest that an axis may be from its start (microsteps): positions have 32 bits.
pub(super) const MOST_STEPS: u64 = i32::MAX as u64;

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
        /// The requested rate.
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
    /// More programs than the inputs tell apart.
    #[error(
        "{programs} programs need {needed} selecting inputs; the rig's `select` names {inputs}"
    )]
    Selection {
        /// How many programs.
        programs: usize,
        /// How many inputs tell them apart.
        needed: usize,
        /// How many there are.
        inputs: usize,
    },
    /// A program that seeks or sets a position, over a line.
    #[error(
        "`seek` and `zero` end at a step that only the board knows; a line carries steps that are known ahead"
    )]
    SeekOnLine,
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
            Self::SeekOnLine => "seek-on-line",
            Self::Selection { .. } => "player-selection",
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
            Self::SeekOnLine | Self::Selection { .. } => true,
            Self::Unwired(_) => self.is_about_flash(),
            Self::CoilsElsewhere(_) | Self::Unswitched(_) | Self::Baud { .. } | Self::Axes => false,
        }
    }

    /// Whether it is about a line alone: who plays a program that seeks means none.
    pub const fn is_of_a_line(&self) -> bool {
        matches!(self, Self::SeekOnLine)
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
            Self::Pack(PackError::TooNested) => {
                "write the innermost loops out, or use fewer passes".to_owned()
            }
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
            Self::Selection { .. } => {
                "name more inputs as `controller: { select: [NAME, …] }` in the rig, or write fewer programs"
                    .to_owned()
            }
            Self::SeekOnLine => "play it from the board's memory".to_owned(),
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
        Lack::Bridges { .. } | Lack::Converters { .. } | Lack::Pwm { .. } => false,
        Lack::Pins | Lack::Interrupt => false,
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
    pub(super) fn new(reason: impl Into<Unplayable>, place: ProgramPlace) -> Self {
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
    pub(crate) fn located(self, rig: &Rig, passages: impl Lined) -> Self {
        match self.place.locate(rig, passages) {
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
pub(crate) fn judge(rig: &Rig, options: PlayerOptions, passages: impl Passages) -> Vec<Refusal> {
    match Board::of(rig, options) {
        Err(reason) => vec![reason.into()],
        Ok(mut board) => match options.source {
            ScheduleSource::Memory => {
                let heading = Heading {
                    program: "",
                    rig,
                    failure: None,
                };
                let mut passages = passages;
                let loaded = board.load(&mut [(heading, &mut passages)]);
                loaded
                    .err()
                    .map(|(_, refusal)| refusal)
                    .into_iter()
                    .collect()
            }
            ScheduleSource::Line { .. } => board.follow(passages),
        },
    }
}

/// Several programs in one table: a head for each, of numbers of 16 bits, lowest byte first, then
/// the programs. A head says where its program begins, how long it is, and where in the table its
/// ramps, its motions and its streams begin.
fn side_by_side(layouts: &[Layout]) -> Layout {
    let head = |layout: &Layout| 2 * (4 + layout.streams.len());
    let mut start: usize = layouts.iter().map(head).sum();
    let mut bytes = Vec::new();
    for layout in layouts {
        let own = [start, layout.bytes.len()];
        let parts = [layout.ramps, layout.motions];
        let parts = parts
            .iter()
            .chain(&layout.streams)
            .map(|place| start + place);
        // A table too long for these numbers is refused by its length.
        bytes.extend(
            own.into_iter()
                .chain(parts)
                .flat_map(|place| (place as u16).to_le_bytes()),
        );
        start += layout.bytes.len();
    }
    for layout in layouts {
        bytes.extend(&layout.bytes);
    }
    Layout {
        bytes,
        ..Layout::default()
    }
}

/// The packed schedules as a project holds them.
#[derive(Default)]
pub(super) struct Table {
    pub(super) layout: Layout,
    /// Steps of the programs, of all axes; none where one is without end.
    pub(super) steps: Option<u64>,
    /// Whether one seeks an input or sets a position.
    pub(super) seeks: bool,
    /// The texts of the marks of each program.
    pub(super) marks: Vec<Vec<String>>,
}

impl Board<'_> {
    /// Packs programs for the memory of the board, which becomes one that holds them and plays
    /// the one that is selected at the start.
    ///
    /// # Errors
    /// They do not fit, or the player does not keep up with one; the number of the program.
    pub(super) fn load(
        &mut self,
        programs: &mut [(Heading<'_>, &mut dyn Passages)],
    ) -> Result<Table, (usize, Refusal)> {
        let (selecting, count) = (self.rig.controller.select.len(), programs.len());
        if count > 1 << selecting {
            let needed = count.next_power_of_two().trailing_zeros() as usize;
            let reason = Unplayable::Selection {
                programs: count,
                needed,
                inputs: selecting,
            };
            return Err((0, reason.into()));
        }
        let mut table = Table {
            steps: Some(0),
            ..Table::default()
        };
        let mut all = Vec::new();
        let mut layouts = Vec::new();
        for (number, (heading, passages)) in programs.iter_mut().enumerate() {
            let remark = heading.failure.unwrap_or_default();
            let (packed, layout, steps) = self
                .packed(remark, *passages)
                .map_err(|one| (number, one))?;
            let both = table.steps.zip(steps);
            table.steps = both.map(|(all, own)| all.saturating_add(own));
            table.seeks |= packed.seeks();
            table.marks.push(packed.marks().to_vec());
            layouts.push(layout);
            all.push(packed);
        }
        table.layout = match <[Layout; 1]>::try_from(layouts) {
            Ok([layout]) => layout,
            Err(layouts) => side_by_side(&layouts),
        };
        let bytes = table.layout.bytes.len();
        let last = count.saturating_sub(1);
        if bytes > LONGEST_TABLE {
            return Err((last, Unplayable::Table { bytes }.into()));
        }
        let extra = [
            (self.options.user_code, USER_BYTES),
            (table.seeks, SEEK_BYTES),
            (count > 1, SELECT_BYTES),
        ];
        let extra: usize = extra
            .iter()
            .filter(|(is, _)| *is)
            .map(|(_, bytes)| bytes)
            .sum();
        self.wire(bytes + extra).map_err(|one| (last, one.into()))?;
        for (number, packed) in all.iter().enumerate() {
            self.keep_up(packed.events_in_short())
                .map_err(|one| (number, self.tried(one, packed)))?;
        }
        Ok(table)
    }

    /// A program packed and laid out, with the number of its steps, where it ends.
    fn packed(
        &self,
        remark: &str,
        passages: &mut dyn Passages,
    ) -> Result<(Packed, Layout, Option<u64>), Refusal> {
        let mut counted = Counted::new(passages, self.rig, self.options);
        let packed = pack(&mut counted as &mut dyn Passages, self.rig);
        let steps = counted.steps;
        if let Some(refusal) = counted.exceeded {
            return Err(refusal);
        }
        let packed = packed.map_err(Unplayable::from)?;
        let layout = lay_out(&packed, self.rig, remark).map_err(|_| Unplayable::Axes)?;
        let marks = packed.marks().len();
        if marks > MOST_MARKS {
            return Err(Unplayable::Marks { marks }.into());
        }
        let steps = (!packed.is_endless()).then_some(steps);
        Ok((packed, layout, steps))
    }

    /// Whether the board keeps up with a program that comes over a line.
    fn follow(&self, passages: impl Passages) -> Vec<Refusal> {
        let mut counted = Counted::new(passages, self.rig, self.options);
        if self.wiring.is_err() {
            counted.go_through();
            return counted.exceeded.into_iter().collect();
        }
        let rated = Rated {
            passages: &mut counted as &mut dyn Passages,
            rig: self.rig,
            most: line_step_rate(self.rig, self.options.lines),
            exceeded: None,
        };
        let mut schedule = PeriodicSchedule::in_short(rated, self.rig);
        let kept_up = self.keep_up(std::iter::from_fn(|| schedule.next_event()));
        // What comes behind the refusal still counts for the rate.
        let rated = schedule.passages_mut();
        rated.go_through();
        let too_fast = rated.exceeded.take();
        drop(schedule);
        let refusals = too_fast.into_iter().chain(kept_up.err());
        refusals.chain(counted.exceeded).collect()
    }

    /// Follows the events of a program.
    fn keep_up(&self, events: impl Iterator<Item = Event>) -> Result<(), Refusal> {
        match &self.wiring {
            Ok(wiring) => keeps_up(self.rig, self.options.lines, wiring, events),
            Err(_) => Ok(()),
        }
    }

    /// A refusal without the shorter dead time of its cure, where the player would not keep up
    /// with that either.
    fn tried(&self, mut refusal: Refusal, packed: &Packed) -> Refusal {
        if let (Unplayable::TooClose(TooClose::Events { dead_time, .. }), Ok(wiring)) =
            (&mut refusal.reason, &self.wiring)
            && let Some(enough) = *dead_time
        {
            let mut rig = self.rig.clone();
            for axis in &mut rig.axes {
                let own = &mut axis.drive.lines.dead_time;
                *own = Time::new(own.si().min(enough.si()));
            }
            let events = packed.events_in_short();
            if keeps_up(&rig, self.options.lines, wiring, events).is_err() {
                *dead_time = None;
            }
        }
        refusal
    }
}

/// Follows the events of a program on one of our parts.
fn keeps_up(
    rig: &Rig,
    lines: Lines,
    wiring: &Wiring,
    mut events: impl Iterator<Item = Event>,
) -> Result<(), Refusal> {
    let mut pace = EventPace::new(rig, lines, wiring);
    let mut counts = StreamCounts::new(rig.axes.len());
    let mut last = ProgramPlace::Nowhere;
    while let Some(event) = events.next() {
        let place = counts.pass(&event.what);
        if let Err(close) = pace.pass(&event) {
            return Err(Refusal::new(pace.mended(close, events), place));
        }
        last = place;
    }
    pace.finish().map_err(|close| Refusal::new(close, last))
}
