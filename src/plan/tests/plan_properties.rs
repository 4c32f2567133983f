//! Whatever the rig, the limits and the moves: no plan exceeds what it was given, and
//! every move ends where it has to.

use crate::testing::rigs;
use std::sync::Arc;

use crate::diagnostic::{Source, Span};
use crate::physics::{PullOut, ShaftLoad};
use crate::plan::{AxisMotion, Direction, Item, PlannedMove, Segment, program};
use crate::rig::{Axis, DriveKind, Gearing, Rig, Sequence};
use crate::script::action::SpeedLimits;
use crate::script::{Action, ActionKind, Move, MovePace, Settings, Shape, Target};
use crate::testing::rigs::{action, moving, on, rig, rotary};
use crate::units::{Current, Dimension, Inertia, Quantity, Torque};
use proptest::prelude::*;

/// How far rounding may take a value over its limit.
const ROUNDING: f64 = 1e-9;

/// So many cases; failures are not written down, since no test writes into the tree.
fn cases(cases: u32) -> ProptestConfig {
    ProptestConfig {
        cases,
        failure_persistence: None,
        ..ProptestConfig::default()
    }
}

/// A rate of microsteps over time to the power `power`.
fn rate(value: f64, power: i8) -> Option<(Quantity, Span)> {
    let dimension = Dimension {
        time: -power,
        ..Dimension::MICROSTEP
    };
    Some((Quantity::new(value, dimension), Span::default()))
}

fn microsteps(count: i64) -> Quantity {
    Quantity::new(count as f64, Dimension::MICROSTEP)
}

/// A number whose logarithm is spread evenly.
fn spread(low: f64, high: f64) -> impl Strategy<Value = f64> {
    (low.log10()..high.log10()).prop_map(|power| 10_f64.powf(power))
}

/// Limits from a crawl to absurdly fast, with ramps from long to hardly there.
fn limits() -> impl Strategy<Value = SpeedLimits> {
    let ratio = || spread(0.05, 50.0);
    let start = prop_oneof![Just(0.0), 0.0..1.5];
    (spread(1.0, 1e6), ratio(), ratio(), ratio(), start).prop_map(|(speed, a, d, j, start)| {
        let accel = a * speed;
        SpeedLimits {
            speed: rate(speed, 1),
            accel: rate(accel, 2),
            decel: rate(d * accel, 2),
            jerk: rate(j * accel * accel / speed, 3),
            start: rate(start * speed, 1),
        }
    })
}

fn plain_settings() -> impl Strategy<Value = Arc<Settings>> {
    let shape = prop_oneof![Just(Shape::Trapezoid), Just(Shape::SCurve)];
    (limits(), shape).prop_map(|(all, shape)| {
        Arc::new(Settings {
            all,
            shape,
            ..Settings::default()
        })
    })
}

/// From a microstep to very far.
fn distance() -> impl Strategy<Value = i64> {
    (spread(1.0, 1e9), any::<bool>())
        .prop_map(|(far, back)| if back { -(far as i64) } else { far as i64 })
}

fn plan(rig: &Rig, actions: Vec<Action>) -> Vec<PlannedMove> {
    let source = Source::new("test.moves", "");
    program(rig, &source, actions.into_iter().map(Ok))
        .with_bands(Vec::new())
        .map(|item| match item.expect("this can be planned") {
            Item::Move(planned) => planned,
            other => panic!("{other:?} is no move"),
        })
        .collect()
}

fn end(segment: &Segment) -> [f64; 3] {
    let t = segment.duration;
    [
        segment.position_at(t),
        segment.velocity_at(t),
        segment.acceleration_at(t),
    ]
}

/// The claims that hold for every axis of every motion.
fn check(axis: &AxisMotion, shape: Shape) -> Result<(), TestCaseError> {
    let limits = &axis.limits;
    let steps = axis.steps as f64;
    let (accel, decel) = (
        limits.accel * (1.0 + ROUNDING),
        limits.decel * (1.0 + ROUNDING),
    );
    let peak = axis
        .segments
        .iter()
        .map(|s| s.velocity.max(end(s)[1]))
        .fold(0.0, f64::max);
    let steepest = axis
        .segments
        .iter()
        .map(|s| s.acceleration.abs().max(end(s)[2].abs()))
        .fold(0.0, f64::max);
    for segment in &axis.segments {
        prop_assert!(segment.duration > 0.0);
        for part in 0..=8 {
            let t = segment.duration * f64::from(part) / 8.0;
            let (speed, acceleration) = (segment.velocity_at(t), segment.acceleration_at(t));
            prop_assert!(
                speed <= limits.speed * (1.0 + ROUNDING) && speed >= -ROUNDING * peak,
                "{speed}"
            );
            prop_assert!(
                acceleration <= accel && -acceleration <= decel,
                "{acceleration}"
            );
        }
        if let Some(jerk) = limits.jerk {
            prop_assert!(
                segment.jerk.abs() <= jerk * (1.0 + 1e-6),
                "{} {jerk}",
                segment.jerk
            );
        }
    }
    for pair in axis.segments.windows(2) {
        let [position, speed, acceleration] = end(&pair[0]);
        prop_assert!((position - pair[1].position).abs() <= ROUNDING * steps);
        prop_assert!((speed - pair[1].velocity).abs() <= ROUNDING * peak);
        if shape == Shape::SCurve || limits.jerk.is_some() {
            prop_assert!((acceleration - pair[1].acceleration).abs() <= 1e-6 * steepest);
        }
    }
    if let (Some(first), Some(last)) = (axis.segments.first(), axis.segments.last()) {
        prop_assert_eq!(first.position, 0.0);
        prop_assert!((end(last)[0] - steps).abs() <= ROUNDING * steps);
        let start = limits.start.min(limits.speed) + ROUNDING * peak;
        prop_assert!(first.velocity <= start && end(last)[1] <= start);
    } else {
        prop_assert_eq!(axis.steps, 0);
    }
    Ok(())
}

fn check_all(moves: &[PlannedMove]) -> Result<(), TestCaseError> {
    for planned in moves {
        let motion = &planned.motion;
        for (axis, travel) in motion.axes.iter().zip(&planned.travel) {
            check(axis, motion.shape)?;
            let signed = axis.direction.sign() * axis.steps as i64;
            prop_assert_eq!(travel.to_steps - travel.from_steps, signed);
            prop_assert!((axis.duration() - motion.duration).abs() <= ROUNDING * motion.duration);
        }
    }
    Ok(())
}

proptest! {
    #![proptest_config(cases(2000))]

    #[test]
    fn plain_moves_keep_every_limit_and_end_exactly(
        list in prop::collection::vec((distance(), plain_settings()), 1..4),
        slower in prop_oneof![Just(None), spread(1.0, 100.0).prop_map(Some)],
    ) {
        let rig = rig(vec![rotary("a", 16)]);
        let actions = |pace: &[MovePace]| list.iter().enumerate().map(|(at, (steps, settings))| {
            let turn = rigs::turn(Target::By(microsteps(*steps)), settings);
            moving(Move { pace: pace.get(at).copied().unwrap_or(MovePace::Limits), ..turn })
        }).collect::<Vec<_>>();
        let moves = plan(&rig, actions(&[]));
        check_all(&moves)?;
        if let Some(factor) = slower {
            let paces: Vec<MovePace> = moves.iter().map(|planned| MovePace::In(planned.motion.duration * factor, Span::default())).collect();
            let timed = plan(&rig, actions(&paces));
            check_all(&timed)?;
            for (planned, first) in timed.iter().zip(&moves) {
                let wanted = first.motion.duration * factor;
                prop_assert!((planned.motion.duration - wanted).abs() <= ROUNDING * wanted);
            }
        }
    }

    #[test]
    fn axes_together_keep_every_limit_and_end_exactly(
        parts in prop::array::uniform3((distance(), limits())),
        shape in prop_oneof![Just(Shape::Trapezoid), Just(Shape::SCurve)],
    ) {
        let names = ["a", "b", "c"];
        let rig = rig(names.iter().map(|name| rotary(name, 16)).collect());
        let settings = Arc::new(Settings {
            axis: names.iter().zip(&parts).map(|(name, (_, limits))| (Arc::from(*name), *limits)).collect(),
            shape,
            ..Settings::default()
        });
        let inside = names.iter().zip(&parts).map(|(name, (steps, _))| {
            moving(on(name, rigs::turn(Target::By(microsteps(*steps)), &settings)))
        }).collect();
        check_all(&plan(&rig, vec![action(ActionKind::Together(inside))]))?;
    }

    #[test]
    fn passing_moves_keep_the_limits_of_every_leg(
        legs in prop::collection::vec((spread(1.0, 1e5), limits()), 1..12),
        shape in prop_oneof![Just(Shape::Trapezoid), Just(Shape::SCurve)],
    ) {
        let rig = rig(vec![rotary("a", 16)]);
        let inside = legs.iter().map(|(steps, limits)| {
            let settings = Arc::new(Settings { all: *limits, shape, ..Settings::default() });
            moving(rigs::turn(Target::By(microsteps(*steps as i64)), &settings))
        }).collect();
        let moves = plan(&rig, vec![action(ActionKind::Through(inside))]);
        let mut axis = moves[0].motion.axes[0].clone();
        axis.limits.start = f64::INFINITY;
        check(&axis, shape)?;
        // Each leg by itself: its own speed and acceleration wherever it is.
        let limit = |written: Option<(Quantity, Span)>| written.expect("all are set").0.si;
        for segment in &axis.segments {
            let middle = segment.position_at(segment.duration / 2.0);
            let mut passed = 0.0;
            let own = legs.iter().find(|(steps, _)| {
                passed += steps.floor();
                middle <= passed
            });
            let (_, own) = own.unwrap_or(&legs[legs.len() - 1]);
            let t = segment.duration / 2.0;
            prop_assert!(segment.velocity_at(t) <= limit(own.speed) * (1.0 + 1e-6));
            prop_assert!(segment.acceleration_at(t) <= limit(own.accel) * (1.0 + 1e-6));
            prop_assert!(-segment.acceleration_at(t) <= limit(own.decel) * (1.0 + 1e-6));
        }
    }
}

/// Rigs of very different motors, drives and loads.
fn axis() -> impl Strategy<Value = Axis> {
    let kind = prop_oneof![
        (1_u32..=64).prop_map(|microsteps| DriveKind::Chopper {
            peak_current: Current::new(1.5),
            microsteps
        }),
        Just(DriveKind::FixedVoltage {
            sequence: Sequence::TwoPhase
        }),
        Just(DriveKind::FixedVoltage {
            sequence: Sequence::HalfStep
        }),
    ];
    let load = (
        spread(1e-7, 1e-3),
        0.0..0.05,
        -0.05..0.05,
        spread(0.2, 20.0),
        0.5..=1.0,
    );
    (kind, load, 0.0..0.6).prop_map(
        |(kind, (inertia, friction, constant, gearing, efficiency), margin)| {
            let mut axis = rotary("a", 1);
            axis.drive.kind = kind;
            axis.load.inertia = Inertia::new(inertia * gearing * gearing);
            axis.load.friction = Torque::new(friction * gearing);
            axis.load.constant_torque = Torque::new(constant * gearing);
            axis.load.gearing = Gearing {
                motor: gearing,
                load: 1.0,
            };
            axis.load.efficiency = efficiency;
            axis.limits.torque_margin = margin;
            axis
        },
    )
}

/// Whether a full-torque turn asks for no more torque than the margin leaves.
fn within_the_margin(
    axis: Axis,
    turns: f64,
    back: bool,
    speed: Option<f64>,
    jerk: Option<f64>,
) -> Result<(), TestCaseError> {
    let rig = rig(vec![axis]);
    let axis = &rig.axes[0];
    let per_radian = 1.0 / axis.microstep_angle();
    let limits = SpeedLimits {
        speed: speed.and_then(|speed| rate(speed * per_radian, 1)),
        jerk: jerk.and_then(|jerk| rate(jerk * per_radian, 3)),
        ..SpeedLimits::default()
    };
    let settings = Arc::new(Settings {
        all: limits,
        shape: Shape::FullTorque,
        bands_allowed: true,
        ..Settings::default()
    });
    let steps = (turns * axis.microsteps_per_motor_turn() as f64).ceil() as i64;
    let steps = if back { -steps } else { steps };
    let (pull_out, load) = (PullOut::of(axis), ShaftLoad::of(axis));
    let keeps = 1.0 - axis.limits.torque_margin;
    let turn = moving(rigs::turn(Target::By(microsteps(steps)), &settings));
    if let Err(error) = rigs::plan(&rig, vec![turn.clone()]) {
        // Only a load that leaves next to nothing at rest may be refused.
        prop_assert_eq!(error.code, "too-little-torque");
        let asked = load.required_torque(0.0, 0.0, Direction::of(steps)).abs();
        prop_assert!(
            asked >= pull_out.low_at(0.0) * keeps * 0.999,
            "{} is little",
            asked
        );
        return Ok(());
    }
    let moves = plan(&rig, vec![turn]);
    check_all(&moves)?;
    let motion = &moves[0].motion.axes[0];
    let fast = 1.0 + rig.timer.tolerance;
    for segment in &motion.segments {
        for part in 0..=20 {
            let t = segment.duration * f64::from(part) / 20.0;
            let omega = segment.velocity_at(t) * axis.microstep_angle() * fast;
            let alpha = segment.acceleration_at(t) * axis.microstep_angle() * fast * fast;
            let required = load.required_torque(omega, alpha, motion.direction).abs();
            let left = pull_out.low_at(omega) * keeps;
            // A cruise at the very top stands where nothing is left over.
            prop_assert!(
                required <= left * (1.0 + 1e-6),
                "{} of {} at {}: {:?} {}",
                required,
                left,
                omega,
                segment,
                t
            );
        }
    }
    Ok(())
}

/// A bend of the curve between two looks at it, found by the property below.
#[test]
fn full_torque_sees_a_narrow_bend_of_the_curve() {
    let mut axis = rotary("a", 1);
    axis.drive.kind = DriveKind::FixedVoltage {
        sequence: Sequence::HalfStep,
    };
    axis.load.inertia = Inertia::new(3.406_243_363_760_496_4e-5);
    axis.load.friction = Torque::new(0.027_821_278_453_655_618);
    axis.load.constant_torque = Torque::new(0.026_398_010_985_031_89);
    axis.load.efficiency = 0.577_379_699_841_323;
    axis.limits.torque_margin = 0.577_220_456_594_507_9;
    let turned = within_the_margin(axis, 1.0, true, None, Some(61_820_979.707_362_1));
    turned.unwrap();
}

proptest! {
    #![proptest_config(cases(80))]

    #[test]
    fn full_torque_never_asks_for_more_than_the_margin_leaves(
        axis in axis(),
        turns in spread(1e-3, 300.0),
        back in any::<bool>(),
        speed in prop_oneof![Just(None), spread(10.0, 1e3).prop_map(Some)],
        jerk in prop_oneof![Just(None), spread(1e4, 1e8).prop_map(Some)],
    ) {
        within_the_margin(axis, turns, back, speed, jerk)?;
    }
}
