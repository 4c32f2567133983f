//! Events: what happens at which tick.

use std::sync::Arc;

use crate::plan::Direction;
use crate::script::Until;

/// Something that happens at a tick of the timer.
#[derive(Debug, Clone, PartialEq)]
pub struct Event {
    /// Ticks since the program's start, waiting for inputs not counted.
    pub tick: u64,
    /// What happens.
    pub what: EventKind,
}

/// The things that can happen at a tick. Axes, outputs and inputs by their number
/// in the rig.
#[derive(Debug, Clone, PartialEq)]
pub enum EventKind {
    /// One microstep.
    Step {
        /// Which axis.
        axis: usize,
        /// Which way.
        direction: Direction,
    },
    /// The direction line changes; the first step follows `direction_setup` later.
    Direction {
        /// Which axis.
        axis: usize,
        /// Which way from now on.
        direction: Direction,
    },
    /// An output is switched.
    Output {
        /// Which one.
        output: usize,
        /// On or off.
        on: bool,
    },
    /// The clock stops until the input is there; it counts on as if no time had
    /// passed.
    Await {
        /// Which one.
        input: usize,
        /// Until what.
        until: Until,
        /// Gives up after this time (ticks).
        timeout: Option<u64>,
    },
    /// The steps of an axis up to its [`Sought`](Self::Sought) are made only until an input is
    /// seen. The clock stops until every axis stands.
    Seek {
        /// Which axis.
        axis: usize,
        /// Which input.
        input: usize,
        /// What is looked for at it.
        until: Until,
    },
    /// The input has been seen, or the program ends; the clock goes on.
    Sought {
        /// Which axis has sought.
        axis: usize,
    },
    /// The place of an axis has a new position; the clock stops for it.
    Zero {
        /// Which axis.
        axis: usize,
        /// Microsteps from the origin.
        steps: i64,
    },
    /// A text.
    Mark(Arc<str>),
}

impl EventKind {
    /// Whether every axis stands still for it, and time too.
    pub const fn stops_the_clock(&self) -> bool {
        match self {
            Self::Await { .. } | Self::Seek { .. } | Self::Sought { .. } | Self::Zero { .. } => {
                true
            }
            Self::Step { .. } | Self::Direction { .. } | Self::Output { .. } | Self::Mark(_) => {
                false
            }
        }
    }
}
