//! How things stand between two items of a schedule, and whether they come back to that.

use super::clock::TickInstant;
use super::facts::Facts;
use crate::plan::Direction;

/// How things stand between two items of a schedule.
#[derive(Debug, Clone)]
pub(super) struct ScheduleState {
    pub(super) now: TickInstant,
    pub(super) axes: Vec<AxisState>,
    pub(super) moves: u64,
    pub(super) facts: Facts,
}

/// What is known of an axis between motions.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct AxisState {
    pub(super) direction: Option<Direction>,
    pub(super) last_step: Option<u64>,
}

impl ScheduleState {
    /// How many ticks later the other state is, where it is the same but for that.
    pub(super) fn period(&self, later: &Self) -> Option<u64> {
        let ticks = later.now.whole_ticks_since(self.now)?;
        let axes = self.axes.iter().zip(&later.axes).zip(self.facts.steps.iter().zip(&later.facts.steps));
        let alike = axes.into_iter().all(|((was, is), (steps_before, steps))| {
            let shifted = was.last_step.map(|tick| tick.saturating_add(ticks));
            was.direction == is.direction && (steps == steps_before || is.last_step == shifted)
        });
        let events = later.facts.events - self.facts.events;
        let shifted = self.facts.last_tick.saturating_add(ticks);
        (alike && (events == 0 || later.facts.last_tick == shifted)).then_some(ticks)
    }

    /// This state after `times` more periods, the last of which began at `begin`.
    pub(super) fn after(mut self, begin: &Self, times: u64, ticks: u64) -> Self {
        let later = ticks.saturating_mul(times);
        let more = |now: &mut u64, before: u64| {
            *now = now.saturating_add((*now - before).saturating_mul(times));
        };
        for (number, axis) in self.axes.iter_mut().enumerate() {
            if self.facts.steps[number] > begin.facts.steps[number] {
                axis.last_step = axis.last_step.map(|tick| tick.saturating_add(later));
            }
        }
        self.now = self.now.after(TickInstant::at_tick(later));
        more(&mut self.moves, begin.moves);
        let (facts, before) = (&mut self.facts, &begin.facts);
        if facts.events > before.events {
            facts.last_tick = facts.last_tick.saturating_add(later);
        }
        more(&mut facts.events, before.events);
        more(&mut facts.waits_beyond_counter, before.waits_beyond_counter);
        more(&mut facts.added_ticks, before.added_ticks);
        for (now, before) in facts.steps.iter_mut().zip(&before.steps) {
            more(now, *before);
        }
        self
    }
}
