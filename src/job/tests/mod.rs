//! Whole scenarios.

mod example_scenarios;
