//! What a rig can do.

pub mod band;
pub mod load;
pub mod machine;

pub use band::{Band, BandKind, FoundBy};
pub use load::ShaftLoad;
pub use machine::{Feed, HoldOutcome, Machine, Simulator, State, hold_speed};
