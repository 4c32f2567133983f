//! Whole scenarios.

mod absurd_values;
mod crossing;
mod endless;
mod example_scenarios;
mod following;
mod one_answer;
mod players;
mod repetition;
