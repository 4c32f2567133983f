//! Whether the header of the format `c` can hold a job's program, said by its check.

use super::events::UntilError;
use super::{Error, Job};
use crate::check::{Finding, Severity};
use crate::emit::c_header::overflow;
use crate::plan::{Item, Passage, Passages};
use crate::rig::Rig;

/// A program of so few items and steps, without a timeout and in so few ticks, fits whatever
/// it does: a hundredth of what the tables hold, or less.
const SURELY: (u64, u64, f64) = (1000, 40_000, 2e9);
/// One that makes more steps, what repeats alike left out, is not tried. Chosen, because to
/// schedule so many takes some tenths of a second.
const TRIED: u64 = 10_000_000;

/// What a check has counted of a program.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct ProgramCounts {
    pub(super) items: u64,
    pub(super) steps: u64,
    pub(super) seconds: f64,
    /// Whether it gives up waiting for an input.
    pub(super) gives_up: bool,
}

impl ProgramCounts {
    /// Takes in the next item.
    pub(super) fn add(&mut self, item: &Item) {
        self.items += 1;
        self.seconds += item.duration();
        match item {
            Item::Move(planned) => self.steps += planned.motion.steps(),
            Item::Await { timeout, .. } => self.gives_up |= timeout.is_some(),
            Item::Dwell(_) | Item::Output { .. } | Item::Zero { .. } | Item::Mark(_) => {}
        }
    }
}

impl ProgramCounts {
    /// Whether a header has to be tried, to know.
    pub(super) fn may_overflow(&self, rig: &Rig) -> bool {
        let ticks = self.seconds * rig.timer.tick_rate();
        self.items > SURELY.0 || self.steps > SURELY.1 || ticks > SURELY.2 || self.gives_up
    }
}

impl Job {
    /// What there is to say about the header.
    pub(super) fn about_the_header(
        &self,
        counted: ProgramCounts,
    ) -> Result<Option<Finding>, Error> {
        if !counted.may_overflow(&self.rig) {
            return Ok(None);
        }
        let mut tried = AtMost {
            passages: UntilError::new(self.played()).told_to(&self.headway),
            left: TRIED,
        };
        let overflow = overflow(&self.rig, &mut tried);
        if tried.left == 0 {
            let message = format!(
                "more than {TRIED} steps of the program differ in their ticks, too many to try: writing a C \
                 header of it may fail"
            );
            return Ok(Some(Finding::new(
                "header-untried",
                Severity::Note,
                message,
            )));
        }
        tried.passages.ended()?;
        Ok(overflow.map(|overflow| {
            let message = format!("a C header cannot hold this program: {overflow}");
            Finding::new("header-overflow", Severity::Note, message)
                .cures(vec![
                    "write the format `binary` or the firmware player, which pack ramps".to_owned(),
                    "make more moves equal".to_owned(),
                ])
                .line(overflow.line)
        }))
    }
}

/// A program up to so many microsteps; an item counts as one at least.
struct AtMost<P> {
    passages: P,
    left: u64,
}

impl<P: Passages> Passages for AtMost<P> {
    fn next_passage(&mut self) -> Option<Passage> {
        let passage = self.passages.next_passage()?;
        let steps = match &passage {
            Passage::Item(Item::Move(planned)) => planned.motion.steps().max(1),
            Passage::Item(_) | Passage::Begins | Passage::Ends { .. } => 1,
        };
        self.left = self.left.saturating_sub(steps);
        (self.left > 0).then_some(passage)
    }

    fn leap(&mut self) {
        self.passages.leap();
    }
}
