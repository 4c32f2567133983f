//! How long the moves of a job take until their loads have settled.

use super::events::UntilError;
use super::{Error, Job};
use crate::plan::{Item, Tally};

/// What the moves of a program take, and what their loads do behind the last step.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Settled {
    /// All moves together, without what lies between them (s).
    pub moving: f64,
    /// The same with the time until each load stayed within `settle`; none where one was not
    /// seen to.
    pub settled: Option<f64>,
    /// The longest of these times after a last step (s).
    pub longest: Option<f64>,
    /// The greatest lag (electrical degrees).
    pub peak_lag: f64,
    /// Full steps lost.
    pub lost_steps: u64,
}

impl Job {
    /// How long the moves take until their loads have settled, in the motor model. A move of
    /// several axes has settled once each of them has.
    ///
    /// # Errors
    /// The program cannot be planned.
    pub fn settled(&self) -> Result<Option<Settled>, Error> {
        let Some(rehearsal) = self.rehearse()? else {
            return Ok(None);
        };
        let mut sum = Settled {
            settled: Some(0.0),
            longest: Some(0.0),
            peak_lag: rehearsal.own.peak_lag_electrical_deg,
            lost_steps: rehearsal.own.lost_steps,
            ..Settled::default()
        };
        let mut items = UntilError::new(self.program());
        for (item, times) in Tally::new(&mut items) {
            let Item::Move(planned) = item else { continue };
            let of_axis = planned.motion.axes.iter().filter(|axis| axis.steps > 0);
            // A move that was not played was not seen to settle either.
            let settle = of_axis
                .map(|moved| {
                    let outcome = rehearsal.of(&planned, &self.rig.axes[moved.axis].name)?;
                    // An axis that ends before the others has until they end.
                    let early = planned.motion.duration - moved.duration();
                    Some((outcome.settle_s? - early).max(0.0))
                })
                .try_fold(0.0, |longest: f64, settle| Some(longest.max(settle?)));
            let times = times as f64;
            sum.moving += planned.motion.duration * times;
            sum.settled = sum
                .settled
                .zip(settle)
                .map(|(sum, settle)| sum + (planned.motion.duration + settle) * times);
            sum.longest = sum.longest.zip(settle).map(|(one, other)| one.max(other));
        }
        items.ended()?;
        Ok(Some(sum))
    }
}
