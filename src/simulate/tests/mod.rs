//! The rotor behind a schedule.

mod seeks;
mod settling;
mod simulation;
mod step_size;
mod vibration;
