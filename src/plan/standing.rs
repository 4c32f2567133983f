//! Where the axes stand, and whether their play is taken up there.

use crate::exact::Exact;
use crate::plan::Travel;
use crate::plan::position::{Position, TravelScale};
use crate::plan::take_up::TakeUp;
use crate::rig::Rig;

/// Where all axes of a rig stand.
#[derive(Debug)]
pub(crate) struct Standing {
    pub(crate) scales: Vec<TravelScale>,
    pub(crate) positions: Vec<Position>,
    /// How each axis takes up its play, where it has to.
    pub(crate) take_ups: Vec<Option<TakeUp>>,
    /// Whether anybody knows its position.
    pub(crate) bearings: Vec<Bearing>,
}

/// What is known of the position of an axis.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Bearing {
    /// It is known.
    Known,
    /// The axis has to be homed, and has not been.
    Unhomed,
    /// The axis has sought an input, and stands where that was seen; the line of the seek.
    Sought(usize),
}

impl Standing {
    /// At the start of a program.
    pub(crate) fn new(rig: &Rig) -> Self {
        Self {
            scales: rig.axes.iter().map(TravelScale::new).collect(),
            positions: vec![Position::default(); rig.axes.len()],
            take_ups: rig.axes.iter().map(TakeUp::of).collect(),
            bearings: rig
                .axes
                .iter()
                .map(|axis| match axis.must_home {
                    true => Bearing::Unhomed,
                    false => Bearing::Known,
                })
                .collect(),
        }
    }

    /// Where an axis starts and ends.
    pub(crate) fn travel(&self, axis: usize, from: Position, to: Position) -> Travel {
        Travel {
            from_steps: from.steps,
            to_steps: to.steps,
            from: self.place(axis, from),
            to: self.place(axis, to),
            target_error: self.error_of(axis, to),
        }
    }

    /// Position in units of travel (rad or m).
    pub(crate) fn place(&self, axis: usize, at: Position) -> f64 {
        self.scales[axis].travel(Exact::from(at.steps as f64))
    }

    /// How far a position lies from what was asked for (rad or m).
    pub(crate) fn error_of(&self, axis: usize, at: Position) -> f64 {
        self.scales[axis].travel(Exact::from(at.steps as f64) - at.asked)
    }

    /// The take-up with its sign that a move of so many microsteps needs at its end.
    pub(crate) fn take_up(&self, axis: usize, steps: i64) -> Option<i64> {
        self.take_ups[axis]?.after(steps)
    }

    /// Notes that the axis moved and that its play is taken up where it stands.
    pub(crate) fn taken_up(&mut self, axis: usize, steps: i64) {
        if let (Some(take_up), true) = (&mut self.take_ups[axis], steps != 0) {
            take_up.done = true;
        }
    }
}
