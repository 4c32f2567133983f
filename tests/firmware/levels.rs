//! Lines that are active low, and the line that enables a drive. What a step, a level at rest and
//! a disabled drive are is common practice of drives: a step is the edge to the active level, a
//! line at rest shows the other one.

use crate::board::{self, Bench, Built, CLOCK, Edge, Pin, Run};
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
