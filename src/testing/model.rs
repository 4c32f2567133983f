//! Machines of the reference integrations, and what is measured on them.

#![allow(dead_code, reason = "each test binary uses its own part")]

use std::f64::consts::{PI, SQRT_2, TAU};
use std::path::Path;

use crate::physics::feed::REGULATOR_TIME_CONSTANT;
use crate::physics::{Feed, Machine, Simulator, State};
use crate::rig::Sequence;
use serde_json::Value;

/// What `reference/motor_model.py` made: motion, and torque with the speed held.
pub(crate) fn scipy() -> Value {
    reference("motor_model.json")
}

/// The cases of one kind; there are some.
pub(crate) fn entries(file: &Value, kind: &str) -> Vec<Value> {
    let entries = file[kind].as_array().unwrap().clone();
    assert!(!entries.is_empty(), "no {kind}");
    entries
}

pub(crate) fn number(value: &Value) -> f64 {
    value.as_f64().unwrap()
}

pub(crate) fn numbers(value: &Value) -> impl Iterator<Item = f64> {
    let numbers = value.as_array().unwrap();
    assert!(!numbers.is_empty(), "no numbers");
    numbers.iter().map(number)
}

/// A motor of the reference by its name, on the drive of that name: a fixed voltage that
/// drives the rated current, or 1/16 steps with the rated current as peak.
pub(crate) fn machine(motor: &str, drive: &str) -> Machine {
    let data = &scipy()["motors"][motor];
    let [r, l, i, th, j, td, ceiling] =
        ["R", "L", "I", "Th", "J", "Td", "ceiling"].map(|key| number(&data[key]));
    let fixed = |sequence| Feed::FixedVoltage {
        supply: r * i,
        sequence,
    };
    Machine {
        rotor_teeth: 50.0,
        resistance: r,
        inductance: l,
        torque_constant: th / (SQRT_2 * i),
        detent_torque: td,
        inertia: j,
        load_inertia: 0.0,
        efficiency: 1.0,
        viscous: 0.0,
        friction: 0.0,
        rotor_friction: 0.0,
        constant_torque: 0.0,
        unbalance_torque: 0.0,
        harmonics: crate::physics::Harmonics::NONE,
        gearing: 1.0,
        feed: match drive {
            "wave" => fixed(Sequence::Wave),
            "two-phase" => fixed(Sequence::TwoPhase),
            "half-step" => fixed(Sequence::HalfStep),
            _ => Feed::Regulated {
                supply: ceiling,
                peak_current: i,
                microsteps: 16,
                time_constant: REGULATOR_TIME_CONSTANT,
                correction: crate::physics::Harmonics::NONE,
                filter: None,
            },
        },
    }
}

/// The machine of a case: its motor and drive, without detent where the case says so,
/// with winding resistances in series where it has some.
pub(crate) fn of_case(case: &Value) -> Machine {
    let mut machine = machine(
        case["motor"].as_str().unwrap(),
        case["drive"].as_str().unwrap(),
    );
    if case["detent"] == Value::Bool(false) {
        machine.detent_torque = 0.0;
    }
    let windings = 1.0 + case["series_windings"].as_f64().unwrap_or(0.0);
    machine.resistance *= windings;
    if let Feed::FixedVoltage { supply, .. } = &mut machine.feed {
        *supply *= windings;
    }
    machine
}

/// What `reference/motor_limits.py` made: torque, bands and start-stop rates.
pub(crate) fn limits() -> Value {
    reference("motor_limits.json")
}

fn reference(name: &str) -> Value {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference");
    let text = std::fs::read_to_string(Path::new(folder).join(name)).unwrap();
    serde_json::from_str(&text).unwrap()
}

/// Number `key` of the motor of a case of [`limits`].
pub(crate) fn of_motor<'a>(limits: &'a Value, case: &Value) -> impl Fn(&str) -> f64 + use<'a> {
    let motor = &limits["motors"][case["motor"].as_str().unwrap()];
    |key| number(&motor[key])
}

/// The motor of a case of [`limits`] with both phases on at rated voltage, without detent and
/// damping.
pub(crate) fn bare(limits: &Value, case: &Value) -> Machine {
    let motor = of_motor(limits, case);
    Machine {
        resistance: motor("R"),
        inductance: motor("L"),
        torque_constant: motor("Th") / (SQRT_2 * motor("I")),
        detent_torque: 0.0,
        inertia: motor("J"),
        feed: Feed::FixedVoltage {
            supply: motor("R") * motor("I"),
            sequence: Sequence::TwoPhase,
        },
        ..machine("medium", "two-phase")
    }
}

/// The machine of a start-stop rate of [`limits`]: holding torque and so the amplitude are those of
/// both phases at the rated current.
pub(crate) fn of_start_stop(limits: &Value, case: &Value) -> Machine {
    let motor = of_motor(limits, case);
    let regulated = |supply, microsteps| Feed::Regulated {
        supply,
        peak_current: SQRT_2 * motor("I"),
        microsteps,
        time_constant: REGULATOR_TIME_CONSTANT,
        correction: crate::physics::Harmonics::NONE,
        filter: None,
    };
    let bare = bare(limits, case);
    let still = (50.0 * motor("Th") / bare.inertia).sqrt();
    let mut machine = Machine {
        viscous: 2.0 * 0.01 * still * bare.inertia,
        inertia: number(&case["inertia_multiple"]) * bare.inertia,
        constant_torque: number(&case["load_share"]) * motor("Th"),
        ..bare
    };
    match case["drive"].as_str().unwrap() {
        "ideal full" => machine.feed = regulated(1e6, 1),
        "regulated full" => machine.feed = regulated(motor("V"), 1),
        "regulated sixteenth" => machine.feed = regulated(motor("V"), 16),
        "voltage full" => {}
        "voltage full, five windings" => {
            machine.resistance *= 5.0;
            machine.feed = Feed::FixedVoltage {
                supply: machine.resistance * motor("I"),
                sequence: Sequence::TwoPhase,
            };
        }
        other => panic!("{other}"),
    }
    machine
}

/// One simulated second of 1/16 steps at 300 full steps a second from rest; the
/// motor's angle at its end (rad).
pub(crate) fn second_of_microsteps(machine: &Machine) -> f64 {
    let mut simulator = Simulator::at_rest(machine, 0, machine.internal_step());
    for step in 1..=4800_i32 {
        simulator.command(i64::from(step));
        simulator.advance(f64::from(step) / 4800.0);
    }
    simulator.angle()
}

/// Natural frequency (rad/s) and damping ratio of a free swing.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Ring {
    pub natural: f64,
    pub damping: f64,
}

/// Lets the rotor go 0.005 electrical radians away from rest, and measures its swing
/// from the sixth period on, when the currents' own transient has died.
pub(crate) fn ring(machine: &Machine) -> Ring {
    ring_at(machine, 0)
}

/// As [`ring`], with microstep `command` on the phases.
pub(crate) fn ring_at(machine: &Machine, command: i64) -> Ring {
    let rest = *Simulator::at_rest(machine, command, 1e-6).state();
    let start = State {
        angle: rest.angle + 0.005 / machine.rotor_teeth,
        ..rest
    };
    let step = 0.5 * machine.internal_step();
    let mut simulator = Simulator::new(machine, start, command, step);
    let period = TAU / (machine.rotor_teeth * machine.holding_torque() / machine.inertia).sqrt();
    // Extremes of the swing: the speed passes zero; size and time by parabola.
    let mut extremes: Vec<(f64, f64)> = Vec::new();
    let mut before = (0.0, start);
    simulator.advance_with(16.0 * period, |simulator| {
        let (time, state) = (simulator.time(), *simulator.state());
        if before.1.speed * state.speed < 0.0 && time > 5.0 * period {
            let share = before.1.speed / (before.1.speed - state.speed);
            let at = before.0 + share * (time - before.0);
            let size = state.angle - rest.angle - 0.5 * state.speed * (time - at);
            extremes.push((at, size.abs().ln()));
        }
        before = (time, state);
    });
    let count = extremes.len() as f64;
    let (first, last) = (extremes[0], extremes[extremes.len() - 1]);
    let omega = PI * (count - 1.0) / (last.0 - first.0);
    let mean = |of: fn(&(f64, f64)) -> f64| extremes.iter().map(of).sum::<f64>() / count;
    let (t, s) = (mean(|e| e.0), mean(|e| e.1));
    let covariance: f64 = extremes.iter().map(|e| (e.0 - t) * (e.1 - s)).sum();
    let variance: f64 = extremes.iter().map(|e| (e.0 - t).powi(2)).sum();
    let decay = -covariance / variance;
    let natural = omega.hypot(decay);
    Ring {
        natural,
        damping: decay / natural,
    }
}

/// Asserts that two JSON values have the same shape and numbers within `tolerance`,
/// relative to the larger or to one.
pub(crate) fn assert_close(left: &Value, right: &Value, tolerance: f64, place: &str) {
    match (left, right) {
        (Value::Number(a), Value::Number(b)) => {
            let (a, b) = (a.as_f64().unwrap(), b.as_f64().unwrap());
            let size = a.abs().max(b.abs()).max(1.0);
            assert!(
                (a - b).abs() <= tolerance * size,
                "{place}: {a} against {b}"
            );
        }
        (Value::Array(a), Value::Array(b)) => {
            assert_eq!(a.len(), b.len(), "{place}");
            for (number, (a, b)) in a.iter().zip(b).enumerate() {
                assert_close(a, b, tolerance, &format!("{place}[{number}]"));
            }
        }
        (Value::Object(a), Value::Object(b)) => {
            assert_eq!(a.len(), b.len(), "{place}");
            for (key, value) in a {
                assert_close(value, &b[key], tolerance, &format!("{place}.{key}"));
            }
        }
        _ => assert_eq!(left, right, "{place}"),
    }
}
