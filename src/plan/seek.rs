//! `seek` and `zero`: moves that end where an input is seen, and where an axis then stands.
//!
//! A seek is planned over its whole distance, at constant speed: the axis starts and stops at
//! once, so that it can stop at any step. How far it goes is known to nobody before it is
//! played. Positions add up from the far end, and count for nothing until `zero` says which
//! position the axis has.

use std::collections::VecDeque;

use super::aim::{Aim, AimKind};
use super::planner::Planner;
use super::position::Position;
use super::standing::Bearing;
use super::{Item, PlannedMove, SoughtInput};
use crate::diagnostic::{Diagnostic, Span};
use crate::script::{Action, Seek, Target, Zero};

impl Planner<'_> {
    /// Plans a seek.
    pub(crate) fn seek(
        &mut self,
        action: &Action,
        seek: &Seek,
        ready: &mut VecDeque<Item>,
    ) -> Result<(), Diagnostic> {
        let way = &seek.way;
        let axis = self.names.axis_of("seek", way.axis.as_ref(), action.span)?;
        let inputs = &self.names.rig.inputs;
        let input = self
            .names
            .pin("input", inputs, &seek.input, seek.input_span)?;
        let from = self.standing.positions[axis];
        let to = self.target(axis, from, way)?;
        let job = self.steady_job(axis, to.steps - from.steps, action.span, way)?;
        let done = self
            .motions
            .steady(job)
            .map_err(|failure| self.names.explain(&failure, action.span, way.pace))?;
        let travel = vec![self.standing.travel(axis, from, to)];
        self.standing.positions[axis] = to;
        self.standing.bearings[axis] = Bearing::Sought(action.line);
        // It may end before the play is taken up.
        if let Some(take_up) = &mut self.standing.take_ups[axis] {
            take_up.done = false;
        }
        let until = seek.until();
        ready.push_back(Item::Move(PlannedMove {
            seeks: Some(SoughtInput { input, until }),
            ..self.numbered(action, done, travel)
        }));
        Ok(())
    }

    /// Takes the place where an axis stands for a position.
    pub(crate) fn zero(&mut self, action: &Action, zero: &Zero) -> Result<Item, Diagnostic> {
        let axis = self
            .names
            .axis_of("zero", zero.axis.as_ref(), action.span)?;
        let to = match zero.at {
            None => Position::default(),
            Some((at, span)) => {
                let scale = &self.standing.scales[axis];
                let target = Target::To(at);
                self.names
                    .position(axis, scale, Position::default(), target, None, span)?
            }
        };
        self.standing.positions[axis] = to;
        self.standing.bearings[axis] = Bearing::Known;
        // What follows aims from a place that is the same in every pass.
        self.aims.push(Aim {
            axis,
            kind: AimKind::By,
            above: super::position::above_halfway(to.asked),
        });
        Ok(Item::Zero {
            axis,
            steps: to.steps,
        })
    }

    /// Refuses what takes the position of an axis for known where it is not.
    pub(crate) fn position_known(&self, axis: usize, place: Span) -> Result<(), Diagnostic> {
        let name = &self.names.rig.axes[axis].name;
        let (message, help) = match self.standing.bearings[axis] {
            Bearing::Known => return Ok(()),
            Bearing::Unhomed => (
                format!("axis “{name}” is not homed: its rig says `home: required`"),
                format!("write “seek {name} by … until INPUT” and “zero {name}” before this move"),
            ),
            Bearing::Sought(line) => (
                format!(
                    "the position of axis “{name}” is unknown since it sought an input in line {line}"
                ),
                format!("write “zero {name}” or “zero {name} at …” after the seek, or turn “by”"),
            ),
        };
        Err(Diagnostic::error("position-unknown", message)
            .at(&self.names.source, place, "this is a position")
            .help(help))
    }

    /// Refuses to wait until an axis has settled whose place in the cycle of its currents nobody
    /// knows.
    pub(crate) fn place_known(&self, place: Span) -> Result<(), Diagnostic> {
        let mut bearings = self.standing.bearings.iter().enumerate();
        let sought = bearings.find_map(|(axis, bearing)| match bearing {
            Bearing::Sought(line) => Some((axis, *line)),
            Bearing::Known | Bearing::Unhomed => None,
        });
        let Some((axis, line)) = sought else {
            return Ok(());
        };
        let name = &self.names.rig.axes[axis].name;
        let message =
            format!("how axis “{name}” settles depends on where its seek in line {line} has ended");
        Err(Diagnostic::error("settling-unknown", message)
            .at(
                &self.names.source,
                place,
                "this is a time that nobody can tell",
            )
            .help(format!(
                "write a time such as “dwell 300 ms”, or “zero {name}” before it"
            )))
    }
}
