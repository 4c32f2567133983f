//! What the player makes of a job.

use super::events::UntilError;
use super::{Error, Job};
use crate::player::{PlayerOptions, Refusal, judge};

impl Job {
    /// Why the player refuses the program, each with its line and its cure; empty where it
    /// plays it. The check, the project and streaming all go by this.
    ///
    /// # Errors
    /// The program cannot be planned.
    pub fn refusals(&self, options: PlayerOptions) -> Result<Vec<Refusal>, Error> {
        let mut items = UntilError::new(self.played()).told_to(&self.headway);
        let refusals = judge(&self.rig, options, &mut items);
        items.ended()?;
        let located = refusals.into_iter().map(|refusal| self.located(refusal));
        Ok(located.collect())
    }

    /// The refusal with its line. Goes over the program again, as lines are of no use to a
    /// program that is played.
    pub(super) fn located(&self, refusal: Refusal) -> Refusal {
        refusal.located(&self.rig, UntilError::new(self.played()))
    }
}
