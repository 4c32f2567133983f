//! From a random script to what others read: displacements equal steps, ticks are in order
//! and never closer than the timer allows, packed programs play the same, and what is
//! written holds the very events.

use std::fmt::Write as _;

use proptest::prelude::*;
use serde_json::Value;

use super::emit_formats::plays_our_ticks;
use crate::diagnostic::Source;
use crate::emit::{Heading, binary, format};
use crate::plan::{Direction, Item, program};
use crate::rig::Rig;
use crate::schedule::pack::pack;
use crate::schedule::timer::TickRules;
use crate::schedule::{Event, EventKind, Schedule};
use crate::script::Script;
use crate::testing::rigs::{rig, rotary};
use crate::testing::support;

/// What a random script does.
#[derive(Debug, Clone)]
enum Deed {
    /// Axis, and by how many microsteps.
    Turn(usize, i32),
    /// Both at once.
    Together(i32, i32),
    /// Milliseconds.
    Dwell(u32),
    Output(usize, bool),
    Mark(u8),
    Await,
}

const AXES: [&str; 2] = ["a", "b"];
const OUTPUTS: [&str; 2] = ["camera", "lamp"];

fn deed() -> impl Strategy<Value = Deed> {
    let travel = || prop_oneof![-20..20, -9000..9000].prop_filter("a move", |travel| *travel != 0);
    prop_oneof![
        4 => (0..2_usize, travel()).prop_map(|(axis, travel)| Deed::Turn(axis, travel)),
        2 => (travel(), travel()).prop_map(|(one, other)| Deed::Together(one, other)),
        1 => (1..200_000_u32).prop_map(Deed::Dwell),
        1 => (0..2_usize, any::<bool>()).prop_map(|(output, on)| Deed::Output(output, on)),
        1 => (0..3_u8).prop_map(Deed::Mark),
        1 => Just(Deed::Await),
    ]
}

/// The text of a script that goes through the deeds so many times.
fn text_of(deeds: &[Deed], times: u32, shape: &str) -> String {
    let mut text = format!(
        "shape {shape}\nbands allow\nspeed 90 deg/s\naccel 2000 deg/s^2\njerk 90000 deg/s^3\n\
         repeat {times} {{\n"
    );
    for deed in deeds {
        // Writing to a string cannot fail.
        let _ = match deed {
            Deed::Turn(axis, by) => writeln!(text, "turn {} by {by} microstep", AXES[*axis]),
            Deed::Together(a, b) => writeln!(
                text,
                "together {{\nturn a by {a} microstep\nturn b by {b} microstep\n}}"
            ),
            Deed::Dwell(time) => writeln!(text, "dwell {time} ms"),
            Deed::Output(output, on) => {
                let state = if *on { "on" } else { "off" };
                writeln!(text, "output {} {state}", OUTPUTS[*output])
            }
            Deed::Mark(number) => writeln!(text, "mark \"mark, {number}\""),
            Deed::Await => writeln!(text, "await gate timeout 3 s"),
        };
    }
    text + "}\n"
}

/// By how many microsteps each axis travels.
fn travels(deeds: &[Deed], times: u32) -> [i64; 2] {
    let mut travels = [0; 2];
    for deed in deeds {
        match deed {
            Deed::Turn(axis, by) => travels[*axis] += i64::from(*by),
            Deed::Together(a, b) => {
                travels[0] += i64::from(*a);
                travels[1] += i64::from(*b);
            }
            Deed::Dwell(_) | Deed::Output(..) | Deed::Mark(_) | Deed::Await => {}
        }
    }
    travels.map(|travel| travel * i64::from(times))
}

fn bench() -> Rig {
    rig(AXES.map(|name| rotary(name, 16)).to_vec())
}

fn written(name: &str, rig: &Rig, items: &[Item]) -> Vec<u8> {
    let heading = Heading {
        program: "random",
        rig,
        failure: None,
    };
    let mut out = Vec::new();
    let items = &mut items.iter().cloned();
    format(name)
        .unwrap()
        .write(&heading, items, &mut out)
        .unwrap();
    out
}

/// An event as a row of csv has it: tick, event, name, value.
fn row(event: &Event, rig: &Rig) -> [String; 4] {
    let sign = |direction: &Direction| match direction {
        Direction::Positive => "1".to_owned(),
        Direction::Negative => "-1".to_owned(),
    };
    let name = |axis: &usize| rig.axes[*axis].name.clone();
    let (what, name, value) = match &event.what {
        EventKind::Step { axis, direction } => ("step", name(axis), sign(direction)),
        EventKind::Direction { axis, direction } => ("direction", name(axis), sign(direction)),
        EventKind::Output { output, on } => {
            let name = rig.outputs[*output].name.clone();
            ("output", name, u8::from(*on).to_string())
        }
        EventKind::Await {
            input,
            until,
            timeout,
        } => {
            let name = rig.inputs[*input].name.clone();
            let timeout = timeout.map_or_else(String::new, |ticks| ticks.to_string());
            (until.event_word(), name, timeout)
        }
        EventKind::Seek { axis, input, until } => {
            let input = rig.inputs[*input].name.clone();
            (until.seek_word(), name(axis), input)
        }
        EventKind::Sought { axis } => ("sought", name(axis), String::new()),
        EventKind::Zero { axis, steps } => ("zero", name(axis), steps.to_string()),
        EventKind::Mark(text) => ("mark", String::new(), text.to_string()),
    };
    [event.tick.to_string(), what.to_owned(), name, value]
}

/// Events by what they do and to what; for each, its ticks in order.
fn by_stream(events: impl Iterator<Item = Event>) -> Vec<(String, u64)> {
    let mut all: Vec<_> = events
        .map(|event| (format!("{:?}", event.what), event.tick))
        .collect();
    all.sort();
    all
}

/// The lines of a waveform's body, each with its time (IEEE 1364).
fn timed(vcd: &str) -> impl Iterator<Item = (u64, &str)> {
    let (head, body) = vcd.split_once("$enddefinitions $end\n").unwrap();
    assert!(head.contains("$timescale 1 us $end"), "a tick: {head}");
    let mut now = 0;
    body.lines().map(move |line| {
        if let Some(time) = line.strip_prefix('#') {
            now = time.parse().unwrap();
        }
        (now, line)
    })
}

/// When a wire of a waveform rises, and which level another one has then.
fn rises_of(vcd: &str, wire: &str, beside: &str) -> Vec<(u64, char)> {
    let code_of = |name: &str| {
        let mut words = vcd.lines().map(|line| line.split(' ').collect::<Vec<_>>());
        let variable = words.find(|words| words[0] == "$var" && words[4] == name);
        variable.unwrap()[3].to_owned()
    };
    let (wire, beside) = (code_of(wire), code_of(beside));
    let (mut level, mut side) = ('x', 'x');
    let mut rises = Vec::new();
    for (time, line) in timed(vcd) {
        let (first, rest) = line.split_at(1);
        let now = first.chars().next().unwrap();
        if rest == beside {
            side = now;
        } else if rest == wire {
            if level != '1' && now == '1' {
                rises.push((time, side));
            }
            level = now;
        }
    }
    rises
}

/// The marks of a waveform with their times.
fn marks_of(vcd: &str) -> Vec<(u64, String)> {
    let text = |line: &str| {
        let text = line.strip_prefix("$comment mark ")?;
        Some(text.strip_suffix(" $end").unwrap().to_owned())
    };
    timed(vcd)
        .filter_map(|(time, line)| Some((time, text(line)?)))
        .collect()
}

/// The items of such a script.
fn items_of(deeds: &[Deed], times: u32, shape: &str, rig: &Rig) -> Vec<Item> {
    let script = Script::parse(Source::new("random", text_of(deeds, times, shape))).unwrap();
    program(rig, script.source(), script.actions())
        .map(|item| item.unwrap())
        .collect()
}

/// Each takes a compiler half a second.
const HEADERS: u32 = 12;

proptest! {
    #![proptest_config(ProptestConfig { cases: HEADERS, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_random_script_arrives_in_the_c_header(
        deeds in prop::collection::vec(deed(), 1..12),
        times in 1..40_u32,
        shape in prop::sample::select(vec!["trapezoid", "s-curve"]),
    ) {
        if let Some(gcc) = support::tool("gcc") {
            let rig = bench();
            plays_our_ticks(&gcc, &rig, &items_of(&deeds, times, shape, &rig));
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_random_script_arrives_in_csv_json_vcd_and_packed(
        deeds in prop::collection::vec(deed(), 1..12),
        times in 1..4_u32,
        shape in prop::sample::select(vec!["trapezoid", "s-curve"]),
    ) {
        let rig = bench();
        let items = items_of(&deeds, times, shape, &rig);
        let events: Vec<Event> = Schedule::new(items.clone(), &rig).collect();

        // Displacement equals steps; ticks are in order and as far apart as the timer asks.
        let rules = TickRules::new(&rig.timer);
        let (mut places, mut last_step, mut last) = ([0; 2], [None; 2], 0);
        let mut set_at = [0; 2];
        for event in &events {
            prop_assert!(event.tick >= last);
            last = event.tick;
            match &event.what {
                EventKind::Step { axis, direction } => {
                    places[*axis] += match direction {
                        Direction::Positive => 1,
                        Direction::Negative => -1,
                    };
                    if let Some(before) = last_step[*axis].replace(event.tick) {
                        prop_assert!(event.tick - before >= rules.between_steps);
                    }
                    prop_assert!(event.tick - set_at[*axis] >= rules.direction_setup);
                }
                EventKind::Direction { axis, .. } => set_at[*axis] = event.tick,
                EventKind::Output { .. }
                | EventKind::Await { .. }
                | EventKind::Seek { .. }
                | EventKind::Sought { .. }
                | EventKind::Zero { .. }
                | EventKind::Mark(_) => {}
            }
        }
        prop_assert_eq!(places, travels(&deeds, times));

        // csv, read by the crate of that name, and JSON.
        let wanted: Vec<[String; 4]> = events.iter().map(|event| row(event, &rig)).collect();
        let bytes = written("csv", &rig, &items);
        let mut reader = csv::Reader::from_reader(&bytes[..]);
        let rows: Vec<Vec<String>> = reader
            .records()
            .map(|row| row.unwrap().iter().map(str::to_owned).collect())
            .collect();
        prop_assert_eq!(&rows, &wanted);
        let json: Value = serde_json::from_slice(&written("json", &rig, &items)).unwrap();
        let found = json["events"].as_array().unwrap();
        prop_assert_eq!(found.len(), wanted.len());
        for (found, [tick, what, ..]) in found.iter().zip(&wanted) {
            prop_assert_eq!(&found["tick"].to_string(), tick);
            prop_assert_eq!(found["event"].as_str(), Some(what.as_str()));
        }

        // The wires of the axes, and the marks.
        let vcd = String::from_utf8(written("vcd", &rig, &items)).unwrap();
        for (number, name) in AXES.iter().enumerate() {
            let rises = rises_of(&vcd, &format!("step_{name}"), &format!("direction_{name}"));
            let steps = events.iter().filter_map(|event| match &event.what {
                EventKind::Step { axis, direction } if *axis == number => {
                    Some((event.tick, if *direction == Direction::Positive { '1' } else { '0' }))
                }
                _ => None,
            });
            prop_assert_eq!(rises, steps.collect::<Vec<_>>());
        }
        let marks = events.iter().filter_map(|event| match &event.what {
            EventKind::Mark(text) => Some((event.tick, text.to_string())),
            _ => None,
        });
        prop_assert_eq!(marks_of(&vcd), marks.collect::<Vec<_>>());

        // Packed, and read back from its bytes: the same things, each within a tick.
        let packed = pack(items.clone().into_iter(), &rig).unwrap();
        let read = binary::read(&written("binary", &rig, &items)).unwrap();
        prop_assert_eq!(&read.program, &packed);
        let (wanted, got) = (by_stream(events.into_iter()), by_stream(packed.events()));
        prop_assert_eq!(wanted.len(), got.len());
        for ((wanted, tick), (got, packed)) in wanted.iter().zip(&got) {
            prop_assert_eq!(wanted, got);
            // Half a tick of the schedule, and one of the packing.
            prop_assert!(tick.abs_diff(*packed) <= 1, "{} at {}, not {}", got, packed, tick);
        }
    }
}
