//! Unstable bands: speeds at which small swings grow by themselves.
//!
//! **Fixed voltage.** The eigenvalues of the linearised machine ([`linear`](super::linear)) at
//! the load at hand, over speed. With no viscous damping there is a lower edge and none
//! above; damping closes the band.
//!
//! **Regulated current.** While the current is in regulation the damping is mechanical
//! and the motion stable. Once the supply runs out the wave is clipped and the motion
//! begins to hunt somewhere above the larger of
//!
//! - the lower edge of the band of a fixed voltage of amplitude 4V/π, and
//! - the speed from which that fixed voltage drives less than the regulated amplitude, or than what
//!   a [filter](super::filter) of the set points leaves of it. Behind a slow one it always drives
//!   more, and there is no band.
//!
//! How far above depends on the load: 1.04 times at 70 % of pull-out, over twice with
//! hardly any. So the eigenvalues are taken of the periodic motion itself
//! ([`orbit`](super::orbit)) on the speeds around and above, until the swings stop growing or the
//! range ends.
//!
//! Only speeds at which the motor can make the torque at all are examined.

use std::f64::consts::PI;

use rayon::prelude::*;

use super::band::{Band, BandKind, FoundBy};
use super::feed::Feed;
use super::forced::forced_bands;
use super::linear::{SteadyState, swing, voltage_swing};
use super::machine::Machine;
use super::orbit::growth_rate;
use super::remembered::Remembered;
use crate::rig::Axis;

/// Ratio of neighbouring speeds of the scan, and the relative width to which an edge is
/// bisected: chosen, finer than the data of a motor are known.
const SCAN_RATIO: f64 = 1.03;
const EDGE_WIDTH: f64 = 0.002;

/// A band narrower than this is none: chosen, above the width of its two edges.
const NARROW: f64 = 2.5 * EDGE_WIDTH;

/// The scan begins at this share of the natural frequency (full steps/s over Hz) …
const FROM_NATURAL: f64 = 0.05;
/// … and ends at the latest at this multiple of R/(N L) and of it. Both chosen, beyond the
/// speeds at which a motor makes any torque.
const TO_CORNER: f64 = 400.0;

/// Orbits of a clipped wave are examined from this share of the speed where it can
/// begin to hunt …
const ORBITS_FROM: f64 = 0.85;
/// … to this multiple of it. Both chosen: hunting begins at 1.04 to over 2 times.
const ORBITS_TO: f64 = 4.0;
/// … and hunt where less damping is left than this share of the critical: how a real
/// regulator leaves its set point differs by so much (chosen).
const HUNTING_DAMPING: f64 = 0.01;
/// Ratio of neighbouring orbits: chosen; the lower edge is bisected, and the upper one is no better
/// known.
const ORBIT_RATIO: f64 = 1.08;
/// Orbits that are examined together: chosen, as the search ends soon after the first that
/// hunts.
const ORBITS_AT_ONCE: usize = 4;

/// Every band of `axis`: [`bands_of`] its machine, the load taken at its worst. What was
/// found is remembered, so asking again costs nothing.
///
/// Where the rig gives no damping, the least that is likely is taken; with the
/// [typical](typical_bands) one the bands are narrower.
pub(crate) fn bands(axis: &Axis) -> Vec<Band> {
    worst_bands(Machine::of(axis))
}

/// As [`bands`], with the typical damping; the same where the rig gives it.
pub(crate) fn typical_bands(axis: &Axis) -> Vec<Band> {
    worst_bands(Machine::with_typical_damping(axis))
}

fn worst_bands(mut machine: Machine) -> Vec<Band> {
    // A torque that always acts is taken against the motion, and an unbalance at its worst.
    machine.constant_torque = machine.constant_torque.abs() + machine.unbalance_torque;
    machine.unbalance_torque = 0.0;
    static KNOWN: Remembered<Machine, Vec<Band>> = Remembered::new();
    KNOWN.or_find(machine, bands_of)
}

/// Unstable and forced bands of `machine` with its own load, rising; bands of one kind
/// that touch are one.
pub(crate) fn bands_of(machine: &Machine) -> Vec<Band> {
    let load = |omega: f64| machine.steady_torque(omega);
    let mut bands = unstable_bands(machine, load);
    bands.extend(forced_bands(machine, &bands));
    bands.sort_by(|a, b| a.from_step_rate_hz.total_cmp(&b.from_step_rate_hz));
    bands
}

/// Unstable bands of `machine` when it makes the torque `torque(ω)` (N·m) at the motor
/// speed ω (rad/s), rising; edges are good to a fifth of
/// a per cent for a fixed voltage, to 2 % where a regulated drive begins to hunt and to
/// the scan's ratio (8 %) where it ends.
pub(crate) fn unstable_bands(machine: &Machine, torque: impl Fn(f64) -> f64 + Sync) -> Vec<Band> {
    match machine.feed {
        Feed::FixedVoltage { .. } => fixed_voltage_bands(machine, |omega| {
            swing(machine, omega, torque(omega)).map(|swing| swing.growth())
        }),
        Feed::Regulated { peak_current, .. } => clipped_bands(machine, peak_current, torque),
    }
}

/// The band in which a regulated drive hunts, as its wave is clipped.
fn clipped_bands(
    machine: &Machine,
    peak_current: f64,
    torque: impl Fn(f64) -> f64 + Sync,
) -> Vec<Band> {
    let square_wave = machine.feed.fundamental_voltage();
    let starved = |rate: f64| {
        let omega = machine.speed_of(rate);
        SteadyState::at(machine, square_wave, omega, torque(omega)).is_none_or(|steady| {
            let left = machine.feed.gain(machine.electrical(omega));
            steady.current() < peak_current * left
        })
    };
    let (from, to) = range(machine);
    let Some(first) = rates(from, to).find(|rate| starved(*rate)) else {
        return Vec::new();
    };
    let starved_from = bisect(first / SCAN_RATIO, first, starved);
    let square_bands = fixed_voltage_bands(machine, |omega| {
        voltage_swing(machine, square_wave, omega, torque(omega)).map(|swing| swing.growth())
    });
    let edge = square_bands
        .first()
        .map_or(0.0, |band| band.from_step_rate_hz);
    let open = square_bands
        .last()
        .is_some_and(|band| band.to_step_rate_hz.is_none());

    let natural = machine.natural_frequency();
    let growth = |rate: f64| {
        let mut loaded = machine.clone();
        let omega = machine.speed_of(rate);
        loaded.friction = 0.0;
        loaded.rotor_friction = 0.0;
        loaded.efficiency = 1.0;
        loaded.constant_torque = torque(omega) - machine.viscous * omega;
        growth_rate(&loaded, rate)
    };
    let hunting = |growth: f64| growth > -HUNTING_DAMPING * natural;
    let base = edge.max(starved_from);
    let speeds: Vec<f64> =
        std::iter::successors(Some(ORBITS_FROM * base), |rate| Some(rate * ORBIT_RATIO))
            .take_while(|rate| *rate <= ORBITS_TO * base)
            .collect();
    let mut seen: Vec<bool> = Vec::new();
    for some in speeds.chunks(ORBITS_AT_ONCE) {
        let found: Vec<Option<f64>> = some.par_iter().map(|rate| growth(*rate)).collect();
        // Where no steady motion is found, the load is more than the clipped wave carries. (In
        // parallel, `while_some` would leave out others before it.)
        let found: Vec<f64> = found.into_iter().map_while(|growth| growth).collect();
        // What is too much work to find counts as hunting, and all above it.
        let endless = found.iter().position(|growth| growth.is_infinite());
        let told = endless.map_or(found.len(), |at| at + 1);
        seen.extend(found[..told].iter().map(|growth| hunting(*growth)));
        let known = open && seen.contains(&true);
        if known || endless.is_some() || found.len() < some.len() {
            break;
        }
    }
    let (Some(first), Some(last)) = (
        seen.iter().position(|hunts| *hunts),
        seen.iter().rposition(|hunts| *hunts),
    ) else {
        return Vec::new();
    };
    let from = match first {
        0 => speeds[0],
        _ => bisect(speeds[first - 1], speeds[first], |rate| {
            growth(rate).is_some_and(hunting)
        }),
    };
    let ends = last + 1 < seen.len() && !open;
    vec![band(from, ends.then(|| speeds[last + 1]))]
}

/// Bands where `growth` (1/s at a motor speed) is positive, up to the first speed where
/// there is no steady motion.
fn fixed_voltage_bands(machine: &Machine, growth: impl Fn(f64) -> Option<f64>) -> Vec<Band> {
    let (from, to) = range(machine);
    let unstable = |rate: f64| growth(machine.speed_of(rate)).map(|growth| growth > 0.0);
    let mut bands = Vec::new();
    let mut open: Option<f64> = None;
    let mut before = from;
    for rate in rates(from, to) {
        let Some(now) = unstable(rate) else { break };
        match open {
            None if now => {
                let edge = bisect(before, rate, |rate| unstable(rate) == Some(true));
                open = Some(if rate == from { from } else { edge });
            }
            Some(start) if !now => {
                let edge = bisect(before, rate, |rate| unstable(rate) == Some(false));
                // A speed by itself that is unstable by rounding is no band.
                if edge > start * (1.0 + NARROW) {
                    bands.push(band(start, Some(edge)));
                }
                open = None;
            }
            _ => {}
        }
        before = rate;
    }
    bands.extend(open.map(|start| band(start, None)));
    bands
}

fn band(from: f64, to: Option<f64>) -> Band {
    Band {
        kind: BandKind::Unstable,
        from_step_rate_hz: from,
        to_step_rate_hz: to,
        found_by: FoundBy::Eigenvalues,
    }
}

/// The range of step rates (full steps/s) in which a machine is studied.
fn range(machine: &Machine) -> (f64, f64) {
    let natural = machine.natural_frequency() / std::f64::consts::TAU;
    let corner = machine.resistance / machine.inductance / (0.5 * PI);
    (
        FROM_NATURAL * natural.min(corner),
        TO_CORNER * corner.max(natural),
    )
}

fn rates(from: f64, to: f64) -> impl Iterator<Item = f64> {
    std::iter::successors(Some(from), |rate| Some(rate * SCAN_RATIO))
        .take_while(move |rate| *rate <= to)
}

/// Where `above` turns from false to true between `low` and `high`.
fn bisect(low: f64, high: f64, above: impl Fn(f64) -> bool) -> f64 {
    bisect_to(EDGE_WIDTH, low, high, above)
}

/// The same, to the relative `width`, the last point where it is false.
fn bisect_to(width: f64, low: f64, high: f64, above: impl Fn(f64) -> bool) -> f64 {
    let (mut low, mut high) = (low, high);
    while high / low > 1.0 + width {
        let middle = (low * high).sqrt();
        if above(middle) {
            high = middle;
        } else {
            low = middle;
        }
    }
    low
}
