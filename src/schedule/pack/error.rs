//! What can be wrong with a program to pack, or with packed bytes.

use thiserror::Error;

/// Steps of one axis in a packed move. Chosen: their times are 128 MiB.
pub(super) const MOST_STEPS: u64 = 1 << 24;

/// Why a program cannot be packed.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum PackError {
    /// An interval of the move is longer than the layout holds, or there are too many
    /// slow ones.
    #[error("move {index} is too slow to be packed at this tick rate; a larger prescaler helps")]
    TooSlow {
        /// Number of the move in the program, from 0.
        index: u64,
    },
    /// Packing holds the times of all the steps of one move.
    #[error("move {index} makes {steps} steps, and the limit of a packed move is {MOST_STEPS}")]
    TooManySteps {
        /// Number of the move in the program, from 0.
        index: u64,
        /// Steps of one axis.
        steps: u64,
    },
    /// Numbers of motions have 16 bits.
    #[error("the program has more than 65,536 different moves")]
    TooManyMotions,
    /// Numbers of texts have 16 bits.
    #[error("the program has more than 65,536 different marks")]
    TooManyMarks,
    /// Numbers of outputs have 8 bits, those of inputs 6.
    #[error("the rig has more than 255 outputs or 64 inputs")]
    TooManyPins,
    /// Repeats are nested up to four deep.
    #[error("the program nests long repeats more than four deep")]
    TooNested,
    /// Steps fell elsewhere than the motion says.
    #[error("the steps of move {index} do not fall where its motion puts them")]
    Inconsistent {
        /// Number of the move in the program, from 0.
        index: u64,
    },
}

/// Bytes that are not a packed program, and what is wrong with them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
#[error("not a packed program: {0}")]
pub struct Malformed(pub &'static str);
