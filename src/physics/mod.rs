//! What a rig can do.

pub(crate) mod band;
pub(crate) mod cautions;
pub(crate) mod currents;
mod eigenvalues;
pub(crate) mod feed;
pub(crate) mod filter;
pub(crate) mod forced;
mod harmonics;
pub(crate) mod heat;
pub(crate) mod linear;
pub(crate) mod load;
pub(crate) mod loss;
pub(crate) mod machine;
pub(crate) mod orbit;
pub(crate) mod proposal;
pub(crate) mod regeneration;
mod remembered;
pub(crate) mod rest_error;
pub(crate) mod stability;
pub(crate) mod start_stop;
#[cfg(test)]
mod tests;
pub(crate) mod torque;

pub use band::{Band, BandKind, FoundBy};
pub use currents::CoilTable;
#[cfg(test)]
pub(crate) use feed::Feed;
pub use harmonics::Harmonics;
pub use heat::{CAUTIONS, Heat, Losses};
pub use load::ShaftLoad;
pub use loss::{RotorLoss, Spread};
#[cfg(test)]
pub(crate) use machine::State;
pub(crate) use machine::{Machine, Simulator};
pub use proposal::{Proposal, SequenceAbility};
pub use regeneration::{Regeneration, SwitchOff};
pub use rest_error::RestError;
pub use start_stop::StartStop;
#[cfg(test)]
pub(crate) use start_stop::start_stop;
pub use torque::{PullOut, PullOutSample};
