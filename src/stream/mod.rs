//! The schedule over a serial line, while the board plays it.
//!
//! The board keeps a little of the schedule ahead of what it plays. What goes over the
//! line, from the outside to the inside:
//!
//! - [`frame`]: payloads with a CRC-32, stuffed so that zero bytes stand between them only;
//! - [`message`]: what the payloads say: greeting and welcome, data, reports;
//! - [`record`]: what data consist of: runs of steps and single events, for each axis
//!   and one more stream; [`fit`] makes the runs;
//! - [`slicer`]: the schedule cut into data, in the order in which the board needs them;
//! - [`slow_down`] and `standstill`: how the axes come to a standstill behind each of these
//!   data;
//! - [`window`]: what is on its way, and what must be sent again;
//! - [`host`]: who says what when: greeting, start, stop and end.
//!
//! Nothing here touches a port: bytes and the time go in, bytes come out. The other side
//! is `link.c` of the player's project.
//!
//! # How true it is
//!
//! Every step falls within one tick of its tick in the schedule, every run of steps ends
//! on exactly its tick, and nothing is carried on from one run to the next.
//!
//! # When the line dies
//!
//! A shaft that stops abruptly throws its motor out of step: nobody knows where it stands
//! any more. One that holds its speed runs into something, sooner or later. So the board
//! slows down, and it cannot wait for being told how when the line is dead already: all
//! data carry behind their records a slow-down, which brings the axes along their
//! planned path to a standstill, with no more deceleration than the plan itself uses. The
//! check looks whether the motor has the torque for that at any speed. The next data replace the
//! slow-down, or say that it still applies. When a ring of events is about to run dry, the board
//! plays it, switches the outputs off and reports; nothing that arrives later moves anything until
//! a host greets again. It has counted every step, so the position is known.
//!
//! A stop that the host asks for is the same slow-down, behind what the board holds
//! already (0.3 s at most). The stop contact of the board is another matter: it ends pulses at
//! once.

mod ahead;
mod cut;
pub(crate) mod fit;
pub(crate) mod frame;
mod gentle;
pub(crate) mod host;
mod marks;
pub(crate) mod message;
pub(crate) mod record;
pub(crate) mod slicer;
pub(crate) mod slow_down;
mod standstill;
mod supply;
#[cfg(test)]
mod tests;
mod timing;
mod unsendable;
pub(crate) mod window;

pub use host::Ending;
pub use message::{BoardReport, BoardState, Likeness, Welcome};
pub use unsendable::Unsendable;
pub use window::Counts;
