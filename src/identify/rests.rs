//! Where the rotor rests from microstep to microstep: what its detent torque makes of a sine.
//!
//! With the current vector of amplitude I at the electrical angle φ, the rotor rests at θe with
//!
//! ```text
//! K I sin(φ − θe) = Td sin 4θe        so        θe ≈ φ − (Td/K I) sin 4φ
//! ```
//!
//! for Td well below K I (at a tenth of it the amplitude comes out 2 % low). So the amplitude of
//! the fourth harmonic of what the angles are off is Td/(K I). An offset, and a slope where the
//! reading is a little long or short, are fitted beside it. Friction holds the rotor back on
//! either way; the mean of the angles there and back is free of it.

use std::f64::consts::{FRAC_PI_2, TAU};

use nalgebra::DVector;

use super::fits::{Fit, FittedValue, LogFitError, minimise};
use super::log::Log;

/// Td/(K I) from a log of degrees of the shaft over microsteps, with so many microsteps a full
/// step and teeth.
pub(super) fn rest_angles(
    log: &Log,
    microsteps: u32,
    teeth: f64,
) -> Result<(FittedValue, Fit), LogFitError> {
    let per_microstep = FRAC_PI_2 / f64::from(microsteps);
    let span = log.time[log.time.len() - 1] - log.time[0];
    // Two periods of the fourth harmonic are two full steps.
    let found = (span / f64::from(microsteps)).floor() as usize;
    if found < 2 {
        return Err(LogFitError::Periods { found, least: 2 });
    }
    let angle_of = |reading: &f64| reading.to_radians() * teeth;
    let turned = angle_of(&log.reading[log.reading.len() - 1]) - angle_of(&log.reading[0]);
    let way = if turned < 0.0 { -1.0 } else { 1.0 };
    let pairs = log.time.iter().zip(&log.reading);
    let off: Vec<f64> = pairs
        .map(|(index, reading)| way * angle_of(reading) - index * per_microstep)
        .collect();
    let mean = off.iter().sum::<f64>() / off.len() as f64;
    let off = Log {
        time: log.time.clone(),
        reading: off.iter().map(|off| off - mean).collect(),
    };
    let part = |of: fn(f64) -> f64| {
        let pairs = off.time.iter().zip(&off.reading);
        let sum: f64 = pairs
            .map(|(index, off)| off * of(4.0 * index * per_microstep))
            .sum();
        2.0 * sum / off.time.len() as f64
    };
    let (sine, cosine) = (part(f64::sin), part(f64::cos));
    let amplitude = sine.hypot(cosine);
    if amplitude == 0.0 {
        return Err(LogFitError::Flat);
    }
    let model = |p: &DVector<f64>, index: f64| {
        let phase = 4.0 * index * per_microstep + p[3];
        p[0] + p[1] * index + p[2].exp() * phase.sin()
    };
    let start = vec![0.0, 0.0, amplitude.ln(), cosine.atan2(sine)];
    let scale = vec![amplitude, amplitude / span, 1.0, TAU / 8.0];
    let minimum = minimise(&off, start, scale, model)?;
    let ratio = minimum.of_logarithm(2);
    let fit = Fit {
        title: "Rests of the microsteps".to_owned(),
        label: "off an even step (electrical rad)",
        points: off.points(),
        curve: minimum.curve,
        result: format!("detent torque {:.2} % of K·I", 100.0 * ratio.value),
    };
    Ok((ratio, fit))
}
