//! Motion against the rig: whether each move may run, and why not.
//!
//! A [`Checker`] looks at one planned move after the other. What depends on the
//! motion alone is worked out once and shared by the moves that repeat it, so a
//! program of a million equal moves costs one.

mod ability;
mod braking;
mod checker;
mod crossing;
mod cure;
mod finding;
mod heat;
mod json;
mod outcome;
mod outputs;
mod reasons;
mod torque;
mod useful;

pub use ability::AxisAbility;
pub use checker::Checker;
pub use crossing::Crossing;
pub use finding::{Finding, Verdict, Weight};
pub use heat::HeatWarning;
pub use outcome::{AxisCheck, MotionCheck, MoveCheck, Summary};
pub use torque::{Instant, TorqueMargin, TorqueRule};
pub use useful::{RangeEnd, UsefulRange};

pub use crate::rig::TravelUnit;
