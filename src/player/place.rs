//! Where in a script an event comes from.
//!
//! Packing moves steps by up to a tick, but not the order of the events of one stream. So an
//! event is known by its stream and its number there, and found again in the schedule.

use crate::plan::{Item, OnTheWay};
use crate::rig::Rig;
use crate::schedule::{EventKind, Schedule, ScheduleRun};

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
            EventKind::Output { .. } | EventKind::Await { .. } | EventKind::Mark(_) => {
                self.0.len() - 1
            }
        };
        self.0[stream] += 1;
        ProgramPlace::Event {
            stream,
            number: self.0[stream],
        }
    }
}

impl ProgramPlace {
    /// The line of the script, and whether it is passed on the way of a move.
    pub(super) fn locate(
        self,
        rig: &Rig,
        mut items: impl Iterator<Item = (usize, Item)>,
    ) -> Option<(usize, bool)> {
        match self {
            Self::Nowhere => None,
            Self::Move(index) => items.find_map(|(line, item)| match item {
                Item::Move(planned) if planned.index == index => Some((line, false)),
                _ => None,
            }),
            Self::Event { stream, number } => {
                let noted = Noted {
                    items,
                    line: 0,
                    on_the_way: Vec::new(),
                };
                let mut schedule = Schedule::new(noted, rig);
                let mut counts = vec![0; rig.axes.len() + 1];
                loop {
                    let (of, count, what) = match schedule.next_run()? {
                        ScheduleRun::Steps { axis, ticks, .. } => (axis, ticks.len() as u64, None),
                        ScheduleRun::Event(event) => match event.what {
                            EventKind::Direction { axis, .. } => (axis, 1, None),
                            what => (rig.axes.len(), 1, Some(what)),
                        },
                    };
                    let noted = schedule.items_mut();
                    let passed = what.and_then(|what| noted.passed(&what));
                    counts[of] += count;
                    if of == stream && counts[of] >= number {
                        return Some((passed.unwrap_or(noted.line), passed.is_some()));
                    }
                }
            }
        }
    }
}

/// Items on their way into the schedule, with the line of the last one, and what happens on
/// the way of it and has not happened yet.
struct Noted<I> {
    items: I,
    line: usize,
    on_the_way: Vec<OnTheWay>,
}

impl<I> Noted<I> {
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

impl<I: Iterator<Item = (usize, Item)>> Iterator for Noted<I> {
    type Item = Item;

    fn next(&mut self) -> Option<Item> {
        let (line, item) = self.items.next()?;
        self.line = line;
        self.on_the_way.clear();
        if let Item::Move(planned) = &item {
            self.on_the_way.clone_from(&planned.on_the_way);
            self.on_the_way.sort_by_key(|due| due.step);
        }
        Some(item)
    }
}
