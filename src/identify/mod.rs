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
pub mod contradiction;
pub mod estimate;
pub mod fits;
pub mod log;
pub mod machine;
pub mod next;
pub mod notes;
pub mod observation;
pub mod parameter;
pub mod power_up;
pub mod profile;
pub mod questions;
pub mod scaling;
pub mod wiring;

pub use contradiction::{Contradiction, contradictions};
pub use estimate::{Estimate, Found, Origin};
pub use notes::Notes;
pub use parameter::MotorValue;
