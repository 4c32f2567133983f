//! Motion becomes ticks: the times at which the firmware acts.

pub mod event;

pub use event::{Event, What};
