//! Waits: as long as the script says, whatever the counter of the timer holds, and cheap
//! while other axes step.

use std::path::PathBuf;
use std::process::Command;

use proptest::prelude::*;
use proptest::test_runner::{Config, TestRunner};
use slewsmith::plan::Direction;
use slewsmith::schedule::{Event, EventKind};

use crate::board::{self, Bench, Pin};
use crate::played::{LAMP_AND_DOOR, Outputs, assert_played, beat, rig};
use crate::support;

/// What the player's own decoder makes of a project's table, compiled for this machine with
/// `tests/outside/decode_table.c`: for each stream its events with their ticks.
fn decoded(project: PathBuf) -> Option<Vec<(u64, String)>> {
    let gcc = support::tool("gcc")?;
    let source = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
    let source = source.join("tests/outside/decode_table.c");
    let program = project.join("decode_table");
    let built = Command::new(gcc)
        .current_dir(&project)
        .args(["-std=c99", "-O2", "-Wall", "-Wextra", "-Werror", "-I."])
        .args(["-fsanitize=undefined", "-fno-sanitize-recover=all", "-o"])
        .arg(&program)
        .arg(source)
        .args(["table.c", "schedule.c"])
        .status()
        .unwrap();
    assert!(built.success());
    let out = Command::new(program).output().unwrap();
    assert!(
        out.status.success(),
        "{}",
        String::from_utf8_lossy(&out.stderr)
    );
    let text = String::from_utf8(out.stdout).unwrap();
    let events = text.lines().map(|line| {
        let (tick, what) = line.split_once(' ').unwrap();
        (tick.parse().unwrap(), what.to_owned())
    });
    let mut events: Vec<_> = events.collect();
    events.sort();
    Some(events)
}

/// The planned events in the same words.
fn planned(events: impl Iterator<Item = Event>) -> Vec<(u64, String)> {
    let mut marks = 0;
    let way = |direction| {
        if direction == Direction::Positive {
            1
        } else {
            -1
        }
    };
    let mut all: Vec<_> = events
        .map(|event| {
            let what = match event.what {
                EventKind::Step { axis, direction } => format!("step {axis} {}", way(direction)),
                EventKind::Direction { axis, direction } => {
                    format!("direction {axis} {}", way(direction))
                }
                EventKind::Output { output, on } => format!("output {output} {}", u8::from(on)),
                EventKind::Seek { axis, .. } => format!("seek {axis}"),
                EventKind::Sought { axis } => format!("sought {axis}"),
                EventKind::Zero { axis, steps } => format!("zero {axis} {steps}"),
                EventKind::Mark(_) => {
                    marks += 1;
                    format!("mark {marks}")
                }
                EventKind::Await {
                    input,
                    until,
                    timeout,
                } => {
                    let awaited = input as u8 | until.number() << 6;
                    format!("await {awaited} {}", timeout.unwrap_or(0))
                }
            };
            (event.tick, what)
        })
        .collect();
    all.sort();
    all
}

/// The script's schedule, as it is planned, as it is packed, and as the player decodes it.
fn assert_decoded(script: &str, rig: &str) {
    let bench = Bench::new(script, rig);
    let packed = planned(bench.packed().into_iter());
    bench
        .emit("firmware", "player", &[])
        .unwrap_or_else(|said| panic!("{said}"));
    let Some(decoded) = decoded(bench.path().join("player")) else {
        return;
    };
    assert_eq!(decoded, packed, "{script}");
    // Outputs, waits for inputs and marks fall on the very ticks of the csv.
    bench.emit("csv", "program.csv", &[]).unwrap();
    let text = std::fs::read_to_string(bench.path().join("program.csv")).unwrap();
    let csv = text.lines().skip(1).filter_map(|line| {
        let (tick, rest) = line.split_once(',')?;
        let kind = rest.split(',').next()?;
        let kind = if kind.starts_with("await") {
            "await"
        } else {
            kind
        };
        matches!(kind, "output" | "await" | "step" | "direction")
            .then(|| (kind.to_owned(), tick.parse::<u64>().unwrap()))
    });
    let of = |events: &[(u64, String)], kind: &str| -> Vec<u64> {
        let of_kind = events.iter().filter(|(_, what)| what.starts_with(kind));
        of_kind.map(|(tick, _)| *tick).collect()
    };
    let csv: Vec<(String, u64)> = csv.collect();
    for kind in ["output", "await", "direction", "step"] {
        let planned = csv.iter().filter(|(of, _)| of == kind);
        let mut planned: Vec<u64> = planned.map(|(_, tick)| *tick).collect();
        planned.sort_unstable();
        let decoded = of(&decoded, kind);
        assert_eq!(planned.len(), decoded.len(), "{kind}");
        let off = u64::from(kind == "step");
        let near = |(one, other): (&u64, &u64)| one.abs_diff(*other) <= off;
        assert!(
            planned.iter().zip(&decoded).all(near),
            "{kind}: {planned:?} {decoded:?}"
        );
    }
}

fn two_axes(prescaler: u32) -> String {
    rig(
        &["left", "right"],
        "outputs: { lamp: {} }\ninputs: { door: {} }\n",
    )
    .replace("prescaler: 8", &format!("prescaler: {prescaler}"))
}

const SLOWLY: &str = "rig \"rig.yaml\"\nbands allow\nspeed 2000 microstep/s\naccel 50000 microstep/s^2\nshape trapezoid\n";

#[test]
fn waits_beyond_two_to_the_32_ticks_are_played_in_full() {
    if support::tool("gcc").is_none() {
        return;
    }
    // Five minutes, and their timeout, of a timer at 16 MHz are more than 2^32 ticks.
    assert_decoded(
        &format!(
            "{SLOWLY}turn left by 3 microstep\ndwell 300 s\nturn left by 3 microstep\nawait door timeout 300 s\nturn right by 2 microstep\n"
        ),
        &two_axes(1),
    );
    // A stream that is used for the first time after 40 minutes at 2 MHz.
    let often = "repeat 4 {\n turn left by 3 microstep\n dwell 10 min\n}\n";
    assert_decoded(
        &format!("{SLOWLY}{often}turn right by 2 microstep\noutput lamp on\n"),
        &two_axes(8),
    );
}

#[test]
fn waits_of_1_to_10_to_the_13_ticks_are_decoded_to_the_tick() {
    if support::tool("gcc").is_none() {
        return;
    }
    // A wait in ticks, its magnitude spread evenly, and what comes behind it.
    let wait = (0.0..13.0f64).prop_map(|exponent| 10f64.powf(exponent).round());
    let program = (
        prop::sample::select(vec![1u32, 8, 64, 1024]),
        prop::collection::vec((wait, 0..6u8), 1..9),
    );
    let mut runner = TestRunner::new(Config {
        cases: 12,
        failure_persistence: None,
        ..Config::default()
    });
    runner
        .run(&program, |(prescaler, parts)| {
            let mut script = SLOWLY.to_owned();
            let mut on = false;
            for (ticks, what) in parts {
                let seconds = ticks * f64::from(prescaler) / 16e6;
                script += &format!("dwell {seconds:.9} s\n");
                script += &match what {
                    0 => "turn left by 3 microstep\n".to_owned(),
                    1 => "turn left by -2 microstep\n".to_owned(),
                    2 => "turn right by 5 microstep\n".to_owned(),
                    // Two marks closer than 80 us are refused, and say nothing of waits.
                    3 => "mark \"here\"\ndwell 1 ms\n".to_owned(),
                    4 => format!(
                        "await door {} timeout {:.9} s\n",
                        ["", "pressed", "released"][ticks as usize % 3],
                        seconds.max(0.01)
                    ),
                    _ => {
                        on = !on;
                        // Long enough for the player behind whatever came before.
                        format!(
                            "dwell 50 ms\noutput lamp {}\ndwell 50 ms\n",
                            if on { "on" } else { "off" }
                        )
                    }
                };
            }
            assert_decoded(&script, &two_axes(prescaler));
            Ok(())
        })
        .unwrap();
}

#[test]
fn an_axis_steps_fast_while_another_one_waits() {
    if board::harness().is_none() {
        return;
    }
    for prescaler in [1, 8] {
        let script = "rig \"rig.yaml\"\nbands allow\nspeed 48000 microstep/s\naccel 1000000 microstep/s^2\nshape trapezoid\n\
            turn left by 30000 microstep\ndwell 60 ms\nturn right by 200 microstep\ndwell 60 ms\nturn left by -20000 microstep\n";
        let bench = Bench::new(script, &two_axes(prescaler));
        let built = bench.build(&[]);
        let run = built.run(60 * board::CLOCK, &[]);
        assert_eq!(
            run.text.as_deref(),
            Some("finished 10000 200"),
            "clk/{prescaler}"
        );
        assert_played(
            &run,
            &built,
            &bench.packed(),
            &["left", "right"],
            &["lamp"],
            Outputs::Exact,
        );
        println!("clk/{prescaler}: interrupts {:?}", run.interrupts);
    }
}

#[test]
fn an_axis_that_steps_too_fast_while_another_one_starts_is_refused() {
    let at = |speed: u32| {
        let script = format!(
            "rig \"rig.yaml\"\nbands allow\naccel 1000000 microstep/s^2\nshape trapezoid\n\
            together {{\n turn left by 40000 microstep at {speed} microstep/s\n turn right by 20 microstep at 25 microstep/s\n}}\n"
        );
        Bench::new(&script, &two_axes(8)).emit("firmware", "player", &[])
    };
    let said = at(45_000).unwrap_err();
    assert!(said.contains("while another axis"), "{said}");
    at(20_000).unwrap_or_else(|said| panic!("{said}"));
}

#[test]
fn one_closing_of_a_contact_is_one_press() {
    if board::harness().is_none() {
        return;
    }
    let program = |until: &str| {
        format!("{SLOWLY}repeat 5 {{\n await door {until}\n turn by 3 microstep\n}}\n")
    };
    let rig = rig(&["disc"], LAMP_AND_DOOR);
    let steps = |until: &str, waves: &dyn Fn(Pin) -> Vec<String>| {
        let bench = Bench::new(&program(until), &rig);
        let built = bench.build(&[]);
        let run = built.run(3 * board::CLOCK, &waves(built.pin("input door")));
        let steps = run.edges_of(built.pin("step of disc"), 1).len();
        (steps, run.text)
    };
    // Closed from 0.2 s on, for good.
    let closes = |pin: Pin| {
        vec![
            format!("hold={}:{}:1", pin.port, pin.bit),
            format!("pin=3200000:{}:{}:0", pin.port, pin.bit),
        ]
    };
    assert_eq!(steps("", &closes), (15, Some("finished 15".to_owned())));
    assert_eq!(steps("pressed", &closes), (3, None));
    // Closed from the start: nobody has pressed it yet, nor let it go.
    let closed = |pin: Pin| vec![format!("hold={}:{}:0", pin.port, pin.bit)];
    assert_eq!(steps("pressed", &closed), (0, None));
    assert_eq!(steps("released", &closed), (0, None));
    assert_eq!(steps("", &closed).0, 15);
    // Ten times a second, 40 ms each: a press each.
    let beats = |pin: Pin| vec![beat(pin)];
    assert_eq!(
        steps("pressed", &beats),
        (15, Some("finished 15".to_owned()))
    );
    // Bouncing for 4 ms is no press.
    let bounces = |pin: Pin| vec![format!("wave={}:{}:320000:64000", pin.port, pin.bit)];
    assert_eq!(steps("pressed", &bounces), (0, None));
}

#[test]
fn a_slow_clock_loses_no_turn_of_the_counter_at_the_start() {
    if board::harness().is_none() {
        return;
    }
    let script = "rig \"rig.yaml\"\nbands allow\nspeed 20 microstep/s\naccel 100 microstep/s^2\nshape trapezoid\n\
        turn disc by 20 microstep\n";
    for axes in [&["disc"][..], &["disc", "arm"]] {
        let slow = rig(axes, "").replace("16 MHz, prescaler: 8", "128 kHz, prescaler: 64");
        let slow = slow.replace("9 us", "5 ms");
        let bench = Bench::new(script, &slow);
        let built = bench.build(&[]);
        let run = built.run(60 * 128_000, &[]);
        let text = run.text.clone().unwrap_or_default();
        assert!(text.starts_with("finished 20"), "{text}");
        let first = run.edges_of(built.pin("step of disc"), 1)[0];
        // Checking the table, arming and the way to the first step; a turn takes 32.8 s.
        assert!(first < 3 * 128_000, "{first}");
    }
}
