//! The player plays schedules on the very cycles: its machine code is run in a
//! cycle-accurate simulator of the microcontroller (simavr, a general-purpose one), and
//! every edge of its pins is compared with the schedule.

mod board;
#[path = "../support/mod.rs"]
mod support;

mod played;

mod bridges;
mod bus;
mod coils;
mod endless;
mod faults;
mod holding;
mod hostile;
mod levels;
mod memory;
mod outputs;
mod parts;
mod ports;
mod project;
mod pwm;
mod random;
mod repeats;
mod seeks;
mod several;
mod states;
mod steps;
mod stops;
mod user_code;
mod waits;
