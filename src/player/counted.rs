//! Programs on their way to be packed or sent, with a look at what each move and each loop asks of
//! the player.
//!
//! A position stays within 32 bits. A loop is decoded in no more time than it lasts, on the average.
//! What comes over a line makes no more steps a second than the board decodes, and neither seeks
//! nor sets a position.

use super::budget::{Cycles, EVENT_CYCLES, STEP_CYCLES, besides};
use super::options::{PlayerOptions, ScheduleSource};
use super::pace::TooClose;
use super::place::ProgramPlace;
use super::verdict::{MOST_STEPS, Refusal, Unplayable};
use crate::plan::{Item, Passage, Passages, PlannedMove};
use crate::rig::Rig;
use crate::schedule::timer;
use crate::script::WITHOUT_END;
use crate::units::Time;

/// A program on its way, until one of its moves takes an axis out of the player's count, or a
/// loop is more than the player decodes in the long run.
pub(super) struct Counted<'a, P> {
    passages: P,
    rig: &'a Rig,
    options: PlayerOptions,
    /// Cycles that the player takes for a step, on the average.
    step_cycles: Cycles,
    /// Steps so far, those that are left out among them.
    pub(super) steps: u64,
    /// What the open periods come to.
    periods: Vec<PeriodLoad>,
    /// The one that ended last, and how often it can come again.
    ended: Option<(PeriodLoad, u64)>,
    /// Why the player refuses it.
    pub(super) exceeded: Option<Refusal>,
}

/// What a period of a loop asks of the player.
#[derive(Debug, Clone, Copy, Default)]
struct PeriodLoad {
    steps: u64,
    /// Cycles to decode it.
    cycles: f64,
    /// How long it lasts (s).
    seconds: f64,
    /// Number of its last move.
    index: u64,
    /// Whether it waits for an input, for as long as that takes.
    waits: bool,
}

/// The share of the time of a loop that decoding may take. What it takes on the average may
/// take a little more at times, which the rings bridge; chosen.
const MOST_BUSY: f64 = 0.999;

impl<'a, P: Passages> Counted<'a, P> {
    pub(super) fn new(passages: P, rig: &'a Rig, options: PlayerOptions) -> Self {
        Self {
            passages,
            rig,
            options,
            step_cycles: STEP_CYCLES + besides(rig, options.lines),
            steps: 0,
            periods: Vec::new(),
            ended: None,
            exceeded: None,
        }
    }

    fn note(&mut self, item: &Item) {
        let mut load = PeriodLoad {
            seconds: item.duration(),
            ..PeriodLoad::default()
        };
        let mut events = 0;
        match item {
            Item::Move(planned) => {
                load.steps = planned.motion.steps();
                load.index = planned.index;
                // Each axis may turn; what is on the way counts too.
                events = planned.motion.axes.len() + planned.on_the_way.len();
                self.exceeded = self.out_of_count(planned);
                if planned.seeks.is_some() {
                    // It takes no time where the input is active already.
                    load.waits = true;
                    self.refuse_on_a_line(ProgramPlace::Move(planned.index));
                }
            }
            Item::Await { .. } => load.waits = true,
            Item::Zero { .. } => {
                load.waits = true;
                self.refuse_on_a_line(ProgramPlace::Nowhere);
            }
            Item::Output { .. } | Item::Mark(_) => events = 1,
            Item::Dwell(_) => {}
        }
        let events = events as f64 * EVENT_CYCLES as f64;
        load.cycles = load.steps as f64 * self.step_cycles as f64 + events;
        self.add(load, 1);
    }

    /// Refuses what only a board that has the whole program can do.
    fn refuse_on_a_line(&mut self, place: ProgramPlace) {
        match self.options.source {
            ScheduleSource::Memory => {}
            ScheduleSource::Line { .. } => {
                self.exceeded
                    .get_or_insert(Refusal::new(Unplayable::SeekOnLine, place));
            }
        }
    }

    /// Adds what comes so many times.
    fn add(&mut self, load: PeriodLoad, times: u64) {
        let steps = load.steps.saturating_mul(times);
        match self.periods.last_mut() {
            Some(period) => {
                period.steps = period.steps.saturating_add(steps);
                period.cycles += load.cycles * times as f64;
                period.seconds += load.seconds * times as f64;
                period.index = period.index.max(load.index);
                period.waits |= load.waits;
            }
            None => self.steps = self.steps.saturating_add(steps),
        }
    }

    /// A period ends that can come `more` times again.
    fn ends(&mut self, more: u64) {
        // Periods are told of in pairs.
        if let Some(load) = self.periods.pop() {
            self.add(load, 1);
            self.ended = Some((load, more));
        }
    }

    /// The period that ended last comes again.
    fn again(&mut self) {
        let Some((load, more)) = self.ended.take() else {
            return;
        };
        // Of a program without end, one period counts.
        self.add(load, if more == WITHOUT_END { 0 } else { more });
        let clock = self.rig.timer.clock.si();
        if !load.waits && load.cycles > MOST_BUSY * load.seconds * clock {
            let needs = Time::new(load.cycles / clock);
            let within = Time::new(load.seconds);
            let reason = TooClose::Decoding { needs, within };
            self.exceeded = Some(Refusal::new(reason, ProgramPlace::Move(load.index)));
        }
    }

    fn out_of_count(&self, planned: &PlannedMove) -> Option<Refusal> {
        let axes = planned.motion.axes.iter().zip(&planned.travel);
        let (moving, travel) = axes
            .into_iter()
            .find(|(_, travel)| travel.to_steps.unsigned_abs() > MOST_STEPS)?;
        let reason = Unplayable::Position {
            axis: self.rig.axes[moving.axis].name.clone(),
            steps: travel.to_steps.unsigned_abs(),
        };
        Some(Refusal::new(reason, ProgramPlace::Move(planned.index)))
    }
}

impl<P: Passages> Passages for Counted<'_, P> {
    fn next_passage(&mut self) -> Option<Passage> {
        if self.exceeded.is_some() {
            return None;
        }
        let passage = self.passages.next_passage()?;
        match &passage {
            Passage::Item(item) => self.note(item),
            Passage::Begins => self.periods.push(PeriodLoad::default()),
            Passage::Ends { more } => self.ends(*more),
        }
        self.exceeded.is_none().then_some(passage)
    }

    fn leap(&mut self) {
        self.passages.leap();
        self.again();
    }
}

/// A program on its way, with a look at the step rate of each move.
pub(super) struct Rated<'a, P> {
    pub(super) passages: P,
    pub(super) rig: &'a Rig,
    /// What the board decodes (microsteps/s, all axes together).
    pub(super) most: f64,
    /// The highest rate that is more.
    pub(super) exceeded: Option<Refusal>,
}

impl<P: Passages> Passages for Rated<'_, P> {
    fn next_passage(&mut self) -> Option<Passage> {
        let passage = self.passages.next_passage()?;
        if let Passage::Item(Item::Move(planned)) = &passage
            // A motion that the timer cannot play is refused by the check.
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
        Some(passage)
    }

    fn leap(&mut self) {
        self.passages.leap();
    }
}
