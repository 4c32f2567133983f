//! Programs: where every move ends, what it keeps, and what is refused.

use crate::testing::rigs;
use std::sync::Arc;

use crate::diagnostic::{Diagnostic, Source, Span};
use crate::plan::{Item, program};
use crate::rig::{DriveKind, Gearing, Sequence};
use crate::schedule::{EventKind, Schedule};
use crate::script::Until;
use crate::script::{ActionKind, MovePace, Script, Settings, Shape, Target, Way};
use crate::testing::rigs::{
    action, by, linear, moves, moving, on, plan, quantity, rig, rotary, settings, to,
};
use crate::units::{Dimension, Quantity};
use approx::assert_relative_eq;

fn usual() -> Arc<Settings> {
    Arc::new(settings("120 deg/s", "600 deg/s^2"))
}

fn refused(rig: &crate::rig::Rig, turn: crate::script::Move) -> Diagnostic {
    plan(rig, vec![moving(turn)]).expect_err("this must be refused")
}

/// A seventh of a turn, as an expression in degrees evaluates.
fn seventh() -> Quantity {
    let degree = quantity("1 deg").si;
    Quantity::new(360.0 / 7.0 * degree, Dimension::ANGLE)
}

#[test]
fn seven_stops_a_turn_come_back_to_the_first_microstep_after_a_million_turns() {
    let mut axis = rotary("carousel", 16);
    axis.load.gearing = Gearing {
        motor: 3.0,
        load: 1.0,
    };
    let turn = 200 * 16 * 3;
    let rig = rig(vec![axis]);
    let settings = usual();
    let stops = 7_000_000;
    let actions = (0..stops).map(|_| Ok(moving(rigs::turn(Target::By(seventh()), &settings))));
    let source = Source::new("a.moves", "");
    let half = std::f64::consts::PI / turn as f64;
    for (stop, item) in program(&rig, &source, actions).enumerate() {
        let Ok(Item::Move(planned)) = item else {
            panic!("only moves are planned")
        };
        let travel = planned.travel[0];
        let stop = stop as i64 + 1;
        // The nearest microstep to stop/7 turns, in whole numbers.
        assert_eq!(travel.to_steps, (2 * stop * turn + 7).div_euclid(14));
        assert!(travel.target_error.abs() <= half * 1.000_001);
        if stop % 7 == 0 {
            assert_eq!(travel.to_steps, stop / 7 * turn);
            assert!(travel.target_error.abs() < 1e-5 * half);
        }
    }
}

/// Common practice: rotor teeth · 4 · microsteps make a turn of the motor.
#[test]
fn a_full_turn_is_teeth_times_four_times_microsteps() {
    for (microsteps, steps) in [(1, 200), (8, 1600), (256, 51_200)] {
        let rig = rig(vec![rotary("a", microsteps)]);
        for turn in ["1 turn", "360 deg", "200 steps", "21600 arcmin"] {
            let planned = moves(&rig, vec![moving(by(turn, &usual()))]);
            assert_eq!(planned[0].travel[0].to_steps, steps, "{turn}");
            assert_eq!(planned[0].motion.axes[0].steps, steps as u64);
        }
    }
}

#[test]
fn a_gearing_of_thirds_comes_back_every_third_turn() {
    let mut axis = rotary("a", 1);
    axis.load.gearing = Gearing {
        motor: 10.0,
        load: 3.0,
    };
    let rig = rig(vec![axis]);
    let settings = usual();
    let planned = moves(
        &rig,
        (0..6).map(|_| moving(by("1 turn", &settings))).collect(),
    );
    let ends: Vec<i64> = planned
        .iter()
        .map(|planned| planned.travel[0].to_steps)
        .collect();
    assert_eq!(ends, [667, 1333, 2000, 2667, 3333, 4000]);
}

#[test]
fn halves_of_microsteps_make_an_even_pattern_through_zero() {
    let rig = rig(vec![rotary("a", 1)]);
    let settings = usual();
    let mut actions = vec![moving(by("-2.7 deg", &settings))];
    actions.extend((0..6).map(|_| moving(by("0.9 deg", &settings))));
    let ends: Vec<i64> = moves(&rig, actions)
        .iter()
        .map(|planned| planned.travel[0].to_steps)
        .collect();
    assert_eq!(ends, [-1, -1, 0, 0, 1, 1, 2]);
}

#[test]
fn ways_round_count_turns_exactly() {
    let rig = rig(vec![rotary("a", 10)]);
    let settings = usual();
    let degrees = |steps: i64| steps as f64 * 0.18;
    let ends = |list: &[(&str, Option<Way>)]| -> Vec<f64> {
        let actions = list
            .iter()
            .map(|(angle, way)| moving(to(angle, *way, &settings)))
            .collect();
        moves(&rig, actions)
            .iter()
            .map(|planned| degrees(planned.travel[0].to_steps))
            .collect()
    };
    use Way::{Clockwise, Counterclockwise, Shortest};
    let expect = |list: &[(&str, Option<Way>)], wanted: &[f64]| {
        for (found, wanted) in ends(list).iter().zip(wanted) {
            assert_relative_eq!(*found, *wanted, epsilon = 1e-9);
        }
    };
    expect(
        &[
            ("270 deg", None),
            ("0 deg", Some(Shortest)),
            ("0 deg", Some(Clockwise)),
            ("90 deg", Some(Clockwise)),
            ("0 deg", None),
        ],
        &[270.0, 360.0, 360.0, 90.0, 0.0],
    );
    expect(
        &[
            ("90 deg", Some(Counterclockwise)),
            ("45 deg", Some(Counterclockwise)),
            ("45 deg", Some(Clockwise)),
            ("225 deg", Some(Shortest)),
        ],
        &[90.0, 405.0, 405.0, 585.0],
    );
    expect(
        &[
            ("180 deg", Some(Shortest)),
            ("90 deg", Some(Clockwise)),
            ("720 deg", Some(Clockwise)),
        ],
        &[180.0, 90.0, 0.0],
    );
}

#[test]
fn rounding_never_sends_an_axis_round_once_more() {
    let rig = rig(vec![rotary("a", 16)]);
    let settings = usual();
    for way in [Way::Clockwise, Way::Counterclockwise, Way::Shortest] {
        let mut actions: Vec<_> = (0..7)
            .map(|_| moving(rigs::turn(Target::By(seventh()), &settings)))
            .collect();
        actions.push(moving(to("0 deg", Some(way), &settings)));
        let planned = moves(&rig, actions);
        assert_eq!(planned[7].travel[0].to_steps, 3200, "{way:?}");
        assert_eq!(planned[7].motion.axes[0].steps, 0);
        assert_eq!(planned[7].motion.duration, 0.0);
    }
}

#[test]
fn the_stricter_of_script_and_rig_holds_and_the_rig_alone_suffices() {
    let mut axis = rotary("a", 10);
    let degree = quantity("1 deg").si;
    axis.limits.speed = Some(100.0 * degree);
    axis.limits.acceleration = Some(300.0 * degree);
    let rig = rig(vec![axis]);
    let per_degree = 2000.0 / 360.0;
    for (speed, accel, wanted) in [
        ("", "", [100.0, 300.0]),
        ("50 deg/s", "1000 deg/s^2", [50.0, 300.0]),
        ("400 deg/s", "200 deg/s^2", [100.0, 200.0]),
        ("10 rpm", "", [60.0, 300.0]),
        ("100 microsteps/s", "20 steps/s^2", [18.0, 36.0]),
    ] {
        let planned = moves(
            &rig,
            vec![moving(by("3 turns", &Arc::new(settings(speed, accel))))],
        );
        let limits = planned[0].motion.axes[0].limits;
        assert_relative_eq!(limits.speed, wanted[0] * per_degree, max_relative = 1e-12);
        assert_relative_eq!(limits.accel, wanted[1] * per_degree, max_relative = 1e-12);
        let fastest = planned[0].motion.axes[0]
            .segments
            .iter()
            .map(|s| s.velocity)
            .fold(0.0, f64::max);
        assert_relative_eq!(fastest, limits.speed, max_relative = 1e-12);
    }
}

#[test]
fn a_missing_limit_says_what_to_write() {
    let rig = rig(vec![rotary("table", 10)]);
    let error = refused(&rig, by("1 turn", &Arc::new(settings("", "600 deg/s^2"))));
    assert_eq!(error.code, "missing-limit");
    assert!(
        error
            .help
            .unwrap()
            .contains("“speed 120 deg/s” above the move")
    );
    let error = refused(&rig, by("1 turn", &Arc::new(settings("120 deg/s", ""))));
    assert!(error.message.contains("acceleration of axis “table”"));
    let s_curve = Settings {
        shape: Shape::SCurve,
        ..settings("120 deg/s", "600 deg/s^2")
    };
    let error = refused(&rig, by("1 turn", &Arc::new(s_curve)));
    assert!(error.help.unwrap().contains("jerk 9000 deg/s^3"));
}

#[test]
fn impossible_requests_are_refused_with_their_code() {
    let two = rig(vec![rotary("left", 4), linear("slide", 4, 5e-3)]);
    let settings = usual();
    let linear = Arc::new(rigs::settings("80 mm/s", "400 mm/s^2"));
    let code = |turn| refused(&two, turn).code;
    assert_eq!(code(by("90 deg", &settings)), "axis-not-named");
    assert_eq!(code(on("slide", by("90 deg", &linear))), "wrong-unit");
    assert_eq!(code(on("left", by("5 mm", &settings))), "wrong-unit");
    assert_eq!(code(on("slide", by("5 mm", &settings))), "wrong-unit");
    assert_eq!(
        code(on("slide", to("5 mm", Some(Way::Shortest), &linear))),
        "way-of-linear-axis"
    );
    assert_eq!(code(on("left", by("1e15 turns", &settings))), "too-far");
    let error = refused(&two, on("slid", by("5 mm", &linear)));
    assert_eq!(error.code, "unknown-axis");
    assert_eq!(error.help.as_deref(), Some("did you mean “slide”?"));
    let error = refused(&two, on("backwards", by("90 deg", &settings)));
    assert!(error.help.unwrap().contains("“counterclockwise”"));
}

#[test]
fn names_of_pins_are_resolved_or_the_nearest_is_suggested() {
    let rig = rig(vec![rotary("a", 4)]);
    let output = |name: &str| {
        action(ActionKind::Output {
            name: Arc::from(name),
            name_span: Span::default(),
            on: true,
            passing: None,
        })
    };
    let gate = |name: &str| {
        action(ActionKind::Await {
            name: Arc::from(name),
            name_span: Span::default(),
            until: Until::Released,
            timeout: Some(2.0),
        })
    };
    assert_eq!(
        plan(
            &rig,
            vec![output("lamp"), gate("gate"), action(ActionKind::Dwell(0.5))]
        )
        .unwrap(),
        [
            Item::Output {
                output: 1,
                on: true
            },
            Item::Await {
                input: 0,
                until: Until::Released,
                timeout: Some(2.0)
            },
            Item::Dwell(0.5)
        ]
    );
    let error = plan(&rig, vec![output("lmap")]).unwrap_err();
    assert_eq!(
        (error.code, error.help.as_deref()),
        ("unknown-output", Some("did you mean “lamp”?"))
    );
    let error = plan(&rig, vec![gate("xyzzy")]).unwrap_err();
    assert_eq!(
        (error.code, error.help.as_deref()),
        ("unknown-input", Some("the rig has gate"))
    );
}

#[test]
fn a_move_in_a_time_takes_it_exactly_or_says_the_shortest() {
    let rig = rig(vec![rotary("a", 16)]);
    let settings = usual();
    let within = |seconds| crate::script::Move {
        pace: MovePace::In(seconds, Span::default()),
        ..by("90 deg", &settings)
    };
    let planned = moves(&rig, vec![moving(within(2.5))]);
    assert_relative_eq!(planned[0].motion.duration, 2.5, max_relative = 1e-14);
    assert_relative_eq!(
        planned[0].motion.axes[0].duration(),
        2.5,
        max_relative = 1e-12
    );
    // By hand: 90/120 s at full speed and 120/600 s for the ramps.
    let error = refused(&rig, within(0.9));
    assert_eq!(error.code, "too-little-time");
    assert!(error.message.contains("0.950000 s"), "{}", error.message);
    assert!(plan(&rig, vec![moving(within(0.95))]).is_ok());
}

#[test]
fn a_speed_of_the_move_lowers_its_cruise() {
    let rig = rig(vec![rotary("a", 10)]);
    let settings = usual();
    let at = crate::script::Move {
        pace: MovePace::At(quantity("36 deg/s"), Span::default()),
        ..by("1 turn", &settings)
    };
    let planned = moves(&rig, vec![moving(at)]);
    assert_relative_eq!(
        planned[0].motion.axes[0].segments[1].velocity,
        200.0,
        max_relative = 1e-12
    );
}

#[test]
fn equal_moves_share_one_motion_under_equal_settings() {
    let rig = rig(vec![rotary("a", 10)]);
    let planned = moves(
        &rig,
        vec![
            moving(by("36 deg", &usual())),
            moving(by("36 deg", &usual())),
            moving(by("-36 deg", &usual())),
        ],
    );
    assert!(Arc::ptr_eq(&planned[0].motion, &planned[1].motion));
    assert!(!Arc::ptr_eq(&planned[0].motion, &planned[2].motion));
    assert_eq!(planned[2].index, 2);
    assert_eq!(planned[2].travel[0].from_steps, 400);
}

#[test]
fn the_stream_ends_with_the_first_error() {
    let rig = rig(vec![rotary("a", 10)]);
    let source = Source::new("a.moves", "");
    let actions = vec![
        Ok(moving(by("36 deg", &usual()))),
        Err(Diagnostic::error("made-up", "an error of an earlier stage")),
        Ok(moving(by("36 deg", &usual()))),
    ];
    let items: Vec<_> = program(&rig, &source, actions).collect();
    assert_eq!(items.len(), 2);
    assert!(items[0].is_ok() && items[1].is_err());
}

/// From the text to the ticks. By hand: full steps of 1.8 degrees at a clock of 1 MHz; the
/// 20th step is the target that is passed at 36 degrees, and 60 degrees are nearest to the
/// 33rd (59.4 degrees).
#[test]
fn events_of_a_script_stand_on_the_ticks_of_their_steps() {
    let text = "\
speed 90 deg/s
accel 1800 deg/s^2
await gate timeout 2 s
through {
    turn by 36 deg
    output lamp on
    mark \"half\"
    turn by 36 deg
    output lamp off passing 60 deg
}
turn by -72 deg in 3.5 s
mark \"end\"
";
    let mut axis = rotary("pointer", 1);
    axis.drive.kind = DriveKind::FixedVoltage {
        sequence: Sequence::TwoPhase,
    };
    let rig = rig(vec![axis]);
    let source = Source::new("a.moves", text);
    let script = Script::parse(Arc::clone(&source)).unwrap();
    let items: Vec<Item> = program(&rig, &source, script.actions())
        .with_bands(Vec::new())
        .collect::<Result<_, _>>()
        .unwrap();
    let Item::Move(passing) = &items[1] else {
        panic!("{items:?}")
    };
    let end_of_passing = (passing.motion.duration * 1e6).round() as u64;
    let events: Vec<_> = Schedule::new(items, &rig).collect();
    let steps: Vec<u64> = events
        .iter()
        .filter(|event| matches!(event.what, EventKind::Step { .. }))
        .map(|event| event.tick)
        .collect();
    assert_eq!(steps.len(), 80);
    let others: Vec<(u64, &EventKind)> = events
        .iter()
        .filter(|event| {
            !matches!(
                event.what,
                EventKind::Step { .. } | EventKind::Direction { .. }
            )
        })
        .map(|event| (event.tick, &event.what))
        .collect();
    let lamp = |on| EventKind::Output { output: 1, on };
    let waited = EventKind::Await {
        input: 0,
        until: Until::Active,
        timeout: Some(2_000_000),
    };
    let expected = [
        (0, &waited),
        (steps[19], &lamp(true)),
        (steps[19], &EventKind::Mark(Arc::from("half"))),
        (steps[32], &lamp(false)),
        (
            end_of_passing + 3_500_000,
            &EventKind::Mark(Arc::from("end")),
        ),
    ];
    assert_eq!(others, expected);
    // In the cruise a step takes 20 ms, to the tick.
    assert_eq!(steps[20] - steps[19], 20_000);
    // The direction holds for its setup time before the first step back.
    let turned = events.iter().filter_map(|event| match event.what {
        EventKind::Direction { .. } => Some(event.tick),
        _ => None,
    });
    let turned: Vec<u64> = turned.collect();
    assert!(turned[1] >= steps[39] + 10 && steps[40] >= turned[1] + 10);
}
