//! The script language: what every statement comes down to, what is refused and in
//! which words, and that no text whatever brings the reader down.

use std::f64::consts::{PI, TAU};
use std::fmt::Write as _;
use std::sync::Arc;

use crate::diagnostic::{Diagnostics, Source};
use crate::script::Until;
use crate::script::{Action, ActionKind, Move, MovePace, Script, Shape, Target, Way};
use crate::testing::processor::Cost;
use crate::units::{Dimension, Quantity};
use approx::assert_relative_eq;
use proptest::prelude::*;

const DEGREE: f64 = TAU / 360.0;

fn parse(text: &str) -> Result<Script, Diagnostics> {
    Script::parse(Source::new("bench.moves", text))
}

fn script(text: &str) -> Script {
    parse(text).unwrap_or_else(|errors| panic!("{text}\n{errors}"))
}

fn actions(text: &str) -> Vec<Action> {
    script(text)
        .actions()
        .map(|action| action.unwrap())
        .collect()
}

fn moves(text: &str) -> Vec<Move> {
    let only_move = |action: Action| match action.kind {
        ActionKind::Move(found) => found,
        other => panic!("{other:?} is no move"),
    };
    actions(text).into_iter().map(only_move).collect()
}

fn codes(text: &str) -> Vec<&'static str> {
    match parse(text) {
        Ok(_) => Vec::new(),
        Err(errors) => errors.0.iter().map(|error| error.code).collect(),
    }
}

/// What `turn by EXPRESSION` turns by.
fn value(expression: &str) -> Quantity {
    match moves(&format!("turn by {expression}"))[0].target {
        Target::By(quantity) => quantity,
        Target::To(_) => panic!("{expression} became a position"),
    }
}

/// The angle of an expression in degrees.
fn degrees(expression: &str) -> f64 {
    let quantity = value(expression);
    assert_eq!(quantity.dimension, Dimension::ANGLE, "{expression}");
    quantity.si / DEGREE
}

const CAROUSEL: &str = r#"
# Slide carousel: 24 pockets; photograph every third one, then go back.
rig "carousel.yaml"

let pocket = 15 deg
speed 120 deg/s
accel 600 deg/s^2
jerk  9000 deg/s^3
shape s-curve                     # or trapezoid, full-torque

repeat 8 {
    turn by 3 * pocket
    dwell 0.8 s
    output camera on
    dwell 20 ms
    output camera off
}
turn to 0 deg shortest
"#;

#[test]
fn a_whole_script_comes_down_to_its_actions() {
    let carousel = script(CAROUSEL);
    let (rig, span) = carousel.rig().unwrap();
    assert_eq!(rig, "carousel.yaml");
    assert_eq!(
        &carousel.source().text()[span.start()..span.end()],
        "\"carousel.yaml\""
    );

    let all = actions(CAROUSEL);
    assert_eq!(all.len(), 8 * 5 + 1);
    assert_eq!(all[0].line, 12);
    assert_eq!(
        &CAROUSEL[all[0].span.start()..all[0].span.end()],
        "turn by 3 * pocket"
    );
    let ActionKind::Move(first) = &all[0].kind else {
        panic!("{:?}", all[0])
    };
    let Target::By(distance) = first.target else {
        panic!("{first:?}")
    };
    assert_relative_eq!(distance.si, TAU / 8.0, max_relative = 1e-15);
    let (speed, span) = first.settings.all.speed.unwrap();
    assert_relative_eq!(speed.si, TAU / 3.0, max_relative = 1e-15);
    assert_eq!(&CAROUSEL[span.start()..span.end()], "120 deg/s");
    assert_relative_eq!(
        first.settings.all.jerk.unwrap().0.si,
        9000.0 * DEGREE,
        max_relative = 1e-15
    );
    assert_eq!(first.settings.all.decel, None);
    assert_eq!(first.settings.shape, Shape::SCurve);
    assert_eq!(all[1].kind, ActionKind::Dwell(0.8));
    assert!(
        matches!(&all[2].kind, ActionKind::Output { name, on: true, passing: None, .. } if &**name == "camera")
    );
    let ActionKind::Move(last) = &all[40].kind else {
        panic!("{:?}", all[40])
    };
    assert_eq!(last.way, Some(Way::Shortest));
    assert_eq!(
        last.target,
        Target::To(Quantity::new(0.0, Dimension::ANGLE))
    );
}

#[test]
fn every_form_of_a_move_is_read() {
    let found = moves(
        "turn by 90 deg clockwise
         turn arm to -1/4 turn counterclockwise at 30 rpm
         turn slide-2 by 4 mm in 250 ms
         turn by 200 step at 400 step/s
         turn by -3 microsteps",
    );
    assert_eq!(found[0].way, Some(Way::Clockwise));
    assert_eq!(found[0].axis, None);
    assert_eq!(found[0].pace, MovePace::Limits);
    assert_eq!(found[1].axis.as_ref().map(|(name, _)| &**name), Some("arm"));
    let MovePace::At(speed, _) = found[1].pace else {
        panic!("{:?}", found[1])
    };
    assert_relative_eq!(speed.si, PI, max_relative = 1e-15);
    assert_eq!(
        found[2].axis.as_ref().map(|(name, _)| &**name),
        Some("slide-2")
    );
    assert!(matches!(found[2].pace, MovePace::In(time, _) if time == 0.25));
    assert_eq!(
        found[3].target,
        Target::By(Quantity::new(200.0, Dimension::FULL_STEP))
    );
    assert_eq!(
        found[4].target,
        Target::By(Quantity::new(-3.0, Dimension::MICROSTEP))
    );
}

#[test]
fn every_event_is_read() {
    let kinds: Vec<ActionKind> = actions(
        "dwell until settled
         await gate
         await gate timeout 1.5 min
         await gate pressed
         await gate released timeout 2 s
         mark \"a # is no comment in a text\"  # but here it is",
    )
    .into_iter()
    .map(|action| action.kind)
    .collect();
    assert_eq!(kinds[0], ActionKind::DwellUntilSettled);
    assert!(
        matches!(&kinds[1], ActionKind::Await { name, timeout: None, .. } if &**name == "gate")
    );
    assert!(matches!(&kinds[2], ActionKind::Await { timeout: Some(time), .. } if *time == 90.0));
    let until = |kind: &ActionKind| match kind {
        ActionKind::Await { until, timeout, .. } => (*until, *timeout),
        other => panic!("{other:?}"),
    };
    assert_eq!(until(&kinds[1]), (Until::Active, None));
    assert_eq!(until(&kinds[3]), (Until::Pressed, None));
    assert_eq!(until(&kinds[4]), (Until::Released, Some(2.0)));
    assert_eq!(
        kinds[5],
        ActionKind::Mark(Arc::from("a # is no comment in a text"))
    );
}

#[test]
fn groups_hold_their_moves() {
    let found = actions(
        "together {
             turn arm by 90 deg
             turn slide by 4 mm
         }
         through {
             turn by 30 deg
             output lamp on passing 40 deg
             mark \"there\"
             turn by 30 deg at 20 deg/s
         }
         through { }",
    );
    assert_eq!(found.len(), 2, "an empty group is nothing to do");
    assert!(matches!(&found[0].kind, ActionKind::Together(moves) if moves.len() == 2));
    let ActionKind::Through(members) = &found[1].kind else {
        panic!("{:?}", found[1])
    };
    assert_eq!(members.len(), 4);
    let ActionKind::Output {
        passing: Some(place),
        ..
    } = members[1].kind
    else {
        panic!("{:?}", members[1])
    };
    assert_relative_eq!(place.si, 40.0 * DEGREE, max_relative = 1e-15);
}

#[test]
fn a_limit_for_one_axis_stands_beside_the_limit_for_all() {
    let found = moves(
        "let quick = 90 deg/s
         speed quick
         speed arm 20 deg/s
         accel slide-2 40 mm/s^2
         start 400 step/s
         bands allow
         turn by 1 deg",
    );
    let settings = &found[0].settings;
    assert_relative_eq!(
        settings.all.speed.unwrap().0.si,
        90.0 * DEGREE,
        max_relative = 1e-15
    );
    assert_eq!(settings.all.start.unwrap().0.si, 400.0);
    assert!(settings.bands_allowed);
    let names: Vec<&str> = settings.axis.iter().map(|(name, _)| &**name).collect();
    assert_eq!(names, ["arm", "slide-2"]);
    assert_relative_eq!(
        settings.axis[0].1.speed.unwrap().0.si,
        20.0 * DEGREE,
        max_relative = 1e-15
    );
    assert_relative_eq!(
        settings.axis[1].1.accel.unwrap().0.si,
        0.04,
        max_relative = 1e-15
    );
}

#[test]
fn settings_and_values_end_with_their_block() {
    let found = moves(
        "speed 10 deg/s
         repeat 2 {
             turn by 1 deg
             speed 20 deg/s
             let far = 5 deg
             turn by far
         }
         let far = 7 deg
         sequence slowly(far_away) { speed 1 deg/s
             turn by far_away }
         do slowly(far)
         turn by far",
    );
    let speeds: Vec<f64> = found
        .iter()
        .map(|m| (m.settings.all.speed.unwrap().0.si / DEGREE).round())
        .collect();
    assert_eq!(speeds, [10.0, 20.0, 10.0, 20.0, 1.0, 10.0]);
}

#[test]
fn moves_under_the_same_settings_share_them() {
    let found = moves(
        "speed 10 deg/s
         turn by 1 deg
         repeat 3 { speed 20 deg/s
             turn by 2 deg }
         turn by 3 deg",
    );
    assert!(Arc::ptr_eq(&found[0].settings, &found[4].settings));
    assert!(Arc::ptr_eq(&found[1].settings, &found[2].settings));
    assert!(Arc::ptr_eq(&found[1].settings, &found[3].settings));
    assert!(!Arc::ptr_eq(&found[0].settings, &found[1].settings));
}

#[test]
fn sequences_take_values_and_may_be_written_below_their_use() {
    let found = moves(
        "let unit_turn = 2 deg
         do twice(3, unit_turn)
         sequence once(d) { turn by d }
         sequence twice(n, d) {
             let all = n * d
             do once(all)
             repeat 2 { do once(all / n) }
         }",
    );
    let turned: Vec<f64> = found
        .iter()
        .map(|m| match m.target {
            Target::By(distance) => (distance.si / DEGREE * 1e9).round() / 1e9,
            Target::To(_) => f64::NAN,
        })
        .collect();
    assert_eq!(turned, [6.0, 2.0, 2.0]);
}

#[test]
fn a_unit_belongs_to_the_numbers_in_front_of_it() {
    assert_relative_eq!(degrees("360/7 deg"), 360.0 / 7.0, max_relative = 1e-15);
    assert_relative_eq!(degrees("360 deg / 7"), 360.0 / 7.0, max_relative = 1e-15);
    assert_relative_eq!(degrees("(360/7) deg"), 360.0 / 7.0, max_relative = 1e-15);
    assert_relative_eq!(degrees("1/4 turn"), 90.0, max_relative = 1e-15);
    assert_relative_eq!(degrees("3 * 1/4 turn"), 270.0, max_relative = 1e-15);
    assert_relative_eq!(degrees("-90°"), -90.0, max_relative = 1e-15);
    assert_relative_eq!(degrees("pi/4 rad"), 45.0, max_relative = 1e-15);
    assert_relative_eq!(
        degrees("1.5e1deg + 60 arcmin - 2 * (1 deg + .5 deg)"),
        13.0,
        max_relative = 1e-14
    );
    assert_relative_eq!(degrees("90 deg / 2 s * 3 s"), 135.0, max_relative = 1e-15);
    assert_relative_eq!(degrees("2 turn/min * 10 s"), 120.0, max_relative = 1e-15);
    assert_relative_eq!(
        degrees("90 deg/s² * 2 s * (1 s)"),
        180.0,
        max_relative = 1e-15
    );
    assert_relative_eq!(degrees("90 deg·s^-1 * 1 s"), 90.0, max_relative = 1e-15);
    assert_relative_eq!(
        degrees("10 kHz * 1 deg * 3 \u{3bc}s"),
        0.03,
        max_relative = 1e-14
    );
    assert_relative_eq!(degrees("2 deg / (1/3)"), 6.0, max_relative = 1e-15);
    assert_relative_eq!(degrees("-1/4 turn"), -90.0, max_relative = 1e-15);
    assert_relative_eq!(degrees("-360/-7 deg"), 360.0 / 7.0, max_relative = 1e-15);
    assert_relative_eq!(degrees("- - + -5 deg"), -5.0, max_relative = 1e-15);
}

#[test]
fn whole_numbers_of_steps_are_exact() {
    assert_eq!(value("1 step + 2 step * 3 - 4 step / 2").si, 5.0);
    assert_eq!(
        value("9007199254740991 / 9007199254740991 microstep").si,
        1.0
    );
    assert_eq!(
        value("1000000 * 1000000 microstep + 1 microstep").si,
        1e12 + 1.0
    );
}

#[test]
fn a_count_may_be_computed_from_angles() {
    assert_eq!(actions("repeat 1 turn / (15 deg) { mark \"x\" }").len(), 24);
    assert_eq!(
        actions("repeat 360/7 deg / (1/7 deg) { mark \"x\" }").len(),
        360
    );
    assert_eq!(actions("repeat 0 { mark \"x\" }").len(), 0);
}

#[test]
fn the_ends_of_lines_may_be_of_any_kind() {
    let plain = moves("let a = 1 deg\nrepeat 2 {\n\tturn by a\n}\nturn by 2 deg\n");
    for text in [
        "\u{feff}let a = 1 deg\r\nrepeat 2 {\r\n\tturn by a\r\n}\r\nturn by 2 deg\r\n",
        "let a = 1 deg # one\n\n# two\nrepeat 2 { turn by a }\nturn by 2 deg",
        "\tlet\ta\u{a0}=\t1deg\n repeat 2 { # three\n turn by a } # four\nturn by 2deg # five",
    ] {
        let found = moves(text);
        let targets = |moves: &[Move]| -> Vec<Target> { moves.iter().map(|m| m.target).collect() };
        assert_eq!(targets(&found), targets(&plain), "{text}");
    }
    for empty in ["", "\n", "# only a comment", "\r\n\r\n", "   "] {
        assert!(actions(empty).is_empty());
    }
}

#[test]
fn a_billion_passes_start_at_once_and_empty_ones_end_at_once() {
    let cost = Cost::begin();
    let endless = script("repeat 1000000000 { repeat 1000000000 { turn by 1 deg\n mark \"x\" } }");
    assert_eq!(endless.actions().take(1000).count(), 1000);
    let idle = [
        "repeat 1000000000 { }",
        "repeat 1000000000 { repeat 1000000000 { } }",
        "repeat 1000000000 { speed 3 deg/s }",
        "sequence nothing { }\n repeat 1000000000 { do nothing }",
        "sequence often(n) { repeat n { turn by 1 deg } }\n repeat 1000000000 { do often(0) }",
    ];
    for text in idle {
        assert_eq!(script(text).actions().count(), 0, "{text}");
    }
    // Each sequence does the one above it twice: 2^60 times nothing.
    let mut doubled = String::from("sequence s0(n) { repeat n { turn by 1 deg } }\n");
    for level in 1..=60 {
        let below = level - 1;
        writeln!(
            doubled,
            "sequence s{level}(n) {{ do s{below}(n)\n do s{below}(n) }}"
        )
        .unwrap();
    }
    assert_eq!(script(&format!("{doubled}do s60(0)")).actions().count(), 0);
    assert_eq!(
        script(&format!("{doubled}do s60(1)"))
            .actions()
            .take(1000)
            .count(),
        1000
    );
    cost.below(5);
}

#[test]
fn a_million_moves_expand_in_less_than_seconds() {
    let long =
        script("speed 3 deg/s\n let d = 1 deg\n repeat 1000 { repeat 1000 { turn by 3 * d } }");
    let cost = Cost::begin();
    assert_eq!(long.actions().filter(Result::is_ok).count(), 1_000_000);
    cost.below(5);
}

#[test]
fn values_that_only_fail_in_one_call_are_found_before_anything_moves() {
    let errors = parse("sequence go(v) { turn by 5 deg at v }\ndo go(3 deg/s)\ndo go(0 deg/s)\n")
        .unwrap_err();
    assert_eq!(errors.0.len(), 1);
    let error = &errors.0[0];
    assert_eq!(error.code, "out-of-range");
    assert_eq!(error.place(), Some(("bench.moves", 1, 35)));
    let call = error.labels.last().unwrap();
    assert_eq!(call.source.position(call.span.start()).0, 3);
}

#[test]
fn each_circle_of_sequences_is_reported_once() {
    assert_eq!(
        codes("sequence a { do a }\nsequence b { do c }\nsequence c { do b\n do b }"),
        ["recursive-sequence"; 3]
    );
    let shared =
        "sequence a { do c }\nsequence b { do c\n do a }\nsequence c { turn by 1 deg }\ndo b";
    assert_eq!(actions(shared).len(), 2);
}

#[test]
fn an_angle_does_not_move_at_millimetres_a_second() {
    let errors = parse("turn by 90 deg at 5 mm/s").unwrap_err();
    assert_eq!(errors.0[0].code, "unit-mismatch");
    let marked: Vec<&str> = errors.0[0]
        .labels
        .iter()
        .map(|label| &*label.text)
        .collect();
    assert_eq!(marked, ["a linear speed", "an angle"]);
    assert_eq!(moves("turn by 90 deg at 400 step/s").len(), 1);
}

#[test]
fn calls_beyond_the_number_checked_beforehand_are_checked_in_their_turn() {
    // 2^15 different calls of s0, of which those with the largest values are too far.
    let mut text = String::from("sequence s0(n) { turn by n * 1 step }\n");
    for level in 1..=15 {
        let below = level - 1;
        writeln!(
            text,
            "sequence s{level}(n) {{ do s{below}(2 * n)\n do s{below}(2 * n + 1) }}"
        )
        .unwrap();
    }
    text.push_str("do s15((1e15 - 16000) / 32768)\n");
    let found: Vec<_> = script(&text).actions().collect();
    let failed = found.last().unwrap().as_ref().unwrap_err();
    assert_eq!(failed.code, "out-of-range");
    assert!(found.len() > 10_000 && found.iter().filter(|item| item.is_err()).count() == 1);
}

#[test]
fn twenty_errors_are_reported_and_no_more() {
    let text: String = (0..50).fold(String::new(), |mut text, index| {
        let _ = writeln!(
            text,
            "turn by {index} s\nsped {index}\nrepeat 2 {{ dwell {index} deg }}"
        );
        text
    });
    let errors = parse(&text).unwrap_err();
    assert_eq!(errors.0.len(), 20);
}

#[test]
fn independent_errors_are_all_found_and_do_not_cause_others() {
    let text = "let pocket = 15 dog
speed 120 deg/s +
repeat 3 {
    turn by pocket
    turn by 2 s
    output camera of
}
sequence pick(depth {
    turn by depth
}
do pick(3 mm)
foo {
    dwell 3 deg
    repeat 2 { turn to }
}
turn by 5 deg";
    let errors = parse(text).unwrap_err();
    let found: Vec<(usize, &str)> = errors
        .0
        .iter()
        .map(|error| (error.place().unwrap().1, error.code))
        .collect();
    assert_eq!(
        found,
        [
            (1, "unknown-unit"),
            (2, "unexpected-text"),
            (5, "wrong-unit"),
            (6, "unexpected-text"),
            (8, "unexpected-text"),
            (12, "unknown-statement"),
            (13, "wrong-unit"),
            (14, "unexpected-text"),
        ]
    );
}

/// One script for each kind of error: its code is the name of the snapshot.
const BROKEN: &[(&str, &str)] = &[
    ("unexpected-text", "output lamp onn\n"),
    ("unknown-statement", "sped 120 deg/s\n"),
    ("unknown-unit", "turn by 90 degrees\n"),
    ("unit-without-number", "turn by deg * 4\n"),
    ("unclosed-text", "mark \"half way\nturn by 3 deg\n"),
    ("unclosed-block", "repeat 3 {\n    turn by 3 deg\n"),
    ("unmatched-brace", "turn by 3 deg\n}\n"),
    ("reserved-name", "let step = 3 deg\n"),
    ("number-too-large", "turn by 1e999 deg\n"),
    ("power-too-high", "turn by 1 deg^900\n"),
    ("said-twice", "turn by 1 deg at 3 deg/s at 4 deg/s\n"),
    ("speed-and-time", "turn by 1 deg at 3 deg/s in 2 s\n"),
    ("unknown-name", "let pocket = 15 deg\nturn by 2 * poket\n"),
    ("unknown-sequence", "sequence pick { }\ndo pcik\n"),
    (
        "defined-twice",
        "let a = 1 deg\nrepeat 2 {\n    let a = 2 deg\n}\n",
    ),
    ("not-in-a-block", "repeat 2 {\n    rig \"a.yaml\"\n}\n"),
    (
        "not-in-a-group",
        "together {\n    turn x by 1 deg\n    dwell 1 s\n}\n",
    ),
    ("unit-mismatch", "turn by 90 deg + 2 s\n"),
    ("wrong-unit", "speed 120 deg\n"),
    ("not-whole", "repeat 2.5 { turn by 1 deg }\n"),
    ("out-of-range", "accel -600 deg/s^2\n"),
    ("division-by-zero", "turn by 90 deg / (3 - 3)\n"),
    ("not-finite", "turn by 1e300 * 1e300 deg\n"),
    (
        "argument-count",
        "sequence pick(depth, speed_down) { turn by depth at speed_down }\ndo pick(3 mm)\n",
    ),
    (
        "recursive-sequence",
        "sequence a { do b }\nsequence b { repeat 2 { do a } }\n",
    ),
    (
        "axis-twice",
        "together {\n    turn x by 1 deg\n    turn x by 2 deg\n}\n",
    ),
    (
        "mixed-axes",
        "through {\n    turn x by 1 deg\n    turn y by 2 deg\n}\n",
    ),
    ("passing-outside-through", "output lamp on passing 3 deg\n"),
    ("shortest-without-target", "turn by 90 deg shortest\n"),
    ("sign-and-way", "turn by -90 deg clockwise\n"),
    ("way-of-a-length", "turn to 4 mm clockwise\n"),
];

#[test]
fn every_kind_of_error_has_its_words() {
    for (code, text) in BROKEN {
        assert_eq!(codes(text), [*code], "{text}");
        let error = &parse(text).unwrap_err().0[0];
        insta::assert_snapshot!(*code, error.render(80, false), text);
    }
    let deep = format!("turn by {}1 deg{}\n", "(".repeat(65), ")".repeat(65));
    assert_eq!(codes(&deep), ["nested-too-deep"]);
    insta::assert_snapshot!(
        "nested-too-deep",
        parse(&deep).unwrap_err().0[0].render(120, false)
    );
}

#[test]
fn what_others_write_is_answered_with_what_there_is_instead() {
    for (text, code, help) in [
        (
            "repeat {\n turn by 1 deg\n}",
            "unexpected-text",
            "“repeat forever { … }” repeats without end, “repeat 8 { … }” eight times",
        ),
        (
            "loop {\n turn by 1 deg\n}",
            "unknown-statement",
            "use “repeat 8 { … }”, or “repeat forever { … }” at the end of the script",
        ),
        ("home", "unknown-statement", HOMING),
        ("Zero table", "unknown-statement", "did you mean “zero”?"),
        ("turn to home", "unknown-name", HOMING),
        (
            "wait 1 s",
            "unknown-statement",
            "“dwell 0.5 s” waits for a time, “await NAME” for an input",
        ),
        (
            "turn by 3 deg; dwell 1 s",
            "unexpected-text",
            "one statement per line: begin a new line",
        ),
        (
            "turn by 2,5 deg",
            "unexpected-text",
            "numbers have a decimal point: did you mean “2.5”?",
        ),
        (
            "let far = 12,25 mm\nturn by far",
            "unexpected-text",
            "numbers have a decimal point: did you mean “12.25”?",
        ),
        ("// a comment", "unexpected-text", "a comment begins with #"),
        (
            "turn to 3 deg ccw",
            "unexpected-text",
            "did you mean “counterclockwise”?",
        ),
        ("output lamp high", "unexpected-text", "did you mean “on”?"),
        ("output lamp of", "unexpected-text", "did you mean “off”?"),
        (
            "accelerate 400 deg/s^2",
            "unknown-statement",
            "did you mean “accel”?",
        ),
        (
            "decelerate 400 deg/s^2",
            "unknown-statement",
            "did you mean “decel”?",
        ),
        ("left 90 deg", "unknown-statement", DIRECTIONS),
        ("turn by 90 deg backwards", "unexpected-text", DIRECTIONS),
        (
            "repeat 3 {\n turn by 1 deg\n",
            "unclosed-block",
            "close it with “}” on a line of its own, after the block's last statement",
        ),
        ("speed = 3 deg/s", "unexpected-text", "leave out the “=”"),
        ("speed: 3 deg/s", "unexpected-text", "leave out the “:”"),
        (
            "speed 120",
            "wrong-unit",
            "which unit: “120 deg/s”, “120 rpm”, “120 mm/s” or “120 step/s”?",
        ),
        ("dwell 2", "wrong-unit", "which unit: “2 s” or “2 ms”?"),
        (
            "dwell 500",
            "wrong-unit",
            "which unit: “500 ms” or “500 s”?",
        ),
        (
            "turn by 1.5",
            "wrong-unit",
            "which unit: “1.5 deg”, “1.5 turn”, “1.5 mm” or “1.5 step”?",
        ),
        // What has been computed has no text to put a unit behind.
        (
            "dwell 2 * 3",
            "wrong-unit",
            "write, for instance, 0.5 s, 20 ms or 2 min",
        ),
    ] {
        let errors = parse(text).unwrap_err().0;
        let [error] = &errors[..] else {
            panic!("{text}: {errors:?}");
        };
        assert_eq!(
            (error.code, error.help.as_deref()),
            (code, Some(help)),
            "{text}"
        );
    }
    // Only what can stand there is offered.
    assert_eq!(parse("output lamp cw").unwrap_err().0[0].help, None);
    // A word of one's own is no mistake.
    assert!(parse("let endless = 3\nrepeat endless {\n turn by 1 deg\n}").is_ok());
}

#[test]
fn what_repeats_forever_is_the_last_statement_and_does_something() {
    let last = "turn by 1 deg\nrepeat forever {\n repeat 2 {\n turn by 1 deg\n }\n}\n";
    let defined_behind = "repeat forever {\n do nod\n}\nsequence nod {\n turn by 1 deg\n}\n";
    for text in [last, defined_behind] {
        let script = parse(text).unwrap();
        assert!(script.endless().is_some(), "{text}");
        // It goes on as long as somebody asks.
        assert_eq!(script.actions().take(1000).count(), 1000, "{text}");
    }
    for (text, code, places) in [
        (
            "repeat forever {\n turn by 1 deg\n}\ndwell 1 s\n",
            "never-reached",
            2,
        ),
        (
            "repeat forever {\n turn by 1 deg\n}\nspeed 1 deg/s\n",
            "never-reached",
            2,
        ),
        (
            "repeat 2 {\n repeat forever {\n turn by 1 deg\n }\n}\n",
            "forever-in-a-block",
            2,
        ),
        (
            "repeat forever {\n repeat forever {\n turn by 1 deg\n }\n}\n",
            "forever-in-a-block",
            2,
        ),
        (
            "sequence nod {\n repeat forever {\n turn by 1 deg\n }\n}\n",
            "forever-in-a-block",
            2,
        ),
        ("repeat forever {\n}\n", "nothing-forever", 1),
        ("let forever = 2\n", "reserved-name", 1),
    ] {
        let errors = parse(text).unwrap_err().0;
        let [error] = &errors[..] else {
            panic!("{text}: {errors:?}");
        };
        assert_eq!((error.code, error.labels.len()), (code, places), "{text}");
        assert!(error.help.is_some(), "{text}");
    }
}

/// Whatever else is wrong is told, but not the braces that the missing one leaves over.
#[test]
fn a_missing_opening_brace_is_the_only_one_reported() {
    for text in [
        "repeat 3\n turn by 1 deg\n}\nturn by 2 s",
        "repeat 3\n{\n turn by 1 deg\n}\nturn by 2 s",
        "repeat 2 {\n repeat 3\n turn by 1 deg\n }\n}\nturn by 2 s",
        "together\n{ turn x by 1 deg }\nturn by 2 s",
    ] {
        assert_eq!(codes(text), ["unexpected-text", "wrong-unit"], "{text}");
        let help = parse(text).unwrap_err().0[0].help.clone().unwrap();
        assert!(help.contains("“repeat 6 {”"), "{help}");
    }
    // One too many is still found.
    assert_eq!(
        codes("repeat 3\n turn by 1 deg\n}\n}"),
        ["unexpected-text", "unmatched-brace"]
    );
}

const HOMING: &str = "“seek by -400 deg until NAME” turns until an input is seen, and “zero” makes that place zero; \
    without it zero is the rotor's position when the player starts";

const DIRECTIONS: &str = "the sign gives the direction: “turn by -90 deg” goes back; \
    or add “clockwise” or “counterclockwise” to an angle";

#[test]
fn what_is_nested_too_deep_is_refused_in_words() {
    let many = 100_000;
    let texts = [
        format!("turn by {}1 deg{}", "(".repeat(many), ")".repeat(many)),
        format!("turn by {}1 deg", "(".repeat(many)),
        format!("turn by {}1 deg", "-".repeat(many)),
        format!(
            "{}turn by 1 deg{}",
            "repeat 2 {\n".repeat(many),
            "\n}".repeat(many)
        ),
        format!(
            "{}turn by 1 deg{}",
            "repeat 2 { ".repeat(many),
            " }".repeat(many)
        ),
        "repeat 2 {\n".repeat(many),
        "repeat 2 {".repeat(many),
    ];
    for text in texts {
        let found = codes(&text);
        assert!(
            found.contains(&"nested-too-deep"),
            "{} …: {found:?}",
            &text[..20]
        );
        assert!(found.len() <= 3, "{} …: {found:?}", &text[..20]);
    }
    for text in [
        "{".repeat(many),
        "}".repeat(many),
        "do a(".repeat(many),
        "together {".repeat(many),
    ] {
        assert!(!codes(&text).is_empty());
    }
    assert_eq!(
        degrees(&format!("{}1 deg{}", "(".repeat(60), ")".repeat(60))).round(),
        1.0
    );
}

#[test]
fn a_megabyte_is_read_in_about_the_time_of_its_length() {
    let cost = Cost::begin();
    let sum = format!("turn by 1 deg{}", " + 1 deg".repeat(125_000));
    assert_relative_eq!(degrees(&sum[8..]), 125_001.0, max_relative = 1e-9);
    let product = format!("turn by 1{} deg", " / 1".repeat(250_000));
    assert_relative_eq!(degrees(&product[8..]), 1.0, max_relative = 1e-12);
    assert_eq!(actions(&"turn by 3 deg\n".repeat(70_000)).len(), 70_000);
    let lets = (0..50_000).fold(String::new(), |mut text, index| {
        let _ = writeln!(text, "let a{index} = 3 deg");
        text
    });
    assert!(actions(&lets).is_empty());
    let chain = (0..20_000).fold(
        String::from("sequence s0 { turn by 1 deg }\n"),
        |mut text, index| {
            let _ = writeln!(text, "sequence s{} {{ do s{index} }}", index + 1);
            text
        },
    );
    assert_eq!(actions(&format!("{chain}do s20000")).len(), 1);
    for garbage in [
        "\u{1f9ed}",
        "{ ",
        "\"",
        "# ",
        "x ",
        "(\n",
        "}\n",
        "turn by ",
        "1 ",
        "\r",
        "in ",
        "deg/",
    ] {
        assert!(codes(&garbage.repeat(1_000_000 / garbage.len())).len() <= 20);
    }
    cost.below(30);
}

/// An expression of plain numbers and what it comes to, computed beside the language.
#[derive(Debug, Clone)]
enum Sum {
    Number(u32, u32),
    Minus(Box<Sum>),
    Two(char, Box<Sum>, Box<Sum>),
}

impl Sum {
    fn text(&self) -> String {
        match self {
            Self::Number(whole, eighths) => {
                format!("{}", f64::from(*whole) + f64::from(*eighths) / 8.0)
            }
            Self::Minus(of) => format!("-({})", of.text()),
            Self::Two(operator, left, right) => {
                // Parentheses only where precedence asks for them.
                let left_text = match (operator, &**left) {
                    ('*' | '/', Self::Two('+' | '-', ..)) => format!("({})", left.text()),
                    _ => left.text(),
                };
                let right_text = match (operator, &**right) {
                    ('+', Self::Two('+' | '-', ..)) | (_, Self::Number(..)) => right.text(),
                    ('+' | '-', Self::Two('*' | '/', ..)) => right.text(),
                    _ => format!("({})", right.text()),
                };
                format!("{left_text} {operator} {right_text}")
            }
        }
    }

    fn value(&self) -> f64 {
        match self {
            Self::Number(whole, eighths) => f64::from(*whole) + f64::from(*eighths) / 8.0,
            Self::Minus(of) => -of.value(),
            Self::Two(operator, left, right) => {
                let (left, right) = (left.value(), right.value());
                match operator {
                    '+' => left + right,
                    '-' => left - right,
                    '*' => left * right,
                    _ => left / right,
                }
            }
        }
    }
}

fn sums() -> impl Strategy<Value = Sum> {
    let number = (0..1000_u32, 0..8_u32).prop_map(|(whole, eighths)| Sum::Number(whole, eighths));
    number.prop_recursive(6, 40, 2, |inner| {
        let two = (prop::sample::select(vec!['+', '-', '*', '/']), inner.clone(), inner.clone());
        prop_oneof![
            1 => inner.prop_map(|of| Sum::Minus(Box::new(of))),
            4 => two.prop_map(|(operator, left, right)| Sum::Two(operator, Box::new(left), Box::new(right))),
        ]
    })
}

/// Scraps of the language, to be thrown together.
fn scraps() -> impl Strategy<Value = String> {
    let words = prop::sample::select(vec![
        "rig",
        "let",
        "speed",
        "accel",
        "shape",
        "s-curve",
        "bands",
        "turn",
        "by",
        "to",
        "at",
        "in",
        "clockwise",
        "shortest",
        "dwell",
        "until",
        "settled",
        "output",
        "on",
        "passing",
        "await",
        "pressed",
        "released",
        "timeout",
        "mark",
        "repeat",
        "sequence",
        "do",
        "together",
        "through",
        "pi",
        "a",
        "b",
        "deg",
        "s",
        "mm",
        "step",
        "{",
        "}",
        "(",
        ")",
        "+",
        "-",
        "*",
        "/",
        "^",
        ",",
        "=",
        "\"x\"",
        "\"",
        "#",
        "\n",
        "\n",
        "\r\n",
        "1",
        "2.5",
        "1e3",
        "°",
        "µs",
        "²",
        ".",
    ]);
    prop::collection::vec(words, 0..60).prop_map(|words| words.join(" "))
}

proptest! {
    #[test]
    fn an_expression_comes_to_what_arithmetic_says(sum in sums()) {
        let expected = sum.value();
        let text = format!("turn by ({}) step", sum.text());
        prop_assume!(expected.is_finite() && expected.abs() < 1e14);
        let found = match parse(&text) {
            // Division by an exact zero is an error even where it leads to zero.
            Err(errors) if errors.0[0].code == "division-by-zero" => return Ok(()),
            Err(errors) => return Err(TestCaseError::fail(format!("{text}: {errors}"))),
            Ok(_) => value(&text["turn by ".len()..]).si,
        };
        // The order of additions may differ by the parentheses left out.
        let scale = expected.abs().max(1.0);
        prop_assert!((found - expected).abs() <= 1e-6 * scale, "{} = {} not {}", text, expected, found);
    }

    #[test]
    fn no_text_brings_the_reader_down(text in "\\PC{0,200}") {
        if let Err(errors) = parse(&text) {
            prop_assert!((1..=20).contains(&errors.0.len()));
        }
    }

    #[test]
    fn no_heap_of_words_brings_the_reader_down(text in scraps()) {
        match parse(&text) {
            Ok(script) => {
                for action in script.actions().take(1000) {
                    prop_assert!(action.is_ok());
                }
            }
            Err(errors) => {
                prop_assert!((1..=20).contains(&errors.0.len()));
                for error in &errors.0 {
                    prop_assert!(!error.render(80, false).is_empty());
                }
            }
        }
    }

    /// Seeded changes of a script that works: a stretch is taken out, doubled or put elsewhere.
    #[test]
    fn no_changed_script_brings_the_reader_down(from in 0..600_usize, length in 0..40_usize, to in 0..600_usize, keep in any::<bool>()) {
        let letters: Vec<char> = CAROUSEL.chars().collect();
        let from = from.min(letters.len());
        let stretch: Vec<char> = letters[from..].iter().copied().take(length).collect();
        let mut changed = letters.clone();
        if !keep {
            changed.drain(from..from + stretch.len());
        }
        let to = to.min(changed.len());
        changed.splice(to..to, stretch);
        let text: String = changed.into_iter().collect();
        if let Err(errors) = parse(&text) {
            prop_assert!((1..=20).contains(&errors.0.len()));
            for error in &errors.0 {
                prop_assert!(error.place().is_some() && !error.render(80, false).is_empty());
            }
        }
    }
}

#[test]
fn seeks_and_zeros_are_read_with_their_parts() {
    let all = actions(
        "seek by -30 deg until home\nseek pan by 2 turn until far released at 5 deg/s\nzero\nzero pan at 12 deg\n",
    );
    let seeks: Vec<_> = all
        .iter()
        .filter_map(|action| match &action.kind {
            ActionKind::Seek(seek) => Some(seek),
            _ => None,
        })
        .collect();
    assert_eq!(
        (&*seeks[0].input, seeks[0].until()),
        ("home", Until::Active)
    );
    assert_eq!(seeks[0].way.axis, None);
    assert_eq!(seeks[0].way.pace, MovePace::Limits);
    assert_eq!(
        (&*seeks[1].input, seeks[1].until()),
        ("far", Until::Released)
    );
    assert_eq!(
        seeks[1].way.axis.as_ref().map(|(axis, _)| &**axis),
        Some("pan")
    );
    assert!(
        matches!(seeks[1].way.pace, MovePace::At(speed, _) if (speed.si - 5.0 * DEGREE).abs() < 1e-12)
    );
    let zeros: Vec<_> = all
        .iter()
        .filter_map(|action| match &action.kind {
            ActionKind::Zero(zero) => Some(zero),
            _ => None,
        })
        .collect();
    assert_eq!((&zeros[0].axis, &zeros[0].at), (&None, &None));
    assert!(
        zeros[1]
            .at
            .is_some_and(|(at, _)| (at.si - 12.0 * DEGREE).abs() < 1e-12)
    );
    for (text, code) in [
        ("seek to 5 deg until home", "unexpected-text"),
        ("seek by 5 deg", "unexpected-text"),
        ("seek by 5 s until home", "wrong-unit"),
        ("seek by 5 deg until home at 3 deg", "wrong-unit"),
        ("seek by 5 deg until home at 3 mm/s", "unit-mismatch"),
        ("zero at 5 s", "wrong-unit"),
        ("together {\nseek by 5 deg until home\n}", "not-in-a-group"),
        ("through {\nturn by 5 deg\nzero\n}", "not-in-a-group"),
    ] {
        assert_eq!(codes(text), [code], "{text}");
    }
}

#[test]
fn the_actions_of_a_script_are_counted_without_going_through_them() {
    let text = "dwell 1 s\nrepeat 3 {\n do twice(2 deg)\n repeat 0 { dwell 1 s }\n}\n\
        repeat 4 { repeat 5 { dwell 1 ms }\n do none() }\n\
        sequence twice(way) {\n turn by way\n repeat 2 { turn by -way }\n mark \"m\"\n}\nsequence none() { }\n";
    let mut gone = script(text).actions();
    let all = gone.extent();
    assert_eq!(all, 1.0 + 3.0 * 4.0 + 4.0 * 5.0);
    for done in 0..33 {
        assert_eq!(gone.done(), f64::from(done));
        gone.next().expect("an action").unwrap();
    }
    assert!(gone.next().is_none());

    // As many as nobody could go through.
    let nested = "sequence a() { repeat 1000000000000 { do b() } }\n\
        sequence b() { repeat 1000000000000 { dwell 1 s } }\nrepeat 1000000000000 { do a() }\n";
    assert_eq!(script(nested).actions().extent(), 1e36);
}
