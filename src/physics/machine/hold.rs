//! Does the motor hold a speed? A synchronised run at a constant rate.
//!
//! The rotor is brought to the standing load angle of that speed under a damper that
//! acts on the difference from synchronous speed (2 J ω_n, critical), which suppresses
//! hunting but takes no part in the mean torque. Then the damper is taken away and the
//! motor is left to itself. Whatever the rotor does from there on is the speed's own
//! doing, not that of a ramp.

use std::f64::consts::TAU;

use super::equations::Damper;
use super::model::{Machine, degrees};
use super::simulator::Simulator;
use super::state::State;
use crate::physics::feed::Feed;

/// What became of a run at constant rate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct HoldOutcome {
    /// Whether the rotor slipped by an electrical cycle.
    pub lost: bool,
    /// When it did (s after the damper was taken away).
    pub lost_at: Option<f64>,
    /// Mean lag before the damper was taken away (electrical degrees).
    pub standing_lag_deg: f64,
    /// Greatest lag, either way (electrical degrees).
    pub peak_lag_deg: f64,
    /// Greatest lag, less the standing lag and one microstep of 90°/m (electrical
    /// degrees): what the rotor swings beyond a single step at rest.
    pub peak_lag_excess_deg: f64,
    /// Half the range of the lag in the first quarter of the run (electrical degrees).
    pub early_swing_deg: f64,
    /// Half the range of the lag in the last quarter of the run (electrical degrees);
    /// where it has outgrown the early one, the speed hunts.
    pub late_swing_deg: f64,
}

/// Whether `machine`, with its own load, loses synchronism or swings past its standing
/// lag and one microstep by more than `limit_deg` (electrical degrees) within
/// `seconds` at `full_steps_per_s`. The run ends as soon as that is
/// known, and in steps that are coarse for the currents (which stay stable) and fine
/// for the rotor. None where `most` internal steps are not enough to tell.
pub(crate) fn swings_past(
    machine: &Machine,
    full_steps_per_s: f64,
    seconds: f64,
    limit_deg: f64,
    most: u64,
) -> Option<bool> {
    let spring = 0.1 / machine.natural_frequency();
    let electrical = match machine.feed {
        Feed::FixedVoltage { .. } => 0.15 * machine.inductance / machine.resistance,
        // Fourth-order steps are stable to 2.78 time constants: that of the regulator, and
        // that of the winding where the supply has run out.
        Feed::Regulated { time_constant, .. } => {
            2.0 * time_constant.min(machine.inductance / machine.resistance)
        }
    };
    let pace = Pace {
        longest_step: spring.min(electrical),
        enough_deg: limit_deg,
        most,
    };
    let outcome = run(machine, full_steps_per_s, 0.0, seconds, pace)?;
    Some(outcome.lost || outcome.peak_lag_excess_deg > limit_deg)
}

/// A softer spring than this share of that at rest is given no more time: chosen, as such a motor
/// carries next to nothing.
const LEAST_SPRING: f64 = 0.1;

/// How finely to run, and when to stop.
pub(super) struct Pace {
    pub(super) longest_step: f64,
    /// Lag beyond the standing one and one microstep at which the run may end.
    pub(super) enough_deg: f64,
    /// Internal steps, at most.
    pub(super) most: u64,
}

/// Runs `machine` against `load_torque` (N·m at the motor, on top of the machine's own friction
/// and torques) for `seconds`, from its standing load angle. None where the internal steps run
/// out.
pub(super) fn run(
    machine: &Machine,
    full_steps_per_s: f64,
    load_torque: f64,
    seconds: f64,
    pace: Pace,
) -> Option<HoldOutcome> {
    let mut free = machine.clone();
    free.constant_torque += load_torque;
    let omega = machine.speed_of(full_steps_per_s);

    let behind = free.constant_torque + free.friction;
    let resisting = behind / free.efficiency + free.rotor_friction + free.viscous * omega;
    let ratio = (resisting / machine.turning_torque(omega)).clamp(-0.99, 0.99);
    let electrical = machine.electrical(omega);
    let load_angle = ratio.asin() + machine.feed.lag(electrical);
    let start = State {
        angle: (machine.command_angle(0) - load_angle) / machine.rotor_teeth,
        speed: omega,
        ..State::default()
    };
    let rate = full_steps_per_s * f64::from(machine.microsteps());
    let mut simulator = Simulator::new(&free, start, 0, pace.longest_step)
        .turning(rate)
        .at_most(pace.most);
    simulator.put_on(Damper {
        damping: 2.0 * machine.inertia * machine.natural_frequency(),
        about: omega,
    });
    let mut clock = Clock {
        simulator,
        rate,
        issued: 0,
    };

    let winding = machine.inductance / machine.resistance;
    // A steady motion repeats itself, turned on, after every full step.
    let full_step = 1.0 / full_steps_per_s;
    // The damper is more than critical where the spring is softer.
    let softer = machine.feed.gain(electrical).max(LEAST_SPRING);
    let settling = 30.0 / softer / machine.natural_frequency() + 6.0 * winding + 2.0 * full_step;
    clock.run(settling, |_| true);
    let mut lag = Mean::default();
    let mut before = clock.simulator.time();
    let full_steps = (10.0 / machine.natural_frequency() / full_step).ceil();
    let averaged = settling + full_steps * full_step;
    clock.run(averaged, |simulator| {
        lag.add(simulator.lag_degrees(), simulator.time() - before);
        before = simulator.time();
        true
    });
    let standing = lag.mean();

    let taken_away = clock.simulator.time();
    clock.simulator.put_on(Damper::default());
    let mut outcome = HoldOutcome {
        lost: false,
        lost_at: None,
        standing_lag_deg: standing,
        peak_lag_deg: 0.0,
        peak_lag_excess_deg: 0.0,
        early_swing_deg: 0.0,
        late_swing_deg: 0.0,
    };
    let microstep = degrees(machine.microstep_electrical());
    let enough = standing.abs() + microstep + pace.enough_deg;
    let (mut early, mut late) = (Range::default(), Range::default());
    clock.run(taken_away + seconds, |simulator| {
        let now = simulator.time() - taken_away;
        let lag = simulator.lag_degrees();
        outcome.peak_lag_deg = outcome.peak_lag_deg.max(lag.abs());
        if now <= 0.25 * seconds {
            early.add(lag);
        } else if now >= 0.75 * seconds {
            late.add(lag);
        }
        if (lag - standing).abs() > degrees(TAU) || !lag.is_finite() {
            outcome.lost = true;
            outcome.lost_at = Some(now);
        }
        !outcome.lost && outcome.peak_lag_deg <= enough
    });
    if clock.simulator.gave_up() {
        return None;
    }
    if standing.abs() > degrees(TAU) {
        outcome.lost = true;
        outcome.lost_at.get_or_insert(0.0);
    }
    outcome.peak_lag_excess_deg = outcome.peak_lag_deg - standing.abs() - microstep;
    outcome.early_swing_deg = early.half();
    outcome.late_swing_deg = late.half();
    Some(outcome)
}

/// Steps at a constant rate, the k-th at (k − ½)/rate: the command is the ideal
/// angle rounded to the nearest microstep.
pub(super) struct Clock<'m> {
    pub(super) simulator: Simulator<'m>,
    pub(super) rate: f64,
    pub(super) issued: i64,
}

impl Clock<'_> {
    /// Goes on to `to` seconds, or until `watch` says to stop.
    pub(super) fn run(&mut self, to: f64, mut watch: impl FnMut(&Simulator) -> bool) {
        let mut on = true;
        while on && self.simulator.time() < to && !self.simulator.gave_up() {
            let next = (self.issued as f64 + 0.5) / self.rate;
            self.simulator.advance_with(next.min(to), |simulator| {
                on = on && watch(simulator);
            });
            if next <= to {
                self.issued += 1;
                self.simulator.command(self.issued);
                // The command has just jumped: the lag is at its greatest now.
                on = on && watch(&self.simulator);
            }
        }
    }
}

#[derive(Default)]
struct Mean {
    sum: f64,
    weight: f64,
}

impl Mean {
    fn add(&mut self, value: f64, weight: f64) {
        self.sum += value * weight;
        self.weight += weight;
    }

    fn mean(&self) -> f64 {
        self.sum / self.weight
    }
}

#[derive(Default)]
struct Range {
    bounds: Option<(f64, f64)>,
}

impl Range {
    fn add(&mut self, value: f64) {
        let (low, high) = self.bounds.unwrap_or((value, value));
        self.bounds = Some((low.min(value), high.max(value)));
    }

    fn half(&self) -> f64 {
        self.bounds.map_or(0.0, |(low, high)| 0.5 * (high - low))
    }
}
