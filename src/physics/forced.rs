//! Forced bands: speeds at which the steps themselves shake the rotor.
//!
//! **Closed rule.** The staircase of microsteps less the smooth ramp is a sawtooth of
//! 90°/m peak to peak. Its harmonics k = 1, 2, … at k m f (f: full steps/s) have the amplitude
//! (90°/m)/(k π); detent adds Td/(K I) radians at f. Each passes through the
//! swing of the rotor about its steady motion ([`linear`](super::linear)),
//!
//! ```text
//! |H(r)| = 1 / √((1 − r²)² + (2 ζ r)²)        r = 2π k m f / ω
//! ```
//!
//! and the sum of the magnitudes is the predicted swing. A speed is *bad* when
//! synchronism is lost or the peak lag exceeds its standing value (the load's own angle and one
//! microstep) by more than [`LAG_LIMIT_DEG`]; the sawtooth itself takes half a
//! microstep of that.
//!
//! **Where the rule is not trusted.** The spring softens with swing and the rotor can fall
//! out of step altogether; with steps as coarse as full and half steps, and wherever the
//! rule's own sum comes near the limit, the machine is run at that speed
//! ([`hold_speed`](super::machine::hold_speed)) and the band says so. The rule alone
//! clears the rest.

use std::f64::consts::{PI, TAU};

use rayon::prelude::*;

use super::band::{Band, BandKind, FoundBy};
use super::linear::swing;
use super::machine::{Machine, hold_speed};

/// Peak lag beyond its standing value that makes a speed bad (electrical degrees).
pub const LAG_LIMIT_DEG: f64 = 45.0;

/// How much is spent on finding bands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Effort {
    /// Some ten milliseconds: enough to judge a move.
    #[default]
    Quick,
    /// Edges to a per cent, longer runs.
    Thorough,
}

/// Settings that an [`Effort`] stands for.
struct Search {
    /// Ratio of neighbouring speeds.
    ratio: f64,
    /// The first speed over the natural frequency.
    from: f64,
    /// Length of a run in radians of the natural frequency.
    swings: f64,
    /// Whether edges are bisected; otherwise half a ratio is added to either side.
    bisect: bool,
}

impl Effort {
    fn search(self) -> Search {
        match self {
            Self::Quick => Search {
                ratio: 1.05,
                from: 0.2,
                swings: 90.0,
                bisect: false,
            },
            Self::Thorough => Search {
                ratio: 1.03,
                from: 0.1,
                swings: 200.0,
                bisect: true,
            },
        }
    }
}

/// The scan ends at this multiple of the natural frequency.
const TO_NATURAL: f64 = 2.5;
/// Share of the limit below which the closed rule clears a speed.
const CLEARED: f64 = 0.55;
/// The swing is looked up at frequencies that are lower than the small-amplitude one by
/// so much, too, as the spring softens: ω(A) = ω (1 − A²/16).
const SOFTENED: [f64; 5] = [0.97, 1.0, 1.05, 1.1, 1.18];
/// Harmonics that are summed.
const HARMONICS: u32 = 4;
/// Up to so many microsteps a full step the rule is not trusted to clear a speed …
const COARSE: u32 = 2;
/// … unless the damping is at least this.
const WELL_DAMPED: f64 = 0.3;
/// Width to which an edge is bisected.
const EDGE_WIDTH: f64 = 1.01;

/// Forced bands of `machine` with its own load, rising; speeds in `known` bands are not
/// looked at.
pub fn forced_bands(machine: &Machine, known: &[Band], effort: Effort) -> Vec<Band> {
    let search = effort.search();
    let natural = machine.natural_frequency() / TAU;
    let rates: Vec<f64> = std::iter::successors(Some(search.from * natural), |rate| {
        Some(rate * search.ratio)
    })
    .take_while(|rate| *rate <= TO_NATURAL * natural)
    .collect();
    let seconds = search.swings / machine.natural_frequency();
    let trial = |rate: f64| {
        !inside(known, rate) && is_suspect(machine, rate) && is_bad(machine, rate, seconds)
    };
    let bad: Vec<bool> = rates.par_iter().map(|rate| trial(*rate)).collect();

    // Runs of bad speeds, with the good speeds (or the ends of the scan) around them.
    let mut runs: Vec<(usize, usize)> = Vec::new();
    for (k, _) in bad.iter().enumerate().filter(|(_, bad)| **bad) {
        match runs.last_mut() {
            Some((_, last)) if k <= *last + 1 => *last = k,
            _ => runs.push((k, k)),
        }
    }
    runs.par_iter()
        .map(|&(first, last)| {
            let half = search.ratio.sqrt();
            let (mut from, mut to) = (rates[first] / half, rates[last] * half);
            if search.bisect && first > 0 {
                from = edge(rates[first], rates[first - 1], trial);
            }
            if search.bisect && last + 1 < rates.len() {
                to = edge(rates[last], rates[last + 1], trial);
            }
            Band {
                kind: BandKind::Forced,
                from_step_rate_hz: from,
                to_step_rate_hz: Some(to),
                found_by: FoundBy::Simulation,
            }
        })
        .collect()
}

fn inside(bands: &[Band], rate: f64) -> bool {
    bands.iter().any(|band| {
        band.from_step_rate_hz <= rate && band.to_step_rate_hz.is_none_or(|to| rate <= to)
    })
}

/// The edge between a `bad` and a `good` speed: the good side of it.
fn edge(bad: f64, good: f64, trial: impl Fn(f64) -> bool) -> f64 {
    let (mut bad, mut good) = (bad, good);
    while (good / bad).max(bad / good) > EDGE_WIDTH {
        let middle = (good * bad).sqrt();
        if trial(middle) {
            bad = middle;
        } else {
            good = middle;
        }
    }
    good
}

/// Whether a run at the speed loses synchronism or swings past the limit.
fn is_bad(machine: &Machine, rate: f64, seconds: f64) -> bool {
    let outcome = hold_speed(machine, rate, 0.0, seconds);
    outcome.lost || outcome.peak_lag_excess_deg > LAG_LIMIT_DEG
}

/// Whether the closed rule cannot clear the speed.
fn is_suspect(machine: &Machine, rate: f64) -> bool {
    let Some(swing) = swing(machine, machine.speed_of(rate), torque(machine, rate)) else {
        // More load than the motor carries there: not a matter of bands.
        return false;
    };
    if machine.microsteps() <= COARSE && swing.zeta < WELL_DAMPED {
        return true;
    }
    let used = (torque(machine, rate) / machine.holding_torque()).min(1.0);
    let limit = LAG_LIMIT_DEG + 0.5 * machine.microstep_electrical().to_degrees();
    predicted_swing(machine, rate) > CLEARED * (1.0 - used) * limit
}

/// The torque (N·m) that the machine's load asks for at a rate of full steps a second.
pub fn torque(machine: &Machine, rate: f64) -> f64 {
    (machine.constant_torque + machine.friction) / machine.efficiency
        + machine.viscous * machine.speed_of(rate)
}

/// Swing (electrical degrees) that the closed rule predicts at `rate` full steps a second: the
/// greatest over the softening of the spring. Infinite where the motor cannot make the
/// torque.
pub fn predicted_swing(machine: &Machine, rate: f64) -> f64 {
    let Some(swing) = swing(machine, machine.speed_of(rate), torque(machine, rate)) else {
        return f64::INFINITY;
    };
    let zeta = swing.zeta.max(0.0);
    let microsteps = machine.microsteps();
    let stair = 90.0 / f64::from(microsteps);
    let detent = (machine.detent_torque / machine.holding_torque()).to_degrees();
    let response = |r: f64| {
        ((1.0 - r * r).powi(2) + (2.0 * zeta * r).powi(2))
            .sqrt()
            .recip()
    };
    SOFTENED
        .iter()
        .map(|softened| {
            let r = TAU * rate / swing.omega * softened;
            let steps: f64 = (1..=HARMONICS)
                .map(|k| {
                    let k = f64::from(k);
                    stair / (k * PI) * response(k * f64::from(microsteps) * r)
                })
                .sum();
            steps + detent * response(r)
        })
        .fold(0.0, f64::max)
}
