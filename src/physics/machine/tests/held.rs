//! Pull-out torque by simulation: the speed held, the best load angle.
//!
//! The rotor turns at a constant speed whatever the torque, as on a bench with a driven
//! shaft, so that hunting cannot disturb. Its torque is averaged over an electrical
//! cycle once the currents have settled, for every load angle; the greatest mean is what
//! a damped rotor could give at that speed.

use std::f64::consts::PI;

use crate::physics::machine::hold::Clock;
use crate::physics::machine::{Machine, Simulator, State};

/// Load angles that are tried before the best is refined: chosen, 11° apart on a curve that
/// has one peak in 180°.
const LOAD_ANGLES: u32 = 20;

/// The greatest load angle that is tried (rad): at high speed the current lags behind
/// its voltage by up to a quarter cycle, and behind a regulator's set point by a little
/// more.
const GREATEST_LOAD_ANGLE: f64 = PI + 0.7;

/// The greatest mean torque (N·m) of `machine` with its rotor held at
/// `full_steps_per_s`, over all load angles; detent, friction and load left out.
pub(crate) fn held_pull_out(machine: &Machine, full_steps_per_s: f64) -> f64 {
    let mut held = machine.clone();
    held.detent_torque = 0.0;
    held.friction = 0.0;
    held.rotor_friction = 0.0;
    held.efficiency = 1.0;
    held.constant_torque = 0.0;
    held.unbalance_torque = 0.0;
    held.viscous = 0.0;
    let step = held.internal_step();
    // Heavy enough that no torque changes the speed by a rounding error.
    held.inertia = 1e12 * machine.inertia;

    let filter = held
        .feed
        .lag(held.electrical(held.speed_of(full_steps_per_s)));
    let mean = |lag: f64| mean_torque(&held, full_steps_per_s, filter + lag, step);
    let spacing = (GREATEST_LOAD_ANGLE + 0.2) / f64::from(LOAD_ANGLES);
    let best = (0..=LOAD_ANGLES)
        .map(|place| f64::from(place) * spacing - 0.2)
        .map(|lag| (mean(lag), lag))
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map_or(0.0, |(_, lag)| lag);
    // Golden section between the neighbours of the best.
    let golden = 0.5 * (5.0_f64.sqrt() - 1.0);
    let (mut low, mut high) = (best - spacing, best + spacing);
    let mut greatest = f64::MIN;
    for _ in 0..8 {
        let (left, right) = (high - golden * (high - low), low + golden * (high - low));
        let (at_left, at_right) = (mean(left), mean(right));
        greatest = greatest.max(at_left).max(at_right);
        if at_left > at_right {
            high = right;
        } else {
            low = left;
        }
    }
    greatest
}

/// Mean torque over an electrical cycle at the load angle `lag` (rad) behind the mean
/// of the command.
fn mean_torque(held: &Machine, rate: f64, lag: f64, step: f64) -> f64 {
    let state = State {
        angle: (held.first_angle() - lag) / held.rotor_teeth,
        speed: held.speed_of(rate),
        ..State::default()
    };
    let microsteps = rate * f64::from(held.microsteps());
    let mut clock = Clock {
        simulator: Simulator::new(held, state, 0, step).turning(microsteps),
        rate: microsteps,
        issued: 0,
    };
    let cycle = 4.0 / rate;
    let settling = (8.0 * held.inductance / held.resistance / cycle)
        .ceil()
        .max(2.0)
        * cycle;
    clock.run(settling, |_| true);
    let mut before = (settling, clock.simulator.torque());
    let mut impulse = 0.0;
    clock.run(settling + cycle, |simulator| {
        let now = (simulator.time(), simulator.torque());
        impulse += 0.5 * (now.1 + before.1) * (now.0 - before.0);
        before = now;
        true
    });
    impulse / cycle
}
