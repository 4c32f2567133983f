//! What only tests ask of the machine, and the balance of its energy.

mod balance;
pub(crate) mod filtered;
mod held;
mod hold_speed;

pub(crate) use held::held_pull_out;
pub(crate) use hold_speed::{hold_speed, hold_speed_in_steps};
