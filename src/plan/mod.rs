//! Actions become motion: which speeds and accelerations each axis takes.
//!
//! - [`motion`]: what a plan is made of, segments of constant jerk
//! - [`program()`]: a whole script, action by action, as a stream of [`Item`]s
//! - [`position`]: targets kept exactly, rounded to microsteps once
//! - [`limits`]: the script's and the rig's limits put together, in microsteps
//! - [`profile`]: the fastest way over a distance: a ramp up, a cruise, a ramp down
//! - [`trapezoid`], [`s_curve`], [`full_torque`]: the ramps of the three shapes
//! - [`timed`]: moves that take exactly so long
//! - [`bands`]: how a cruise keeps out of critical speeds
//! - `approach`: moves that end from one side, so that backlash is taken up
//! - [`Settling`]: who knows how long `dwell until settled` takes
//! - [`Following`]: who knows whether a rotor follows a motion
//! - `seek`: moves that end where an input is seen, and the positions that follow
//! - [`path`]: legs travelled without stopping; `through` and `together` blocks are paths

mod abilities;
mod aim;
mod approach;
pub(crate) mod bands;
mod cache;
mod cuts;
mod endless;
mod following;
pub(crate) mod full_torque;
mod job;
mod leg;
pub(crate) mod limits;
mod lingering;
pub(crate) mod motion;
mod motions;
mod names;
pub(crate) mod path;
mod planner;
pub(crate) mod position;
pub(crate) mod profile;
pub(crate) mod program;
mod ramps;
mod repetition;
mod root;
pub(crate) mod s_curve;
mod seek;
mod settings;
mod settling;
mod standing;
mod take_up;
mod tally;
#[cfg(test)]
mod tests;
mod through;
pub(crate) mod timed;
mod together;
pub(crate) mod trapezoid;
mod unplannable;

pub use endless::Endless;
pub(crate) use endless::endless;
pub(crate) use following::Following;
pub use motion::{
    AxisLimits, AxisMotion, Change, ChangeKind, Item, Motion, MovePart, OnTheWay, Pass,
    PlannedMove, Segment, SoughtInput, Travel,
};
pub(crate) use program::{Program, program};
pub(crate) use repetition::Patience;
pub use repetition::{Passage, Passages};
pub(crate) use settling::{NeverSettles, Settling};
pub(crate) use tally::{EachItem, Tally};

pub use crate::rig::Direction;
