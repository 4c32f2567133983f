//! The script with the best choices: the lines that set them stand right before each move.
//!
//! Where other moves stay as they are written, each of these moves gets a block of its own, as
//! settings end with it.

use super::{Choice, MoveStatement, SearchedMove};
use crate::job::Job;
use crate::rig::{Axis, Rig, TravelUnit};
use crate::script::action::SpeedLimits;
use crate::script::{Settings, Shape};
use crate::units::{Dimension, Quantity};

/// A value at the load in the unit of the script, over time to a power; rounded as choices are.
pub(super) fn in_units(axis: &Axis, value: f64, power: u8) -> String {
    let unit = TravelUnit::of(axis);
    let number = Choice::written(value * unit.per_si);
    let over = match power {
        1 => "s".to_owned(),
        power => format!("s^{power}"),
    };
    format!("{number} {}/{over}", unit.name)
}

/// The lines that set a choice for a statement.
pub(super) fn lines(rig: &Rig, statement: &MoveStatement, choice: &Choice) -> Vec<String> {
    let axis = &rig.axes[statement.axis];
    let settings = &statement.settings;
    let own = |of: fn(&SpeedLimits) -> bool| {
        of(&settings.all)
            || settings
                .axis
                .iter()
                .any(|(name, limits)| **name == *axis.name && of(limits))
    };
    // A limit for one axis goes before one for all.
    let named = rig.axes.len() > 1 || settings.axis.iter().any(|(name, _)| **name == *axis.name);
    let of = if named {
        format!("{} ", axis.name)
    } else {
        String::new()
    };
    let accel = in_units(axis, choice.accel, 2);
    let mut lines = vec![
        format!("shape {}", choice.shape.name()),
        format!("speed {of}{}", in_units(axis, choice.speed, 1)),
        format!("accel {of}{accel}"),
    ];
    if own(|limits| limits.decel.is_some()) {
        lines.push(format!("decel {of}{accel}"));
    }
    match (choice.shape, choice.jerk) {
        (Shape::SCurve, Some(jerk)) => lines.push(format!("jerk {of}{}", in_units(axis, jerk, 3))),
        // The script's own would soften the ramps.
        (Shape::FullTorque, _) if own(|limits| limits.jerk.is_some()) => {
            lines.push(format!(
                "jerk {of}{}",
                in_units(axis, UNFELT * choice.accel, 3)
            ));
        }
        (Shape::Trapezoid | Shape::SCurve | Shape::FullTorque, _) => {}
    }
    lines
}

/// A jerk over an acceleration (1/s) that no ramp feels.
const UNFELT: f64 = 1e4;

/// The settings that a statement is written under, as lines.
pub(super) fn settings(rig: &Rig, statement: &MoveStatement) -> String {
    let Settings {
        all,
        axis,
        shape,
        bands_allowed,
    } = &*statement.settings;
    let bands = if *bands_allowed { "allow" } else { "avoid" };
    let mut text = format!("bands {bands}\nshape {}\n", shape.name());
    text += &limits("", all);
    let own = &rig.axes[statement.axis].name;
    for (name, of_axis) in axis.iter().filter(|(name, _)| **name == **own) {
        text += &limits(&format!("{name} "), of_axis);
    }
    text
}

fn limits(axis: &str, limits: &SpeedLimits) -> String {
    let SpeedLimits {
        speed,
        accel,
        decel,
        jerk,
        start,
    } = limits;
    let all = [
        ("speed", 1, speed),
        ("accel", 2, accel),
        ("decel", 2, decel),
        ("jerk", 3, jerk),
        ("start", 1, start),
    ];
    let written = all.into_iter().filter_map(|(word, power, limit)| {
        let (quantity, _) = limit.as_ref()?;
        Some(format!("{word} {axis}{}\n", exactly(*quantity, power)))
    });
    written.collect()
}

/// A limit in a unit of which it is that many, to the last digit.
fn exactly(quantity: Quantity, power: i8) -> String {
    let travel = Dimension {
        time: 0,
        ..quantity.dimension
    };
    let units = [
        (Dimension::ANGLE, "rad"),
        (Dimension::LENGTH, "m"),
        (Dimension::FULL_STEP, "step"),
        (Dimension::MICROSTEP, "microstep"),
    ];
    // The script takes travel in no other.
    let unit = units.iter().find(|(dimension, _)| *dimension == travel);
    let unit = unit.map_or("rad", |(_, unit)| unit);
    format!("{:?} {unit}/s^{power}", quantity.si)
}

/// One step of indentation.
const STEP: &str = "    ";

/// A statement that gets lines of its own.
struct Insertion {
    /// Where it begins and ends.
    from: usize,
    to: usize,
    lines: Vec<String>,
    task: usize,
}

impl Job {
    /// The script with the choices that are taken, and the line of each of these moves with the
    /// number of its task.
    pub(super) fn rewritten(
        &self,
        tasks: &[SearchedMove<'_>],
        scoped: bool,
    ) -> (String, Vec<(usize, usize)>) {
        let mut insertions = Vec::new();
        // A move that keeps what it is written under needs that left alone.
        let scoped = scoped || tasks.iter().any(|task| task.taken.is_none());
        for (number, task) in tasks.iter().enumerate() {
            let Some(taken) = task.taken else { continue };
            let (choice, _) = &task.ranked[taken];
            for statement in &task.statements {
                insertions.push(Insertion {
                    from: statement.span.start(),
                    to: statement.span.end(),
                    lines: lines(&self.rig, statement, choice),
                    task: number,
                });
            }
        }
        insertions.sort_by_key(|one| one.from);
        let text = self.script.source().text();
        let (mut out, mut places, mut done) = (String::new(), Vec::new(), 0);
        for one in insertions {
            let line = text[..one.from].rfind('\n').map_or(0, |at| at + 1);
            let before = &text[line..one.from];
            // Spaces and tabs alone are its indentation; else it gets a line of its own.
            let mut indent: String = before.chars().take_while(|c| c.is_whitespace()).collect();
            let own_line = before.trim().is_empty();
            if !own_line {
                // It stands behind the brace of its block.
                indent.push_str(STEP);
            }
            out += &text[done..one.from];
            if !own_line {
                out.truncate(out.trim_end_matches(' ').len());
                out.push('\n');
                out += &indent;
            }
            let inner = if scoped {
                out += "repeat 1 {\n";
                format!("{indent}{STEP}")
            } else {
                String::new()
            };
            for (number, written) in one.lines.iter().enumerate() {
                if scoped || number > 0 {
                    out += if scoped { &inner } else { &indent };
                }
                out += written;
                out.push('\n');
            }
            out += if scoped { &inner } else { &indent };
            places.push((out.matches('\n').count() + 1, one.task));
            out += &text[one.from..one.to];
            done = one.to;
            if scoped {
                let rest = text[done..].split('\n').next().unwrap_or_default();
                // A comment behind it stays there.
                if rest.trim_start().starts_with('#') || rest.trim().is_empty() {
                    out += rest.trim_end_matches('\r');
                    done += rest.len();
                    out += &format!("\n{indent}}}");
                } else {
                    out += &format!("\n{indent}}}\n{indent}");
                }
            }
        }
        out += &text[done..];
        (out, places)
    }
}
