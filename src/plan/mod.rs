//! Actions become motion: which speeds and accelerations each axis takes.
//!
//! - [`motion`]: what a plan is made of, segments of constant jerk
//! - [`program()`]: a whole script, action by action, as a stream of [`Item`]s
//! - [`profile`]: the fastest way over a distance: a ramp up, a cruise, a ramp down
//! - [`trapezoid`], [`s_curve`]: the ramps of the two plain shapes
//! - [`position`]: targets kept exactly, rounded to microsteps once
//! - [`limits`]: the script's and the rig's limits put together, in microsteps

mod cache;
pub mod limits;
pub mod motion;
pub mod position;
pub mod profile;
pub mod program;
mod root;
pub mod s_curve;
pub mod single;
pub mod trapezoid;

pub use motion::{
    AxisLimits, AxisMotion, Change, ChangeKind, Direction, Item, Motion, OnTheWay, Pass,
    PlannedMove, Segment, Travel,
};
pub use program::{Program, program};
