//! A run at constant speed to its end, whatever the rotor does.

use crate::physics::machine::hold::{HoldOutcome, Pace, run};
use crate::physics::machine::model::Machine;

/// Runs `machine` at `full_steps_per_s` against `load_torque` (N·m at the motor, on top
/// of the machine's own friction and torques) for `seconds`, from its standing load
/// angle.
pub(crate) fn hold_speed(
    machine: &Machine,
    full_steps_per_s: f64,
    load_torque: f64,
    seconds: f64,
) -> HoldOutcome {
    let longest_step = machine.internal_step();
    hold_speed_in_steps(
        machine,
        full_steps_per_s,
        load_torque,
        seconds,
        longest_step,
    )
}

/// As [`hold_speed`], with internal steps of at most `longest_step` seconds.
pub(crate) fn hold_speed_in_steps(
    machine: &Machine,
    full_steps_per_s: f64,
    load_torque: f64,
    seconds: f64,
    longest_step: f64,
) -> HoldOutcome {
    let pace = Pace {
        longest_step,
        enough_deg: f64::INFINITY,
        most: u64::MAX,
    };
    run(machine, full_steps_per_s, load_torque, seconds, pace).expect("steps without end")
}
