//! Stability of the periodic motion itself, staircase, clipping and detent included.
//!
//! At a constant step rate and load the motion repeats, seen from the commanded angle, with every
//! full step. P maps the state of the machine at the middle of a microstep to the one a
//! full step later, turned back by 90 electrical degrees; the steady motion is its
//! fixed point, x = P(x), and small swings about it grow or decay as the eigenvalues μ
//! of dP/dx do: the motion is unstable where |μ| > 1 for any of them, and the growth rate is
//! ln|μ| times the step rate. (Floquet's theory, as in any text on nonlinear dynamics;
//! the turn by 90° uses the symmetry of two like phases.)
//!
//! P is one full step in the [`Simulator`]. The fixed point is found by Newton's rule from a
//! run with a damper about synchronous speed, and dP/dx by central differences.
//!
//! What a [filter](super::filter) makes of the set points follows from the steps alone, so it is no part
//! of x: each run begins with the filter as it is where these have always come so.
//!
//! **Work.** A motion takes [`LONGEST`] internal steps at most, some ten times what those of a
//! motor for a bench take; one that is not found with them counts as unstable without bound.

use std::cell::Cell;
use std::f64::consts::FRAC_PI_2;

use nalgebra::{Matrix4, Vector4};

use super::eigenvalues::eigenvalues;
use super::machine::{Machine, Simulator, State};

/// Rounds of Newton's rule, at most: chosen; each doubles the digits.
const ROUNDS: usize = 8;

/// How far states are apart whose images tell a slope (in units of the state), for Newton's rule …
const NEAR: f64 = 1e-4;
/// … and for the growth of swings. Where a microstep's current just comes off its ceiling an internal
/// step has an error that depends on the state, which the nearer difference magnifies to 30 1/s of
/// growth. Chosen: half a degree is still a small swing.
const WIDE: f64 = 1e-2;

/// Internal steps of all runs about one motion, at most: chosen, see the module.
const LONGEST: u64 = 600_000;

/// Growth rate (1/s) of small swings about the steady motion of `machine`, its own load
/// included, at `rate` full steps a second; none where no steady motion is found, infinite
/// where it takes too many steps to find. An unbalance is left out, and friction acts as a constant torque against the motion.
pub(crate) fn growth_rate(machine: &Machine, rate: f64) -> Option<f64> {
    let mut machine = machine.for_swings();
    machine.constant_torque = machine.steady_torque(0.0);
    machine.efficiency = 1.0;
    machine.friction = 0.0;
    machine.rotor_friction = 0.0;
    machine.unbalance_torque = 0.0;
    let orbit = Orbit {
        machine: &machine,
        rate,
        steps_left: Cell::new(LONGEST),
    };
    let growth = orbit.growth_rate();
    match orbit.steps_left.get() {
        0 => Some(f64::INFINITY),
        _ => growth,
    }
}

struct Orbit<'m> {
    machine: &'m Machine,
    rate: f64,
    steps_left: Cell<u64>,
}

impl Orbit<'_> {
    fn growth_rate(&self) -> Option<f64> {
        let mut x = self.settled()?;
        for _ in 0..ROUNDS {
            if self.steps_left.get() == 0 {
                return None;
            }
            let (image, jacobian) = (self.full_step(x, 1.0), self.jacobian(x, NEAR));
            let residual = image - x;
            let correction = (Matrix4::identity() - jacobian).lu().solve(&residual)?;
            x += correction;
            if correction.norm() < 1e-6 {
                let largest = eigenvalues(self.jacobian(x, WIDE))?
                    .iter()
                    .map(|mu| mu.norm())
                    .fold(0.0, f64::max);
                return Some(largest.ln() * self.rate);
            }
            if !x
                .iter()
                .all(|value| value.is_finite() && value.abs() < 50.0)
            {
                return None;
            }
        }
        None
    }

    /// Microsteps a second.
    fn microstep_rate(&self) -> f64 {
        self.rate * f64::from(self.machine.microsteps())
    }

    /// Scales of the state: currents in units of the standstill current, the electrical
    /// angle in radians, the speed relative to synchronous speed in units of ω_n/N.
    fn scales(&self) -> (f64, f64) {
        let machine = self.machine;
        (
            machine.rest_current().mean,
            machine.natural_frequency() / machine.rotor_teeth,
        )
    }

    fn state(&self, x: Vector4<f64>) -> State {
        let (current, speed) = self.scales();
        State {
            current_a: x[0] * current,
            current_b: x[1] * current,
            angle: x[2] / self.machine.rotor_teeth,
            speed: self.machine.speed_of(self.rate) + x[3] * speed,
        }
    }

    fn scaled(&self, state: &State) -> Vector4<f64> {
        let (current, speed) = self.scales();
        Vector4::new(
            state.current_a / current,
            state.current_b / current,
            state.angle * self.machine.rotor_teeth,
            (state.speed - self.machine.speed_of(self.rate)) / speed,
        )
    }

    /// `steps` full steps on from the middle of a microstep, turned back.
    fn full_step(&self, x: Vector4<f64>, steps: f64) -> Vector4<f64> {
        let simulator =
            Simulator::new(self.machine, self.state(x), 0, self.machine.internal_step());
        let simulator = simulator.turning(self.microstep_rate());
        let mut end = self.played(simulator, steps as i64);
        turn_back(&mut end, self.machine, steps as i64);
        self.scaled(&end)
    }

    /// dP/dx by central differences of states that are `apart`.
    fn jacobian(&self, x: Vector4<f64>, apart: f64) -> Matrix4<f64> {
        let mut jacobian = Matrix4::zeros();
        for k in 0..4 {
            let mut step = Vector4::zeros();
            step[k] = apart;
            let slope =
                (self.full_step(x + step, 1.0) - self.full_step(x - step, 1.0)) / (2.0 * apart);
            jacobian.set_column(k, &slope);
        }
        jacobian
    }

    /// The state that a damper about synchronous speed brings the machine to.
    fn settled(&self) -> Option<Vector4<f64>> {
        let machine = self.machine;
        let omega = machine.speed_of(self.rate);
        let damper = 2.0 * machine.inertia * machine.natural_frequency();
        let mut damped = machine.clone();
        damped.viscous += damper;
        damped.constant_torque -= damper * omega;
        let resisting = machine.constant_torque + machine.viscous * omega;
        let share = (resisting / machine.turning_torque(omega)).clamp(-0.9, 0.9);
        let load_angle = share.asin() + machine.feed.lag(machine.electrical(omega));
        let start = State {
            angle: (machine.command_angle(0) - load_angle) / machine.rotor_teeth,
            speed: omega,
            ..State::default()
        };
        let electrical = machine.inductance / machine.resistance;
        let seconds = 20.0 / machine.natural_frequency() + 5.0 * electrical;
        let steps = (seconds * self.rate).ceil() as i64;
        let simulator = Simulator::new(&damped, start, 0, self.machine.internal_step());
        let simulator = simulator.turning(self.microstep_rate());
        let mut end = self.played(simulator, steps);
        turn_back(&mut end, machine, steps);
        let lag = machine.command_angle(0) - machine.rotor_teeth * end.angle;
        (lag.abs() < std::f64::consts::TAU).then(|| self.scaled(&end))
    }

    /// The state after `full_steps` from the middle of microstep 0, as far as the internal steps
    /// last.
    fn played(&self, simulator: Simulator<'_>, full_steps: i64) -> State {
        let microsteps = i64::from(self.machine.microsteps());
        let microstep_rate = self.microstep_rate();
        let mut simulator = simulator.at_most(self.steps_left.get());
        for k in 1..=full_steps.saturating_mul(microsteps) {
            simulator.advance((k as f64 - 0.5) / microstep_rate);
            if simulator.gave_up() {
                break;
            }
            simulator.command(k);
        }
        simulator.advance(full_steps as f64 / self.rate);
        self.steps_left.set(simulator.steps_left());
        *simulator.state()
    }
}

/// Turns `state` back by so many full steps.
fn turn_back(state: &mut State, machine: &Machine, full_steps: i64) {
    state.angle -= full_steps as f64 * FRAC_PI_2 / machine.rotor_teeth;
    for _ in 0..full_steps.rem_euclid(4) {
        (state.current_a, state.current_b) = (state.current_b, -state.current_a);
    }
}
