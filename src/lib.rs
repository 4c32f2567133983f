//! slewsmith plans exact indexed turns of stepping motors.

#![forbid(unsafe_code)]
#![warn(missing_docs)]

pub mod check;
pub mod cli;
pub mod diagnostic;
pub mod draw;
pub mod emit;
pub mod physics;
pub mod plan;
pub mod rig;
pub mod schedule;
pub mod script;
pub mod simulate;
pub mod units;
