//! Motions and rigs made by hand, for tests of what comes after planning.

#![allow(dead_code, reason = "each test binary uses its own part")]

use std::sync::Arc;

use slewsmith::diagnostic::Span;
use slewsmith::plan::{
    AxisLimits, AxisMotion, Direction, Item, Motion, PlannedMove, Segment, Travel,
};
use slewsmith::rig::{Axis, Drive, DriveKind, Gearing, Limits, Load, Motor, Pin, Rig, Timer};
use slewsmith::script::Shape;
use slewsmith::units::{
    Angle, Current, Damping, Frequency, Inductance, Inertia, Resistance, Time, Torque, Unbalance,
    Voltage,
};

/// A stretch of a motion: how long (s), acceleration at its start, jerk; scaled
/// together until the motion makes the steps that are asked for.
pub type Phase = (f64, f64, f64);

/// A timer of so many hertz: 16 bits, 2 µs pulses, 5 µs direction set-up.
pub fn timer(clock: f64, prescaler: u32) -> Timer {
    Timer {
        clock: Frequency::new(clock),
        prescaler,
        bits: 16,
        tolerance: 0.0,
        step_pulse: Time::new(2e-6),
        direction_setup: Time::new(5e-6),
        fastest_interval: Time::new(5e-6),
    }
}

/// A rig of so many axes named `a`, `b`, …, with an output `lamp` and an input `door`.
pub fn rig(axes: usize, timer: Timer) -> Rig {
    let pin = |name: &str| Pin {
        name: name.to_owned(),
        pin: None,
    };
    Rig {
        axes: ('a'..='z')
            .take(axes)
            .map(|name| axis(&name.to_string()))
            .collect(),
        timer,
        outputs: vec![pin("lamp")],
        inputs: vec![pin("door")],
    }
}

fn axis(name: &str) -> Axis {
    Axis {
        name: name.to_owned(),
        motor: Motor {
            name: None,
            rotor_teeth: 50,
            phase_resistance: Resistance::new(1.6),
            phase_inductance: Inductance::new(3.2e-3),
            rated_current: Current::new(1.5),
            holding_torque: Torque::new(0.42),
            detent_torque: Torque::new(0.018),
            rotor_inertia: Inertia::new(57e-7),
            viscous_damping: Damping::new(0.0),
            pull_out: None,
            source: None,
        },
        drive: Drive {
            kind: DriveKind::Chopper {
                peak_current: Current::new(1.5),
                microsteps: 16,
            },
            supply: Voltage::new(24.0),
            switch_resistance: Resistance::new(0.0),
            hold_current: 1.0,
            sense_resistor: None,
            converter: None,
        },
        load: Load {
            inertia: Inertia::new(1e-5),
            friction: Torque::new(0.0),
            viscous: Damping::new(0.0),
            constant_torque: Torque::new(0.0),
            unbalance: Unbalance::new(0.0),
            gearing: Gearing::DIRECT,
            efficiency: 1.0,
            backlash: Angle::new(0.0),
            linear: None,
        },
        limits: Limits {
            speed: None,
            acceleration: None,
            jerk: None,
            torque_margin: 0.3,
            settle: 0.01,
        },
    }
}

/// The motion of one axis through the phases, from a speed at the start (in the same
/// arbitrary unit as the phases), scaled to `steps`.
pub fn axis_motion(axis: usize, steps: i64, start: f64, phases: &[Phase]) -> AxisMotion {
    let integrate = |scale: f64| {
        let (mut position, mut velocity) = (0.0, start * scale);
        let mut segments = Vec::new();
        for &(duration, acceleration, jerk) in phases {
            let segment = Segment {
                duration,
                position,
                velocity,
                acceleration: acceleration * scale,
                jerk: jerk * scale,
            };
            position = segment.position_at(duration);
            velocity = segment.velocity_at(duration).max(0.0);
            segments.push(segment);
        }
        (position, segments)
    };
    let (travel, _) = integrate(1.0);
    let (_, segments) = integrate(steps.unsigned_abs() as f64 / travel);
    AxisMotion {
        axis,
        direction: Direction::of(steps),
        steps: steps.unsigned_abs(),
        segments,
        limits: AxisLimits {
            speed: f64::MAX,
            accel: f64::MAX,
            decel: f64::MAX,
            jerk: None,
            start: 0.0,
        },
    }
}

/// A motion of the axes given, on one clock.
pub fn motion(axes: Vec<AxisMotion>) -> Arc<Motion> {
    let duration = axes.iter().map(AxisMotion::duration).fold(0.0, f64::max);
    Arc::new(Motion {
        shape: Shape::Trapezoid,
        axes,
        duration,
    })
}

/// Phases of a trapezoid: times of its ramp, cruise and ramp down.
pub fn trapezoid(up: f64, cruise: f64, down: f64) -> [Phase; 3] {
    [
        (up, 1.0 / up, 0.0),
        (cruise, 0.0, 0.0),
        (down, -1.0 / down, 0.0),
    ]
}

/// Phases of an S-curve: times of the jerk, of the steady acceleration, of the cruise.
pub fn s_curve(jerk: f64, steady: f64, cruise: f64) -> [Phase; 7] {
    [
        (jerk, 0.0, 1.0 / jerk),
        (steady, 1.0, 0.0),
        (jerk, 1.0, -1.0 / jerk),
        (cruise, 0.0, 0.0),
        (jerk, 0.0, -1.0 / jerk),
        (steady, -1.0, 0.0),
        (jerk, -1.0, 1.0 / jerk),
    ]
}

/// A move of the program that plays a motion.
pub fn play(motion: &Arc<Motion>) -> Item {
    let still = Travel {
        from_steps: 0,
        to_steps: 0,
        from: 0.0,
        to: 0.0,
        target_error: 0.0,
    };
    Item::Move(PlannedMove {
        index: 0,
        span: Span::new(0, 0),
        line: 1,
        motion: Arc::clone(motion),
        travel: vec![still; motion.axes.len()],
        on_the_way: Vec::new(),
        passes: Vec::new(),
        changes: Vec::new(),
    })
}
