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
    /// A text.
    Mark(Arc<str>),
}
