//! A whole script: its actions, one after the other, become planned items.
//!
//! The stream keeps only where each axis stands and a bounded cache of motions, so
//! that a program of any length takes constant memory. Equal moves share one
//! [`Motion`].

use std::collections::VecDeque;
use std::sync::Arc;

use crate::diagnostic::{Diagnostic, Source, Span};
use crate::plan::cache::Cache;
use crate::plan::limits::{Known, LimitedAxis};
use crate::plan::position::{Exact, NoTarget, Position, Scale};
use crate::plan::profile::Impossible;
use crate::plan::single::{Job, Key};
use crate::plan::{AxisLimits, Change, Item, Motion, PlannedMove, Travel};
use crate::rig::{Pin, Rig};
use crate::script::{Action, ActionKind, Move, Pace, Settings, Shape};
use crate::units::Rounded;

/// Plans what `actions`, written in `source`, ask of the rig.
///
/// The program's origin is where every axis stands at its start. The stream ends with
/// the first error.
pub fn program<'rig, I>(
    rig: &'rig Rig,
    source: &Arc<Source>,
    actions: I,
) -> Program<'rig, I::IntoIter>
where
    I: IntoIterator<Item = Result<Action, Diagnostic>>,
{
    Program {
        rig,
        source: Arc::clone(source),
        actions: actions.into_iter(),
        scales: rig.axes.iter().map(Scale::new).collect(),
        positions: vec![Position::default(); rig.axes.len()],
        settings: Vec::new(),
        motions: Cache::new(),
        ready: VecDeque::new(),
        index: 0,
        ended: false,
    }
}

/// The stream of planned items; see [`program()`].
#[derive(Debug)]
pub struct Program<'rig, I> {
    rig: &'rig Rig,
    source: Arc<Source>,
    actions: I,
    scales: Vec<Scale>,
    positions: Vec<Position>,
    settings: Vec<KnownSettings>,
    motions: Cache<Key, Planned>,
    ready: VecDeque<Item>,
    index: u64,
    ended: bool,
}

/// A motion with what was changed for it.
#[derive(Debug, Clone)]
struct Planned {
    motion: Arc<Motion>,
    changes: Vec<Change>,
}

/// Settings of the script with what they mean on each axis. Holding the settings
/// keeps their address from being used again.
#[derive(Debug)]
struct KnownSettings {
    settings: Arc<Settings>,
    axes: Vec<Option<Known>>,
}

/// How many settings are remembered; a script rarely has more in force by turns.
const SETTINGS: usize = 32;

impl<I: Iterator<Item = Result<Action, Diagnostic>>> Iterator for Program<'_, I> {
    type Item = Result<Item, Diagnostic>;

    fn next(&mut self) -> Option<Self::Item> {
        loop {
            if let Some(item) = self.ready.pop_front() {
                return Some(Ok(item));
            }
            if self.ended {
                return None;
            }
            let planned = match self.actions.next()? {
                Ok(action) => self.action(&action),
                Err(error) => Err(error),
            };
            if let Err(error) = planned {
                self.ended = true;
                return Some(Err(error));
            }
        }
    }
}

impl<I> Program<'_, I> {
    fn action(&mut self, action: &Action) -> Result<(), Diagnostic> {
        let item = match &action.kind {
            ActionKind::Move(turn) => return self.turn(action, turn),
            ActionKind::Dwell(seconds) => Item::Dwell(*seconds),
            ActionKind::Output {
                passing: Some(_), ..
            } => {
                return Err(Diagnostic::error(
                    "passing-nothing",
                    "“passing” belongs between the moves of a “through” block",
                )
                .at(&self.source, action.span, "no axis turns here")
                .help(
                    "leave “passing …” out, or put the output and the moves into “through { }”",
                ));
            }
            ActionKind::Output {
                name,
                name_span,
                on,
                passing: None,
            } => Item::Output {
                output: self.pin("output", &self.rig.outputs, name, *name_span)?,
                on: *on,
            },
            ActionKind::Await {
                name,
                name_span,
                timeout,
            } => Item::Await {
                input: self.pin("input", &self.rig.inputs, name, *name_span)?,
                timeout: *timeout,
            },
            ActionKind::Mark(text) => Item::Mark(Arc::clone(text)),
            ActionKind::DwellUntilSettled => {
                return Err(self.unavailable("“dwell until settled”", action.span));
            }
            ActionKind::Together(_) => return Err(self.unavailable("“together”", action.span)),
            ActionKind::Through(_) => return Err(self.unavailable("“through”", action.span)),
        };
        self.ready.push_back(item);
        Ok(())
    }

    fn turn(&mut self, action: &Action, turn: &Move) -> Result<(), Diagnostic> {
        let axis = self.axis(turn, action.span)?;
        let from = self.positions[axis];
        let to = self.target(axis, from, turn)?;
        let planned = self.motion(axis, from, to, action, turn)?;
        let travel = planned
            .motion
            .axes
            .iter()
            .map(|_| self.travel(axis, from, to))
            .collect();
        self.ready.push_back(Item::Move(PlannedMove {
            index: self.index,
            span: action.span,
            line: action.line,
            motion: planned.motion,
            travel,
            on_the_way: Vec::new(),
            passes: Vec::new(),
            changes: planned.changes,
        }));
        self.index += 1;
        self.positions[axis] = to;
        Ok(())
    }

    fn motion(
        &mut self,
        axis: usize,
        from: Position,
        to: Position,
        action: &Action,
        turn: &Move,
    ) -> Result<Planned, Diagnostic> {
        let shape = turn.settings.shape;
        if shape == Shape::FullTorque {
            return Err(self.unavailable("the shape “full-torque”", action.span));
        }
        let limits = self.limits(axis, action.span, turn)?;
        let time = match turn.pace {
            Pace::In(seconds, _) => Some(seconds),
            Pace::At(..) | Pace::Limits => None,
        };
        let job = Job {
            axis,
            steps: to.steps - from.steps,
            shape,
            limits,
            time,
        };
        self.motions
            .get(job.key(), || {
                job.motion().map(|motion| Planned {
                    motion: Arc::new(motion),
                    changes: Vec::new(),
                })
            })
            .map_err(|impossible| self.impossible(impossible, action.span, turn))
    }

    /// Which axis a move means.
    fn axis(&self, turn: &Move, place: Span) -> Result<usize, Diagnostic> {
        let names = || self.rig.axes.iter().map(|axis| axis.name.as_str());
        match &turn.axis {
            Some((name, span)) => names()
                .position(|known| known == &**name)
                .ok_or_else(|| self.unknown("axis", name, *span, names())),
            None if self.rig.axes.len() == 1 => Ok(0),
            None => {
                let list: Vec<&str> = names().collect();
                Err(Diagnostic::error(
                    "axis-not-named",
                    format!("the rig has {} axes, and this move names none", list.len()),
                )
                .at(&self.source, place, "which axis?")
                .help(format!(
                    "write the axis behind “turn”, for instance “turn {} by …” (there are {})",
                    list[0],
                    list.join(", ")
                )))
            }
        }
    }

    /// Where a move ends.
    fn target(&self, axis: usize, from: Position, turn: &Move) -> Result<Position, Diagnostic> {
        let scale = &self.scales[axis];
        let name = &self.rig.axes[axis].name;
        from.target(turn.target, turn.way, scale).map_err(|problem| {
            let (code, message, help) = match problem {
                NoTarget::WrongUnit if scale.is_linear() => (
                    "wrong-unit",
                    format!("axis “{name}” travels in a line, and this is no length"),
                    "write a length such as 5 mm, or steps or microsteps",
                ),
                NoTarget::WrongUnit => (
                    "wrong-unit",
                    format!("axis “{name}” turns, and this is no angle"),
                    "write an angle such as 90 deg, or steps or microsteps",
                ),
                NoTarget::WayOfLinear => (
                    "way-of-linear-axis",
                    format!("axis “{name}” travels in a line and has no way round"),
                    "leave “clockwise”, “counterclockwise” or “shortest” out",
                ),
                NoTarget::WayOfIncrement => (
                    "way-of-increment",
                    "“by” goes a way round only with an angle above zero and “clockwise” or “counterclockwise”".to_owned(),
                    "leave the way out (a negative angle turns clockwise), or use “to”",
                ),
                NoTarget::TooFar => (
                    "too-far",
                    format!("the position of axis “{name}” can no longer be kept exactly"),
                    "stay within 10^15 microsteps of the start",
                ),
            };
            Diagnostic::error(code, message)
                .at(&self.source, turn.target_span, "")
                .help(help)
        })
    }

    /// The limits of a move on that axis.
    fn limits(&mut self, axis: usize, place: Span, turn: &Move) -> Result<AxisLimits, Diagnostic> {
        let known = self.known(axis, &turn.settings)?;
        let limited = self.limited(axis);
        let at = match turn.pace {
            Pace::At(speed, span) => Some(limited.speed(speed, span)?),
            Pace::In(..) | Pace::Limits => None,
        };
        limited.limits(&known, turn.settings.shape, at, place)
    }

    fn limited(&self, axis: usize) -> LimitedAxis<'_> {
        LimitedAxis {
            axis: &self.rig.axes[axis],
            scale: &self.scales[axis],
            source: &self.source,
        }
    }

    fn known(&mut self, axis: usize, settings: &Arc<Settings>) -> Result<Known, Diagnostic> {
        let found = self
            .settings
            .iter()
            .position(|known| Arc::ptr_eq(&known.settings, settings));
        let at = match found {
            Some(at) => at,
            None => {
                if self.settings.len() == SETTINGS {
                    self.settings.remove(0);
                }
                self.settings.push(KnownSettings {
                    settings: Arc::clone(settings),
                    axes: vec![None; self.rig.axes.len()],
                });
                self.settings.len() - 1
            }
        };
        if let Some(known) = self.settings[at].axes[axis] {
            return Ok(known);
        }
        let known = self.limited(axis).known(settings)?;
        self.settings[at].axes[axis] = Some(known);
        Ok(known)
    }

    fn travel(&self, axis: usize, from: Position, to: Position) -> Travel {
        let scale = &self.scales[axis];
        let at = |steps: i64| scale.travel(Exact::new(steps as f64));
        let off = Exact::new(to.steps as f64).minus(to.asked);
        Travel {
            from_steps: from.steps,
            to_steps: to.steps,
            from: at(from.steps),
            to: at(to.steps),
            target_error: scale.travel(off),
        }
    }

    fn pin(&self, what: &str, pins: &[Pin], name: &str, span: Span) -> Result<usize, Diagnostic> {
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
        problem.suggest(name, known)
    }

    fn impossible(&self, impossible: Impossible, place: Span, turn: &Move) -> Diagnostic {
        match (impossible, turn.pace) {
            (Impossible::TooSoon { shortest }, Pace::In(_, span)) => Diagnostic::error(
                "too-little-time",
                format!("the limits do not allow this move in less than {shortest:.6} s"),
            )
            .at(&self.source, span, "too little time")
            .help(format!(
                "write “in {} s” or more, or raise the limits",
                rounded_up(shortest)
            )),
            _ => Diagnostic::error(
                "too-short",
                "the move is too short for the speeds at its ends",
            )
            .at(&self.source, place, ""),
        }
    }

    fn unavailable(&self, what: &str, place: Span) -> Diagnostic {
        Diagnostic::error("not-available", format!("{what} is not available yet")).at(
            &self.source,
            place,
            "this cannot be planned",
        )
    }
}

/// A time rounded up to four digits or so: what the message says is then accepted.
fn rounded_up(seconds: f64) -> Rounded {
    let unit = 10f64.powi(seconds.log10().floor() as i32 - 3);
    Rounded((seconds / unit).ceil() * unit)
}
