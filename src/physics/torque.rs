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
//! **Behind a filter** of the set points, as converters that are a PWM have one, the fundamental of
//! the current falls with |1/(1 + j ωe τ)|ⁿ ([`filter`](super::filter)) and the torque with it, until
//! the supply is too little for what is left. The lag of the filter turns the load angle and costs no torque.
//!
//! **Slow steps.** Well below f_n the rotor comes to rest on each step, and the curves of
//! neighbouring steps cross below the peak of the fundamental: by the factor π/4 in full
//! step, 1/1.1763 = 0.85 for a half-stepped fixed voltage (the one-phase curve is the
//! lower), cos(π/4m)/sinc(π/4m) for a regulated current. The factor acts in full below
//! 0.2 f_n and fades, linearly in speed, to none at 0.9 f_n.
//!
//! **At the shaft** what the rotor [loses](super::loss) is taken off, once: T = Tpo − Tf − B ω.
//!
//! **How well it is known.** The curve is *typical*, between a low and a high edge, the 5th
//! and 95th percentile. Each quantity is moved by itself to its end, and the changes of
//! torque add up by the root of their squares (propagation of uncertainty of independent
//! quantities, JCGM 100:2008, 5.1):
//!
//! | quantity | moved by | where from |
//! | --- | --- | --- |
//! | K, and with it the holding torque | ± 10 % | common tolerance of data sheets |
//! | L at working current | ± 20 % | printed tolerance of data sheets |
//! | R, low edge only | + 31 %: copper at 0.393 %/K, 80 K warmer unless the rig says otherwise | common practice; IEC 60034-1 takes (235 + t₂)/(235 + t₁), which is 0.392 %/K at 20 °C |
//! | voltage of a regulator at its limit, low edge only | a sine of amplitude V instead of a square wave of 4V/π | how early a real one saturates is not known |
//! | losses | their own ranges | [`loss`](super::loss) |
//!
//! Where the motor gives a [tolerance](crate::rig::MotorTolerances) of K, L or R, that takes the
//! place of the range above (R then moves both edges besides the warmth), and the warmest
//! temperature is that of the axis: the band narrows as more is known.
//!
//! A regulator that runs out of voltage is typically taken to go over to a full square wave: with
//! the loss above that fits measured curves, and so would an earlier limit with a smaller
//! loss; the data cannot tell them apart, so the difference is part of the band. The largest
//! torque under a sine of voltage is that of the current vector on the circle |i| = I that
//! needs V, or the one on |v| = V with the most torque where that takes less current (field
//! weakening of a permanent-magnet machine, textbook practice).
//!
//! A rig that declares a motor without losses, no damping and no detent torque, gets the
//! lossless equations, exactly and without a band.
//!
//! **A measured curve**, where the motor has one, replaces all this. It is torque at the shaft
//! already. It counts as straight between its points and level before the first. Beyond the
//! last nothing is known and the torque counts as zero.
//!
//! No curve is a promise: inside an unstable band the motor loses synchronism below it.

pub(crate) mod fixed_voltage;
mod saturation;

use std::f64::consts::TAU;

use crate::physics::feed::Feed;
use crate::physics::filter::ConverterFilter;
use crate::physics::loss::{RotorLoss, Spread};
use crate::physics::machine::Machine;
use crate::rig::{Axis, COLD, Motor, PullOutPoint, ToleratedValue};

use super::remembered::Remembered;
use fixed_voltage::FixedVoltage;
use saturation::{HeldPhase, SaturationTable, stair_fundamental};

/// Below this share of the natural frequency the slow-step factor acts in full …
const SLOW_IN_FULL: f64 = 0.2;
/// … and from this share on not at all. Both chosen on integrations of the machine with a load
/// that is raised from zero: 0.80 to 0.86 of the fundamental below a tenth, 0.84 to 0.96 at 0.3
/// to 0.5, 0.93 to 1.03 at 0.5 to 0.9.
const SLOW_NO_MORE: f64 = 0.9;

/// Low edge of the holding torque of `motor` over that of its data.
pub(crate) fn least_holding(motor: &Motor) -> f64 {
    if RotorLoss::of(motor).is_ideal() {
        1.0
    } else {
        torque_constant(motor).low
    }
}

/// The torque constant over that of its data.
pub(crate) fn torque_constant(motor: &Motor) -> Spread {
    let given = motor.tolerances.of(ToleratedValue::TorqueConstant);
    given.map_or(Spread::within(TORQUE_CONSTANT), |tolerance| {
        Spread::around(1.0, tolerance)
    })
}

/// The inductance over that of its data.
pub(crate) fn inductance(motor: &Motor) -> Spread {
    let given = motor.tolerances.of(ToleratedValue::PhaseInductance);
    given.map_or(Spread::within(INDUCTANCE), |tolerance| {
        Spread::around(1.0, tolerance)
    })
}

/// The resistance of a cold winding over that of its data.
pub(crate) fn resistance(motor: &Motor) -> Spread {
    let given = motor.tolerances.of(ToleratedValue::PhaseResistance);
    Spread::around(1.0, given.unwrap_or(0.0))
}

/// One point of a sampled pull-out curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PullOutSample {
    /// Full steps a second.
    pub step_rate_hz: f64,
    /// Speed of the motor (rad/s).
    pub omega: f64,
    /// Typical pull-out torque there (N·m).
    pub torque: f64,
    /// Its low edge, which the motor exceeds in 19 cases of 20 (N·m).
    pub low: f64,
    /// Its high edge (N·m).
    pub high: f64,
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
    Computed(Box<Computed>),
}

/// A computed curve with what moves it.
#[derive(Debug, Clone, PartialEq)]
struct Computed {
    fundamental: Fundamental,
    /// The slow-step factor.
    slow: f64,
    /// Speeds (rad/s) where the factor begins to fade and where it is gone.
    fades: (f64, f64),
    loss: RotorLoss,
    /// The fundamental with one quantity at the end that takes torque.
    weaker: Vec<Fundamental>,
    /// The fundamental under a sine of voltage, and how far towards it a regulator may be.
    early: Option<(Fundamental, f64)>,
    /// The fundamental with one quantity at the end that gives torque.
    stronger: Vec<Fundamental>,
}

#[derive(Debug, Clone, PartialEq)]
enum Fundamental {
    FixedVoltage(FixedVoltage),
    Regulated(SaturationTable),
    /// A regulated drive whose voltage stays a sine.
    SineLimited {
        circuit: FixedVoltage,
        current: f64,
        filter: Option<ConverterFilter>,
    },
}

/// Relative ends of the torque constant and of the inductance.
const TORQUE_CONSTANT: f64 = 0.1;
const INDUCTANCE: f64 = 0.2;
/// Temperature coefficient of copper (1/K) at 20 °C.
pub(crate) const COPPER: f64 = 0.003_93;

impl PullOut {
    /// The curve of `axis`: measured where the motor has one, computed otherwise. Takes
    /// some milliseconds for a regulated drive, whose clipped wave is solved and
    /// tabulated here so that [`at`](Self::at) is cheap.
    pub fn of(axis: &Axis) -> Self {
        let steps_per_radian = 1.0 / axis.motor.full_step_angle();
        let curve = match &axis.motor.pull_out {
            Some(points) if !points.is_empty() => Curve::Measured(points.clone()),
            Some(_) | None => Curve::Computed(Box::new(Computed::of(axis, steps_per_radian))),
        };
        Self {
            steps_per_radian,
            curve,
        }
    }

    /// Typical pull-out torque at the shaft (N·m) at `omega` (rad/s of the motor, either way).
    pub fn at(&self, omega: f64) -> f64 {
        match &self.curve {
            Curve::Measured(points) => measured_at(points, omega.abs() * self.steps_per_radian),
            Curve::Computed(computed) => computed.typical(omega.abs()),
        }
    }

    /// The low edge of the pull-out torque (N·m): what the motor exceeds in 19 cases of 20.
    pub fn low_at(&self, omega: f64) -> f64 {
        match &self.curve {
            Curve::Measured(_) => self.at(omega),
            Curve::Computed(computed) => computed.low(omega.abs()),
        }
    }

    /// The high edge of the pull-out torque (N·m): what it stays below in 19 cases of 20.
    pub fn high_at(&self, omega: f64) -> f64 {
        match &self.curve {
            Curve::Measured(_) => self.at(omega),
            Curve::Computed(computed) => computed.high(omega.abs()),
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
        let omega = step_rate_hz / self.steps_per_radian;
        PullOutSample {
            step_rate_hz,
            omega,
            torque: self.at(omega),
            low: self.low_at(omega),
            high: self.high_at(omega),
        }
    }

    /// The step rate (full steps/s) above which less than `share` of the greatest torque
    /// is left: where a plot may end. Found to 1 %.
    pub fn step_rate_at_share(&self, share: f64) -> f64 {
        let torques = rates().map(|hz| self.at_step_rate(hz));
        self.step_rate_above(share * torques.fold(0.0, f64::max))
    }

    /// The highest step rate (full steps/s) at which the typical torque is `least` (N·m) or
    /// more. Found to 1 %.
    pub fn step_rate_above(&self, least: f64) -> f64 {
        rates()
            .filter(|hz| self.at_step_rate(*hz) >= least)
            .fold(1.0, f64::max)
    }
}

/// Step rates (full steps/s) of every size, 1 % apart.
fn rates() -> impl Iterator<Item = f64> {
    (0..1600).map(|k| 1.01_f64.powi(k))
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

impl Computed {
    fn of(axis: &Axis, steps_per_radian: f64) -> Self {
        let machine = Machine::of(axis);
        let natural = machine.natural_frequency() / TAU / steps_per_radian;
        let loss = RotorLoss::of(&axis.motor);
        let with = |change: &dyn Fn(&mut Machine)| {
            let mut machine = machine.clone();
            change(&mut machine);
            Fundamental::of(&machine)
        };
        let (mut weaker, mut stronger) = (Vec::new(), Vec::new());
        if !loss.is_ideal() {
            let winding = axis.motor.phase_resistance.si();
            let (constant, inductance) = (torque_constant(&axis.motor), inductance(&axis.motor));
            let resistance = resistance(&axis.motor);
            let warm = 1.0 + COPPER * (axis.tolerances.warmest - COLD);
            weaker.push(with(&|machine| machine.torque_constant *= constant.low));
            weaker.push(with(&|machine| machine.inductance *= inductance.high));
            weaker.push(with(&|machine| {
                machine.resistance += (warm - 1.0) * winding
            }));
            stronger.push(with(&|machine| machine.torque_constant *= constant.high));
            stronger.push(with(&|machine| machine.inductance *= inductance.low));
            if !resistance.is_exact() {
                let moved = |end: f64| with(&|machine| machine.resistance += (end - 1.0) * winding);
                weaker.push(moved(resistance.high));
                stronger.push(moved(resistance.low));
            }
        }
        let early = match loss.is_ideal() {
            true => None,
            false => Fundamental::sine_limited(&machine),
        };
        Self {
            fundamental: Fundamental::of(&machine),
            slow: machine.feed.slow_step_share(),
            fades: (SLOW_IN_FULL * natural, SLOW_NO_MORE * natural),
            loss,
            weaker,
            early: early.map(|sine| (sine, axis.tolerances.early_saturation)),
            stronger,
        }
    }

    fn slow_share(&self, omega: f64) -> f64 {
        let (from, to) = self.fades;
        let fade = ((omega - from) / (to - from)).clamp(0.0, 1.0);
        self.slow + (1.0 - self.slow) * fade
    }

    fn typical(&self, omega: f64) -> f64 {
        let torque = self.fundamental.pull_out(omega) * self.slow_share(omega);
        (torque - self.loss.torque(omega)).max(0.0)
    }

    fn low(&self, omega: f64) -> f64 {
        let loss = &self.loss;
        let drag = omega * (loss.viscous.high - loss.viscous.typical);
        let friction = loss.friction.high - loss.friction.typical;
        let changes = self.changes(&self.weaker, omega);
        let early = self.early.as_ref().map(|(sine, share)| {
            let change: f64 = self.changes(std::slice::from_ref(sine), omega).sum();
            share * change
        });
        let all = changes.chain(early).chain([drag, friction]);
        (self.typical(omega) - root_of_squares(all)).max(0.0)
    }

    fn high(&self, omega: f64) -> f64 {
        let loss = &self.loss;
        let drag = omega * (loss.viscous.typical - loss.viscous.low);
        let friction = loss.friction.typical - loss.friction.low;
        let changes = self.changes(&self.stronger, omega);
        self.typical(omega) + root_of_squares(changes.chain([drag, friction]))
    }

    /// How far each of `moved` lies from the typical torque.
    fn changes<'s>(
        &'s self,
        moved: &'s [Fundamental],
        omega: f64,
    ) -> impl Iterator<Item = f64> + 's {
        let typical = self.fundamental.pull_out(omega);
        let share = self.slow_share(omega);
        moved
            .iter()
            .map(move |moved| (moved.pull_out(omega) - typical) * share)
    }
}

fn root_of_squares(values: impl Iterator<Item = f64>) -> f64 {
    values.map(|value| value * value).sum::<f64>().sqrt()
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
                filter,
                ..
            } => {
                // The load is no part of it: machines that differ in nothing else share a table.
                type Key = (FixedVoltage, f64, f64, u32, Option<ConverterFilter>);
                static KNOWN: Remembered<Key, SaturationTable> = Remembered::new();
                let key = (circuit, supply, peak_current, microsteps, filter);
                Self::Regulated(KNOWN.or_find(key, |_| {
                    let first = machine.feed.first_angle();
                    let phase = HeldPhase::new(circuit, supply, peak_current, microsteps, first);
                    SaturationTable::of(&phase.behind(filter))
                }))
            }
        }
    }

    /// With the voltage of a regulator limited to a sine; none for a fixed voltage.
    fn sine_limited(machine: &Machine) -> Option<Self> {
        match machine.feed {
            Feed::FixedVoltage { .. } => None,
            Feed::Regulated {
                supply,
                peak_current,
                microsteps,
                filter,
                ..
            } => Some(Self::SineLimited {
                circuit: FixedVoltage {
                    voltage: supply,
                    ..FixedVoltage::of(machine)
                },
                current: peak_current * stair_fundamental(microsteps),
                filter,
            }),
        }
    }

    /// Torque (N·m) at `omega` (rad/s, not negative), without losses.
    fn pull_out(&self, omega: f64) -> f64 {
        match self {
            Self::FixedVoltage(drive) => drive.pull_out(omega),
            Self::Regulated(table) => table.pull_out(omega),
            Self::SineLimited {
                circuit,
                current,
                filter,
            } => {
                let left = filter.map_or(1.0, |filter| filter.gain(circuit.teeth * omega));
                circuit.pull_out_within(*current * left, omega)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::bench::Bench;

    /// Slow enough, the supply does not matter, however coarse the staircase is.
    #[test]
    fn a_limit_of_the_voltage_costs_no_torque_at_low_speed() {
        for microsteps in [1, 2, 16] {
            let axis = Bench::medium().regulated(24.0, 1.5, microsteps).axis();
            let machine = Machine::of(&axis);
            let limited = Fundamental::sine_limited(&machine).unwrap();
            let [ours, square] =
                [&limited, &Fundamental::of(&machine)].map(|one| one.pull_out(5.0));
            approx::assert_relative_eq!(ours, square, max_relative = 0.01);
        }
    }
}
