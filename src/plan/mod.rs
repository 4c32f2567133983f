//! Actions become motion: which speeds and accelerations each axis takes.

pub mod motion;

pub use motion::{
    AxisLimits, AxisMotion, Direction, Item, Motion, OnTheWay, PlannedMove, Segment, Travel,
};
