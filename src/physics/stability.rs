//! Unstable bands: speeds at which small swings grow by themselves.
//!
//! **Fixed voltage.** The eigenvalues of the linearised machine ([`linear`](super::linear)) at
//! the load at hand, over speed. With no viscous damping there is a lower edge and none
//! above; damping closes the band.
//!
//! **Regulated current.** While the current is in regulation the damping is mechanical
//! and the motion stable. Beyond the speed where the supply runs out the drive behaves
//! as a fixed voltage of amplitude 4V/π, but only once hardly anything of the wave is
//! still regulated. Hunting has been seen to begin at 1.3 to 1.8 times the larger of
//!
//! - the lower edge of that fixed-voltage band, and
//! - the speed from which that fixed voltage drives less than the regulated amplitude
//!
//! (12 cases of three motors, integrated). The band is taken to begin at
//! [`HUNTING_BEGINS`] times that speed, on the safe side of all of them.
//!
//! Only speeds at which the motor can make the torque at all are looked at.

use std::f64::consts::PI;

use super::band::{Band, BandKind, FoundBy};
use super::forced::{Effort, forced_bands};
use super::linear::{SteadyState, swing, voltage_swing};
use super::machine::{Feed, Machine};
use crate::rig::Axis;

/// Where a regulated drive is taken to begin to hunt, over the larger of the two speeds
/// that bound it from below.
pub const HUNTING_BEGINS: f64 = 1.3;

/// Ratio of neighbouring speeds of the scan, and the relative width to which an edge is
/// bisected.
const SCAN_RATIO: f64 = 1.03;
const EDGE_WIDTH: f64 = 0.002;

/// The scan begins at this share of the natural frequency (full steps/s over Hz) …
const FROM_NATURAL: f64 = 0.05;
/// … and ends at the latest at this multiple of R/(N L) and of it.
const TO_CORNER: f64 = 400.0;

/// Every band of `axis`: [`bands_of`] its machine, the load taken at its worst.
pub fn bands(axis: &Axis, effort: Effort) -> Vec<Band> {
    let mut machine = Machine::of(axis);
    // A torque that always acts is taken against the motion, and an unbalance at its worst.
    machine.constant_torque = machine.constant_torque.abs() + machine.unbalance_torque;
    machine.unbalance_torque = 0.0;
    bands_of(&machine, effort)
}

/// Unstable and forced bands of `machine` with its own load, rising; bands of one kind
/// that touch are one.
pub fn bands_of(machine: &Machine, effort: Effort) -> Vec<Band> {
    let load = |omega: f64| {
        (machine.constant_torque + machine.friction) / machine.efficiency + machine.viscous * omega
    };
    let mut bands = unstable_bands(machine, load);
    bands.extend(forced_bands(machine, &bands, effort));
    bands.sort_by(|a, b| a.from_step_rate_hz.total_cmp(&b.from_step_rate_hz));
    bands
}

/// Unstable bands of `machine` when it makes the torque `torque(ω)` (N·m) at the motor
/// speed ω (rad/s), with edges to a fifth of a per cent, rising.
pub fn unstable_bands(machine: &Machine, torque: impl Fn(f64) -> f64) -> Vec<Band> {
    match machine.feed {
        Feed::FixedVoltage { .. } => fixed_voltage_bands(machine, |omega| {
            swing(machine, omega, torque(omega)).map(|swing| swing.growth())
        }),
        Feed::Regulated {
            supply,
            peak_current,
            ..
        } => {
            let square_wave = 4.0 * supply / PI;
            let steady = |omega: f64| SteadyState::at(machine, square_wave, omega, torque(omega));
            let starved =
                |omega: f64| steady(omega).is_none_or(|steady| steady.current() < peak_current);
            let (from, to) = range(machine);
            let mut rates = rates(from, to);
            let Some(first) = rates.find(|rate| starved(machine.speed_of(*rate))) else {
                return Vec::new();
            };
            let starved_from = bisect(first / SCAN_RATIO, first, |rate| {
                starved(machine.speed_of(rate))
            });
            let bands = fixed_voltage_bands(machine, |omega| {
                voltage_swing(machine, square_wave, omega, torque(omega))
                    .map(|swing| swing.growth())
            });
            bands
                .into_iter()
                .filter_map(|band| {
                    let from = HUNTING_BEGINS * band.from_step_rate_hz.max(starved_from);
                    let open = band.to_step_rate_hz.is_none_or(|to| to > from);
                    open.then_some(Band {
                        from_step_rate_hz: from,
                        ..band
                    })
                })
                .collect()
        }
    }
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
                bands.push(band(start, Some(edge)));
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
pub(super) fn bisect(low: f64, high: f64, above: impl Fn(f64) -> bool) -> f64 {
    let (mut low, mut high) = (low, high);
    while high / low > 1.0 + EDGE_WIDTH {
        let middle = (low * high).sqrt();
        if above(middle) {
            high = middle;
        } else {
            low = middle;
        }
    }
    high
}
