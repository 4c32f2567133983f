//! How sure a verdict is: rigs drawn at random from the ranges of what is not known, and what
//! became of them.
//!
//! 1. [`varied`]: which values of a rig have a range, and how they are distributed in it.
//! 2. [`draw`]: rig number i of a study. Each draw has a stream of random numbers of its own, so
//!    that it is the same whichever thread, machine or part of a study makes it.
//! 3. [`record`]: draws as lines of JSON that are read back and merged.
//! 4. [`statistics`], [`result`]: the share that passes with its confidence interval, and which
//!    value decides.
//!
//! What plays and judges a drawn rig is in [`job`](crate::Job): the plan stays that of the rig as
//! it is written, as the firmware plays it whatever motor is connected.

mod draw;
mod record;
mod result;
mod statistics;
#[cfg(test)]
mod tests;
mod varied;

pub(crate) use draw::DrawnRig;
pub use record::{DrawOutcome, RecordError};
pub use result::{DecidingValue, StudyFailure, StudyResult};
pub use varied::{VariedKind, VariedValue};

use serde::{Deserialize, Serialize};

use crate::rig::Rig;

/// Draws of one study at most: chosen, to bound its memory to some hundred megabytes.
pub const MOST_DRAWS: u64 = 1_000_000;

/// A study: what is drawn, and how often. Serialises as the first line of its records.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Study {
    /// SHA-256 of the texts that the program was read from.
    pub program: String,
    /// How many rigs are drawn.
    pub draws: u64,
    /// What the random numbers begin with.
    pub seed: u64,
    /// What varies.
    pub varied: Vec<VariedValue>,
}

impl Study {
    /// Of a rig.
    pub(crate) fn of(rig: &Rig, program: String, draws: u64, seed: u64) -> Self {
        Self {
            program,
            draws,
            seed,
            varied: varied::of(rig),
        }
    }

    /// The draws of part `part` of `parts`, counted from 1: every so many.
    pub fn part(&self, part: u64, parts: u64) -> Vec<u64> {
        let step = usize::try_from(parts).unwrap_or(usize::MAX).max(1);
        (0..self.draws)
            .skip(usize::try_from(part.saturating_sub(1)).unwrap_or(usize::MAX))
            .step_by(step)
            .collect()
    }
}
