//! What a rig can do.

pub mod load;
pub mod machine;

pub use load::ShaftLoad;
pub use machine::{Feed, HoldOutcome, Machine, Simulator, State, hold_speed};
