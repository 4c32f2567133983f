//! What a script names, found in the rig, and the words for what cannot be planned.

use std::sync::Arc;

use crate::diagnostic::{Diagnostic, Source, Span};
use crate::plan::position::{NoTarget, Position, TravelScale};
use crate::plan::profile::Impossible;
use crate::plan::unplannable::Unplannable;
use crate::rig::{Axis, Pin, Rig};
use crate::script::{Move, MovePace, Target, Way, instead_of};
use crate::units::{Rounded, to_digits};

/// A rig and the script that names its axes, outputs and inputs.
#[derive(Debug)]
pub(crate) struct ProgramNames<'rig> {
    pub(crate) rig: &'rig Rig,
    pub(crate) source: Arc<Source>,
}

impl ProgramNames<'_> {
    /// Which axis a move means.
    pub(crate) fn axis(&self, turn: &Move, place: Span) -> Result<usize, Diagnostic> {
        self.axis_of("turn", turn.axis.as_ref(), place)
    }

    /// Which axis a statement means that begins with `keyword`.
    pub(crate) fn axis_of(
        &self,
        keyword: &str,
        axis: Option<&(Arc<str>, Span)>,
        place: Span,
    ) -> Result<usize, Diagnostic> {
        let names = || self.rig.axes.iter().map(|axis| axis.name.as_str());
        match axis {
            Some((name, span)) => names()
                .position(|known| known == &**name)
                .ok_or_else(|| self.unknown("axis", name, *span, names())),
            None if self.rig.axes.len() == 1 => Ok(0),
            None => {
                let list: Vec<&str> = names().collect();
                Err(Diagnostic::error(
                    "axis-not-named",
                    format!("the rig has {} axes; name the one to move", list.len()),
                )
                .at(&self.source, place, "which axis?")
                .help(format!(
                    "write the axis after “{keyword}”, for instance “{keyword} {} …” (axes: {})",
                    list[0],
                    list.join(", ")
                )))
            }
        }
    }

    /// Where a move ends that begins at `from`.
    pub(crate) fn target(
        &self,
        axis: usize,
        scale: &TravelScale,
        from: Position,
        turn: &Move,
    ) -> Result<Position, Diagnostic> {
        self.position(axis, scale, from, turn.target, turn.way, turn.target_span)
    }

    /// The same of any target, which is written at `place`.
    pub(crate) fn position(
        &self,
        axis: usize,
        scale: &TravelScale,
        from: Position,
        target: Target,
        way: Option<Way>,
        place: Span,
    ) -> Result<Position, Diagnostic> {
        let name = &self.rig.axes[axis].name;
        from.target(target, way, scale).map_err(|problem| {
            let (code, message, help) = match problem {
                NoTarget::WrongUnit if scale.is_linear() => (
                    "wrong-unit",
                    format!("axis “{name}” is linear, and this is not a length"),
                    "write a length such as 5 mm, or steps or microsteps",
                ),
                NoTarget::WrongUnit => (
                    "wrong-unit",
                    format!("axis “{name}” is rotary, and this is not an angle"),
                    "write an angle such as 90 deg, or steps or microsteps",
                ),
                NoTarget::WayOfLinear => (
                    "way-of-linear-axis",
                    format!("axis “{name}” is linear; a rotation direction does not apply"),
                    "leave out “clockwise”, “counterclockwise” or “shortest”",
                ),
                NoTarget::WayOfIncrement => (
                    "way-of-increment",
                    "“by” takes a direction only with a positive angle, and only “clockwise” or “counterclockwise”".to_owned(),
                    "leave out the direction (a negative angle turns clockwise), or use “to”",
                ),
                NoTarget::TooFar => (
                    "too-far",
                    format!("the position of axis “{name}” is too far to be exact"),
                    "stay within 2^50 (some 10^15) microsteps of the start",
                ),
            };
            Diagnostic::error(code, message)
                .at(&self.source, place, "")
                .help(help)
        })
    }

    /// The number of an output or input of that name.
    pub(crate) fn pin(
        &self,
        what: &str,
        pins: &[Pin],
        name: &str,
        span: Span,
    ) -> Result<usize, Diagnostic> {
        pins.iter()
            .position(|pin| pin.name == name)
            .ok_or_else(|| self.unknown(what, name, span, pins.iter().map(|pin| pin.name.as_str())))
    }

    fn unknown<'a>(
        &self,
        what: &str,
        name: &str,
        span: Span,
        known: impl Iterator<Item = &'a str> + Clone,
    ) -> Diagnostic {
        let list: Vec<&str> = known.clone().collect();
        let code = match what {
            "axis" => "unknown-axis",
            "output" => "unknown-output",
            _ => "unknown-input",
        };
        let problem = Diagnostic::error(code, format!("the rig has no {what} “{name}”")).at(
            &self.source,
            span,
            "not in the rig",
        );
        let problem = match list.as_slice() {
            [] => problem.help(format!("name it under “{what}s” in the rig")),
            list => problem.help(format!("the rig has {}", list.join(", "))),
        };
        if let Some(instead) = instead_of(name) {
            return problem.help(instead);
        }
        problem.suggest(name, known)
    }

    /// Words for a failure of the move at `place`.
    pub(crate) fn explain(&self, failure: &Unplannable, place: Span, pace: MovePace) -> Diagnostic {
        match (failure, pace) {
            (Unplannable::Impossible(Impossible::TooSoon { shortest }), MovePace::In(_, span)) => {
                Diagnostic::error(
                    "too-little-time",
                    format!("the limits allow this move in {shortest:.6} s at the shortest"),
                )
                .at(&self.source, span, "too little time")
                .help(format!(
                    "write “in {} s” or more, or raise the limits",
                    rounded_up(*shortest)
                ))
            }
            (Unplannable::Weak { axis }, _) => Diagnostic::error(
                "too-little-torque",
                format!(
                    "the motor of axis “{}” cannot move its load with the required torque margin",
                    self.rig.axes[*axis].name
                ),
            )
            .at(&self.source, place, "no torque is left to accelerate")
            .help(with_doubt(
                "lower the load or the torque margin, or take a stronger motor or more current",
                &self.rig.axes[*axis],
            )),
            _ => Diagnostic::error(
                "too-short",
                "the move is too short for the speeds at its ends",
            )
            .at(&self.source, place, "")
            .help("lower “start”, raise “accel”, or make the move longer"),
        }
    }
}

/// A help with the question about a gearing that speeds the load up.
pub(crate) fn with_doubt(help: &str, axis: &Axis) -> String {
    match axis.load.gearing.doubt() {
        None => help.to_owned(),
        Some(doubt) => format!("{doubt}; else {help}"),
    }
}

/// A time rounded up to four digits or so: what the message says is then accepted.
fn rounded_up(seconds: f64) -> Rounded {
    Rounded(to_digits(seconds, 4, f64::ceil))
}
