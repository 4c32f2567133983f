//! The rests of microsteps: from angles that are solved by bisection back to the detent torque.

use std::f64::consts::FRAC_PI_2;
use std::fmt::Write as _;
use std::io;
use std::path::Path;
use std::sync::Arc;

use crate::diagnostic::Source;
use crate::identify::{Estimate, MotorValue, Notes, Origin};

/// The rest θe of K I sin(φ − θe) = Td sin 4θe at `ratio` = Td/(K I), by bisection: the
/// left side less the right one falls through zero near φ.
fn rest(phi: f64, ratio: f64) -> f64 {
    let torque = |theta: f64| (phi - theta).sin() - ratio * (4.0 * theta).sin();
    let (mut low, mut high) = (phi - 0.3, phi + 0.3);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if torque(middle) > 0.0 {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

fn identified(angles: &str, more: &str) -> Result<(Estimate, usize), String> {
    let mut files =
        |path: &str, _: &Path| -> io::Result<Arc<Source>> { Ok(Source::new(path, angles)) };
    let text = format!(
        "full_steps_a_turn: 200\nback_emf: {{ amplitude: 4 V, speed: 20 rad/s }}\n\
         microstep_angles: {{ log: microsteps.csv, current: 1.2 A{more} }}\n"
    );
    let notes = Notes::parse(&Source::new("notes.yaml", text), &mut files);
    let notes = notes.map_err(|problems| problems.to_string())?;
    Ok((Estimate::of(50, &notes.observations), notes.fits.len()))
}

/// K = 0.2 N·m/A at 1.2 A is 240 mN·m; 15 mN·m of detent are a sixteenth of it.
#[test]
fn the_angles_of_microsteps_tell_the_detent_torque() {
    for (way, offset) in [(1.0, 0.0), (-1.0, 3.7)] {
        let mut log = String::from("microstep,degrees\n");
        for index in 0..=32 {
            // Half a microstep of a two-phase position at first, and a reading of 0.004°.
            let phi = f64::from(index) * FRAC_PI_2 / 8.0 + 0.4;
            let degrees = (rest(phi, 0.015 / 0.24) / 50.0).to_degrees();
            let noise = 0.004 * (f64::from(index) * 2.399).sin();
            let _ = writeln!(log, "{index},{:.4}", offset + way * degrees + noise);
        }
        let (estimate, fits) = identified(&log, ", microsteps: 8").unwrap();
        assert_eq!(fits, 1);
        let found = estimate.found(MotorValue::DetentTorque);
        assert!((found.si - 0.015).abs() < 0.04 * 0.015, "{found:?}");
        assert!(found.low() < 0.015 && 0.015 < found.high(), "{found:?}");
        assert_ne!(found.origin, Origin::Guessed);
    }
    let short: String = (0..13)
        .map(|index| format!("{index},{}\n", 0.225 * f64::from(index)))
        .collect();
    let said = identified(&short, ", microsteps: 8").unwrap_err();
    assert!(said.contains("periods"), "{said}");
    assert!(
        identified(&short, "")
            .unwrap_err()
            .contains("measurement-incomplete")
    );
}
