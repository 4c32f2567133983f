//! The motor's profile, as a rig reads it: each value with its range and origin beside it.

use std::fmt::Write as _;

use super::estimate::{Estimate, Found, Origin};
use super::notes::Notes;
use super::parameter::MotorValue;
use crate::rig::ToleratedValue;
use crate::units::{Rounded, two_digits_up};

/// The YAML of the motor that was identified.
pub fn write(notes: &Notes, estimate: &Estimate, values: &[Found]) -> String {
    let mut text = String::new();
    // Writing to a String cannot fail.
    let _ = writeln!(
        text,
        "# A motor identified from measurements. Ranges are 95 %."
    );
    let name = notes.name.as_deref().unwrap_or("identified motor");
    let _ = writeln!(text, "name: {}", quoted(name));
    let counted = match notes.teeth {
        Some(_) => "counted",
        None => "GUESS: not counted",
    };
    let _ = writeln!(text, "rotor_teeth: {:<22} # {counted}", estimate.teeth);
    for found in values {
        let left_out = is_left_out(found);
        let mark = if left_out { "# " } else { "" };
        let value = format!(
            "{mark}{}: {}",
            found.value.key(),
            found.value.show(found.si)
        );
        let _ = writeln!(
            text,
            "{value:<35} # {} to {}, {}{}",
            found.value.show(found.low()),
            found.value.show(found.high()),
            origin(&found.origin),
            if left_out {
                "; left out, so that the rig takes a range"
            } else {
                ""
            }
        );
    }
    text.push_str(&how_sure(notes, estimate, values));
    let guesses = guesses(notes, values);
    let _ = writeln!(text, "source: >-");
    let _ = writeln!(
        text,
        "  Identified by slewsmith from measurements at the bench."
    );
    if !guesses.is_empty() {
        let _ = writeln!(
            text,
            "  Guessed by the scaling rule, not measured: {}.",
            guesses.join(", ")
        );
    }
    if estimate.widened > 1.5 {
        let _ = writeln!(
            text,
            "  The measurements disagree by more than their tolerances; the ranges are widened."
        );
    }
    text
}

/// Whether a value is not written: a guess of what a rig can do without would be taken for a
/// value that is known, and narrow the rig's own range.
fn is_left_out(found: &Found) -> bool {
    match found.value {
        MotorValue::DetentTorque | MotorValue::ViscousDamping | MotorValue::FrictionTorque => {
            found.origin == Origin::Guessed
        }
        MotorValue::PhaseResistance
        | MotorValue::PhaseInductance
        | MotorValue::RatedCurrent
        | MotorValue::HoldingTorque
        | MotorValue::RotorInertia => false,
    }
}

/// The keys with which a rig knows how sure the values are, and which are guesses.
fn how_sure(notes: &Notes, estimate: &Estimate, values: &[Found]) -> String {
    let written = |value: MotorValue| {
        let found = values.iter().find(|found| found.value == value);
        found.is_some_and(|found| !is_left_out(found))
    };
    let tolerances: Vec<String> = ToleratedValue::ALL
        .into_iter()
        .filter(|value| match value {
            ToleratedValue::PhaseResistance
            | ToleratedValue::PhaseInductance
            | ToleratedValue::TorqueConstant
            | ToleratedValue::RotorInertia => true,
            ToleratedValue::DetentTorque => written(MotorValue::DetentTorque),
            ToleratedValue::ViscousDamping => written(MotorValue::ViscousDamping),
            ToleratedValue::FrictionTorque => written(MotorValue::FrictionTorque),
        })
        .map(|value| {
            let percent = two_digits_up(100.0 * estimate.tolerance(value));
            format!("  {}: {} %\n", value.key(), Rounded(percent))
        })
        .collect();
    let guessed = values
        .iter()
        .filter(|found| found.origin == Origin::Guessed && !is_left_out(found))
        .map(|found| found.value.key());
    let teeth = notes.teeth.is_none().then_some("rotor_teeth");
    let guessed: Vec<&str> = teeth.into_iter().chain(guessed).collect();
    let guessed = match guessed.is_empty() {
        true => String::new(),
        false => format!("guessed: [{}]\n", guessed.join(", ")),
    };
    format!(
        "tolerances: # 95 % ranges, as shares\n{}{guessed}",
        tolerances.concat()
    )
}

/// What of the profile is only guessed.
pub fn guesses(notes: &Notes, values: &[Found]) -> Vec<&'static str> {
    let teeth = notes.teeth.is_none().then_some("rotor teeth");
    let guessed = values
        .iter()
        .filter(|found| found.origin == Origin::Guessed);
    teeth
        .into_iter()
        .chain(guessed.map(|found| found.value.words()))
        .collect()
}

/// An origin in words.
pub fn origin(origin: &Origin) -> String {
    match origin {
        Origin::Guessed => "GUESS by the scaling rule".to_owned(),
        Origin::Measured(names) => format!("from {}", names.join("; ")),
    }
}

/// A text that YAML reads as a text whatever it holds.
fn quoted(text: &str) -> String {
    format!("\"{}\"", text.replace('\\', "\\\\").replace('"', "\\\""))
}

/// The values of a profile that are needed for the connections of a coil's halves.
pub fn electrical(values: &[Found]) -> [f64; 4] {
    let of = |value: MotorValue| {
        let found = values.iter().find(|found| found.value == value);
        found.map_or(f64::NAN, |found| found.si)
    };
    [
        of(MotorValue::PhaseResistance),
        of(MotorValue::PhaseInductance),
        of(MotorValue::RatedCurrent),
        of(MotorValue::HoldingTorque),
    ]
}
