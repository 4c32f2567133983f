//! The program of a job, played in the motor model for its verdict.

use std::ops::ControlFlow;

use super::events::UntilError;
use super::writing::Seen;
use super::{Error, Job};
use crate::plan::{Item, Patience};
use crate::simulate::{Outcome, Pauses, Rehearsal, simulate_with};

/// After how much of a loop its passes are compared: chosen, so that programs of some moves are
/// played as they stand, and long ones do not come to the end of what a verdict may take.
pub(super) const REPEATED: Patience = Patience {
    items: 64,
    steps: 1 << 14,
};

impl Job {
    /// The program played in the rig's motor and in a worse one, once for all that ask.
    /// None where the job is
    /// [`without_simulation`](Self::without_simulation).
    ///
    /// # Errors
    /// The program cannot be planned.
    pub fn rehearse(&self) -> Result<Option<&Rehearsal>, Error> {
        if !self.simulated {
            return Ok(None);
        }
        if let Some(known) = self.rehearsal.get() {
            return Ok(Some(known));
        }
        let ((own, pauses), worse) = if Rehearsal::tries_worse(&self.rig) {
            let (own, worse) = rayon::join(|| self.play(false), || self.play(true));
            (own?, Some(worse?.0))
        } else {
            (self.play(false)?, None)
        };
        let rehearsal = Rehearsal { own, worse, pauses };
        // Another thread may have been first, with the same.
        Ok(Some(self.rehearsal.get_or_init(|| rehearsal)))
    }

    fn play(&self, worse: bool) -> Result<(Outcome, Pauses), Error> {
        let (mut outcome, mut pauses) = (Outcome::default(), Pauses::default());
        let mut items = UntilError::new(self.program().with_patience(REPEATED));
        let mut note = |item: &Item| pauses.note(item);
        let noted = Seen(&mut items, &mut note);
        // It is never broken off from here.
        let _ = simulate_with(&self.rig, noted, &Rehearsal::options(worse), &mut |event| {
            outcome.take_in(&event);
            ControlFlow::Continue(())
        });
        items.ended()?;
        Ok((outcome, pauses))
    }
}
