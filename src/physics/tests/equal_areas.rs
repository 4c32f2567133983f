//! The start-stop rate, estimated by equal areas under the torque curve, with
//! ωe the electrical speed, ω_n = √(N Tpo / J), s = Tload/Tpo and d₀ the lag at the
//! first step:
//!
//! ```text
//! ωe² / (2 ω_n²) = cos d₀ + √(1 − s²) − s (π − asin s − d₀)
//! ```
//!
//! The kinetic energy that the rotor lacks, seen from the rotating field, must be won
//! before the lag passes the unstable balance at π − asin s (the equal-area criterion
//! of synchronous machines, a textbook method; this form derived here). Held against the
//! simulation it lies within −10 … +15 % for regulated currents and −25 … +15 % for
//! fixed voltage: an estimate, and called one.

use std::f64::consts::{FRAC_PI_2, FRAC_PI_4, PI, TAU};

use crate::physics::Machine;

/// The start-stop rate (full steps/s) by equal areas; an estimate, see the module's
/// documentation. `load_torque` is what resists at the motor's shaft (N·m, friction
/// included), `pull_out` the pull-out torque (N·m) at a rate in full steps/s.
pub(crate) fn equal_area_estimate(
    machine: &Machine,
    load_torque: f64,
    pull_out: impl Fn(f64) -> f64,
) -> f64 {
    let behind = if machine.microsteps() == 1 {
        FRAC_PI_4
    } else {
        0.0
    };
    let holding = machine.holding_torque();
    // Above zero while the field is slow enough to catch the rotor.
    let spare = |rate: f64| {
        let available = pull_out(rate);
        let share = load_torque / available;
        if !(0.0..1.0).contains(&share) || load_torque >= holding {
            return -1.0;
        }
        let first = (load_torque / holding).asin() + behind;
        let natural_squared = machine.rotor_teeth * available / machine.inertia;
        let electrical = rate * FRAC_PI_2;
        first.cos() + (1.0 - share * share).sqrt()
            - share * (PI - share.asin() - first)
            - electrical * electrical / (2.0 * natural_squared)
    };
    let (mut low, mut high) = (0.0, 8.0 * machine.natural_frequency() / TAU);
    for _ in 0..50 {
        let middle = 0.5 * (low + high);
        if spare(middle) > 0.0 {
            low = middle;
        } else {
            high = middle;
        }
    }
    low
}
