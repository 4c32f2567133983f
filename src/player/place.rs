//! Where in a script an event comes from.
//!
//! Packing moves steps by up to a tick, but not the order of the events of one stream. So an
//! event is known by its stream and its number there, and found again in the schedule. What
//! repeats and is left out is not counted, neither here nor there.

use crate::plan::{Item, OnTheWay, Passage, Passages};
use crate::rig::Rig;
use crate::schedule::periodic::{PeriodicSchedule, SchedulePart};
use crate::schedule::{EventKind, ScheduleRun};

/// A place in a program.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum ProgramPlace {
    /// None in particular.
    Nowhere,
    /// A move, by its number.
    Move(u64),
    /// An event: of which stream (an axis; behind them, everything else), and its number
    /// there, from 1.
    Event { stream: usize, number: u64 },
}

/// Counts the events of each stream.
pub(super) struct StreamCounts(Vec<u64>);

impl StreamCounts {
    pub(super) fn new(axes: usize) -> Self {
        Self(vec![0; axes + 1])
    }

    /// The place of the next event.
    pub(super) fn pass(&mut self, what: &EventKind) -> ProgramPlace {
        let stream = match what {
            EventKind::Step { axis, .. } | EventKind::Direction { axis, .. } => *axis,
            EventKind::Output { .. }
            | EventKind::Await { .. }
            | EventKind::Seek { .. }
            | EventKind::Sought { .. }
            | EventKind::Zero { .. }
            | EventKind::Mark(_) => self.0.len() - 1,
        };
        self.0[stream] += 1;
        ProgramPlace::Event {
            stream,
            number: self.0[stream],
        }
    }
}

/// A program that knows from where in the script its items come.
pub(crate) trait Lined: Passages {
    /// The line of the item that was given last.
    fn line_of(&self, item: &Item) -> usize;
}

impl ProgramPlace {
    /// The line of the script, and whether it is passed on the way of a move.
    pub(super) fn locate(self, rig: &Rig, program: impl Lined) -> Option<(usize, bool)> {
        let mut noted = Noted {
            program,
            line: None,
            index: None,
            on_the_way: Vec::new(),
        };
        match self {
            Self::Nowhere => None,
            Self::Move(index) => {
                while noted.index.is_none_or(|found| found < index) {
                    if let Passage::Ends { more: 1.. } = noted.next_passage()? {
                        noted.leap();
                    }
                }
                Some((noted.line?, false))
            }
            Self::Event { stream, number } => {
                let mut schedule = PeriodicSchedule::in_short(noted, rig);
                let mut counts = vec![0; rig.axes.len() + 1];
                loop {
                    let run = match schedule.next_part()? {
                        SchedulePart::Run(run) => run,
                        SchedulePart::Begins => continue,
                        SchedulePart::Ends(_) => {
                            schedule.leap();
                            continue;
                        }
                    };
                    let (of, count, what) = match run {
                        ScheduleRun::Steps { axis, ticks, .. } => (axis, ticks.len() as u64, None),
                        ScheduleRun::Event(event) => match event.what {
                            EventKind::Direction { axis, .. } => (axis, 1, None),
                            what => (rig.axes.len(), 1, Some(what)),
                        },
                    };
                    let noted = schedule.passages_mut();
                    let passed = what.and_then(|what| noted.passed(&what));
                    counts[of] += count;
                    if of == stream && counts[of] >= number {
                        return Some((passed.or(noted.line)?, passed.is_some()));
                    }
                }
            }
        }
    }
}

/// A program on its way into the schedule, with the line of its last item, and what happens
/// on the way of it and has not happened yet.
struct Noted<P> {
    program: P,
    line: Option<usize>,
    /// Number of its last move.
    index: Option<u64>,
    on_the_way: Vec<OnTheWay>,
}

impl<P> Noted<P> {
    /// The line of what happens on the way of a move; none where it stands between moves.
    fn passed(&mut self, what: &EventKind) -> Option<usize> {
        let is_it = |due: &OnTheWay| match (&due.item, what) {
            (
                Item::Output { output, on },
                EventKind::Output {
                    output: other,
                    on: other_on,
                },
            ) => (output, on) == (other, other_on),
            (Item::Mark(text), EventKind::Mark(other)) => text == other,
            _ => false,
        };
        let at = self.on_the_way.iter().position(is_it)?;
        Some(self.on_the_way.remove(at).line)
    }
}

impl<P: Lined> Passages for Noted<P> {
    fn next_passage(&mut self) -> Option<Passage> {
        let passage = self.program.next_passage()?;
        if let Passage::Item(item) = &passage {
            self.line = Some(self.program.line_of(item));
            self.on_the_way.clear();
            if let Item::Move(planned) = item {
                self.index = Some(planned.index);
                self.on_the_way.clone_from(&planned.on_the_way);
                self.on_the_way.sort_by_key(|due| due.step);
            }
        }
        Some(passage)
    }

    fn leap(&mut self) {
        self.program.leap();
    }
}
