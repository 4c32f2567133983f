//! The readings between the leads tell the resistance where nobody measured it apart.

use std::sync::Arc;

use crate::diagnostic::Source;
use crate::identify::{Estimate, MotorValue, Notes};
use crate::rig::NoFiles;

/// Resistance (Ω) and its range, from notes of wiring.
fn resistance(more: &str, leads: &str, readings: &[(&str, f64)]) -> [f64; 3] {
    let readings: String = readings
        .iter()
        .map(|(pair, ohms)| format!("    - {{ between: [{pair}], resistance: {ohms} ohm }}\n"))
        .collect();
    let text = format!("{more}wiring:\n  leads: [{leads}]\n  readings:\n{readings}");
    let source: Arc<Source> = Source::new("notes.yaml", text.as_str());
    let notes = Notes::parse(&source, &mut NoFiles);
    let notes = notes.unwrap_or_else(|problems| panic!("{problems}\n{text}"));
    let estimate = Estimate::of(50, &notes.observations);
    let found = estimate.found(MotorValue::PhaseResistance);
    [found.si, found.low(), found.high()]
}

#[test]
fn readings_between_leads_give_the_resistance_of_the_connection_that_the_notes_are_about() {
    let six = [
        ("a, s", 3.0),
        ("s, b", 3.0),
        ("a, b", 6.0),
        ("c, t", 3.0),
        ("t, d", 3.0),
        ("c, d", 6.0),
    ];
    let eight = [("a, b", 3.0), ("c, d", 3.0), ("e, f", 3.0), ("g, h", 3.0)];
    let five = [("t, a", 3.0), ("t, b", 3.0), ("t, c", 3.0), ("t, d", 3.0)];
    for (leads, readings, ohms) in [
        ("a, b, c, d", &eight[..2], 3.0),
        ("t, a, b, c, d", &five, 3.0),
        // Used from end to end, as the notes do not say otherwise.
        ("a, s, b, c, t, d", &six, 6.0),
        ("a, b, c, d, e, f, g, h", &eight, 3.0),
    ] {
        let [found, low, high] = resistance("", leads, readings);
        assert!((found / ohms - 1.0).abs() < 0.03, "{leads}: {found}");
        // The leads of the meter are in the reading.
        assert!(low < ohms - 0.3 && ohms < high, "{leads}: {low} {high}");
    }
}

#[test]
fn a_resistance_that_was_measured_apart_outweighs_the_readings_between_leads() {
    let readings = [("a, b", 3.2), ("c, d", 3.2)];
    let apart = "resistance: { value: 3.2 ohm, leads: 0.4 ohm, tolerance: 1 % }\n";
    let [found, _, _] = resistance(apart, "a, b, c, d", &readings);
    assert!((found / 2.8 - 1.0).abs() < 0.01, "{found}");
}
