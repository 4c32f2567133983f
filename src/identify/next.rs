//! Which one further measurement would narrow the verdict most.
//!
//! The verdict hangs on the pull-out torque. With g the gradient of its logarithm and C the
//! covariance of the unknowns, an observation with the gradient h and the standard deviation σ
//! takes (gᵀCh)²/(σ² + hᵀCh) off the variance gᵀCg: no measurement is needed to know
//! that. The torque is taken slowly, at the speed where it has fallen to seven tenths, and at
//! that where it has fallen to a third; their variances are added.

use std::f64::consts::SQRT_2;

use super::estimate::{Estimate, RANGE};
use super::machine::{self, CoilFeed, Phases, RingDown, TestSupply};
use super::observation::{Misreading, Observation, Observed};
use super::parameter::{MotorValue, Point, Unknown};

/// Step of the numerical derivatives (of logarithms).
const STEP: f64 = 1e-4;
/// Shares of the slow torque at whose speeds the verdict is looked at.
const SHARES: [f64; 3] = [0.98, 0.7, 0.33];
/// Supply over R·I where no drive is known.
const USUAL_SUPPLY: f64 = 8.0;

/// A measurement that could be made.
#[derive(Debug, Clone, PartialEq)]
pub struct NextMeasurement {
    /// What to do.
    pub what: &'static str,
    /// The key of the notes that it goes under.
    pub key: &'static str,
    /// 95 % range of the pull-out torque now, as a share either way.
    pub now: f64,
    /// The same after it.
    pub then: f64,
}

/// Rates (full steps/s) at which the pull-out torque has fallen to the [`SHARES`].
pub fn telling_rates(estimate: &Estimate, supply: &TestSupply) -> [f64; 3] {
    let teeth = f64::from(estimate.teeth);
    let at = |rate: f64| machine::pull_out(&estimate.point, teeth, supply, rate);
    let slow = at(1.0);
    SHARES.map(|share| {
        let (mut low, mut high) = (1.0_f64, 1e5_f64);
        for _ in 0..60 {
            let middle = (low * high).sqrt();
            if at(middle) > share * slow {
                low = middle;
            } else {
                high = middle;
            }
        }
        low
    })
}

/// A drive for a motor of which none is known: its rated current at a supply of eight times
/// R·I, as choppers have it.
pub fn usual_supply(estimate: &Estimate) -> TestSupply {
    let current = MotorValue::RatedCurrent.at(&estimate.point);
    let resistance = MotorValue::PhaseResistance.at(&estimate.point);
    TestSupply {
        voltage: USUAL_SUPPLY * resistance * current,
        current: Some(current),
        series: 0.0,
    }
}

/// Gradients of the logarithm of the pull-out torque at some rates.
pub fn pull_out_gradient(estimate: &Estimate, supply: &TestSupply, rate: f64) -> Point {
    let teeth = f64::from(estimate.teeth);
    let ln_torque = |point: &Point| {
        let least = 1e-3 * Unknown::TorqueConstant.at(point);
        machine::pull_out(point, teeth, supply, rate)
            .max(least)
            .ln()
    };
    let mut gradient = Point::zeros();
    for index in 0..gradient.len() {
        let (mut low, mut high) = (estimate.point, estimate.point);
        low[index] -= STEP;
        high[index] += STEP;
        gradient[index] = (ln_torque(&high) - ln_torque(&low)) / (2.0 * STEP);
    }
    gradient
}

/// Every measurement that would help, the most telling first.
pub fn candidates(estimate: &Estimate, supply: &TestSupply) -> Vec<NextMeasurement> {
    let gradients =
        telling_rates(estimate, supply).map(|rate| pull_out_gradient(estimate, supply, rate));
    let variance = |gradient: &Point| estimate.sigma(gradient).powi(2);
    let scale = estimate.widened * estimate.widened;
    let now: f64 = gradients.iter().map(variance).sum();
    let mut found: Vec<NextMeasurement> = possible(estimate)
        .into_iter()
        .map(|(what, key, observation)| {
            let row = estimate.gradient_of(&observation);
            let moved = estimate.covariance * row;
            let noise = observation.sigma.powi(2) / scale + row.dot(&moved);
            let gain: f64 = gradients
                .iter()
                .map(|gradient| scale * gradient.dot(&moved).powi(2) / noise)
                .sum();
            let share = |variance: f64| (RANGE * (variance.max(0.0) / 3.0).sqrt()).exp() - 1.0;
            NextMeasurement {
                what,
                key,
                now: share(now),
                then: share(now - gain),
            }
        })
        .collect();
    found.sort_by(|one, other| one.then.total_cmp(&other.then));
    found
}

/// What can be measured, with the uncertainty that a careful person reaches.
fn possible(estimate: &Estimate) -> Vec<(&'static str, &'static str, Observation)> {
    let current = MotorValue::RatedCurrent.at(&estimate.point);
    let direct = |unknown, sigma| (Observed::Direct(unknown), sigma);
    let swing = |inertia: f64| RingDown {
        current,
        phases: Phases::One,
        feed: CoilFeed::Regulated,
        inertia,
    };
    let disc = MotorValue::RotorInertia.at(&estimate.point);
    let omega = 30.0;
    [
        (
            "measure the frame with callipers",
            "frame",
            direct(Unknown::Frame, 0.005),
        ),
        (
            "measure the length of the body with callipers",
            "length",
            direct(Unknown::Length, 0.005),
        ),
        (
            "measure the resistance by volts and amperes",
            "resistance",
            (Observed::WarmResistance { celsius: 25.0 }, 0.01),
        ),
        (
            "log the rise of the current",
            "inductance",
            (Observed::RiseTime { series: 0.0 }, 0.03),
        ),
        (
            "read the rated current from a plate, or find it by the motor's temperature",
            "rated_current",
            direct(Unknown::RatedCurrent, 0.04),
        ),
        (
            "measure the holding torque with a lever and a scale",
            "holding_torque",
            (
                Observed::Holding {
                    current,
                    phases: SQRT_2,
                },
                0.04,
            ),
        ),
        (
            "turn the shaft at a known speed and read the back-EMF",
            "back_emf",
            direct(Unknown::TorqueConstant, 0.025),
        ),
        (
            "log a ring-down with one phase on",
            "ring_down",
            (Observed::RingFrequency(swing(0.0)), 0.01),
        ),
        (
            "log a ring-down with a disc of known inertia on the shaft",
            "ring_down",
            (Observed::RingFrequency(swing(disc)), 0.01),
        ),
        (
            "log a spin-down from full speed",
            "spin_down",
            (
                Observed::Deceleration {
                    omega,
                    inertia: 0.0,
                },
                0.05,
            ),
        ),
        (
            "measure the detent torque with a lever",
            "detent_torque",
            direct(Unknown::DetentTorque, 0.1),
        ),
    ]
    .into_iter()
    .map(|(what, key, (observed, sigma))| {
        let observation = Observation::measured(observed, 1.0, sigma, what, Misreading::None);
        (what, key, observation)
    })
    .collect()
}
