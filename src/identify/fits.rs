//! Curves fitted to logs by nonlinear least squares (Levenberg and Marquardt).
//!
//! | log | curve | what it tells |
//! | --- | --- | --- |
//! | current rise | i₀ before t₀, then i₀ + A (1 − e^(−(t−t₀)/τ)) | τ = L/(R + Rs) |
//! | ring-down | c + E (p cos φ + q sin φ) | frequency f of small swings, decay 1/τ |
//! | spin-down | ω(t) = (ω₀ + c) e^(−t/τ) − c, from the periods of the back-EMF | deceleration (ω + c)/τ |
//!
//! **Ring-down.** Drag takes the amplitude away in proportion to itself, dry friction by the
//! same piece a swing, so that the envelope is E = (1 + κ) e^(−t/τ) − κ until it is gone; and
//! the spring of a large swing is softer, by the square of the amplitude at first order, so
//! that the frequency is f (1 − s E²) and φ = 2πf (t − s ∫E² dt). What is asked for is f, at
//! swings that are nothing, and 1/τ, without the friction.
//!
//! The covariance of the fitted numbers is s² (Jᵀ J)⁻¹ with s² the variance of the residuals,
//! as usual.

mod minimum;

pub(super) use minimum::minimise;

use std::f64::consts::TAU;

use nalgebra::DVector;
use thiserror::Error;

use super::log::Log;
use crate::units::Rounded;

/// A relative standard deviation below this is not believed of a bench: time base, probe and
/// model are not better.
const FLOOR: f64 = 0.005;
/// A swing below this share of the largest is not counted: it may be noise or the steps of a
/// converter.
const LEAST_SWING: f64 = 0.08;
/// Most readings of a current rise that are fitted; more are averaged in groups.
const MOST: usize = 4000;
/// Readings in a period that suffice for a swing's shape.
const PER_PERIOD: f64 = 40.0;
/// Periods that a ring-down needs …
const LEAST_SWINGS: usize = 2;
/// … and that a spin-down needs.
const LEAST_TURNS: usize = 5;

/// Why a log cannot be fitted.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub(crate) enum LogFitError {
    /// The reading does not change.
    #[error("the reading does not change")]
    Flat,
    /// The curve does not describe the log.
    #[error(
        "the curve explains only {0} % of the log; is it the right column, and nothing else in it?"
    )]
    Poor(String),
    /// There are too few periods.
    #[error("it shows {found} periods; {least} are the least")]
    Periods {
        /// How many there are.
        found: usize,
        /// How many are needed.
        least: usize,
    },
}

/// A curve fitted to a log.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// What was fitted.
    pub title: String,
    /// What the readings are, with their unit.
    pub label: &'static str,
    /// The log's points.
    pub points: Vec<(f64, f64)>,
    /// The curve at the same times.
    pub curve: Vec<(f64, f64)>,
    /// What came out, in a sentence.
    pub result: String,
}

/// A number with the standard deviation of its logarithm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct FittedValue {
    /// The value (SI units).
    pub value: f64,
    /// Relative standard deviation.
    pub sigma: f64,
}

/// The time constant of a current that rises in a winding.
///
/// # Errors
/// The log is flat or no such rise.
pub(crate) fn current_rise(log: &Log) -> Result<(FittedValue, Fit), LogFitError> {
    let log = &log.thinned(log.time.len().div_ceil(MOST));
    let (first, last) = (head(&log.reading), tail(&log.reading));
    let rise = last - first;
    if rise == 0.0 {
        return Err(LogFitError::Flat);
    }
    let reached = |share: f64| {
        let level = first + share * rise;
        let at = log
            .reading
            .iter()
            .position(|one| (one - level) * rise.signum() >= 0.0);
        at.map_or(log.time[0], |at| log.time[at])
    };
    let (begin, most) = (reached(0.1), reached(0.632));
    // From 10 % to 63 % takes ln(0.9/0.368) = 0.894 time constants.
    let tau = ((most - begin) / 0.894).max(1e-3 * (log.time[log.time.len() - 1] - log.time[0]));
    let t0 = begin - 0.105 * tau;
    let model = |p: &DVector<f64>, t: f64| {
        let (level, rise, tau, t0) = (p[0], p[1], p[2].exp(), p[3]);
        if t <= t0 {
            level
        } else {
            level - rise * (-(t - t0) / tau).exp_m1()
        }
    };
    let start = vec![first, rise, tau.ln(), t0];
    let minimum = minimise(log, start, vec![rise.abs(), rise.abs(), 1.0, tau], model)?;
    let tau = minimum.of_logarithm(2);
    let fit = Fit {
        title: "Current rise".to_owned(),
        label: "reading",
        points: log.points(),
        curve: minimum.curve,
        result: format!("time constant {:.4} ms", 1e3 * tau.value),
    };
    Ok((tau, fit))
}

/// The envelope of a ring-down with drag and dry friction, and the integral of its square.
fn envelope(decay: f64, kappa: f64, t: f64) -> (f64, f64) {
    // Where friction has stopped the swing: (1 + κ) e^(−t/τ) = κ.
    let end = if kappa > 0.0 {
        ((1.0 + kappa) / kappa).ln() / decay
    } else {
        f64::INFINITY
    };
    let until = t.min(end);
    let left = (-decay * until).exp();
    let k1 = 1.0 + kappa;
    let square = k1 * k1 * (1.0 - left * left) / (2.0 * decay)
        - 2.0 * kappa * k1 * (1.0 - left) / decay
        + kappa * kappa * until;
    let now = if t < end { k1 * left - kappa } else { 0.0 };
    (now, square)
}

/// Frequency of small swings and decay rate of a ring-down.
///
/// # Errors
/// The log is flat or no such swing.
pub(crate) fn ring_down(log: &Log) -> Result<(FittedValue, FittedValue, Fit), LogFitError> {
    let span = log.time[log.time.len() - 1] - log.time[0];
    let mean = log.reading.iter().sum::<f64>() / log.reading.len() as f64;
    let crossings = crossings(log, mean);
    enough(&crossings, LEAST_SWINGS)?;
    let counted = (crossings.len() - 1) as f64 / 2.0;
    let rung = crossings[crossings.len() - 1] - crossings[0];
    // Neighbours are averaged as far as a period keeps its shape.
    let in_a_period = log.time.len() as f64 * 2.0 * rung / crossings.len() as f64 / span;
    let log = &log.thinned((in_a_period / PER_PERIOD) as usize);
    let t0 = log.time[0];
    let frequency = counted / rung;
    let amplitude = log
        .reading
        .iter()
        .map(|one| (one - mean).abs())
        .fold(0.0, f64::max);
    if amplitude == 0.0 {
        return Err(LogFitError::Flat);
    }
    let model = |p: &DVector<f64>, t: f64| {
        let (frequency, decay, kappa) = (p[0].exp(), p[1].exp(), p[5].max(-0.9));
        let (now, square) = envelope(decay, kappa, t - t0);
        let (sin, cos) = (TAU * frequency * (t - t0 - p[6] * square)).sin_cos();
        p[4] + now * (p[2] * cos + p[3] * sin)
    };
    // The frequency has many local minima, so the fit starts from the periods that were counted,
    // with the phase of the first crossing and the decay of the peaks between crossings.
    let decay = decay_of_peaks(log, mean, &crossings);
    let phase = -TAU * frequency * (crossings[0] - t0);
    let rising = peak_between(log, mean, crossings[0], crossings[1]) > 0.0;
    let size = if rising { amplitude } else { -amplitude };
    let attempt = |decay: f64| {
        let start = vec![
            frequency.ln(),
            decay.ln(),
            size * phase.sin(),
            size * phase.cos(),
            mean,
            0.02,
            0.0,
        ];
        let scale = vec![1.0, 1.0, amplitude, amplitude, amplitude, 1.0, 1.0];
        minimise(log, start, scale, model)
    };
    let minimum = attempt(decay)
        .or_else(|_| attempt(0.4 * decay))
        .or_else(|_| attempt(2.5 * decay))?;
    let (frequency, decay) = (minimum.of_logarithm(0), minimum.of_logarithm(1));
    let fit = Fit {
        title: "Ring-down".to_owned(),
        label: "reading",
        points: log.points(),
        curve: minimum.curve,
        result: format!(
            "{:.2} Hz in small swings, drag takes 63 % of the amplitude in {:.2} ms",
            frequency.value,
            1e3 / decay.value
        ),
    };
    Ok((frequency, decay, fit))
}

/// The reading (from `level`) that is farthest from it between two times.
fn peak_between(log: &Log, level: f64, from: f64, to: f64) -> f64 {
    let first = log.time.partition_point(|time| *time < from);
    let last = log.time.partition_point(|time| *time <= to);
    let between = log.reading[first..last].iter().map(|one| one - level);
    between.fold(
        0.0,
        |far: f64, one| if one.abs() > far.abs() { one } else { far },
    )
}

/// The rate at which the peaks between crossings fall: slope of the line through their
/// logarithms.
fn decay_of_peaks(log: &Log, level: f64, crossings: &[f64]) -> f64 {
    let peaks: Vec<(f64, f64)> = crossings
        .windows(2)
        .map(|pair| {
            let peak = peak_between(log, level, pair[0], pair[1]).abs();
            (0.5 * (pair[0] + pair[1]), peak.max(f64::MIN_POSITIVE).ln())
        })
        .collect();
    let count = peaks.len() as f64;
    let mean = |of: fn(&(f64, f64)) -> f64| peaks.iter().map(of).sum::<f64>() / count;
    let (time, height) = (mean(|one| one.0), mean(|one| one.1));
    let along: f64 = peaks
        .iter()
        .map(|one| (one.0 - time) * (one.1 - height))
        .sum();
    let across: f64 = peaks.iter().map(|one| (one.0 - time).powi(2)).sum();
    let least = 0.01 / (crossings[crossings.len() - 1] - crossings[0]);
    (-along / across).max(least)
}

/// Deceleration (rad/s²) at a speed (rad/s).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct SlowingDown {
    /// Speed (rad/s).
    pub omega: f64,
    /// Deceleration there (rad/s²).
    pub deceleration: FittedValue,
}

/// What a log of a spin-down holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum SpinReading {
    /// The voltage of an open phase: one period an electrical turn.
    Voltage,
    /// The speed (rad/s).
    Speed,
}

/// Decelerations of a coasting rotor at a high and a low speed of the log.
///
/// # Errors
/// The log shows too few periods, or does not slow down.
pub(crate) fn spin_down(
    log: &Log,
    reading: SpinReading,
    teeth: f64,
) -> Result<([SlowingDown; 2], Fit), LogFitError> {
    let speeds = match reading {
        SpinReading::Speed => log.clone(),
        SpinReading::Voltage => speeds(log, teeth)?,
    };
    let (t0, span) = (
        speeds.time[0],
        speeds.time[speeds.time.len() - 1] - speeds.time[0],
    );
    let (first, last) = (head(&speeds.reading), tail(&speeds.reading));
    if first <= last {
        return Err(LogFitError::Flat);
    }
    // By speed and decelerations at two speeds inside the log, which the curve fixes well,
    // where τ and c by themselves can trade against each other.
    let (fast, slow) = (last + 0.8 * (first - last), last + 0.2 * (first - last));
    let model = |p: &DVector<f64>, t: f64| {
        let (omega0, at_fast, at_slow) = (p[0], p[1].exp(), p[2].exp());
        let rate = (at_fast - at_slow) / (fast - slow);
        let at_start = at_fast + rate * (omega0 - fast);
        let x = rate * (t - t0);
        // (1 − e^(−x))/x, which goes on smoothly to a straight fall.
        let shape = if x.abs() < 1e-6 {
            1.0 - 0.5 * x
        } else {
            -(-x).exp_m1() / x
        };
        omega0 - at_start * (t - t0) * shape
    };
    let slope = (first - last) / span;
    let start = vec![first, (1.2 * slope).ln(), (0.8 * slope).ln()];
    let minimum = minimise(&speeds, start, vec![first, 1.0, 1.0], model)?;
    let mut gradient = DVector::zeros(3);
    let mut of = |index: usize, omega: f64| {
        gradient.fill(0.0);
        gradient[index] = 1.0;
        SlowingDown {
            omega,
            deceleration: FittedValue {
                value: minimum.parameters[index].exp(),
                // Two numbers of one log; friction that is not quite dry and detent torque
                // make it no better than this.
                sigma: minimum.sigma(&gradient).max(6.0 * FLOOR),
            },
        }
    };
    let found = [of(1, fast), of(2, slow)];
    let fit = Fit {
        title: "Spin-down".to_owned(),
        label: "speed (rad/s)",
        points: speeds.points(),
        curve: minimum.curve,
        result: format!(
            "slows by {} rad/s² at {} rad/s and by {} at {}",
            Rounded(found[0].deceleration.value),
            Rounded(fast),
            Rounded(found[1].deceleration.value),
            Rounded(slow)
        ),
    };
    Ok((found, fit))
}

/// Speeds from the periods of an open phase's voltage: two zero crossings of one direction
/// are an electrical turn, 2π/N of the shaft.
fn speeds(log: &Log, teeth: f64) -> Result<Log, LogFitError> {
    let mean = log.reading.iter().sum::<f64>() / log.reading.len() as f64;
    let crossings = crossings(log, mean);
    enough(&crossings, LEAST_TURNS)?;
    let mut speeds = Log::default();
    for three in crossings.windows(3) {
        speeds.time.push(0.5 * (three[0] + three[2]));
        speeds.reading.push(TAU / teeth / (three[2] - three[0]));
    }
    Ok(speeds)
}

/// Whether the crossings make so many periods.
fn enough(crossings: &[f64], least: usize) -> Result<(), LogFitError> {
    let found = crossings.len().saturating_sub(1) / 2;
    if found < least {
        return Err(LogFitError::Periods { found, least });
    }
    Ok(())
}

/// Times at which the reading passes `level`, with a hysteresis against noise that falls with
/// the swing.
fn crossings(log: &Log, level: f64) -> Vec<f64> {
    // Noise: from the second differences, which a smooth swing hardly has (variance 6 σ²).
    let differences = log
        .reading
        .windows(3)
        .map(|w| (w[0] - 2.0 * w[1] + w[2]).abs());
    let mut differences: Vec<f64> = differences.collect();
    differences.sort_by(f64::total_cmp);
    // The median of a normal distribution's size is 0.6745 σ.
    let noise = differences[differences.len() / 2] / (0.6745 * 6f64.sqrt());
    let most = log
        .reading
        .iter()
        .map(|one| (one - level).abs())
        .fold(0.0, f64::max);
    let hysteresis = (4.0 * noise).max(LEAST_SWING * most).min(0.3 * most);
    let mut found = Vec::new();
    let mut side = 0.0_f64;
    let mut last: Option<(f64, f64)> = None;
    for (time, reading) in log.time.iter().zip(&log.reading) {
        let off = reading - level;
        if off.abs() > hysteresis {
            if side != 0.0
                && off.signum() != side
                && let Some((before, was)) = last
            {
                found.push(before + (time - before) * was / (was - off));
            }
            side = off.signum();
            last = Some((*time, off));
        }
    }
    found
}

fn head(values: &[f64]) -> f64 {
    let count = (values.len() / 30).max(1);
    values[..count].iter().sum::<f64>() / count as f64
}

fn tail(values: &[f64]) -> f64 {
    let count = (values.len() / 30).max(1);
    values[values.len() - count..].iter().sum::<f64>() / count as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    fn log(points: usize, step: f64, f: impl Fn(f64) -> f64) -> Log {
        let time: Vec<f64> = (0..points).map(|k| k as f64 * step).collect();
        let reading = time.iter().map(|t| f(*t)).collect();
        Log { time, reading }
    }

    #[test]
    fn a_clean_rise_gives_its_time_constant() {
        let rise = log(500, 2e-5, |t| {
            if t < 1e-3 {
                0.02
            } else {
                0.02 + 1.4 * (1.0 - (-(t - 1e-3) / 1.9e-3).exp())
            }
        });
        let (tau, _) = current_rise(&rise).unwrap();
        assert_relative_eq!(tau.value, 1.9e-3, max_relative = 1e-4);
    }

    #[test]
    fn a_clean_ring_down_gives_frequency_and_decay() {
        let swing = log(1000, 1e-4, |t| {
            0.1 + 0.8 * (-t / 0.021).exp() * (TAU * 213.0 * t + 0.7).sin()
        });
        let (frequency, decay, _) = ring_down(&swing).unwrap();
        assert_relative_eq!(frequency.value, 213.0, max_relative = 1e-6);
        assert_relative_eq!(decay.value, 1.0 / 0.021, max_relative = 1e-5);
    }

    #[test]
    fn a_clean_spin_down_gives_the_deceleration_at_two_speeds() {
        let (tau, c) = (0.3, 20.0);
        let omega = |t: f64| (100.0 + c) * (-t / tau).exp() - c;
        let angle = |t: f64| (100.0 + c) * tau * (1.0 - (-t / tau).exp()) - c * t;
        for (reading, f) in [
            (SpinReading::Speed, log(300, 1e-3, omega)),
            (
                SpinReading::Voltage,
                log(3000, 1e-4, |t| 0.2 * omega(t) * (50.0 * angle(t)).sin()),
            ),
        ] {
            let (found, _) = spin_down(&f, reading, 50.0).unwrap();
            for one in found {
                let expected = (one.omega + c) / tau;
                assert_relative_eq!(one.deceleration.value, expected, max_relative = 5e-3);
            }
        }
    }

    #[test]
    fn what_is_no_such_curve_is_refused() {
        let flat = log(100, 1e-3, |_| 1.0);
        assert_eq!(current_rise(&flat).unwrap_err(), LogFitError::Flat);
        assert!(ring_down(&flat).is_err());
        let line = log(100, 1e-3, |t| t);
        assert!(ring_down(&line).is_err());
        assert!(spin_down(&line, SpinReading::Speed, 50.0).is_err());
    }
}
