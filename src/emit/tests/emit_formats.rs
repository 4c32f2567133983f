//! Every format against readers and compilers that are not ours.

use crate::testing::support;
use std::collections::HashMap;
use std::ffi::OsString;
use std::path::Path;
use std::process::Command;
use std::sync::Arc;

use crate::emit::{FORMATS, Heading, format};
use crate::plan::{Item, OnTheWay};
use crate::rig::Rig;
use crate::schedule::timer::TickRules;
use crate::schedule::{EventKind, Schedule};
use crate::script::Until;
use crate::testing::motion::{
    axis_motion, in_whole_ticks, motion, play, rig, s_curve, timer, trapezoid,
};

/// A program with everything in it: two axes alone and together, both ways, an output
/// switched on the way, a wait longer than the counter, texts that need care.
fn everything() -> (Rig, Vec<Item>) {
    let rig = rig(2, timer(16e6, 8));
    let one = motion(vec![axis_motion(0, 1600, 0.0, &trapezoid(0.2, 0.31, 0.15))]);
    let back = motion(vec![axis_motion(
        0,
        -1600,
        0.0,
        &trapezoid(0.2, 0.31, 0.15),
    )]);
    let both = motion(vec![
        axis_motion(0, -3000, 0.0, &s_curve(0.1, 0.123, 0.5)),
        axis_motion(1, 800, 0.0, &s_curve(0.1, 0.123, 0.5)),
    ]);
    let mut watched = play(&both);
    if let Item::Move(planned) = &mut watched {
        let at = |axis, step, on| OnTheWay {
            axis,
            step,
            item: Item::Output { output: 0, on },
            line: 1,
        };
        planned.on_the_way = vec![at(0, 1500, true), at(1, 800, false)];
    }
    let items = vec![
        Item::Mark(Arc::from("begin: \"a\", /* b */ ??/ $end \\")),
        Item::Await {
            input: 0,
            until: Until::Pressed,
            timeout: Some(2.5),
        },
        play(&one),
        Item::Dwell(3.75),
        play(&back),
        play(&back),
        Item::Output {
            output: 0,
            on: true,
        },
        Item::Dwell(0.02),
        Item::Output {
            output: 0,
            on: false,
        },
        watched,
        Item::Await {
            input: 0,
            until: Until::Released,
            timeout: None,
        },
        Item::Dwell(4000.0),
        Item::Mark(Arc::from("end")),
        Item::Dwell(1.0),
    ];
    (rig, items)
}

const FAILURE: &str = "move 3: torque, \"short\" */ by $end 20 %";

fn written(name: &str, rig: &Rig, items: &[Item]) -> Vec<u8> {
    let heading = Heading {
        program: "every*/thing.moves",
        rig,
        failure: Some(FAILURE),
    };
    let mut out = Vec::new();
    let format = format(name).unwrap();
    format
        .write(&heading, &mut items.iter().cloned(), &mut out)
        .unwrap();
    out
}

#[test]
fn csv_json_and_vcd_hold_the_same_events_for_readers_that_are_not_ours() {
    // Python's csv and json modules, and vcdvcd from PyPI.
    let (rig, items) = everything();
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(format!("schedule.{name}"));
    for name in ["csv", "json", "vcd"] {
        std::fs::write(path(name), written(name, &rig, &items)).unwrap();
    }
    let pulse = TickRules::new(&rig.timer).step_pulse;
    // 16 MHz / 8 is 500 ns a tick; the dump counts in 100 ns.
    let files = ["csv", "json", "vcd"].map(|name| path(name).into_os_string());
    let numbers = [pulse.to_string(), "5".to_owned()].map(OsString::from);
    let arguments = files.into_iter().chain(numbers);
    let Some(found) = support::python_says("outside/read_formats.py", arguments) else {
        return;
    };
    let events = Schedule::new(items, &rig).count();
    assert_eq!(found.trim(), events.to_string());
}

/// Five steps a tick: what `--unchecked` lets through must not break a format.
#[test]
fn a_program_far_too_fast_for_its_timer_is_written_all_the_same() {
    let rig = rig(1, timer(1e6, 1));
    let fast = motion(vec![axis_motion(
        0,
        5000,
        0.0,
        &trapezoid(1e-4, 1e-3, 1e-4),
    )]);
    for format in FORMATS {
        let text = written(format.name(), &rig, &[play(&fast)]);
        assert!(!text.is_empty(), "{}", format.name());
    }
    let Some(gcc) = support::tool("gcc") else {
        return;
    };
    plays_our_ticks(&gcc, &rig, &[play(&fast)]);
}

/// What `play_header.c` prints of a schedule.
fn as_played(rig: &Rig, items: &[Item]) -> String {
    let mut marks = HashMap::new();
    let mut schedule = Schedule::new(items.iter().cloned(), rig);
    let mut lines = String::new();
    for event in schedule.by_ref() {
        let (word, which, value) = match event.what {
            EventKind::Step { axis, direction } => ("step", axis, direction.sign()),
            EventKind::Direction { axis, direction } => ("direction", axis, direction.sign()),
            EventKind::Output { output, on } => ("output", output, i64::from(on)),
            EventKind::Await {
                input,
                until,
                timeout,
            } => (until.event_word(), input, timeout.unwrap_or(0) as i64),
            EventKind::Seek { .. } | EventKind::Sought { .. } | EventKind::Zero { .. } => {
                panic!("a header has no seeks")
            }
            EventKind::Mark(text) => {
                let next = marks.len();
                ("mark", 0, *marks.entry(text).or_insert(next) as i64)
            }
        };
        lines.push_str(&format!("{} {word} {which} {value}\n", event.tick));
    }
    lines.push_str(&format!("{} end\n", schedule.end_tick()));
    lines
}

/// Compiles and runs the header of a program; gives its text.
pub(super) fn plays_our_ticks(gcc: &Path, rig: &Rig, items: &[Item]) -> String {
    let folder = tempfile::tempdir().unwrap();
    let header = written("c", rig, items);
    std::fs::write(folder.path().join("schedule.h"), &header).unwrap();
    let player = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside/play_header.c");
    let program = folder.path().join("player");
    support::said(
        Command::new(gcc)
            .args(STRICT)
            .arg("-I")
            .arg(folder.path())
            .arg(player)
            .arg("-o")
            .arg(&program),
    );
    let played = support::said(&mut Command::new(program));
    let ours = as_played(rig, items);
    let differs = played.lines().zip(ours.lines()).position(|(a, b)| a != b);
    assert!(played == ours, "line {differs:?} differs");
    String::from_utf8(header).unwrap()
}

const STRICT: [&str; 5] = ["-std=c99", "-Wall", "-Wextra", "-pedantic", "-Werror"];

#[test]
fn the_c_header_played_in_c_gives_our_ticks() {
    let Some(gcc) = support::tool("gcc") else {
        return;
    };
    let (rig, items) = everything();
    plays_our_ticks(&gcc, &rig, &items);
    plays_our_ticks(&gcc, &rig, &[]);
}

#[test]
fn equal_moves_stand_in_the_c_header_once_and_no_array_is_too_long() {
    let Some(gcc) = support::tool("gcc") else {
        return;
    };
    let rig = rig(1, timer(1e6, 1));
    let steps = |n| motion(vec![axis_motion(0, n, 0.0, &trapezoid(0.2, 9.0, 0.15))]);
    let aligned = |n| in_whole_ticks(&steps(n), &rig.timer);
    let (there, back) = (aligned(30_000), aligned(-30_000));
    let turn = [
        play(&there),
        Item::Dwell(0.25),
        play(&back),
        Item::Dwell(0.25),
    ];
    let header = plays_our_ticks(&gcc, &rig, &vec![turn; 20].concat());
    assert!(header.contains("#define SLEWSMITH_PARTS 1UL"));
    assert!(header.contains("#define SLEWSMITH_INTERVALS 29999UL"));
    assert!(
        header.contains("SLEWSMITH_REPEAT, 4U, 18UL"),
        "actions that repeat are folded"
    );
    let mut arrays = 0;
    for line in header
        .lines()
        .filter(|line| line.starts_with("static const"))
    {
        let length: usize = line.split(['[', ']']).nth(1).unwrap().parse().unwrap();
        let size = if line.contains("uint8_t") { 1 } else { 2 };
        assert!(size * length <= 32_767, "{line}");
        arrays += 1;
    }
    assert_eq!(
        arrays, 6,
        "four arrays of intervals, one of parts, one of actions"
    );
}

#[test]
fn the_c_header_compiles_for_8_bit_controllers() {
    let Some(gcc) = support::tool("avr-gcc") else {
        return;
    };
    let (rig, items) = everything();
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("schedule.h"), written("c", &rig, &items)).unwrap();
    let source = folder.path().join("player.c");
    std::fs::write(
        &source,
        "#include \"schedule.h\"\n\
         uint32_t waited(uint32_t n);\n\
         uint32_t waited(uint32_t n) { return slewsmith_action(n).wait; }\n",
    )
    .unwrap();
    // One whose tables are read near, and one with more than 64 KB that needs far reads.
    for part in ["atmega328p", "atmega2560"] {
        support::said(
            Command::new(&gcc)
                .args(STRICT)
                .args(["-Os", "-c", &format!("-mmcu={part}"), "-o"])
                .args([&folder.path().join("player.o"), &source]),
        );
    }
}

#[test]
fn the_same_program_gives_the_same_bytes_and_says_why_it_must_not_run() {
    let (rig, items) = everything();
    for format in FORMATS {
        let first = written(format.name(), &rig, &items);
        assert_eq!(first, written(format.name(), &rig, &items));
        let text = String::from_utf8_lossy(&first);
        assert!(text.contains("move 3: torque"), "{}", format.name());
    }
}
