//! Motion becomes ticks: the times at which the firmware acts.
//!
//! [`Schedule`] turns the items of a planned program into [`Event`]s in the order of
//! ticks, streaming. [`timer::verdict`] tells beforehand whether the timer can play a
//! motion.

pub(crate) mod clock;
pub(crate) mod event;
pub(crate) mod facts;
pub(crate) mod invert;
pub(crate) mod pack;
pub(crate) mod periodic;
mod shortened;
mod state;
#[cfg(test)]
mod tests;
pub(crate) mod ticks;
pub(crate) mod timeline;
pub(crate) mod timer;

pub use event::{Event, EventKind};
pub(crate) use facts::Facts;
pub(crate) use timeline::Schedule;
pub use timeline::{ScheduleRun, UnderWay};
