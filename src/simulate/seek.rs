//! Seeks, where somebody says at which positions contacts switch.
//!
//! A contact is active from its position on in the direction in which its axis first seeks it
//! active, or first leaves it. Its position is that of the load, without the play of a gearing.
//! It is looked at once a step, as the rotor stands at that step's tick; the second look in a
//! row that finds it as sought ends the seek, as in the firmware.

use std::ops::ControlFlow;

use serde::ser::SerializeMap;
use serde::{Serialize, Serializer};

use super::SimulationEvent;
use super::follow::Follower;
use crate::plan::PlannedMove;
use crate::rig::TravelUnit;
use crate::script::Until;

/// Looks in a row that have to find a contact as sought: as many as in the firmware.
const LOOKS: u32 = 2;

/// How a seek ended. Serialises with `…_deg` for a rotary load and `…_mm` for a linear one.
#[derive(Debug, Clone, PartialEq)]
pub struct SeekOutcome {
    /// Line of its statement, from 1.
    pub line: usize,
    /// The axis.
    pub axis: String,
    /// Whether the contact was seen.
    pub found: bool,
    /// Microsteps that it took.
    pub steps: u64,
    /// Where the axis was told to stop, from where it stood at the start (in `unit`).
    pub at: f64,
    /// Degrees, or millimetres where the load is linear.
    pub unit: TravelUnit,
}

impl Serialize for SeekOutcome {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("line", &self.line)?;
        map.serialize_entry("axis", &self.axis)?;
        map.serialize_entry("found", &self.found)?;
        map.serialize_entry("steps", &self.steps)?;
        map.serialize_entry(&format!("at_{}", self.unit.name), &self.at)?;
        map.end()
    }
}

/// The contacts of a program, by axis, and the seek that is under way.
#[derive(Debug)]
pub(super) struct Contacts<'c> {
    /// Where each switches (rad or m from the start), where that is known.
    at: &'c [Option<f64>],
    /// The sign of the positions on whose side each is active, once that is known.
    active: Vec<Option<i64>>,
    seek: Option<OpenSeek>,
}

/// A seek that is under way.
#[derive(Debug)]
struct OpenSeek {
    line: usize,
    axis: usize,
    /// Looks in a row that have found the contact as sought.
    looks: u32,
    steps: u64,
    /// When the last step was made, or the seek began (s).
    last: f64,
}

impl OpenSeek {
    const fn is_over(&self) -> bool {
        self.looks >= LOOKS
    }
}

impl<'c> Contacts<'c> {
    pub(super) fn new(at: &'c [Option<f64>]) -> Self {
        Self {
            at,
            active: vec![None; at.len()],
            seek: None,
        }
    }

    /// Whether somebody says where a contact of any axis is.
    pub(super) fn is_known(&self) -> bool {
        self.at.iter().any(Option::is_some)
    }

    /// Whether a seek is under way.
    pub(super) const fn is_open(&self) -> bool {
        self.seek.is_some()
    }

    /// Whether that move ends where a contact is, and that is known.
    pub(super) fn ends(&self, planned: &PlannedMove) -> bool {
        let axis = planned.sought().map(|(axis, _)| axis);
        axis.and_then(|axis| *self.at.get(axis)?).is_some()
    }

    /// Begins a seek, at `time`.
    pub(super) fn begin(&mut self, axis: usize, time: f64) {
        if self.at.get(axis).copied().flatten().is_some() {
            self.seek = Some(OpenSeek {
                line: 0,
                axis,
                looks: 0,
                steps: 0,
                last: time,
            });
        }
    }

    /// Before the first step of a seek: it makes none where its contact is as sought.
    pub(super) fn look_ahead(&mut self, planned: &PlannedMove, follower: &Follower<'_>) {
        let Some((axis, sought)) = planned.sought() else {
            return;
        };
        let onwards = planned.motion.axes[0].direction.sign();
        let side = match sought.until {
            Until::Active | Until::Pressed => onwards,
            Until::Released => -onwards,
        };
        self.active[axis].get_or_insert(side);
        let is_seen = self.is_seen(axis, sought.until, follower);
        if let Some(seek) = &mut self.seek {
            seek.line = planned.line;
            seek.looks = if is_seen { LOOKS } else { 0 };
        }
    }

    /// Whether the seek that is under way makes no further step.
    pub(super) fn is_over(&self) -> bool {
        self.seek.as_ref().is_some_and(OpenSeek::is_over)
    }

    /// Looks at the contact, with the step at `time`.
    pub(super) fn look(&mut self, planned: &PlannedMove, time: f64, follower: &Follower<'_>) {
        let Some((axis, sought)) = planned.sought() else {
            return;
        };
        let is_seen = self.is_seen(axis, sought.until, follower);
        if let Some(seek) = &mut self.seek {
            seek.steps += 1;
            seek.last = time;
            seek.looks = if is_seen { seek.looks + 1 } else { 0 };
        }
    }

    fn is_seen(&self, axis: usize, until: Until, follower: &Follower<'_>) -> bool {
        let (Some(at), Some(side)) = (self.at[axis], self.active[axis]) else {
            return false;
        };
        let beyond = (follower.place() - at) * side as f64;
        match until {
            Until::Active | Until::Pressed => beyond >= 0.0,
            Until::Released => beyond < 0.0,
        }
    }

    /// Ends the seek that is under way; when it ended, and whether it has found its contact.
    pub(super) fn end(
        &mut self,
        followers: &[Follower<'_>],
        report: &mut dyn FnMut(SimulationEvent<'_>) -> ControlFlow<()>,
    ) -> ControlFlow<(), Option<f64>> {
        let Some(seek) = self.seek.take() else {
            return ControlFlow::Continue(None);
        };
        let found = seek.is_over();
        let follower = &followers[seek.axis];
        let (name, unit) = follower.shown();
        let outcome = SeekOutcome {
            line: seek.line,
            axis: name.to_owned(),
            found,
            steps: seek.steps,
            at: follower.commanded_place() * unit.per_si,
            unit,
        };
        report(SimulationEvent::Sought(&outcome))?;
        ControlFlow::Continue(found.then_some(seek.last))
    }
}
