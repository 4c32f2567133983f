//! Whole scenarios.

mod absurd_values;
mod crossing;
mod cures;
mod endless;
mod example_scenarios;
mod fastest;
mod following;
mod heating;
mod one_answer;
mod players;
mod repetition;
mod short_stops;
mod slow_downs;
