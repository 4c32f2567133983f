//! Why a motion cannot be planned.

use crate::plan::profile::Impossible;

/// Why a motion cannot be planned.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Unplannable {
    /// Time or distance do not suffice.
    Impossible(Impossible),
    /// The torque does not suffice at rest.
    Weak {
        /// Of which axis.
        axis: usize,
    },
}

impl From<Impossible> for Unplannable {
    fn from(impossible: Impossible) -> Self {
        Self::Impossible(impossible)
    }
}

impl Unplannable {
    /// The same where something remains to be done that adds to the shortest time.
    pub(crate) fn later(self, seconds: f64) -> Self {
        match self {
            Self::Impossible(Impossible::TooSoon { shortest }) => {
                Self::Impossible(Impossible::TooSoon {
                    shortest: shortest + seconds,
                })
            }
            other => other,
        }
    }
}
