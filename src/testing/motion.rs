//! Motions and rigs made by hand, for tests of what comes after planning.

#![allow(dead_code, reason = "each test binary uses its own part")]

use crate::testing::rigs;
use std::ops::ControlFlow;
use std::sync::Arc;

use crate::diagnostic::Span;
use crate::plan::{
    AxisLimits, AxisMotion, Direction, Item, Motion, MovePart, PlannedMove, Segment, Travel,
};
use crate::rig::{Axis, NamedController, Pin, Rig, Timer};
use crate::script::Shape;
use crate::simulate::{Options, Outcome, SimulationEvent, simulate_with};
use crate::units::{Frequency, Inertia, Time};

/// A stretch of a motion: how long (s), acceleration at its start, jerk; scaled
/// together until the motion makes the steps that are asked for.
pub(crate) type Phase = (f64, f64, f64);

/// A timer of so many hertz: 16 bits, 2 µs pulses, 5 µs direction set-up.
pub(crate) fn timer(clock: f64, prescaler: u32) -> Timer {
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
pub(crate) fn rig(axes: usize, timer: Timer) -> Rig {
    let pin = |name: &str| Pin {
        name: name.to_owned(),
        pin: None,
        active: crate::rig::ActiveLevel::High,
    };
    Rig {
        axes: ('a'..='z')
            .take(axes)
            .map(|name| axis(&name.to_string()))
            .collect(),
        timer,
        controller: NamedController::default(),
        outputs: vec![pin("lamp")],
        inputs: vec![pin("door")],
    }
}

fn axis(name: &str) -> Axis {
    let mut axis = rigs::rotary(name, 16);
    axis.load.inertia = Inertia::new(1e-5);
    axis
}

/// The motion of one axis through the phases, from a speed at the start (in the same
/// arbitrary unit as the phases), scaled to `steps`.
pub(crate) fn axis_motion(axis: usize, steps: i64, start: f64, phases: &[Phase]) -> AxisMotion {
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
pub(crate) fn motion(axes: Vec<AxisMotion>) -> Arc<Motion> {
    let duration = axes.iter().map(AxisMotion::duration).fold(0.0, f64::max);
    Arc::new(Motion {
        shape: Shape::Trapezoid,
        axes,
        duration,
    })
}

/// Phases of a trapezoid: times of its ramp, cruise and ramp down.
pub(crate) fn trapezoid(up: f64, cruise: f64, down: f64) -> [Phase; 3] {
    [
        (up, 1.0 / up, 0.0),
        (cruise, 0.0, 0.0),
        (down, -1.0 / down, 0.0),
    ]
}

/// Phases of an S-curve: times of the jerk, of the steady acceleration, of the cruise.
pub(crate) fn s_curve(jerk: f64, steady: f64, cruise: f64) -> [Phase; 7] {
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
pub(crate) fn play(motion: &Arc<Motion>) -> Item {
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
        part: MovePart::Whole,
        motion: Arc::clone(motion),
        travel: vec![still; motion.axes.len()],
        on_the_way: Vec::new(),
        passes: Vec::new(),
        changes: Vec::new(),
        seeks: None,
    })
}

/// Simulates a planned program on a rig and gathers what became of its moves.
pub(crate) fn simulate(
    rig: &Rig,
    items: impl IntoIterator<Item = Item>,
    options: &Options,
) -> Outcome {
    let mut outcome = Outcome::default();
    let mut gather = |report: SimulationEvent<'_>| {
        outcome.take_in(&report);
        ControlFlow::Continue(())
    };
    // The closure never breaks off.
    let _ = simulate_with(rig, items.into_iter(), options, &mut gather);
    outcome
}

/// The same motion, slowed down until it lasts a whole number of the timer's ticks: one that starts
/// on a tick ends on one, and equal motions have equal ticks wherever they stand in a program.
pub(crate) fn in_whole_ticks(motion: &Motion, timer: &Timer) -> Arc<Motion> {
    let mut motion = motion.clone();
    let rate = timer.tick_rate();
    let whole = (motion.duration * rate).ceil();
    let slower = whole / (motion.duration * rate);
    for segment in motion.axes.iter_mut().flat_map(|axis| &mut axis.segments) {
        segment.duration *= slower;
        segment.velocity /= slower;
        segment.acceleration /= slower.powi(2);
        segment.jerk /= slower.powi(3);
    }
    motion.duration = whole / rate;
    Arc::new(motion)
}
