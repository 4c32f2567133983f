//! The statements of a script whose moves are searched, and those that stay as they are.

use std::collections::HashMap;
use std::sync::Arc;

use crate::diagnostic::Span;
use crate::job::events::UntilError;
use crate::job::{Error, Job};
use crate::plan::position::TravelScale;
use crate::plan::{Item, MovePart, Tally};
use crate::script::{Action, ActionKind, Move, MovePace, Settings};

/// Different travels of a statement that are tried; further ones are left to the check of the
/// whole program.
const MOST_TRAVELS: usize = 8;

/// A statement that moves one axis.
#[derive(Debug)]
pub(super) struct MoveStatement {
    pub(super) line: usize,
    pub(super) span: Span,
    pub(super) axis: usize,
    /// The settings that it is written under.
    pub(super) settings: Arc<Settings>,
    /// The speed that it is written with (rad/s or m/s).
    pub(super) at: Option<f64>,
    /// The different travels of its moves (microsteps).
    pub(super) travels: Vec<i64>,
}

/// A statement that stays as it is.
#[derive(Debug)]
pub(super) struct LeftStatement {
    line: usize,
    why: &'static str,
}

/// A statement that stays as it is written, and why.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LeftAsWritten {
    /// Its line.
    pub line: usize,
    /// The reason.
    pub why: &'static str,
}

impl LeftStatement {
    pub(super) const fn told(&self) -> LeftAsWritten {
        LeftAsWritten {
            line: self.line,
            why: self.why,
        }
    }
}

/// The statements of a job's script in the order of its text.
///
/// # Errors
/// The program cannot be planned.
pub(super) fn statements(job: &Job) -> Result<(Vec<MoveStatement>, Vec<LeftStatement>), Error> {
    let mut found: Vec<MoveStatement> = Vec::new();
    let mut left: Vec<(Span, LeftStatement)> = Vec::new();
    let mut leave = |action: &Action, why| {
        if left.iter().all(|(span, _)| *span != action.span) {
            let line = action.line;
            left.push((action.span, LeftStatement { line, why }));
        }
    };
    for action in job.script.actions_once() {
        let action = action?;
        match &action.kind {
            ActionKind::Move(turn) if matches!(turn.pace, MovePace::In(..)) => {
                leave(&action, "its time is given");
            }
            ActionKind::Move(turn) => {
                if found.iter().all(|one| one.span != action.span) {
                    found.extend(statement(job, &action, turn));
                }
            }
            ActionKind::Together(_) => leave(&action, "its moves end together"),
            ActionKind::Through(_) => leave(&action, "its moves do not stop"),
            ActionKind::Seek(_) => leave(&action, "it has one speed, from rest"),
            ActionKind::Dwell(_)
            | ActionKind::DwellUntilSettled
            | ActionKind::Output { .. }
            | ActionKind::Await { .. }
            | ActionKind::Zero(_)
            | ActionKind::Mark(_) => {}
        }
    }
    travels(job, &mut found)?;
    found.retain(|one| !one.travels.is_empty());
    found.sort_by_key(|one| one.span);
    left.sort_by_key(|(span, _)| *span);
    Ok((found, left.into_iter().map(|(_, left)| left).collect()))
}

/// None where the planner will refuse it.
fn statement(job: &Job, action: &Action, turn: &Move) -> Option<MoveStatement> {
    let axes = &job.rig.axes;
    let axis = match &turn.axis {
        None => 0,
        Some((name, _)) => axes.iter().position(|axis| *axis.name == **name)?,
    };
    let at = match turn.pace {
        MovePace::At(speed, _) => {
            let scale = TravelScale::new(&axes[axis]);
            let a_second = crate::units::Quantity {
                dimension: crate::units::Dimension {
                    time: 0,
                    ..speed.dimension
                },
                ..speed
            };
            let microsteps = scale.microsteps(a_second)?.nearest();
            Some(microsteps / axes[axis].microsteps_per_travel())
        }
        MovePace::Limits | MovePace::In(..) => None,
    };
    Some(MoveStatement {
        line: action.line,
        span: action.span,
        axis,
        settings: Arc::clone(&turn.settings),
        at,
        travels: Vec::new(),
    })
}

/// Finds the different travels of each statement.
fn travels(job: &Job, found: &mut [MoveStatement]) -> Result<(), Error> {
    let places: HashMap<Span, usize> = found
        .iter()
        .enumerate()
        .map(|(number, one)| (one.span, number))
        .collect();
    let mut items = UntilError::new(job.program());
    // Where the part beyond its target began that a move is under way with.
    let mut beyond = None;
    for (item, _) in Tally::new(&mut items) {
        let Item::Move(planned) = item else { continue };
        let Some(place) = places.get(&planned.span) else {
            continue;
        };
        let travel = &planned.travel[0];
        let from = match planned.part {
            MovePart::Whole => travel.from_steps,
            MovePart::Beyond => {
                beyond = Some(travel.from_steps);
                continue;
            }
            MovePart::Approach => beyond.take().unwrap_or(travel.from_steps),
        };
        let steps = travel.to_steps - from;
        let known = &mut found[*place].travels;
        if steps != 0 && known.len() < MOST_TRAVELS && !known.contains(&steps) {
            known.push(steps);
        }
    }
    items.ended()
}
