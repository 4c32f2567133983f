//! Streaming: whatever the line does, every step comes once and on its tick; and when the
//! line dies, the axes come to a standstill on their path, and the board knows where.

#[path = "../support/mod.rs"]
mod support;

mod bench;
mod boards;
mod model_board;
mod session;
mod wire;

mod coils;
mod command;
mod playing;
mod records;
mod small_part;
mod standstill;
