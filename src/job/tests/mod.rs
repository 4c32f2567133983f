//! Whole scenarios.

mod example_scenarios;
mod players;
