//! Our own firmware: what it can play, and the project in C99 that plays it.
//!
//! Everything about the player stands here: its sources (`c/`), the parts that it is made
//! for and their wiring, how many cycles and bytes it takes ([`budget`]), whether a program
//! leaves it the time it needs ([`pace`]), and the project that `emit --as firmware` writes.
//! [`verdict`] is the one place that says what it can play.

mod board;
mod bridge;
pub(crate) mod budget;
mod coils;
mod controller;
mod counted;
mod crowd;
mod fuses;
mod hazards;
mod makefile;
mod options;
mod pace;
mod place;
mod project;
mod readme;
mod shortcoming;
#[cfg(test)]
mod tests;
mod text;
mod verdict;
mod wiring;

pub use board::OtherBoard;
pub use budget::TIMER_BITS;
pub use coils::Unswitched;
pub use controller::{CompareOutput, Controller, PartPin};
pub use options::{Lines, PlayerOptions, ScheduleSource};
pub use pace::TooClose;
pub(crate) use place::Lined;
pub use project::{Edits, NAME, Project, ProjectFile, is_as_written, same_wiring};
pub use shortcoming::{ForeignPin, Lack, PinUse, Shortcoming, Unwired};
pub(crate) use verdict::judge;
pub use verdict::{Refusal, Unplayable};
pub use wiring::BusPins;
pub use wiring::Wiring;
