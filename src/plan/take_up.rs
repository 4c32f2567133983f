//! The stretch that takes up the play of a gearing.

use crate::plan::Direction;
use crate::rig::{Approach, Axis};

/// How an axis takes up its play.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct TakeUp {
    /// Which way moves end.
    pub(crate) direction: Direction,
    /// How far that takes (microsteps).
    distance: i64,
    /// Whether the play is taken up where the axis stands.
    pub(crate) done: bool,
}

impl TakeUp {
    /// Of that axis, where its rig asks for it.
    pub(crate) fn of(axis: &Axis) -> Option<Self> {
        let direction = match axis.load.approach? {
            Approach::Positive => Direction::Positive,
            Approach::Negative => Direction::Negative,
        };
        let play = (axis.load.play() * axis.microsteps_per_travel()).ceil();
        Some(Self {
            direction,
            distance: play as i64 + i64::from(axis.drive.microsteps()),
            done: false,
        })
    }

    /// The take-up with its sign, where a move of so many microsteps has to make it.
    pub(crate) fn after(self, steps: i64) -> Option<i64> {
        let ahead = steps * self.direction.sign();
        let by_itself = ahead == 0 || ahead >= self.distance || (ahead > 0 && self.done);
        (!by_itself).then_some(self.distance * self.direction.sign())
    }
}
