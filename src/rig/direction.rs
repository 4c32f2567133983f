//! The two ways in which an axis moves.

/// Which way an axis turns.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Direction {
    /// Rising position (counter-clockwise).
    Positive,
    /// Falling position (clockwise).
    Negative,
}

impl Direction {
    /// +1 or −1.
    pub const fn sign(self) -> i64 {
        match self {
            Self::Positive => 1,
            Self::Negative => -1,
        }
    }

    /// The direction of a signed number of microsteps; zero counts as positive.
    pub const fn of(steps: i64) -> Self {
        if steps < 0 {
            Self::Negative
        } else {
            Self::Positive
        }
    }
}
