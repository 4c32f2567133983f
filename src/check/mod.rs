//! Motion against the rig: whether each move may run, and why not.
//!
//! A [`Checker`] looks at one planned move after the other. What depends on the
//! motion alone is computed once and shared by the moves that repeat it, so a
//! program of a million equal moves costs one.

mod ability;
mod braking;
mod checker;
mod crossing;
mod cure;
mod filter;
mod finding;
mod gentler;
mod heat;
mod json;
mod outcome;
pub(crate) mod player;
mod reasons;
mod rehearsed;
mod slow_down;
mod stops;
#[cfg(test)]
mod tests;
mod torque;
mod useful;

pub use ability::AxisAbility;
pub(crate) use checker::Checker;
pub use crossing::Crossing;
pub use finding::{Finding, Severity, Verdict};
pub use heat::HeatWarning;
pub use outcome::{
    AxisCheck, AxisPlayed, AxisStops, FirstFailure, MotionCheck, MoveCheck, SimulatedSummary,
    Summary,
};
pub(crate) use reasons::{COMMON_INERTIA_RATIO, borrowed};
pub(crate) use rehearsed::{LITTLE_LAG_LEFT, MotorModel};
pub(crate) use torque::TorqueRule;
pub use torque::{MotionInstant, TorqueMargin};
pub use useful::{RangeEnd, UsefulRange};
