//! A motor without papers: from what was measured at the bench to a profile that says how
//! sure it is.
//!
//! 1. [`notes`]: YAML with measurements becomes observations; logs become fitted numbers
//!    ([`log`], [`fits`]).
//! 2. [`estimate`]: weighted least squares over all observations and the scaling rule's
//!    wide guesses ([`scaling`], [`observation`], [`machine`]).
//! 3. [`contradiction`]: measurements that cannot both be true; [`next`]: the measurement that
//!    would help most.
//! 4. [`profile`]: the motor's profile with value, range and origin of each number.
//!
//! [`wiring`] finds the coils behind the leads; [`questions`] asks for what the notes hold.

pub mod bench;
mod contradiction;
mod estimate;
pub(crate) mod fits;
mod log;
mod machine;
pub mod next;
mod notes;
mod observation;
mod parameter;
mod power_up;
pub mod profile;
pub mod questions;
mod rests;
pub(crate) mod scaling;
#[cfg(test)]
mod tests;
mod wiring;

pub use contradiction::{Contradiction, contradictions};
pub use estimate::{Estimate, Found, Origin, RANGE};
pub use fits::Fit;
pub use machine::{TestSupply, pull_out};
pub use notes::{Notes, USUAL_TEETH};
pub use parameter::MotorValue;
pub use wiring::{CAUTION_LEADS, MotorWiring};
