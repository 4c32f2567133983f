//! Check, project and stream ask one function what the player can play, and tell one thing.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use proptest::prelude::*;
use proptest::strategy::ValueTree as _;
use proptest::test_runner::TestRunner;

use crate::check::Finding;
use crate::player::{Lines, PlayerOptions, Refusal, Unplayable};
use crate::testing::avr;
use crate::testing::processor::Cost;
use crate::{Error, Job, Unstreamable};

const CASES: usize = 1000;
const BAUD: u32 = 115_200;

/// A rig and a script as text.
#[derive(Debug, Clone)]
struct Case {
    rig: String,
    script: String,
}

/// One statement, or a block of them.
fn statement(outputs: usize) -> BoxedStrategy<String> {
    let turn = (1u32..2000, prop_oneof![Just(""), Just("-")])
        .prop_map(|(tenths, sign)| format!("turn a by {sign}{} deg\n", f64::from(tenths) / 10.0));
    let dwell = prop_oneof![1u32..300, 300u32..3000].prop_map(|us| format!("dwell {us} us\n"));
    let mark = (0u32..3).prop_map(|text| format!("mark \"{text}\"\n"));
    if outputs == 0 {
        return prop_oneof![6 => turn, 2 => dwell, 1 => mark].boxed();
    }
    let output = (0..outputs, prop_oneof![Just("on"), Just("off")])
        .prop_map(|(output, on)| format!("output o{output} {on}\n"));
    let pulse = (0..outputs, 20u32..400).prop_map(|(output, us)| {
        format!("output o{output} on\ndwell {us} us\noutput o{output} off\n")
    });
    let passing = (0..outputs, 0..outputs, 100u32..800, 1u32..400).prop_map(
        |(one, other, tenths, apart)| {
            let at = f64::from(tenths) / 10.0;
            let next = at + f64::from(apart) / 100.0;
            format!(
                "turn a to 0 deg\nthrough {{\n  turn a by 60 deg\n  output o{one} on passing {at} deg\n\
                 \x20 output o{other} off passing {next:.2} deg\n  turn a by 60 deg\n}}\n"
            )
        },
    );
    prop_oneof![
        6 => turn,
        2 => dwell,
        1 => mark,
        2 => output,
        3 => pulse,
        2 => passing,
        1 => Just("await ready\n".to_owned()),
    ]
    .boxed()
}

fn rig() -> impl Strategy<Value = (String, usize)> {
    let clock = prop_oneof![1 => Just(8), 4 => Just(16), 1 => Just(20), 1 => Just(32)];
    let prescaler = prop_oneof![1 => Just(1), 5 => Just(8), 1 => Just(64), 1 => Just(5)];
    let axes = prop_oneof![5 => Just(1), 2 => Just(2), 1 => Just(3)];
    // Made by a timer, written by the player, a step line, and no pin at all.
    let pin = prop_oneof![12 => Just(0), 5 => Just(1), 2 => Just(2), 1 => Just(3), 1 => Just(4)];
    let outputs = prop::collection::vec(pin, 0..4);
    let microsteps = prop_oneof![Just(16), Just(64)];
    (clock, prescaler, axes, outputs, microsteps, 1u32..8).prop_map(
        |(clock, prescaler, axes, outputs, microsteps, setup)| {
            let mut rig = "axes:\n".to_owned();
            for name in ["a", "b", "c"].iter().take(axes) {
                let _ = write!(
                    rig,
                    "  {name}:
    motor: {{ rotor_teeth: 50, phase_resistance: 1.6 ohm, phase_inductance: 3.2 mH, rated_current: 1.5 A,
             holding_torque: 0.42 N.m, rotor_inertia: 57 g.cm^2, viscous_damping: 0.4 mN.m.s/rad }}
    drive: {{ kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: {microsteps} }}
    load: {{ inertia: 50 g.cm^2, friction: 10 mN.m }}
"
                );
            }
            let setup = 10 * setup;
            let _ = writeln!(
                rig,
                "timer: {{ clock: {clock} MHz, prescaler: {prescaler}, bits: 16, fastest_interval: 2 us, \
                 step_pulse: 1 us, direction_setup: {setup} us }}"
            );
            if !outputs.is_empty() {
                rig.push_str("outputs:\n");
                for (number, pin) in outputs.iter().enumerate() {
                    let pin = match pin {
                        0 => String::new(),
                        1 => format!("pin: {}", ["PD6", "PD5", "PB3"][number]),
                        2 => format!("pin: PC{number}"),
                        3 => format!("pin: PB{}", [1, 2, 6][number]),
                        _ => format!("pin: D{number}"),
                    };
                    let _ = writeln!(rig, "  o{number}: {{ {pin} }}");
                }
            }
            rig.push_str("inputs: { ready: {} }\n");
            (rig, outputs.len())
        },
    )
}

fn case() -> impl Strategy<Value = Case> {
    rig().prop_flat_map(|(rig, outputs)| {
        let statements = prop::collection::vec(statement(outputs), 1..6);
        (Just(rig), 60u32..4000, statements).prop_map(|(rig, speed, statements)| Case {
            rig,
            script: format!(
                "bands allow\nspeed {speed} deg/s\naccel 90000 deg/s^2\n{}",
                statements.concat()
            ),
        })
    })
}

/// What the check says of a player that is refused `how`.
fn told<'a>(findings: &'a [Finding], how: &str) -> Option<&'a Finding> {
    let told = |finding: &&Finding| {
        let mut parts = finding
            .message
            .split("the firmware player refuses this program");
        parts.nth(1).is_some_and(|ways| ways.contains(how))
    };
    findings.iter().find(told)
}

/// What was refused is what the check has told, with the line and a cure.
#[track_caller]
fn assert_same(case: &Case, refused: Option<&Refusal>, told: Option<&Finding>) {
    match (refused, told) {
        (None, None) => {}
        (Some(refusal), Some(finding)) => {
            assert_eq!(finding.code, refusal.reason.code(), "{case:?}");
            assert_eq!(finding.line, refusal.line, "{case:?}");
            assert_eq!(finding.cures, [refusal.cure()], "{case:?}");
            assert!(
                finding.message.starts_with(&refusal.reason.to_string()),
                "{case:?}"
            );
        }
        (refused, told) => panic!("{refused:?} and {told:?} on\n{}\n{}", case.rig, case.script),
    }
}

#[test]
fn check_project_and_stream_agree_on_what_the_player_can_play() {
    let mut runner = TestRunner::deterministic();
    let strategy = case();
    let mut seen: BTreeMap<&str, usize> = BTreeMap::new();
    for _ in 0..CASES {
        let case = strategy.new_tree(&mut runner).unwrap().current();
        let job = Job::from_texts(&case.script, &case.rig)
            .unwrap_or_else(|error| panic!("{error}\n{}\n{}", case.rig, case.script))
            .without_simulation();
        let findings = job.check().summary().unwrap().findings;
        let options = PlayerOptions::default();
        let made = match job.project_with(&job.heading(None), options, &mut |_| ()) {
            Ok(_) => None,
            Err(Error::Refused(refusal)) => Some(*refusal),
            Err(error) => panic!("{error}"),
        };
        let streamed = match job.stream(BAUD) {
            Ok(_) => None,
            Err(Unstreamable::Refused(refusal)) => Some(*refusal),
            // No whole number of ticks a second.
            Err(Unstreamable::TickRate(_)) => None,
            // The motion itself fails, whoever plays it.
            Err(Unstreamable::Program(Error::MustNotRun(_))) => {
                job.too_much_for_a_line(BAUD, Lines::Steps).unwrap()
            }
            Err(error) => panic!("{error}"),
        };
        assert_same(&case, made.as_ref(), told(&findings, "from memory"));
        assert_same(
            &case,
            streamed.as_ref(),
            told(&findings, "over a serial line"),
        );
        let lines = case.script.lines().count();
        for refusal in made.iter().chain(&streamed) {
            let needs_line = matches!(
                refusal.reason,
                Unplayable::TooClose(_) | Unplayable::StepRate { .. }
            );
            assert_eq!(needs_line, refusal.line.is_some(), "{refusal}\n{case:?}");
            assert!(
                refusal.line.is_none_or(|line| (4..=lines).contains(&line)),
                "{refusal}\n{case:?}"
            );
            *seen.entry(refusal.reason.code()).or_default() += 1;
        }
        let both = usize::from(made.is_none() && streamed.is_none());
        *seen.entry("played").or_default() += both;
    }
    println!("{seen:?}");
    for kind in [
        "played",
        "output-below-player",
        "events-below-player",
        "line-below-player",
        "player-board",
    ] {
        assert!(
            seen.get(kind).is_some_and(|count| *count >= 40),
            "{kind}: {seen:?}"
        );
    }
}

/// A rig on which the timer makes the lamp.
fn with_outputs(script: &str, microsteps: u32) -> Job {
    let rig = format!("axes:
  a:
    motor: {{ rotor_teeth: 50, phase_resistance: 1.6 ohm, phase_inductance: 3.2 mH, rated_current: 1.5 A,
             holding_torque: 0.42 N.m, rotor_inertia: 57 g.cm^2, viscous_damping: 0.4 mN.m.s/rad }}
    drive: {{ kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: {microsteps} }}
    load: {{ inertia: 50 g.cm^2, friction: 10 mN.m }}
timer: {{ clock: 16 MHz, prescaler: 8, bits: 16 }}
outputs: {{ lamp: {{ pin: PD6 }}, fan: {{ pin: PD5 }} }}
");
    Job::from_texts(script, &rig).unwrap()
}

#[test]
fn outputs_too_close_on_the_way_are_told_with_their_line_and_a_cure_that_fits_there() {
    let job = with_outputs(
        "speed 300 deg/s\naccel 2000 deg/s^2\nbands allow\nthrough {\n  turn by 60 deg\n  output lamp on passing 45 deg\n\
         \x20 output fan on passing 45.02 deg\n  turn by 60 deg\n}\n",
        128,
    );
    let findings = job.check().summary().unwrap().findings;
    let told = told(&findings, "from memory").unwrap();
    assert_eq!(told.line, Some(7), "{told:?}");
    assert!(!told.cures[0].contains("dwell"), "{told:?}");
    let error = job
        .project(PlayerOptions::default())
        .unwrap_err()
        .to_string();
    assert!(error.contains("line 7: "), "{error}");
}

/// A program whose moves share nothing.
fn long(moves: usize) -> Job {
    let mut script = "speed 300 deg/s\naccel 2000 deg/s^2\n".to_owned();
    for number in 0..moves {
        let (travel, time) = (40 + number * 6131 % 257, 1300 + number * 7919 % 1777);
        let _ = writeln!(script, "turn by {travel} deg in {time} ms");
    }
    with_outputs(&script, 16)
}

#[test]
fn a_table_that_does_not_fit_the_smaller_part_goes_to_the_larger_and_no_further() {
    let project =
        |job: &Job| job.project_with(&job.heading(None), PlayerOptions::default(), &mut |_| ());
    let few = 200;
    let small = project(&long(few)).unwrap();
    let each = small.table.unwrap() as f64 / few as f64;
    // What fits is built.
    let full = project(&long((27_000.0 / each) as usize)).unwrap();
    let part = full.wiring.as_ref().unwrap().controller;
    assert_eq!(part.compiler_name, "atmega328p");
    assert!(full.table.is_some_and(|table| table > 24_000));
    avr::build(&full);
    // More than its flash less the player; within what one object of the compiler holds.
    let large = project(&long((32_000.0 / each) as usize)).unwrap();
    let table = large.table.unwrap();
    assert!((part.flash - 3900..32_768).contains(&table), "{table}");
    let wiring = large.wiring.as_ref().unwrap();
    assert_eq!(wiring.controller.compiler_name, "atmega2560");
    avr::build(&large);
    let why = wiring.not_smaller.as_ref().unwrap().to_string();
    assert!(why.ends_with("bytes of flash; it has 32768"), "{why}");
    // And no table is longer than that.
    let job = long((40_000.0 / each) as usize);
    let error = project(&job).unwrap_err().to_string();
    assert!(error.contains("the limit is 32767"), "{error}");
    let findings = job.check().summary().unwrap().findings;
    assert!(
        told(&findings, "from memory").is_some_and(|told| told.code == "player-memory"),
        "{findings:?}"
    );
}

#[test]
fn what_is_refused_of_very_long_moves_is_told_at_once() {
    let cost = Cost::begin();
    // 10^9 microsteps there and back, for days.
    let script = "speed 1200 deg/s\naccel 2000 deg/s^2\nbands allow\nturn by 312500 turn\nturn by -312500 turn\n";
    let job = with_outputs(script, 16).without_simulation();
    let findings = job.check().summary().unwrap().findings;
    let refused = told(&findings, "from memory").unwrap();
    assert_eq!(refused.line, Some(4), "{refused:?}");
    assert!(
        told(&findings, "over a serial line").is_none(),
        "{findings:?}"
    );
    assert!(job.stream(BAUD).is_ok());
    cost.below(30);
}
