//! What a rig can do.

pub mod band;
pub mod currents;
pub mod feed;
pub mod forced;
pub mod heat;
pub mod linear;
pub mod load;
pub mod machine;
pub mod orbit;
pub mod regeneration;
mod remembered;
pub mod stability;
pub mod start_stop;
pub mod torque;

pub use band::{Band, BandKind, FoundBy};
pub use currents::CoilTable;
pub use feed::Feed;
pub use forced::Effort;
pub use heat::Heat;
pub use load::ShaftLoad;
pub use machine::{HoldOutcome, Machine, Simulator, State, hold_speed};
pub use regeneration::Regeneration;
pub use stability::bands;
pub use start_stop::{StartStop, start_stop};
pub use torque::PullOut;
