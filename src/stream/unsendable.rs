//! Why a program cannot be streamed.

/// Why a program cannot be streamed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Unsendable {
    /// More happens on one tick than one frame holds.
    #[error("more happens on tick {0} than one frame holds")]
    Crowded(u64),
    /// A slow-down takes more room than the board has.
    #[error(
        "the slow-down at tick {tick} takes more than the {room} bytes that the board has for one"
    )]
    SlowDown {
        /// Where.
        tick: u64,
        /// How many bytes there may be.
        room: usize,
    },
    /// More axes than records can tell apart.
    #[error("{0} axes are more than a board's link can drive")]
    Axes(usize),
}
