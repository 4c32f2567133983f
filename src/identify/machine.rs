//! What a bench shows of a motor whose values are known: the forward side of identifying.
//!
//! Symbols as in [`crate::physics::machine`]: N teeth, R, L, K of a phase, J with what is
//! fixed to the shaft, Td detent torque, B drag per speed, Tc dry friction, i a phase's
//! current.
//!
//! **Resistance.** R(T) = R₂₅ (1 + α (T − 20)) / (1 + 5 α), α = 0.00393 per kelvin for
//! copper at 20 °C. Source: IEC 60028, the International Annealed Copper Standard (from
//! memory).
//!
//! **Small swings at rest.** The slope of the static torque is
//!
//! ```text
//! k = N K i + 4 N Td            one phase on
//! k = √2 N K i − 4 N Td         two phases on
//! k = 4 N Td                    none
//! ```
//!
//! A regulated current, or an open phase, leaves the rotor J θ̈ + B θ̇ + k θ = 0. On a plain
//! supply the swing's own back-EMF drives a current through R + Rs and L, and the swing
//! is a root of
//!
//! ```text
//! J s² + B s + k + K² s / (L s + R + Rs) = 0
//! ```
//!
//! where both phases are fed, or where the idle phase is shorted (derived by linearising
//! the machine's equations; with L s ≪ R it is the drag K²/(R + Rs)).
//!
//! **Coasting.** J dω/dt = −(B ω + Tc); the detent torque averages out over a step.
//!
//! **Start-stop rate, without load.** By equal areas, ωe² = 2 ωn² (1 + cos d₀) with
//! ωn² = N T/J and d₀ = 45° in full steps, 0 in microsteps
//! ([`crate::physics::start_stop`]).
//!
//! **Pull-out.** The largest K iq with |i| ≤ I and |v| ≤ 4V/π ([`crate::physics::torque`]),
//! less B ω and Td.

use std::f64::consts::{FRAC_1_SQRT_2, FRAC_PI_2, PI, SQRT_2, TAU};

use nalgebra::Complex;

use super::parameter::{Point, Unknown};
use crate::physics::torque::fixed_voltage::FixedVoltage;
use crate::rig::Axis;
use crate::units::Current;

/// Temperature coefficient of copper (1/K) at 20 °C; see the module's documentation.
pub(super) const COPPER: f64 = 0.003_93;

/// The temperature (°C) at which a profile gives the resistance.
pub(super) const PROFILE_TEMPERATURE: f64 = 25.0;

/// Resistance of copper at a temperature (°C) over that at 25 °C.
pub(super) fn warm_copper(celsius: f64) -> f64 {
    (1.0 + COPPER * (celsius - 20.0)) / (1.0 + COPPER * (PROFILE_TEMPERATURE - 20.0))
}

/// Which phases carry the current.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Phases {
    /// None.
    None,
    /// One.
    One,
    /// Both, with the same current.
    Two,
}

impl Phases {
    /// Holding torque over K i.
    pub const fn torque(self) -> f64 {
        match self {
            Self::None => 0.0,
            Self::One => 1.0,
            Self::Two => SQRT_2,
        }
    }
}

/// How the phases are fed while the rotor swings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum CoilFeed {
    /// A regulated current, or the swinging phase is open: no current answers the swing.
    Regulated,
    /// A plain supply or a short, with that resistance in series (Ω).
    Supply {
        /// What is in series with the phase (Ω).
        series: f64,
    },
}

/// A rotor that swings about its rest.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RingDown {
    /// Current of a phase that is on (A).
    pub current: f64,
    /// Which phases are on.
    pub phases: Phases,
    /// How they are fed.
    pub feed: CoilFeed,
    /// Inertia fixed to the shaft (kg·m²).
    pub inertia: f64,
}

/// How a swing goes on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ringing {
    /// Frequency (Hz).
    pub frequency: f64,
    /// Rate of decay of the amplitude (1/s).
    pub decay: f64,
}

impl RingDown {
    /// Frequency and decay of small swings of the motor at `point`.
    pub fn ringing(&self, point: &Point, teeth: f64) -> Ringing {
        let k_t = Unknown::TorqueConstant.at(point);
        let detent = 4.0 * teeth * Unknown::DetentTorque.at(point);
        let pull = teeth * k_t * self.current;
        let stiffness = match self.phases {
            Phases::None => detent,
            Phases::One => pull + detent,
            // A current so small that the detent torque wins has no swing about this rest.
            Phases::Two => (SQRT_2 * pull - detent).max(1e-3 * pull),
        };
        let inertia = Unknown::RotorInertia.at(point) + self.inertia;
        let damping = Unknown::Damping.at(point);
        let mut s = Complex::new(-0.5 * damping / inertia, (stiffness / inertia).sqrt());
        if let CoilFeed::Supply { series } = self.feed {
            let resistance = Unknown::Resistance.at(point) + series;
            let inductance = Unknown::Inductance.at(point);
            for _ in 0..60 {
                let z = s * inductance + resistance;
                let value = s * s * inertia + s * damping + stiffness + s * (k_t * k_t) / z;
                let slope =
                    s * (2.0 * inertia) + damping + (z - s * inductance) * (k_t * k_t) / (z * z);
                let step = value / slope;
                s -= step;
                if step.norm() < 1e-12 * s.norm() {
                    break;
                }
            }
        }
        Ringing {
            frequency: s.im.abs() / TAU,
            decay: (-s.re).max(f64::MIN_POSITIVE),
        }
    }
}

/// Deceleration (rad/s²) of a coasting rotor with `inertia` (kg·m²) fixed to it.
pub(super) fn deceleration(point: &Point, omega: f64, inertia: f64) -> f64 {
    (Unknown::Damping.at(point) * omega + Unknown::Friction.at(point))
        / (Unknown::RotorInertia.at(point) + inertia)
}

/// Time (s) in which a coasting rotor falls from `omega` to half of it:
/// (J/B) ln((ω + c)/(ω/2 + c)) with c = Tc/B.
pub(super) fn half_time(point: &Point, omega: f64, inertia: f64) -> f64 {
    let damping = Unknown::Damping.at(point);
    let c = Unknown::Friction.at(point) / damping;
    let j = Unknown::RotorInertia.at(point) + inertia;
    j / damping * ((omega + c) / (0.5 * omega + c)).ln()
}

/// The start-stop rate (full steps/s) at a current amplitude, with `inertia` fixed to the
/// shaft.
pub(super) fn start_stop_rate(
    point: &Point,
    teeth: f64,
    current: f64,
    full_steps: bool,
    inertia: f64,
) -> f64 {
    let torque = Unknown::TorqueConstant.at(point) * current;
    let natural = (teeth * torque / (Unknown::RotorInertia.at(point) + inertia)).sqrt();
    let behind = if full_steps { FRAC_1_SQRT_2 } else { 1.0 };
    natural * (2.0 * (1.0 + behind)).sqrt() / FRAC_PI_2
}

/// A drive as far as the pull-out torque needs it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TestSupply {
    /// Voltage (V).
    pub voltage: f64,
    /// Amplitude of the regulated current (A); none on a fixed voltage.
    pub current: Option<f64>,
    /// Resistance in series with a phase (Ω).
    pub series: f64,
}

impl TestSupply {
    /// The drive of an axis.
    pub fn of(axis: &Axis) -> Self {
        Self {
            voltage: axis.drive.supply.si(),
            current: axis.drive.peak_current().map(Current::si),
            series: axis.loop_resistance() - axis.motor.phase_resistance.si(),
        }
    }
}

/// Pull-out torque (N·m) at the shaft at a rate of full steps a second.
pub fn pull_out(point: &Point, teeth: f64, supply: &TestSupply, step_rate: f64) -> f64 {
    let omega = step_rate * FRAC_PI_2 / teeth;
    let phases = FixedVoltage {
        teeth,
        resistance: Unknown::Resistance.at(point) + supply.series,
        inductance: Unknown::Inductance.at(point),
        torque_constant: Unknown::TorqueConstant.at(point),
        voltage: 4.0 / PI * supply.voltage,
    };
    let lost = Unknown::Damping.at(point) * omega + Unknown::DetentTorque.at(point);
    phases.greatest(supply.current, omega) - lost
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    /// The medium motor of the tests: N 50, 2.1 Ω, 4.2 mH, 1.5 A, 0.42 N·m, 65 g·cm², 17 mN·m.
    fn medium() -> Point {
        let mut point = Point::zeros();
        let mut set = |unknown: Unknown, si: f64| point[unknown.index()] = si.ln();
        set(Unknown::Resistance, 2.1);
        set(Unknown::Inductance, 4.2e-3);
        set(Unknown::RatedCurrent, 1.5);
        set(Unknown::TorqueConstant, 0.42 / SQRT_2 / 1.5);
        set(Unknown::RotorInertia, 65e-7);
        set(Unknown::DetentTorque, 17e-3);
        set(Unknown::Damping, 1e-4);
        set(Unknown::Friction, 1e-3);
        point
    }

    /// 0.393 % a kelvin at 20 °C (IEC 60028, from memory): 25 °C to 75 °C is 0.1965/1.01965 = 19.27 %.
    /// IEC 60034-1 (from memory) takes (235 + t₂)/(235 + t₁) for windings of copper.
    #[test]
    fn warm_copper_resists_more() {
        assert_relative_eq!(warm_copper(25.0), 1.0);
        assert_relative_eq!(warm_copper(75.0), 1.1927, max_relative = 1e-4);
        for warm in [40.0, 75.0, 105.0, 155.0] {
            let machines = (235.0 + warm) / (235.0 + 25.0);
            assert_relative_eq!(warm_copper(warm), machines, max_relative = 1e-3);
        }
    }

    /// By hand: two phases on at 1.5 A: k = 50 · 0.42 − 200 · 0.017 = 17.6 N·m/rad,
    /// √(17.6/65e-7)/2π = 261.89 Hz; one: 14.849 + 3.4 = 18.249, 266.68 Hz.
    #[test]
    fn a_ring_down_worked_by_hand_comes_out() {
        let swing = |phases| {
            RingDown {
                current: 1.5,
                phases,
                feed: CoilFeed::Regulated,
                inertia: 0.0,
            }
            .ringing(&medium(), 50.0)
        };
        assert_relative_eq!(swing(Phases::Two).frequency, 261.89, max_relative = 1e-4);
        assert_relative_eq!(swing(Phases::One).frequency, 266.68, max_relative = 1e-4);
        assert_relative_eq!(
            swing(Phases::One).decay,
            1e-4 / 2.0 / 65e-7,
            max_relative = 1e-12
        );
    }

    #[test]
    fn a_supply_damps_and_stiffens_and_a_large_series_resistance_only_damps() {
        let swing = |feed| {
            RingDown {
                current: 1.5,
                phases: Phases::Two,
                feed,
                inertia: 0.0,
            }
            .ringing(&medium(), 50.0)
        };
        let regulated = swing(CoilFeed::Regulated);
        let plain = swing(CoilFeed::Supply { series: 0.0 });
        assert!(plain.frequency > 1.02 * regulated.frequency, "{plain:?}");
        assert!(plain.decay > 3.0 * regulated.decay, "{plain:?}");
        // K²/(R + Rs) is added to the drag where R + Rs is far above ωL.
        let large = swing(CoilFeed::Supply { series: 1000.0 });
        let k_t = 0.42 / SQRT_2 / 1.5;
        let expected = (1e-4 + k_t * k_t / 1002.1) / 2.0 / 65e-7;
        assert_relative_eq!(large.decay, expected, max_relative = 1e-3);
    }

    /// Fixed voltage 3.15 V, two phases on, without losses, by hand at 1600 full steps/s:
    /// ωe = 2513.3, ωeL = 10.556 Ω, Z² = 115.83, V1 = 4.0107 V,
    /// K V1/Z − K² ω R/Z² = 0.07378 − 0.03572 = 0.03806 N·m.
    #[test]
    fn pull_out_on_a_fixed_voltage_is_the_formula() {
        let mut point = medium();
        point[Unknown::DetentTorque.index()] = -100.0;
        point[Unknown::Damping.index()] = -100.0;
        let supply = TestSupply {
            voltage: 3.15,
            current: None,
            series: 0.0,
        };
        assert_relative_eq!(
            pull_out(&point, 50.0, &supply, 1600.0),
            0.03806,
            max_relative = 3e-4
        );
    }

    #[test]
    fn pull_out_of_a_regulated_current_falls_without_a_jump() {
        let point = medium();
        let supply = TestSupply {
            voltage: 24.0,
            current: Some(1.5),
            series: 0.0,
        };
        let mut last = pull_out(&point, 50.0, &supply, 10.0);
        for step in 1..800 {
            let torque = pull_out(&point, 50.0, &supply, 10.0 + 20.0 * f64::from(step));
            assert!(
                torque <= last + 1e-9 && last - torque < 0.012,
                "{step}: {last} {torque}"
            );
            last = torque;
        }
    }

    #[test]
    fn half_time_is_the_integral_of_the_deceleration() {
        let point = medium();
        let (mut omega, mut time, step) = (60.0, 0.0, 1e-5);
        while omega > 30.0 {
            omega -= step * deceleration(&point, omega, 0.0);
            time += step;
        }
        assert_relative_eq!(time, half_time(&point, 60.0, 0.0), max_relative = 1e-3);
    }
}
