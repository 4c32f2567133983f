//! A program played for its verdict: in the rig's own motor, and in a worse one.
//!
//! The worse axis makes less torque by `weaker_motor`, and carries more inertia and friction by
//! `heavier_load`, as the rig's limits say. Both simulations end with the program or after
//! [`MOST_WORK`] steps and internal steps, whichever comes first, so that no verdict takes long
//! because a program is long, or because a number of the rig is absurd.

use std::collections::HashMap;

use serde::{Serialize, Serializer};
use serde_json::json;

use super::Options;
use super::outcome::{MoveOutcome, Outcome};
use crate::plan::{Item, PlannedMove};
use crate::rig::{Axis, Rig};

/// Steps and internal steps of a simulation for a verdict: chosen, at most about half a second of
/// work, so that both simulations and the plan take less than two.
pub(crate) const MOST_WORK: u64 = 3_000_000;

/// What the motor model makes of a program.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct Rehearsal {
    /// In the rig's own motor.
    #[serde(flatten)]
    pub own: Outcome,
    /// In a worse one; none where the rig asks for no reserve.
    #[serde(serialize_with = "without_moves")]
    pub worse: Option<Outcome>,
    #[serde(skip)]
    pub(crate) pauses: Pauses,
}

impl Rehearsal {
    /// What to play for it, in the rig's motor or in the worse one.
    pub(crate) fn options(worse: bool) -> Options {
        Options {
            worse,
            most_work: Some(MOST_WORK),
            ..Options::default()
        }
    }

    /// Whether the rig names a worse motor.
    pub(crate) fn tries_worse(rig: &Rig) -> bool {
        let is_worse =
            |axis: &Axis| axis.limits.weaker_motor > 0.0 || axis.limits.heavier_load > 0.0;
        rig.axes.iter().any(is_worse)
    }

    /// What became of a move on an axis, in the own motor; none where it was not played.
    pub fn of(&self, planned: &PlannedMove, axis: &str) -> Option<&MoveOutcome> {
        self.own.of(planned, axis)
    }

    /// The same in the worse motor.
    pub fn worse_of(&self, planned: &PlannedMove, axis: &str) -> Option<&MoveOutcome> {
        self.worse.as_ref()?.of(planned, axis)
    }

    /// How long the program dwells behind a move (s).
    pub fn pause_after(&self, planned: &PlannedMove) -> f64 {
        self.pauses
            .after
            .get(&self.own.played(planned.index))
            .copied()
            .unwrap_or(0.0)
    }

    /// Up to where both motors were played (s); none where that is all of the program.
    pub fn played_to(&self) -> Option<f64> {
        let worse = self.worse.as_ref().and_then(|worse| worse.played_to_s);
        let own = self.own.played_to_s;
        own.into_iter().chain(worse).reduce(f64::min)
    }
}

/// What the worse motor comes to; its moves are told where they are found at fault.
fn without_moves<S: Serializer>(worse: &Option<Outcome>, serializer: S) -> Result<S::Ok, S::Error> {
    let all = worse.as_ref().map(|worse| {
        json!({
            "ok": worse.ok,
            "lost_steps": worse.lost_steps,
            "peak_lag_electrical_deg": worse.peak_lag_electrical_deg,
        })
    });
    all.serialize(serializer)
}

/// Where a program pauses, noted while it is played.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Pauses {
    last_move: Option<u64>,
    /// Seconds that it dwells behind a move, where it does.
    after: HashMap<u64, f64>,
}

impl Pauses {
    /// The next item of the program goes into the simulation.
    pub(crate) fn note(&mut self, item: &Item) {
        match item {
            Item::Move(planned) => self.last_move = Some(planned.index),
            Item::Dwell(seconds) => {
                if let Some(last) = self.last_move {
                    *self.after.entry(last).or_default() += seconds;
                }
            }
            Item::Output { .. } | Item::Await { .. } | Item::Zero { .. } | Item::Mark(_) => {}
        }
    }
}
