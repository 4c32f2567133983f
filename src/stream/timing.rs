//! What a timer's ticks ask of records and frames.

use super::fit::{self, Accuracy};
use crate::rig::Timer;
use crate::schedule::timer::TickRules;

/// How long a frame lasts, at most (s): chosen, a sixth of what data run ahead.
const SLICE: f64 = 0.05;

/// What the ticks of a timer ask of records.
#[derive(Debug, Clone, Copy)]
pub(super) struct RecordTiming {
    /// Ticks a second.
    pub(super) rate: f64,
    /// Ticks between two steps, at least.
    between_steps: u64,
    /// What a board waits for in one piece (ticks).
    long: u64,
}

impl RecordTiming {
    pub(super) fn new(timer: &Timer) -> Self {
        let rate = timer.tick_rate();
        Self {
            rate,
            between_steps: TickRules::new(timer).between_steps,
            long: fit::long(rate),
        }
    }

    /// Half of what a board waits for in one piece (ticks).
    pub(super) const fn gap(&self) -> u64 {
        self.long / 2
    }

    /// How long a frame lasts, at most (ticks).
    pub(super) fn slice(&self) -> u64 {
        (SLICE * self.rate) as u64
    }

    pub(super) const fn accuracy(&self, share: Option<f64>) -> Accuracy {
        Accuracy {
            share,
            least: self.between_steps,
            long: self.long,
        }
    }
}
