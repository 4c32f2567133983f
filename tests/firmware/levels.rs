//! Lines that are active low, and the line that enables a drive. What a step, a level at rest and
//! a disabled drive are is common practice of drives: a step is the edge to the active level, a
//! line at rest shows the other one.

use crate::board::{self, Bench, Built, CLOCK, Edge, Pin, Run};
use crate::coils;
use crate::played::{Outputs, assert_played, assert_times_are_kept, opens, rig, there_and_back};

/// The rig with more keys in its drive.
fn driven(axes: &[&str], keys: &str, more: &str) -> String {
    rig(axes, more).replace("microsteps: 32 }", &format!("microsteps: 32, {keys} }}"))
}

/// The first cycles, in which the lines go to their levels at rest.
const RESET: u64 = 3_000;

/// The run with the levels of some pins the other way round. Each of them has to rest high from
/// the reset until its first event.
fn inverted(run: &Run, pins: &[Pin]) -> Run {
    let mut edges = Vec::new();
    for pin in pins {
        let first = run.edges.iter().find(|edge| edge.pin == *pin);
        let first = first.expect("it is driven");
        assert_eq!(first.level, 1, "{pin:?} rests high");
        assert!(first.cycle < RESET, "{}", first.cycle);
    }
    let mut seen = vec![false; pins.len()];
    for edge in &run.edges {
        let Some(which) = pins.iter().position(|pin| *pin == edge.pin) else {
            edges.push(*edge);
            continue;
        };
        if std::mem::replace(&mut seen[which], true) {
            let level = 1 - edge.level;
            edges.push(Edge { level, ..*edge });
        }
    }
    Run {
        edges,
        text: run.text.clone(),
        ..Run::default()
    }
}

/// The pin of a line, and that the README says it is active low.
fn low(built: &Built, line: &str) -> Pin {
    let pin = built.pin(line);
    let row = format!("| {line} | P{}{} | low |", pin.port, pin.bit);
    assert!(built.file("README.md").contains(&row), "{row}");
    pin
}

#[test]
fn lines_that_are_active_low_show_the_schedule_the_other_way_round() {
    if board::harness().is_none() {
        return;
    }
    // Outputs that a timer makes and that the player writes.
    for (part, output, made) in [
        ("atmega328p", "PD6", Outputs::Exact),
        ("atmega328p", "PC0", Outputs::Late(190)),
        ("atmega8", "PC0", Outputs::Late(190)),
        ("atmega2560", "PH3", Outputs::Exact),
        ("atmega2560", "PJ0", Outputs::Late(190)),
    ] {
        let more =
            format!("outputs: {{ lamp: {{ pin: {output}, active: low }} }}\ncontroller: {part}\n");
        let rig = driven(&["disc"], "active: { step: low, direction: low }", &more);
        let bench = Bench::new(&there_and_back(40_000), &rig);
        let built = bench.build(&[]);
        let run = built.run(60 * CLOCK, &[]);
        assert_eq!(run.text.as_deref(), Some("finished 59997"), "{part}");
        let pins = ["step of disc", "direction of disc", "output lamp"];
        let pins = pins.map(|line| low(&built, line));
        let run = inverted(&run, &pins);
        assert_played(&run, &built, &bench.packed(), &["disc"], &["lamp"], made);
        assert_times_are_kept(&run, &built, "disc");

        // A stop in the middle leaves every line at rest, and every pulse whole.
        for cycle in [9_000_001, 9_000_177] {
            let run = inverted(&built.run(60 * CLOCK, &[opens(&built, cycle)]), &pins);
            let steps = run.edges_of(pins[0], 1);
            let text = run.text.unwrap();
            assert_eq!(text, format!("stop contact {}", steps.len()), "{part}");
            let falls = run.edges.iter().filter(|edge| edge.pin == pins[0]);
            let falls: Vec<u64> = falls
                .filter(|edge| edge.level == 0)
                .map(|edge| edge.cycle)
                .collect();
            assert_eq!(steps.len(), falls.len());
            let pulses = steps.iter().zip(&falls).map(|(rise, fall)| fall - rise);
            assert!(pulses.min() >= Some(32), "2 us at 16 MHz");
            let lamp = run.edges.iter().filter(|edge| edge.pin == pins[2]);
            let lamp: Vec<u8> = lamp.map(|edge| edge.level).collect();
            assert!(lamp.is_empty() || lamp == [1, 0], "{lamp:?}");
        }
    }
}

#[test]
fn an_input_that_is_active_high_is_on_while_its_contact_is_open() {
    if board::harness().is_none() {
        return;
    }
    for (active, closed) in [("low", 0), ("high", 1)] {
        let script = "rig \"rig.yaml\"\nbands allow\nspeed 1000 microstep/s\naccel 50000 microstep/s^2\n\
            await door\nturn by 3 microstep\n";
        let more = format!("inputs: {{ door: {{ active: {active} }} }}\n");
        let bench = Bench::new(script, &rig(&["disc"], &more));
        let built = bench.build(&[]);
        let door = built.pin("input door");
        let level =
            |cycle: u64, level: u8| format!("pin={cycle}:{}:{}:{level}", door.port, door.bit);
        let rests = format!("hold={}:{}:{}", door.port, door.bit, 1 - closed);
        let run = built.run(CLOCK, std::slice::from_ref(&rests));
        assert!(run.edges_of(built.pin("step of disc"), 1).is_empty());
        let run = built.run(CLOCK, &[rests, level(8_000_000, closed)]);
        assert_eq!(run.text.as_deref(), Some("finished 3"), "{active}");
        let first = run.edges_of(built.pin("step of disc"), 1)[0];
        assert!(first > 8_000_000 + 80_000, "debounced: {first}");
    }
}

/// A short program on a drive with an enable line.
fn enabled(active: &str, at_end: &str) -> Bench {
    let keys = format!("enable: {{ active: {active}, delay: 120 ms, at_end: {at_end} }}");
    let script = "rig \"rig.yaml\"\nbands allow\nspeed 1000 microstep/s\naccel 50000 microstep/s^2\nshape trapezoid\n\
        turn by 40 microstep\n";
    Bench::new(script, &driven(&["disc"], &keys, ""))
}

#[test]
fn a_drive_is_enabled_for_its_delay_before_the_first_step_and_let_go_as_the_rig_says() {
    if board::harness().is_none() {
        return;
    }
    // 120 ms at 16 MHz.
    let delay = 1_920_000;
    for (active, on) in [("high", 1), ("low", 0)] {
        for at_end in ["hold", "release"] {
            let bench = enabled(active, at_end);
            let built = bench.build(&[]);
            let (step, enable) = (built.pin("step of disc"), built.pin("enable of disc"));
            let changes = |run: &Run| {
                let own = run.edges.iter().filter(|edge| edge.pin == enable);
                let changes = own.filter(|edge| edge.cycle > RESET);
                changes
                    .map(|edge| (edge.cycle, edge.level))
                    .collect::<Vec<_>>()
            };
            let run = built.run(CLOCK, &[]);
            assert_eq!(run.text.as_deref(), Some("finished 40"));
            let early = run
                .edges
                .iter()
                .filter(|edge| edge.pin == enable && edge.cycle <= RESET);
            // A line that is active low rises from the reset's zero and rests there.
            assert_eq!(early.count(), usize::from(on == 0));
            let (steps, changed) = (run.edges_of(step, 1), changes(&run));
            assert_eq!(changed[0].1, on);
            let lead = steps[0] - changed[0].0;
            assert!((delay..delay + 160_000).contains(&lead), "{lead}");
            match at_end {
                "hold" => assert_eq!(changed.len(), 1),
                _ => {
                    assert_eq!(changed.len(), 2);
                    assert_eq!(changed[1].1, 1 - on);
                    let behind = changed[1].0 - steps.last().unwrap();
                    assert!((delay..delay + 160_000).contains(&behind), "{behind}");
                }
            }
            // The stop contact opens before, in and behind the delay, amid the steps and behind
            // the end: disabled at once, for good, and no step follows.
            let behind = steps.last().unwrap() + 10;
            for open in [
                changed[0].0 - 40,
                changed[0].0 + delay / 2,
                changed[0].0 + delay + 1_000,
                steps[20] + 5,
                behind,
            ] {
                let run = built.run(2 * CLOCK, &[opens(&built, open), "lines=3".to_owned()]);
                let text = run.text.clone().unwrap();
                assert!(text.starts_with("stop contact "), "{text}");
                let changed = changes(&run);
                match changed.as_slice() {
                    [] => assert!(open < delay),
                    [(_, first), (off, second)] => {
                        assert_eq!((*first, *second), (on, 1 - on));
                        assert!((open..open + 700).contains(off), "{}", off - open);
                    }
                    other => panic!("{other:?}"),
                }
                let late = run.edges_of(step, 1);
                assert!(late.iter().all(|cycle| *cycle < open + 200));
            }
        }
    }
}

#[test]
fn an_enable_line_without_its_level_is_refused() {
    let rig = driven(&["disc"], "enable: {}", "");
    let said = Bench::new(&there_and_back(1000), &rig)
        .emit("firmware", "player", &[])
        .unwrap_err();
    assert!(said.contains("`enable` has no `active`"), "{said}");
}

/// The other level of a line that is active at this one holds it at rest.
fn rests(active: &str) -> &'static str {
    match active {
        "high" => "to ground",
        "low" => "to supply",
        other => panic!("{other}"),
    }
}

/// A kind of player on a part: the rig, the options of `emit`, and where the resistor of each line
/// goes that the part drives.
struct Driving {
    rig: String,
    options: &'static [&'static str],
    resistors: Vec<(String, &'static str)>,
}

impl Driving {
    fn new(
        part: &str,
        active: &str,
        kind: &str,
        drive: &str,
        lines: &[&str],
        rests_low: &[&str],
    ) -> Self {
        let more = format!("outputs: {{ lamp: {{ active: {active} }} }}\ncontroller: {part}\n");
        let rig = coils::driven(&["disc"], drive) + &more;
        let own = |lines: &[&str], resistor: &'static str| {
            let lines = lines.iter().map(move |line| (line.to_string(), resistor));
            lines.collect::<Vec<_>>()
        };
        let mut resistors = own(lines, rests(active));
        resistors.extend(own(rests_low, "to ground"));
        resistors.push(("output lamp".to_owned(), rests(active)));
        // The line of a serial port is high at rest.
        resistors.push(("serial transmit".to_owned(), "to supply"));
        Self {
            rig,
            options: if kind == "steps" {
                &[]
            } else {
                &["--lines", "coils"]
            },
            resistors,
        }
    }
}

/// What is driven on some parts.
struct Kind {
    name: &'static str,
    parts: &'static [&'static str],
    of: Box<dyn Fn(&str) -> Driving>,
}

/// Every kind of player on the parts that have the pins for it (data sheets: whole ports, timers
/// with two compare outputs).
fn kinds(active: &str) -> Vec<Kind> {
    const ALL: [&str; 8] = [
        "atmega8",
        "atmega88",
        "atmega168",
        "atmega328p",
        "atmega32u4",
        "atmega644p",
        "atmega1284p",
        "atmega2560",
    ];
    const PORTS: [&str; 3] = ["atmega644p", "atmega1284p", "atmega2560"];
    const TIMERS: [&str; 6] = [
        "atmega88",
        "atmega168",
        "atmega328p",
        "atmega644p",
        "atmega1284p",
        "atmega2560",
    ];
    let switches =
        "kind: fixed-voltage, sequence: half-step, supply: 3 V, switch_resistance: 0.5 ohm";
    let codes = "kind: linear-current, supply: 24 V, peak_current: 1 A, microsteps: 16, sense_resistor: 0.5 ohm, \
        sense_gain: 4, converter_reference: 2.5 V";
    let active = active.to_owned();
    let kind = |name: &'static str,
                parts: &'static [&'static str],
                drive: String,
                lines: &'static [&'static str],
                rests_low: &'static [&'static str]| {
        let active = active.clone();
        let of = move |part: &str| {
            Driving::new(
                part,
                &active,
                name,
                &format!("{{ {drive} }}"),
                lines,
                rests_low,
            )
        };
        Kind {
            name,
            parts,
            of: Box::new(of),
        }
    };
    vec![
        kind(
            "steps",
            &ALL,
            format!(
                "kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 32, \
                 active: {{ step: {active}, direction: {active} }}, enable: {{ active: {active}, delay: 20 ms }}"
            ),
            &["step of disc", "direction of disc", "enable of disc"],
            &[],
        ),
        kind(
            "switches",
            &ALL,
            format!("{switches}, active: {{ high_side: {active}, low_side: {active} }}"),
            &[
                "switch A leg 1 high of disc",
                "switch A leg 1 low of disc",
                "switch A leg 2 high of disc",
                "switch A leg 2 low of disc",
                "switch B leg 1 high of disc",
                "switch B leg 1 low of disc",
                "switch B leg 2 high of disc",
                "switch B leg 2 low of disc",
            ],
            &[],
        ),
        kind(
            "pairs",
            &ALL,
            format!("{switches}, bridge: pairs, active: {{ pair: {active} }}"),
            &[
                "pair A positive of disc",
                "pair A negative of disc",
                "pair B positive of disc",
                "pair B negative of disc",
            ],
            &[],
        ),
        kind(
            "phase-enable",
            &ALL,
            format!(
                "{switches}, bridge: phase-enable, active: {{ phase: {active}, phase_enable: {active} }}"
            ),
            &[
                "enable of phase A of disc",
                "direction of phase A of disc",
                "enable of phase B of disc",
                "direction of phase B of disc",
            ],
            &[],
        ),
        kind(
            "converters",
            &PORTS,
            format!("{codes}, converter_bits: 8, bridge: pairs, active: {{ pair: {active} }}"),
            &["pair A positive of disc", "pair B negative of disc"],
            &[
                "converter of phase A of disc",
                "converter of phase B of disc",
            ],
        ),
        kind(
            "bus",
            &ALL,
            // The clock of modes 2 and 3 is high at rest.
            format!(
                "{codes}, converter_bits: 12, converter_frame: 0011dddddddddddd, converter_mode: {}, bridge: pairs, \
                 active: {{ pair: {active}, select: {active}, latch: {active} }}",
                if active == "low" { 3 } else { 0 }
            ),
            &[
                "pair A positive of disc",
                "select A of disc",
                "select B of disc",
                "latch",
                "bus clock",
            ],
            &["bus data"],
        ),
        kind(
            "PWM",
            &TIMERS,
            format!(
                "{codes}, converter_bits: 8, converter_filter: {{ pwm_frequency: 62500 Hz, time_constant: 60 us, order: 2 }}, \
                 bridge: pairs, active: {{ pair: {active} }}"
            ),
            &["pair A positive of disc"],
            &["PWM of phase A of disc", "PWM of phase B of disc"],
        ),
    ]
}

const FEW: &str = "rig \"rig.yaml\"\nbands allow\nspeed 400 microstep/s\naccel 8000 microstep/s^2\noutput lamp on\n\
    turn by 20 microstep\nturn by -33 microstep\n";

/// Where the resistor of each line goes, by the table of wiring; and how often a row has none.
fn resistors(readme: &str) -> Vec<(String, String)> {
    let rows = readme
        .lines()
        .filter(|row| row.starts_with("| ") && row.contains(" | P"));
    rows.map(|row| {
        let cells: Vec<&str> = row.split('|').map(str::trim).collect();
        assert_eq!(cells.len(), 6, "{row}");
        (cells[1].to_owned(), cells[4].to_owned())
    })
    .collect()
}

#[test]
fn the_readme_names_the_resistor_of_every_line_that_floats_until_the_part_drives_it() {
    for active in ["high", "low"] {
        for Kind { name, parts, of } in kinds(active) {
            for part in parts {
                let driving = of(part);
                for source in [&[][..], &["--feed", "line", "--baud", "38400"]] {
                    let options = [driving.options, source].concat();
                    let bench = Bench::new(FEW, &driving.rig);
                    let context = format!("{name} {part} {active} {options:?}");
                    if let Err(said) = bench.emit("firmware", "player", &options) {
                        // Those with the least memory take no programs from a line.
                        assert!(said.contains("bytes of RAM"), "{context}: {said}");
                        assert!(!source.is_empty(), "{context}: {said}");
                        continue;
                    }
                    let readme =
                        std::fs::read_to_string(bench.path().join("player/README.md")).unwrap();
                    // No table that could be damaged lies in a part at a line.
                    let is_listed = readme.contains("| damaged |");
                    assert_eq!(is_listed, source.is_empty(), "{context}");
                    let listed = resistors(&readme);
                    for (line, resistor) in &driving.resistors {
                        let row = listed.iter().find(|(of, _)| of == line);
                        let row = row.unwrap_or_else(|| panic!("{context}: {line} in {readme}"));
                        assert_eq!(row.1, *resistor, "{context}: {line}");
                    }
                    // Inputs have the pull-ups of the part.
                    for (line, resistor) in &listed {
                        let is_input = line == "stop contact" || line == "serial receive";
                        assert_eq!(resistor.is_empty(), is_input, "{context}: {line}");
                    }
                }
            }
        }
    }
}

/// From the reset on the part drives each line to the level to which its resistor holds it, and no
/// line without a row.
#[test]
fn lines_go_on_at_the_level_of_their_resistor() {
    if board::harness().is_none() {
        return;
    }
    for (active, part) in [
        ("low", "atmega2560"),
        ("low", "atmega328p"),
        ("high", "atmega8"),
    ] {
        for Kind { name, parts, of } in kinds(active) {
            if !parts.contains(&part) {
                continue;
            }
            let driving = of(part);
            let bench = Bench::new(FEW, &driving.rig);
            let built = bench.build(driving.options);
            let run = built.run(2 * CLOCK, &[]);
            let context = format!("{name} {part}");
            assert_eq!(run.text.as_deref(), Some("finished -13"), "{context}");
            let readme = built.file("README.md");
            let mut known = Vec::new();
            for (line, resistor) in resistors(&readme) {
                // Of a converter, the first pin of its port stands for all.
                let pin = built.pin(&line);
                known.push(pin);
                let is_port = line.starts_with("converter");
                known.extend((1..8).filter(|_| is_port).map(|bit| Pin { bit, ..pin }));
                let driven = run.edges.iter().filter(|edge| edge.pin == pin);
                let early: Vec<u8> = driven
                    .filter(|edge| edge.cycle < RESET)
                    .map(|edge| edge.level)
                    .collect();
                let expected: &[u8] = match resistor.as_str() {
                    // The simulator tells no levels of the port itself.
                    _ if line.starts_with("serial") || line == "stop contact" => continue,
                    // Its level counts from the first frame on.
                    _ if line == "bus clock" => {
                        let select = built.pin("select A of disc");
                        let selected = run.edges_of(select, u8::from(active == "high"))[0];
                        let before = run.edges.iter().filter(|edge| edge.pin == pin);
                        let before = before.take_while(|edge| edge.cycle < selected).last();
                        let level = before.map_or(0, |edge| edge.level);
                        assert_eq!(level == 1, resistor == "to supply", "{context}");
                        continue;
                    }
                    "to supply" => &[1],
                    _ => &[],
                };
                assert_eq!(early, expected, "{context}: {line}");
            }
            for edge in &run.edges {
                assert!(known.contains(&edge.pin), "{context}: {:?}", edge.pin);
            }
        }
    }
}
