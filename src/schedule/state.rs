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
    /// Moves that the rules of the timer delayed, or nearly so.
    pub(super) tight: u64,
    pub(super) facts: Facts,
}

/// What is known of an axis between motions.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct AxisState {
    pub(super) direction: Option<Direction>,
    pub(super) last_step: Option<u64>,
}

impl ScheduleState {
    /// How much later the other state is, where it is the same but for that.
    ///
    /// A period of whole ticks comes again on exactly so many ticks later. Of another one each
    /// repetition is rounded to ticks anew, which adds none where no rule of the timer comes
    /// near to it.
    pub(super) fn period(&self, later: &Self) -> Option<TickInstant> {
        let span = later.now.since(self.now);
        let (ticks, rounded) = match span.whole_ticks() {
            Some(ticks) => (ticks, 0),
            None if self.facts.added_ticks == later.facts.added_ticks
                && self.tight == later.tight =>
            {
                (span.tick(), 1)
            }
            None => return None,
        };
        let shifted = |was: u64, is: u64| was.saturating_add(ticks).abs_diff(is) <= rounded;
        let axes = self
            .axes
            .iter()
            .zip(&later.axes)
            .zip(self.facts.steps.iter().zip(&later.facts.steps));
        let alike = axes.into_iter().all(|((was, is), (steps_before, steps))| {
            let steps_alike = match (was.last_step, is.last_step) {
                (Some(was), Some(is)) => shifted(was, is),
                (None, None) => true,
                (Some(_), None) | (None, Some(_)) => false,
            };
            was.direction == is.direction && (steps == steps_before || steps_alike)
        });
        let events = later.facts.events - self.facts.events;
        let events_alike = events == 0 || shifted(self.facts.last_tick, later.facts.last_tick);
        (alike && events_alike).then_some(span)
    }

    /// This state after `times` more periods, the last of which began at `begin`.
    pub(super) fn after(mut self, begin: &Self, times: u64, span: TickInstant) -> Self {
        let span = span.times(times);
        // Where it is no whole number, the rules of the timer are far away.
        let later = span.ticks_up();
        let more = |now: &mut u64, before: u64| {
            *now = now.saturating_add((*now - before).saturating_mul(times));
        };
        for (number, axis) in self.axes.iter_mut().enumerate() {
            if self.facts.steps[number] > begin.facts.steps[number] {
                axis.last_step = axis.last_step.map(|tick| tick.saturating_add(later));
            }
        }
        self.now = self.now.after(span);
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
