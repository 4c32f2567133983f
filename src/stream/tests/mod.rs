//! The link: the host against boards, as models and as compiled.

mod bench;
mod board_language;
mod boards;
mod model_board;
mod session;
mod wire;

mod coils;
mod converters;
mod hostile;
mod playing;
mod random_slow_downs;
mod records;
mod small_part;
mod standstill;
mod stops;
