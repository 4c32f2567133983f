//! A schedule whose equal periods are told of instead of being gone through one by one.
//!
//! A period of the plan ([`Passage`]) is one of the schedule where the lines and last steps
//! stand at its end as they did at its begin, and what the timer's rules add comes again.

use super::clock::TickInstant;
use super::event::Event;
use super::facts::Facts;
use super::state::ScheduleState;
use super::timeline::{Schedule, ScheduleRun};
use crate::plan::{Item, Passage, Passages};
use crate::rig::Rig;
use crate::script::WITHOUT_END;

/// A part of a schedule.
#[derive(Debug, PartialEq)]
pub(crate) enum SchedulePart<'a> {
    /// Events.
    Run(ScheduleRun<'a>),
    /// A period begins; periods nest.
    Begins,
    /// The period that began last ends. What comes again is left out with
    /// [`PeriodicSchedule::leap`].
    Ends(Repeated),
}

/// What comes again in a schedule.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Repeated {
    /// How many periods like the one that ends; 0 where they differ, and [`WITHOUT_END`] where
    /// they never cease.
    pub(crate) times: u64,
    /// How long each lasts.
    pub(crate) span: TickInstant,
}

/// Items up to where a period begins or ends.
#[derive(Debug)]
struct Uninterrupted<P> {
    passages: P,
    /// Where the stretch has ended.
    end: Option<Passage>,
}

impl<P: Passages> Iterator for Uninterrupted<P> {
    type Item = Item;

    fn next(&mut self) -> Option<Item> {
        if self.end.is_some() {
            return None;
        }
        match self.passages.next_passage()? {
            Passage::Item(item) => Some(item),
            end @ (Passage::Begins | Passage::Ends { .. }) => {
                self.end = Some(end);
                None
            }
        }
    }
}

/// The parts of a schedule.
#[derive(Debug)]
pub(crate) struct PeriodicSchedule<P> {
    schedule: Schedule<Uninterrupted<P>>,
    /// How things stood where each open period began.
    begins: Vec<ScheduleState>,
    /// How things stand behind the periods that were offered last.
    offer: Option<ScheduleState>,
}

impl<P: Passages> PeriodicSchedule<P> {
    /// The schedule of a planned program on a rig; see [`Schedule::new`].
    pub(crate) fn new(passages: P, rig: &Rig) -> Self {
        let stretch = Uninterrupted {
            passages,
            end: None,
        };
        Self {
            schedule: Schedule::new(stretch, rig),
            begins: Vec::new(),
            offer: None,
        }
    }

    /// The same without the middle of even stretches of many millions of steps, where nothing
    /// new happens: for who judges the schedule.
    pub(crate) fn in_short(passages: P, rig: &Rig) -> Self {
        let Self {
            schedule,
            begins,
            offer,
        } = Self::new(passages, rig);
        Self {
            schedule: schedule.in_short(),
            begins,
            offer,
        }
    }

    /// What comes next, with the instant at which its item begins; none behind the end.
    pub(crate) fn next_part(&mut self) -> Option<SchedulePart<'_>> {
        if !self.schedule.has_run() {
            self.offer = None;
            return match self.schedule.items_mut().end.take()? {
                // A stretch ends with no item.
                Passage::Item(_) => None,
                Passage::Begins => {
                    self.begins.push(self.schedule.state());
                    Some(SchedulePart::Begins)
                }
                Passage::Ends { more } => Some(SchedulePart::Ends(self.ends(more))),
            };
        }
        self.schedule.next_run().map(SchedulePart::Run)
    }

    /// The next event that is not left out.
    pub(crate) fn next_event(&mut self) -> Option<Event> {
        while !self.schedule.has_run() {
            if let SchedulePart::Ends(_) = self.next_part()? {
                self.leap();
            }
        }
        self.schedule.next()
    }

    /// What the schedule comes from.
    pub(crate) const fn passages_mut(&mut self) -> &mut P {
        &mut self.schedule.items_mut().passages
    }

    /// How many moves have begun, those that were left out among them.
    pub(crate) const fn moves(&self) -> u64 {
        self.schedule.moves()
    }

    /// When the item that is being given out begins.
    pub(crate) const fn now(&self) -> TickInstant {
        self.schedule.now()
    }

    /// Counts so far; steps are counted by the run.
    pub(crate) fn facts(&self) -> &Facts {
        self.schedule.facts()
    }

    /// The tick at which the program ends, once everything has been given out.
    pub(crate) fn end_tick(&self) -> u64 {
        self.schedule.end_tick()
    }

    /// Leaves out the periods that were offered last.
    pub(crate) fn leap(&mut self) {
        if let Some(state) = self.offer.take() {
            self.schedule.items_mut().passages.leap();
            self.schedule.set_state(state);
        }
    }

    /// Ends a period, and offers `more` where they are equal to the tick.
    fn ends(&mut self, more: u64) -> Repeated {
        let none = Repeated {
            times: 0,
            span: TickInstant::default(),
        };
        // Periods are told of in pairs.
        let Some(begin) = self.begins.pop() else {
            return none;
        };
        let end = self.schedule.state();
        match begin.period(&end) {
            // Nothing comes behind it.
            Some(span) if more == WITHOUT_END => {
                self.offer = Some(end);
                Repeated { times: more, span }
            }
            Some(span) if more > 0 => {
                self.offer = Some(end.after(&begin, more, span));
                Repeated { times: more, span }
            }
            _ => none,
        }
    }
}
