//! What can hurt, as the page warns of it.

use crate::physics::cautions;
use crate::rig::Rig;

/// What can hurt, on this rig above all.
pub(super) fn of(rig: &Rig) -> Vec<String> {
    let mut all = cautions::of_rig(rig);
    all.push("Fit guards, and within reach an emergency stop that removes power. Expect motion at any moment while power is on: closing the power starts a program.".to_owned());
    all.push("This is a calculation from the data given, not a measurement or a safety assessment. Local codes and licensed practice take precedence.".to_owned());
    all
}
