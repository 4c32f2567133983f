//! Rigs and actions made by hand, for tests that need no files.

#![allow(dead_code, reason = "each test binary uses its own part")]

use std::sync::Arc;

use crate::diagnostic::{Diagnostic, Source, Span};
use crate::plan::{Item, PlannedMove, program};
use crate::rig::{
    Axis, Drive, DriveKind, Limits, LinearLoad, Load, Motor, NamedController, NoFiles, Pin, Rig,
    Timer,
};
use crate::script::action::SpeedLimits;
use crate::script::{Action, ActionKind, Move, MovePace, Settings, Target, Way};
use crate::testing::motors;
use crate::units::{
    Angle, Current, Damping, Force, Frequency, Inductance, Inertia, Length, LinearDamping, Mass,
    Quantity, Resistance, Time, Torque, Voltage,
};

/// A direct rotary axis without limits: 200 full steps a turn, `microsteps` each. The motor is
/// the [medium](motors::medium) one.
pub(crate) fn rotary(name: &str, microsteps: u32) -> Axis {
    let rule = motors::medium();
    Axis {
        name: name.to_owned(),
        motor: Motor {
            name: None,
            rotor_teeth: 50,
            phase_resistance: Resistance::new(rule.phase_resistance),
            phase_inductance: Inductance::new(rule.phase_inductance),
            rated_current: Current::new(rule.rated_current),
            holding_torque: Torque::new(rule.holding_torque),
            detent_torque: Some(Torque::new(rule.detent_torque)),
            rotor_inertia: Inertia::new(rule.rotor_inertia),
            viscous_damping: Some(Damping::new(0.0)),
            core_loss_resistance: None,
            friction_torque: Some(Torque::new(0.0)),
            pull_out: None,
            source: None,
            tolerances: crate::rig::MotorTolerances::default(),
            guessed: Vec::new(),
        },
        drive: Drive {
            kind: DriveKind::Chopper {
                peak_current: Current::new(1.5),
                microsteps,
            },
            supply: Voltage::new(24.0),
            switch_resistance: Resistance::new(0.0),
            ballast: None,
            chopping: None,
            correction: None,
            hold_current: 1.0,
            sense_resistor: None,
            converter: None,
            lines: crate::rig::DriveLines::default(),
        },
        load: Load::NONE,
        tolerances: crate::rig::AxisTolerances::NONE,
        must_home: false,
        limits: Limits {
            torque_margin: 0.3,
            settle: Some(0.01),
            ..Limits::NONE
        },
    }
}

/// An axis that travels `lead` metres a motor turn.
pub(crate) fn linear(name: &str, microsteps: u32, lead: f64) -> Axis {
    let mut axis = rotary(name, microsteps);
    axis.load.linear = Some(LinearLoad {
        mass: Mass::new(0.1),
        travel_per_turn: Length::new(lead),
        incline: Angle::new(0.0),
        friction: Force::new(0.0),
        viscous: LinearDamping::new(0.0),
        constant_force: Force::new(0.0),
        backlash: Length::new(0.0),
    });
    axis
}

/// A rig of those axes, with the outputs `camera` and `lamp` and the input `gate`.
pub(crate) fn rig(axes: Vec<Axis>) -> Rig {
    let pin = |name: &str| Pin {
        name: name.to_owned(),
        pin: None,
        active: crate::rig::ActiveLevel::High,
    };
    Rig {
        axes,
        timer: Timer {
            clock: Frequency::new(8e6),
            prescaler: 8,
            bits: 16,
            tolerance: 1e-4,
            step_pulse: Time::new(3e-6),
            direction_setup: Time::new(1e-5),
            fastest_interval: Time::new(4e-5),
        },
        controller: NamedController::default(),
        outputs: vec![pin("camera"), pin("lamp")],
        inputs: vec![pin("gate")],
    }
}

/// “2.4 mH” as a quantity.
pub(crate) fn quantity(text: &str) -> Quantity {
    text.parse().expect("the test writes a quantity")
}

/// A limit of the script; an empty text sets none.
pub(crate) fn limit(text: &str) -> Option<(Quantity, Span)> {
    (!text.is_empty()).then(|| (quantity(text), Span::default()))
}

/// Settings with those limits for every axis; an empty text sets none.
pub(crate) fn settings(speed: &str, accel: &str) -> Settings {
    Settings {
        all: SpeedLimits {
            speed: limit(speed),
            accel: limit(accel),
            ..SpeedLimits::default()
        },
        ..Settings::default()
    }
}

/// A move of the only axis.
pub(crate) fn turn(target: Target, settings: &Arc<Settings>) -> Move {
    Move {
        axis: None,
        target,
        target_span: Span::default(),
        way: None,
        pace: MovePace::Limits,
        settings: Arc::clone(settings),
    }
}

/// `turn by TRAVEL`.
pub(crate) fn by(travel: &str, settings: &Arc<Settings>) -> Move {
    turn(Target::By(quantity(travel)), settings)
}

/// `turn to TRAVEL WAY`.
pub(crate) fn to(travel: &str, way: Option<Way>, settings: &Arc<Settings>) -> Move {
    Move {
        way,
        ..turn(Target::To(quantity(travel)), settings)
    }
}

/// The same move on the axis of that name.
pub(crate) fn on(axis: &str, turn: Move) -> Move {
    Move {
        axis: Some((Arc::from(axis), Span::default())),
        ..turn
    }
}

/// A statement of the first line.
pub(crate) fn action(kind: ActionKind) -> Action {
    Action {
        span: Span::default(),
        line: 1,
        kind,
    }
}

/// A move as a statement.
pub(crate) fn moving(turn: Move) -> Action {
    action(ActionKind::Move(turn))
}

/// The planned items of those actions.
pub(crate) fn plan(rig: &Rig, actions: Vec<Action>) -> Result<Vec<Item>, Diagnostic> {
    let source = Source::new("test.moves", "");
    program(rig, &source, actions.into_iter().map(Ok)).collect()
}

/// The planned moves of those actions.
pub(crate) fn moves(rig: &Rig, actions: Vec<Action>) -> Vec<PlannedMove> {
    plan(rig, actions)
        .expect("the test can be planned")
        .into_iter()
        .filter_map(|item| match item {
            Item::Move(planned) => Some(planned),
            _ => None,
        })
        .collect()
}

/// The axis of a rig with such a drive and load, as texts of the rig.
pub(crate) fn axis_of(drive: &str, load: &str) -> Axis {
    let text = format!(
        "axes: {{ a: {{ motor: {{ {} }}, drive: {{ {drive} }}, load: {{ {load} }} }} }}\n\
         timer: {{ clock: 8 MHz }}\n",
        motors::MEDIUM
    );
    let mut read = Rig::parse(&Source::new("rig.yaml", text), &mut NoFiles).unwrap();
    read.rig.axes.remove(0)
}
