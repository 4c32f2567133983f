//! What a rig can do.

pub(crate) mod band;
pub(crate) mod currents;
pub(crate) mod forced;
pub(crate) mod heat;
pub(crate) mod linear;
pub(crate) mod load;
pub(crate) mod machine;
pub(crate) mod orbit;
pub(crate) mod regeneration;
mod remembered;
pub(crate) mod stability;
pub(crate) mod start_stop;
#[cfg(test)]
mod tests;
pub(crate) mod torque;

pub use band::{Band, BandKind, FoundBy};
pub use currents::CoilTable;
pub(crate) use forced::Effort;
pub use heat::{CAUTIONS, Heat, HeatWarning, Losses};
pub use load::ShaftLoad;
#[cfg(test)]
pub(crate) use machine::{Feed, State, hold_speed};
pub(crate) use machine::{Machine, Simulator};
pub use regeneration::Regeneration;
pub(crate) use stability::bands;
pub use start_stop::StartStop;
pub(crate) use start_stop::start_stop;
pub use torque::{PullOut, PullOutSample};
