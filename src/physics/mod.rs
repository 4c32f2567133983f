//! What a rig can do.

pub mod machine;

pub use machine::{Feed, HoldOutcome, Machine, Simulator, State, hold_speed};
