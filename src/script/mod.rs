//! The script: a text of moves, and what it expands to.

pub mod action;

pub use action::{Action, ActionKind, Move, Pace, Settings, Shape, Target, Way};
