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
//! Behind a [filter](super::filter) the currents are smaller at speed, and the spring is softer. That
//! it smooths the staircase is left out, on the safe side.
//!
//! **Where the rule is not trusted.** The spring softens with swing and the rotor can fall
//! out of step altogether; with steps as coarse as full and half steps, and wherever the
//! rule's own sum comes near the limit, the machine is run at that speed
//! ([`swings_past`]) and the band says so. The rule alone
//! clears the rest.
//!
//! **Work.** A run takes [`LONGEST`] internal steps at most, some ten times what those of a motor
//! for a bench take. Where one does not come to an end, all speeds of the scan count as bad.
//! Currents that settle within a hundredth of a swing are slowed ([`Machine::for_swings`]).

use std::f64::consts::{PI, TAU};
use std::sync::atomic::{AtomicBool, Ordering};

use rayon::prelude::*;

use super::band::{Band, BandKind, FoundBy};
use super::feed::Feed;
use super::linear::{Swing, current_swing, swing};
use super::machine::{Machine, swings_past};

/// Peak lag beyond its standing value that makes a speed bad (electrical degrees): chosen, half
/// a full step, with which a loaded rotor that rests at up to 45° stays inside the quarter
/// cycle that holds it.
pub(crate) const LAG_LIMIT_DEG: f64 = 45.0;

/// Ratio of neighbouring speeds of the scan: chosen, so that no band that loses steps in the
/// tests falls between two of them; a band's edges are the nearest good speeds.
const RATIO: f64 = 1.05;
/// The scan begins at this multiple of the natural frequency: chosen, below the resonance at a
/// ninth of it …
const FROM_NATURAL: f64 = 0.11;
/// … with runs of so many radians of it, at most: chosen, some 19 swings.
const SWINGS: f64 = 120.0;
/// The scan ends at this multiple of the natural frequency: chosen, past the parametric
/// resonance at twice of it.
const TO_NATURAL: f64 = 2.5;
/// Internal steps of a run, at most: chosen, see the module.
const LONGEST: u64 = 200_000;
/// Share of the limit below which the closed rule clears a speed: chosen, with
/// room for what the rule leaves out.
const CLEARED: f64 = 0.55;
/// The swing is looked up at frequencies that are lower than the small-amplitude one by
/// so much, too, as the spring softens: ω(A) = ω (1 − A²/16), for a pendulum (textbook
/// mechanics); 1.18 is that of A = 1.56, a full step.
const SOFTENED: [f64; 5] = [0.97, 1.0, 1.05, 1.1, 1.18];
/// Harmonics that are summed: chosen; the fifth adds a 25th of the first at most.
const HARMONICS: u32 = 4;
/// Up to so many microsteps a full step the rule is not trusted to clear a speed (chosen: its
/// swings are no longer small) …
const COARSE: u32 = 2;
/// … unless the damping is at least this (chosen: a swing then dies in half a period).
const WELL_DAMPED: f64 = 0.3;
/// A damping ratio that a regulated drive without any viscous drag does not reach: then
/// nothing takes energy out of the swings that the steps feed (chosen).
const UNDAMPED: f64 = 0.01;
/// Full steps are rough everywhere with less damping than this: chosen on the outside bands
/// of the tests.
const LITTLE_DAMPED: f64 = 0.025;
/// Bands that lie closer than this are one (chosen: two clearances and no room between) …
const MERGED: f64 = 1.06;
/// … or than this in full step with a load above [`LOADED`] of the holding torque: between
/// them a large swing can live beside the small one, and how the speed was come by
/// decides which.
const MERGED_LOADED: f64 = 1.35;
/// See [`MERGED_LOADED`]; both chosen on the outside bands of the tests.
const LOADED: f64 = 0.15;
/// Bands are this much wider at either end than the runs found them: chosen, above the rounding
/// of a rate.
const PADDING: f64 = 1.02;

/// Forced bands of `machine` with its own load, rising; speeds in `known` bands are not
/// examined.
pub(crate) fn forced_bands(machine: &Machine, known: &[Band]) -> Vec<Band> {
    let natural = machine.natural_frequency() / TAU;
    let rough = rough_below(machine).map(|share| share * natural);
    let from = rough.unwrap_or(0.0).max(FROM_NATURAL * natural);
    let rates: Vec<f64> = std::iter::successors(Some(from), |rate| Some(rate * RATIO))
        .take_while(|rate| *rate <= TO_NATURAL * natural)
        .collect();
    let slowed = machine.for_swings();
    // One run without an end makes all bad, whichever it is.
    let endless = AtomicBool::new(false);
    let trial = |rate: f64| {
        !inside(known, rate)
            && !endless.load(Ordering::Relaxed)
            && suspect(machine, rate).is_some_and(|swing| {
                // What is damped shows its worst within some time constants.
                let swings = SWINGS.min(60.0 + 8.0 / swing.zeta.max(1e-3));
                let seconds = swings / machine.natural_frequency();
                swings_past(&slowed, rate, seconds, LAG_LIMIT_DEG, LONGEST).unwrap_or_else(|| {
                    endless.store(true, Ordering::Relaxed);
                    true
                })
            })
    };
    let mut bad: Vec<bool> = rates.par_iter().map(|rate| trial(*rate)).collect();
    if endless.into_inner() {
        bad.fill(true);
    }

    let runs: Vec<(f64, f64)> = runs_of(&bad)
        .into_iter()
        .map(|(first, last)| {
            let end = |bad: usize, good: Option<usize>| rates[good.unwrap_or(bad)];
            let from = end(first, first.checked_sub(1));
            let to = end(last, Some(last + 1).filter(|k| *k < rates.len()));
            (from / PADDING, to * PADDING)
        })
        .collect();

    let mut bands: Vec<Band> = rough
        .map(|to| band(0.0, to, FoundBy::ForcedResponse))
        .into_iter()
        .collect();
    let loaded = machine.constant_torque + machine.friction > LOADED * machine.holding_torque();
    let merged = match machine.microsteps() {
        1 if loaded => MERGED_LOADED,
        _ => MERGED,
    };
    for (from, to) in runs {
        match bands.last_mut() {
            Some(Band {
                to_step_rate_hz: Some(end),
                found_by,
                ..
            }) if from <= merged * *end => {
                *end = end.max(to);
                *found_by = FoundBy::Simulation;
            }
            _ => bands.push(band(from, to, FoundBy::Simulation)),
        }
    }
    bands
}

fn band(from: f64, to: f64, found_by: FoundBy) -> Band {
    Band {
        kind: BandKind::Forced,
        from_step_rate_hz: from,
        to_step_rate_hz: Some(to),
        found_by,
    }
}

/// First and last of every run of neighbouring critical speeds.
fn runs_of(bad: &[bool]) -> Vec<(usize, usize)> {
    let mut runs: Vec<(usize, usize)> = Vec::new();
    for (k, _) in bad.iter().enumerate().filter(|(_, bad)| **bad) {
        match runs.last_mut() {
            Some((_, last)) if k == *last + 1 => *last = k,
            _ => runs.push((k, k)),
        }
    }
    runs
}

/// The share of the natural frequency below which a regulated drive with coarse steps and
/// next to nothing to damp it is rough everywhere: its resonances at f_n/(k m) are so wide, and
/// so close, that there is no gap between them to rely on.
fn rough_below(machine: &Machine) -> Option<f64> {
    let Feed::Regulated { peak_current, .. } = machine.feed else {
        return None;
    };
    let zeta = current_swing(machine, peak_current, 0.0)?.zeta;
    match machine.microsteps() {
        1 => (zeta < LITTLE_DAMPED).then_some(1.3),
        m @ 2..=4 => (zeta < UNDAMPED).then_some(1.15 / f64::from(m)),
        _ => None,
    }
}

fn inside(bands: &[Band], rate: f64) -> bool {
    bands.iter().any(|band| band.contains(rate))
}

/// The swing at a speed that the closed rule cannot clear.
fn suspect(machine: &Machine, rate: f64) -> Option<Swing> {
    // None where the load is more than the motor carries: not a matter of bands.
    let swing = swing(machine, machine.speed_of(rate), torque(machine, rate))?;
    let coarse = machine.microsteps() <= COARSE && swing.zeta < WELL_DAMPED;
    // Detent modulates the spring by 4 Td/(K I) at f, which alone makes swings grow
    // around f = 2 f_n where the damping is less than a quarter of that (Mathieu).
    let turning = machine.turning_torque(machine.speed_of(rate));
    let modulation = 4.0 * machine.detent_torque / turning;
    let detuning = (TAU * rate / (2.0 * swing.omega) - 1.0).abs();
    let modulated = modulation > 4.0 * swing.zeta && detuning < 0.1 + modulation;
    let used = (torque(machine, rate) / turning).min(1.0);
    let limit = LAG_LIMIT_DEG + 0.5 * machine.microstep_electrical().to_degrees();
    let swings = predicted_swing(machine, rate) > CLEARED * (1.0 - used) * limit;
    (coarse || modulated || swings).then_some(swing)
}

/// The torque (N·m) that the machine's load asks for at a rate of full steps a second.
pub(crate) fn torque(machine: &Machine, rate: f64) -> f64 {
    machine.steady_torque(machine.speed_of(rate))
}

/// Swing (electrical degrees) that the closed rule predicts at `rate` full steps a second: the
/// greatest over the softening of the spring. Infinite where the motor cannot make the
/// torque.
pub(crate) fn predicted_swing(machine: &Machine, rate: f64) -> f64 {
    let Some(swing) = swing(machine, machine.speed_of(rate), torque(machine, rate)) else {
        return f64::INFINITY;
    };
    let zeta = swing.zeta.max(0.0);
    let microsteps = machine.microsteps();
    let stair = 90.0 / f64::from(microsteps);
    let turning = machine.turning_torque(machine.speed_of(rate));
    let detent = (machine.detent_torque / turning).to_degrees();
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

#[cfg(test)]
mod tests {
    use approx::assert_relative_eq;

    use super::*;
    use crate::testing::rigs::rotary;

    const DETENT: f64 = 0.02;

    /// A machine with such a detent torque (N·m), its swings damped by 0.05.
    fn machine(microsteps: u32, detent_torque: f64) -> Machine {
        let mut machine = Machine::of(&rotary("a", microsteps));
        machine.detent_torque = detent_torque;
        machine.viscous = 2.0 * 0.05 * machine.inertia * machine.natural_frequency();
        machine
    }

    /// The swing predicted at such a share of the natural frequency.
    fn predicted(machine: &Machine, share: f64) -> f64 {
        predicted_swing(machine, share * machine.natural_frequency() / TAU)
    }

    /// By hand: 1/(2ζ) is 10 at resonance; at r = 0.5 · 1.18 the magnification is
    /// 1/√(0.6519² + 0.059²), at 2 · 0.97 it is 1/√(2.7636² + 0.194²). Source: magnification
    /// factor of a forced vibration, textbook mechanics, from memory.
    #[test]
    fn detent_swings_the_rotor_by_the_magnification_of_its_angle() {
        let machine = machine(256, DETENT);
        let angle = (DETENT / machine.holding_torque()).to_degrees();
        for (share, magnification) in [(1.0, 10.0), (0.5, 1.5277), (2.0, 0.36096)] {
            let swing = predicted(&machine, share);
            // The drag of the damping turns the rotor back a little.
            assert_relative_eq!(swing, angle * magnification, max_relative = 5e-3);
        }
    }

    /// By hand, for quarter steps whose first harmonic meets the resonance: a sawtooth of 22.5°
    /// has the harmonics 22.5°/(k π), magnified 10, 0.3326, 0.1249 and 0.0666 times.
    #[test]
    fn microsteps_swing_the_rotor_by_the_magnified_harmonics_of_a_sawtooth() {
        let swing = predicted(&machine(4, 0.0), 0.25);
        assert_relative_eq!(swing, 73.23, max_relative = 1e-3);
    }
}
