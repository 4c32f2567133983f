//! Motion becomes ticks: the times at which the firmware acts.
//!
//! [`Schedule`] turns the items of a planned program into [`Event`]s in the order of
//! ticks, streaming. [`timer::verdict`] tells beforehand whether the timer can play a
//! motion.

pub(crate) mod clock;
pub mod event;
pub mod facts;
pub mod invert;
pub mod pack;
#[cfg(test)]
mod tests;
pub(crate) mod ticks;
pub mod timeline;
pub mod timer;

pub use event::{Event, What};
pub use facts::Facts;
pub use timeline::{Run, Schedule};
