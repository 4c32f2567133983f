//! Pull-out torque: the greatest steady torque that the motor makes at a speed.
//!
//! In rotor coordinates the steady state at the speed ω obeys
//!
//! ```text
//! vd = R id − ωe L iq        vq = R iq + ωe L id + K ω        T = K iq
//! ωe = N ω                   Z² = R² + (ωe L)²
//! ```
//!
//! | symbol | meaning | unit |
//! | --- | --- | --- |
//! | N | rotor teeth | |
//! | R, L | resistance of a phase with its switches and sense resistor; inductance | Ω, H |
//! | K | torque constant of one phase, Th / (√2 · Irated) | N·m/A |
//! | V, V1 | supply; fundamental amplitude of a phase's voltage | V |
//! | I | amplitude of the sine of phase current (*peak* current) that is [reached](crate::rig::Amplitude) | A |
//! | m | microsteps a full step | |
//! | f_n | natural frequency of the rotor with its load | Hz |
//!
//! **Fixed voltage.** Tpo = K V1/Z − K² ω R/Z² with V1 = 4V/π for two phases on,
//! (4V/π) sin 45° for one phase on, (4V/π) cos 22.5° for half-step. Only the
//! fundamental counts, as the back-EMF is a sine. Source: P. Acarnley, *Stepping
//! Motors: a guide to theory and practice*, high-speed operation (from memory), and
//! derived again from the equations above.
//!
//! **Regulated current.** The current is a staircase of 90°/m whose fundamental is
//! I sinc(π/4m), and the torque K times that, for as long as the supply can drive it.
//! Beyond, the wave is clipped; its describing function is not guessed but computed,
//! by solving one phase for its periodic current at a held speed (`saturation`), until the
//! voltage is a full square wave and the formula above holds again with V1 = 4V/π.
//!
//! **Slow steps.** Well below f_n the rotor comes to rest on each step, and the curves of
//! neighbouring steps cross below the peak of the fundamental: by the factor π/4 in full
//! step, 1/1.1763 = 0.85 for a half-stepped fixed voltage (the one-phase curve is the
//! lower), cos(π/4m)/sinc(π/4m) for a regulated current. The factor acts in full below
//! 0.2 f_n and fades, linearly in speed, to none at 0.9 f_n.
//!
//! **A measured curve**, where the motor has one, replaces all this. It is taken as
//! straight between its points and level before the first. Beyond the last nothing is
//! known and the torque is taken as zero.
//!
//! The curve is an upper bound and never a promise: inside an unstable band
//! the motor drops out below it.

mod fixed_voltage;
mod saturation;

use std::f64::consts::TAU;

use crate::physics::feed::Feed;
use crate::physics::machine::Machine;
use crate::rig::{Axis, PullOutPoint};

use fixed_voltage::FixedVoltage;
use saturation::{HeldPhase, SaturationTable};

/// Below this share of the natural frequency the slow-step factor acts in full …
const SLOW_IN_FULL: f64 = 0.2;
/// … and from this share on not at all. Both chosen on integrations of the machine with a load
/// that is raised from zero: 0.80 to 0.86 of the fundamental below a tenth, 0.84 to 0.96 at 0.3
/// to 0.5, 0.93 to 1.03 at 0.5 to 0.9.
const SLOW_NO_MORE: f64 = 0.9;

/// One point of a sampled pull-out curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PullOutSample {
    /// Full steps a second.
    pub step_rate_hz: f64,
    /// Speed of the motor (rad/s).
    pub omega: f64,
    /// Pull-out torque there (N·m).
    pub torque: f64,
}

/// The pull-out torque of one axis over speed. See the module's documentation.
#[derive(Debug, Clone, PartialEq)]
pub struct PullOut {
    /// Full steps in one radian of the motor.
    steps_per_radian: f64,
    curve: Curve,
}

#[derive(Debug, Clone, PartialEq)]
enum Curve {
    Measured(Vec<PullOutPoint>),
    Computed {
        fundamental: Fundamental,
        /// The slow-step factor.
        slow: f64,
        /// Speeds (rad/s) where the factor begins to fade and where it is gone.
        fades: (f64, f64),
    },
}

#[derive(Debug, Clone, PartialEq)]
enum Fundamental {
    FixedVoltage(FixedVoltage),
    Regulated(SaturationTable),
}

impl PullOut {
    /// The curve of `axis`: measured where the motor has one, computed otherwise. Takes
    /// some milliseconds for a regulated drive, whose clipped wave is solved and
    /// tabulated here so that [`at`](Self::at) is cheap.
    pub fn of(axis: &Axis) -> Self {
        let steps_per_radian = 1.0 / axis.motor.full_step_angle();
        let curve = match &axis.motor.pull_out {
            Some(points) if !points.is_empty() => Curve::Measured(points.clone()),
            Some(_) | None => {
                let machine = Machine::of(axis);
                let natural = machine.natural_frequency() / TAU / steps_per_radian;
                Curve::Computed {
                    fundamental: Fundamental::of(&machine),
                    slow: machine.feed.slow_step_share(),
                    fades: (SLOW_IN_FULL * natural, SLOW_NO_MORE * natural),
                }
            }
        };
        Self {
            steps_per_radian,
            curve,
        }
    }

    /// Pull-out torque (N·m) at `omega` (rad/s of the motor, either way).
    pub fn at(&self, omega: f64) -> f64 {
        let omega = omega.abs();
        match &self.curve {
            Curve::Measured(points) => measured_at(points, omega * self.steps_per_radian),
            Curve::Computed {
                fundamental,
                slow,
                fades: (from, to),
            } => {
                let torque = match fundamental {
                    Fundamental::FixedVoltage(drive) => drive.pull_out(omega),
                    Fundamental::Regulated(table) => table.pull_out(omega),
                };
                let fade = ((omega - from) / (to - from)).clamp(0.0, 1.0);
                torque * (slow + (1.0 - slow) * fade)
            }
        }
    }

    /// Pull-out torque (N·m) at a rate of full steps a second.
    pub fn at_step_rate(&self, hz: f64) -> f64 {
        self.at(hz / self.steps_per_radian)
    }

    /// Whether the curve is one that the builder measured.
    pub fn measured(&self) -> bool {
        matches!(self.curve, Curve::Measured(_))
    }

    /// The curve at `points` (two at least) even step rates from standstill to `to_hz`.
    pub fn curve(&self, to_hz: f64, points: usize) -> Vec<PullOutSample> {
        shares(points)
            .map(|share| self.sample(to_hz * share))
            .collect()
    }

    /// The curve at `points` (two at least) step rates from standstill to `to_hz` that lie
    /// the closer together the slower they are, for a table: they rise with the square.
    pub fn curve_finer_when_slow(&self, to_hz: f64, points: usize) -> Vec<PullOutSample> {
        shares(points)
            .map(|share| self.sample(to_hz * share * share))
            .collect()
    }

    /// One point of the curve, at a rate of full steps a second.
    pub fn sample(&self, step_rate_hz: f64) -> PullOutSample {
        PullOutSample {
            step_rate_hz,
            omega: step_rate_hz / self.steps_per_radian,
            torque: self.at_step_rate(step_rate_hz),
        }
    }

    /// The step rate (full steps/s) above which less than `share` of the greatest torque
    /// is left: where a plot may end. Found to 1 %.
    pub fn step_rate_at_share(&self, share: f64) -> f64 {
        let rates = || (0..1600).map(|k| 1.01_f64.powi(k));
        let greatest = rates().map(|hz| self.at_step_rate(hz)).fold(0.0, f64::max);
        rates()
            .filter(|hz| self.at_step_rate(*hz) >= share * greatest)
            .fold(1.0, f64::max)
    }
}

/// Even shares from 0 to 1.
fn shares(points: usize) -> impl Iterator<Item = f64> {
    let intervals = points.max(2) - 1;
    (0..=intervals).map(move |k| k as f64 / intervals as f64)
}

/// The measured torque at a step rate.
fn measured_at(points: &[PullOutPoint], hz: f64) -> f64 {
    let after = points.partition_point(|point| point.step_rate_hz < hz);
    match (after.checked_sub(1).map(|k| &points[k]), points.get(after)) {
        (None, Some(first)) => first.torque.si(),
        (Some(low), Some(high)) => {
            let share = (hz - low.step_rate_hz) / (high.step_rate_hz - low.step_rate_hz);
            low.torque.si() + share * (high.torque.si() - low.torque.si())
        }
        (_, None) => 0.0,
    }
}

impl Fundamental {
    fn of(machine: &Machine) -> Self {
        let circuit = FixedVoltage::of(machine);
        match machine.feed {
            Feed::FixedVoltage { .. } => Self::FixedVoltage(circuit),
            Feed::Regulated {
                supply,
                peak_current,
                microsteps,
                ..
            } => Self::Regulated(SaturationTable::of(&HeldPhase::new(
                circuit,
                supply,
                peak_current,
                microsteps,
            ))),
        }
    }
}
