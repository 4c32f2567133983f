//! The clipped wave: what a current regulator makes of its set point when the supply is
//! no longer enough.
//!
//! At a held speed the two phases are alike but for a quarter period, and each repeats
//! with opposite sign after half a period. So one phase over half a period says it all:
//!
//! ```text
//! L di/dφ · ωe = v − R i + K ω sin(φ − λ)        |v| ≤ V
//! v such that i follows the staircase of I cos φ as far as V allows
//! T(λ) = −2 K ⟨i sin(φ − λ)⟩
//! ```
//!
//! φ is the commanded electrical angle and λ the lag of the rotor behind it. The half
//! period is cut into steps in which v is constant; over each the circuit is solved exactly but
//! for the back-EMF, which is taken at the middle. The periodic current is found by
//! Newton's rule: half a period multiplies a disturbance by the product of e^(−R h/L) over
//! the clipped steps, and by zero once the current is on its set point. The pull-out torque is the
//! greatest T(λ).
//!
//! **Behind a filter** the set point is the staircase as the [filter](crate::physics::filter) leaves
//! it, and λ is counted from the filter's own lag on.

use std::borrow::Cow;
use std::f64::consts::{FRAC_PI_2, PI};

use super::fixed_voltage::FixedVoltage;
use crate::physics::filter::ConverterFilter;

/// Steps of half an electrical period, at least: chosen, 1.4° each.
const LEAST_STEPS: u32 = 128;
/// From this number of microsteps a full step on, the staircase counts as a sine: its
/// fundamental is then within 3·10⁻⁵ of it.
const SMOOTH_FROM: u32 = 64;
/// Rounds of Newton's rule, at most; two or three are the rule.
const ROUNDS: usize = 24;

/// Fundamental of a staircase of so many microsteps a full step, over that of the sine.
pub(super) fn stair_fundamental(microsteps: u32) -> f64 {
    let half_step = 0.5 * FRAC_PI_2 / f64::from(microsteps);
    half_step.sin() / half_step
}

/// One phase of a regulated drive, turned at a held speed.
#[derive(Debug, Clone)]
pub(super) struct HeldPhase {
    /// The circuit, with the fundamental of a full square wave.
    circuit: FixedVoltage,
    supply: f64,
    peak_current: f64,
    /// Over half a period: set point at the end of each step over I …
    set_points: Vec<f64>,
    /// … and sine and cosine of φ at its middle.
    steps: Vec<Step>,
    /// Fundamental of the set point over I.
    fundamental: f64,
    /// What the set points come through, if anything.
    filter: Option<ConverterFilter>,
}

#[derive(Debug, Clone, Copy)]
struct Step {
    sin: f64,
    cos: f64,
}

/// What is asked of the phase at one speed.
#[derive(Debug)]
struct Asked<'p> {
    omega: f64,
    /// Set point at the end of each step over I.
    set_points: Cow<'p, [f64]>,
    /// How far their fundamental lags (rad).
    lag: f64,
}

/// What the phase does at one speed and lag.
#[derive(Debug, Clone, Copy)]
struct Held {
    torque: f64,
    /// Current at the start of the half period.
    start: f64,
    /// The voltage never left ±V.
    clipped: bool,
}

impl HeldPhase {
    /// With `microsteps` to a full step, of which one points to the angle `first` (rad): full steps
    /// rest with both phases on, and their staircase is not that of single ones.
    pub(super) fn new(
        circuit: FixedVoltage,
        supply: f64,
        peak_current: f64,
        microsteps: u32,
        first: f64,
    ) -> Self {
        let smooth = microsteps >= SMOOTH_FROM;
        let count = if smooth {
            LEAST_STEPS
        } else {
            // Every jump of the staircase falls between two steps.
            2 * microsteps * (LEAST_STEPS / 2).div_ceil(microsteps)
        };
        let width = PI / f64::from(count);
        let stair = FRAC_PI_2 / f64::from(microsteps);
        let (set_points, steps) = (0..count)
            .map(|k| {
                // The staircase jumps half a microstep before each of its angles.
                let start = first + f64::from(k) * width - 0.5 * stair;
                let middle = start + 0.5 * width;
                let set_point = if smooth {
                    (start + width).cos()
                } else {
                    (first + ((middle - first) / stair).round() * stair).cos()
                };
                let (sin, cos) = (middle.sin(), middle.cos());
                (set_point, Step { sin, cos })
            })
            .unzip();
        Self {
            circuit,
            supply,
            peak_current,
            set_points,
            steps,
            fundamental: if smooth {
                1.0
            } else {
                stair_fundamental(microsteps)
            },
            filter: None,
        }
    }

    /// With set points that come through such a filter.
    pub(super) fn behind(self, filter: Option<ConverterFilter>) -> Self {
        Self { filter, ..self }
    }

    /// What the filter leaves of the fundamental at the speed `omega` (rad/s).
    fn gain(&self, omega: f64) -> f64 {
        ConverterFilter::left(self.filter, self.circuit.teeth * omega)
    }

    /// What is asked at the speed `omega` (rad/s).
    fn asked(&self, omega: f64) -> Asked<'_> {
        let Some(filter) = self.filter else {
            return Asked {
                omega,
                set_points: Cow::Borrowed(&self.set_points),
                lag: 0.0,
            };
        };
        let half = self.set_points.iter();
        let targets: Vec<f64> = half.clone().copied().chain(half.map(|one| -one)).collect();
        let step = PI / (self.steps.len() as f64 * self.circuit.teeth * omega);
        let reached = filter.repeating(&targets, step);
        let half = reached.iter().take(self.steps.len());
        Asked {
            omega,
            set_points: half.map(|[_, last]| *last).collect(),
            lag: filter.lag(self.circuit.teeth * omega),
        }
    }

    /// Torque with the current wholly on its staircase.
    fn regulated_torque(&self) -> f64 {
        self.circuit.torque_constant * self.peak_current * self.fundamental
    }

    /// The speed (rad/s) where a sine of amplitude I in quadrature needs all of V:
    /// (R I + K ω)² + (N ω L I)² = V². Zero where R I alone is more.
    fn knee(&self) -> f64 {
        let c = &self.circuit;
        let drop = c.resistance * self.peak_current;
        if drop >= self.supply {
            return 0.0;
        }
        let reactive = c.teeth * c.inductance * self.peak_current;
        let a = c.torque_constant * c.torque_constant + reactive * reactive;
        let half_b = drop * c.torque_constant;
        let free = self.supply * self.supply - drop * drop;
        free / (half_b + (half_b * half_b + a * free).sqrt())
    }

    /// The periodic state with what is asked and `lambda` behind that, tried from the
    /// current `start`.
    fn held(&self, asked: &Asked<'_>, lambda: f64, start: f64) -> Held {
        let c = &self.circuit;
        let omega = asked.omega;
        let (sin_lag, cos_lag) = (asked.lag + lambda).sin_cos();
        let duration = PI / (self.steps.len() as f64 * c.teeth * omega);
        let decay = (-duration * c.resistance / c.inductance).exp();
        let gain = (1.0 - decay) / c.resistance;
        let emf = c.torque_constant * omega;
        let mut initial = start;
        let mut held = Held {
            torque: 0.0,
            start,
            clipped: false,
        };
        for _ in 0..ROUNDS {
            let (mut current, mut memory, mut sum, mut clipped) = (initial, 1.0, 0.0, true);
            for (step, set_point) in self.steps.iter().zip(asked.set_points.iter()) {
                let sin = step.sin * cos_lag - step.cos * sin_lag;
                let wanted = (self.peak_current * set_point - decay * current) / gain;
                let voltage = wanted - emf * sin;
                let next = if voltage.abs() <= self.supply {
                    memory = 0.0;
                    clipped = false;
                    self.peak_current * set_point
                } else {
                    memory *= decay;
                    decay * current + gain * (self.supply.copysign(voltage) + emf * sin)
                };
                sum += (current + next) * sin;
                current = next;
            }
            held = Held {
                torque: -c.torque_constant * sum / self.steps.len() as f64,
                start: initial,
                clipped,
            };
            let better = (memory * initial - current) / (1.0 + memory);
            let settled = (better - initial).abs() < 1e-7 * self.peak_current;
            initial = better;
            if settled {
                break;
            }
        }
        held
    }

    /// The greatest torque over the lag at the speed `omega`, looked for around `near`
    /// (rad), and the lag where it is.
    fn greatest(&self, omega: f64, near: f64) -> (Held, f64) {
        const GOLDEN: f64 = 0.618_033_988_749_894_9;
        let (mut low, mut high) = ((near - 0.35).max(0.2), (near + 0.55).min(3.1));
        let asked = self.asked(omega);
        let mut start = 0.0;
        let mut at = |lag: f64| {
            let held = self.held(&asked, lag, start);
            start = held.start;
            held
        };
        let mut left = high - GOLDEN * (high - low);
        let mut right = low + GOLDEN * (high - low);
        let (mut on_left, mut on_right) = (at(left), at(right));
        for _ in 0..9 {
            if on_left.torque > on_right.torque {
                (high, right, on_right) = (right, left, on_left);
                left = high - GOLDEN * (high - low);
                on_left = at(left);
            } else {
                (low, left, on_left) = (left, right, on_right);
                right = low + GOLDEN * (high - low);
                on_right = at(right);
            }
        }
        if on_left.torque > on_right.torque {
            (on_left, left)
        } else {
            (on_right, right)
        }
    }
}

/// Pull-out torque of a regulated drive, tabulated: evenly in ω while the current is
/// mostly regulated, evenly in 1/ω from there until the wave is fully clipped, as the torque is then
/// close to a straight line over 1/ω. Behind a filter what it leaves of the fundamental is left out of
/// the table, which is as even as without one then.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct SaturationTable {
    /// Torque at ω = 0 … `turn` in even steps of ω.
    slow: Vec<f64>,
    /// Torque at 1/ω = 1/`turn` … 1/`end` in even steps of 1/ω.
    fast: Vec<f64>,
    turn: f64,
    end: f64,
    /// Beyond `end`: a full square wave, scaled to meet the table, or nothing.
    beyond: FixedVoltage,
    beyond_scale: f64,
    /// What the set points come through, and the torque that it leaves its share of.
    filter: Option<ConverterFilter>,
    regulated: f64,
}

/// Even steps of ω in [`SaturationTable`], and of 1/ω: chosen, so that straight lines between
/// them are within the 1.4 % that the model itself is good for.
const SLOW_STEPS: usize = 12;
const FAST_STEPS: usize = 56;
/// Torque below this share of the regulated one ends the table: chosen, as it is nothing.
const NOTHING_LEFT: f64 = 2e-3;

impl SaturationTable {
    pub(super) fn of(phase: &HeldPhase) -> Self {
        let corner = phase.circuit.resistance / (phase.circuit.teeth * phase.circuit.inductance);
        let knee = phase.knee();
        let turn = if knee > 0.0 {
            0.7 * knee
        } else {
            0.05 * corner
        };
        let (end, clipped) = table_end(phase, turn);

        let mut lag = FRAC_PI_2;
        let mut follow = |omega: f64| {
            let (held, at) = phase.greatest(omega, lag);
            lag = at;
            held.torque.max(0.0)
        };
        // A sine that the supply can drive needs no solving.
        let regulated = knee > 0.0 && phase.fundamental > 0.999;
        let slow: Vec<f64> = (0..=SLOW_STEPS)
            .map(|k| {
                let share = (k as f64).max(1e-3) / SLOW_STEPS as f64;
                if regulated {
                    phase.regulated_torque()
                } else {
                    let omega = share * turn;
                    follow(omega) / phase.gain(omega)
                }
            })
            .collect();
        let fast_at: Vec<f64> = (0..=FAST_STEPS)
            .map(|k| {
                let share = k as f64 / FAST_STEPS as f64;
                1.0 / ((1.0 - share) / turn + share / end)
            })
            .collect();
        let mut fast: Vec<f64> = fast_at[1..].iter().map(|omega| follow(*omega)).collect();
        fast.insert(0, slow[SLOW_STEPS] * phase.gain(turn));
        // The torque falls with speed; what rises is the search's last digits.
        for k in 1..fast.len() {
            fast[k] = fast[k].min(fast[k - 1]);
        }
        let square_wave = phase.circuit.pull_out(end);
        let beyond_scale = if clipped && square_wave > 0.0 {
            (fast[FAST_STEPS] / square_wave).min(1.0)
        } else {
            0.0
        };
        for (torque, omega) in fast.iter_mut().zip(fast_at) {
            *torque /= phase.gain(omega);
        }
        Self {
            slow,
            fast,
            turn,
            end,
            beyond: phase.circuit,
            beyond_scale,
            filter: phase.filter,
            regulated: phase.regulated_torque(),
        }
    }

    /// Pull-out torque (N·m) at `omega` (rad/s, not negative).
    pub(super) fn pull_out(&self, omega: f64) -> f64 {
        let gain = ConverterFilter::left(self.filter, self.beyond.teeth * omega);
        if omega >= self.end {
            let torque = self.beyond_scale * self.beyond.pull_out(omega);
            // What a filter leaves falls faster than what the supply can drive.
            match self.filter {
                Some(_) => torque.min(self.regulated * gain),
                None => torque,
            }
        } else if omega > self.turn {
            let inverse = (1.0 / self.turn - 1.0 / omega) / (1.0 / self.turn - 1.0 / self.end);
            interpolate(&self.fast, inverse) * gain
        } else {
            interpolate(&self.slow, omega / self.turn) * gain
        }
    }
}

/// The value at `share` (0 … 1) of an even table.
fn interpolate(table: &[f64], share: f64) -> f64 {
    let position = share.clamp(0.0, 1.0) * (table.len() - 1) as f64;
    let index = (position as usize).min(table.len() - 2);
    let (low, high) = (table[index], table[index + 1]);
    low + (high - low) * (position - index as f64)
}

/// The speed from which on the wave is fully clipped at the greatest torque, and true; or the
/// speed where no torque is left, and false.
fn table_end(phase: &HeldPhase, turn: f64) -> (f64, bool) {
    let regulated = phase.regulated_torque();
    let mut lag = FRAC_PI_2;
    let mut omega = turn;
    for _ in 0..80 {
        omega *= 1.12;
        let (held, at) = phase.greatest(omega, lag);
        lag = at;
        if held.clipped && held.torque > 0.0 {
            return (omega, true);
        }
        if held.torque < NOTHING_LEFT * regulated {
            return (omega, false);
        }
    }
    (omega, false)
}
