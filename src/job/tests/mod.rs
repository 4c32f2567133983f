//! Whole scenarios.

mod example_scenarios;
mod following;
mod players;
mod repetition;
