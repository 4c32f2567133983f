//! Whole scenarios.

mod absurd_values;
mod example_scenarios;
mod following;
mod players;
