//! What became of the moves.

use serde::ser::SerializeMap;
use serde::{Serialize, Serializer};

use super::{SeekOutcome, SimulationEvent};
use crate::plan::PlannedMove;
use crate::rig::TravelUnit;

/// What became of a program. Serialises as `simulate --json` shows it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Outcome {
    /// Whether no move lost or gained a step.
    pub ok: bool,
    /// Full steps lost, all moves together; steps gained count as well.
    pub lost_steps: u64,
    /// Greatest lag of any move, either way (electrical degrees).
    pub peak_lag_electrical_deg: f64,
    /// Every move on every axis that it turns, by index.
    pub moves: Vec<MoveOutcome>,
    /// Where the simulation ended before the program (s); none where it played all of it.
    pub played_to_s: Option<f64>,
    /// Moves that were left out, as they come to the same; inner loops before outer ones.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub left_out: Vec<LeftOut>,
    /// The seeks whose contacts have places, in their order.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub seeks: Vec<SeekOutcome>,
}

/// Moves that come again and again and were played once.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct LeftOut {
    /// Number of the first move that was played.
    pub from: u64,
    /// How many moves come again.
    pub moves: u64,
    /// How often.
    pub times: u64,
}

impl LeftOut {
    /// The number of the move that was played for the one of this number.
    fn played(self, index: u64) -> u64 {
        let Some(behind) = index.checked_sub(self.from) else {
            return index;
        };
        // A period without moves stands for none.
        match behind.checked_div(self.moves) {
            Some(times) if (1..=self.times).contains(&times) => self.from + behind % self.moves,
            _ => index,
        }
    }
}

/// What became of one move on one axis. Serialises with `…_deg` for a rotary load and
/// `…_mm` for a linear one.
#[derive(Debug, Clone, PartialEq)]
pub struct MoveOutcome {
    /// Number of the move in the program, from 0.
    pub index: u64,
    /// Line of its statement, from 1.
    pub line: usize,
    /// Which part of its statement it is: `whole`, `beyond` or `approach`.
    pub part: &'static str,
    /// The axis.
    pub axis: String,
    /// How far it was to go (in `unit`, signed).
    pub travel: f64,
    /// Full steps that the rotor fell behind along the motion for good; negative where
    /// it ran ahead. A multiple of four, as equilibria lie four full steps apart.
    pub lost_steps: i64,
    /// Greatest commanded minus true angle, either way (electrical degrees; 90 are a
    /// full step).
    pub peak_lag_electrical_deg: f64,
    /// How far the load went beyond the target (in `unit`; never negative). After a loss:
    /// beyond the place where the rotor would then come to rest.
    pub overshoot: f64,
    /// Time from the last step until the load stayed within the rig's `settle`, without
    /// regard to lost steps (s); none where it was not seen to.
    pub settle_s: Option<f64>,
    /// True minus commanded place of the load at the end (in `unit`), lost steps included.
    pub final_error: f64,
    /// Whether it rested at the end, or had been within `settle` for half a period of its natural
    /// frequency: the zero of a swing is no standstill.
    pub steady: bool,
    /// Degrees, or millimetres where the load is linear.
    pub unit: TravelUnit,
}

#[cfg(test)]
impl MoveOutcome {
    /// A move that lost nothing, for the tests of what is made of outcomes.
    pub(crate) fn without_loss() -> Self {
        Self {
            index: 0,
            line: 3,
            part: "whole",
            axis: "table".to_owned(),
            travel: 2.0,
            lost_steps: 0,
            peak_lag_electrical_deg: 9.0,
            overshoot: 0.2,
            settle_s: Some(0.01),
            final_error: 0.0,
            steady: true,
            unit: TravelUnit {
                name: "deg",
                per_si: 1.0,
            },
        }
    }
}

impl Serialize for MoveOutcome {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("index", &self.index)?;
        map.serialize_entry("line", &self.line)?;
        map.serialize_entry("part", &self.part)?;
        map.serialize_entry("axis", &self.axis)?;
        map.serialize_entry("lost_steps", &self.lost_steps)?;
        map.serialize_entry("peak_lag_electrical_deg", &self.peak_lag_electrical_deg)?;
        map.serialize_entry(&format!("overshoot_{}", self.unit.name), &self.overshoot)?;
        map.serialize_entry("settle_s", &self.settle_s)?;
        map.serialize_entry(
            &format!("final_error_{}", self.unit.name),
            &self.final_error,
        )?;
        map.end()
    }
}

impl Default for Outcome {
    fn default() -> Self {
        Self {
            ok: true,
            lost_steps: 0,
            peak_lag_electrical_deg: 0.0,
            moves: Vec::new(),
            played_to_s: None,
            left_out: Vec::new(),
            seeks: Vec::new(),
        }
    }
}

impl Outcome {
    /// What became of a move on an axis; none where it was not played to its end.
    pub fn of(&self, planned: &PlannedMove, axis: &str) -> Option<&MoveOutcome> {
        let index = self.played(planned.index);
        let first = self.moves.partition_point(|one| one.index < index);
        let of_index = self.moves[first..]
            .iter()
            .take_while(|one| one.index == index);
        let mut found = of_index.filter(|one| one.part == planned.part.word());
        found.find(|one| one.axis == axis)
    }

    /// The number of the move that was played for the one of this number.
    pub(crate) fn played(&self, index: u64) -> u64 {
        let outwards = self.left_out.iter().rev();
        outwards.fold(index, |index, left_out| left_out.played(index))
    }

    /// Takes in what a simulation tells.
    pub fn take_in(&mut self, event: &SimulationEvent<'_>) {
        match event {
            SimulationEvent::Move(result) => self.add((*result).clone()),
            SimulationEvent::LeftOut(left_out) => self.left_out.push(*left_out),
            SimulationEvent::Sought(outcome) => self.seeks.push((*outcome).clone()),
            SimulationEvent::Cut(reached) => self.played_to_s = Some(*reached),
            SimulationEvent::Progress(_) | SimulationEvent::Sample(_) => {}
        }
    }

    /// Takes in what became of a move.
    pub fn add(&mut self, result: MoveOutcome) {
        self.ok &= result.lost_steps == 0;
        self.lost_steps += result.lost_steps.unsigned_abs();
        self.peak_lag_electrical_deg = self
            .peak_lag_electrical_deg
            .max(result.peak_lag_electrical_deg);
        let place = self
            .moves
            .partition_point(|other| other.index <= result.index);
        self.moves.insert(place, result);
    }
}
