//! What the tests beside the code share.

pub(crate) mod avr;
pub(crate) mod bench;
pub(crate) mod draw;
pub(crate) mod model;
pub(crate) mod motion;
pub(crate) mod motors;
#[path = "../../tests/support/posix_board.rs"]
pub(crate) mod posix_board;
pub(crate) mod processor;
pub(crate) mod rigs;
pub(crate) mod spread;
#[path = "../../tests/support/mod.rs"]
pub(crate) mod support;
