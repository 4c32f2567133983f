//! The rotor behind a schedule.

mod settling;
mod simulation;
mod step_size;
mod vibration;
