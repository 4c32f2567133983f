//! What a rig can do.

pub mod band;
pub mod load;
pub mod machine;
pub mod start_stop;

pub use band::{Band, BandKind, FoundBy};
pub use load::ShaftLoad;
pub use machine::{Feed, HoldOutcome, Machine, Simulator, State, hold_speed};
pub use start_stop::{StartStop, start_stop};
