//! Outputs and marks on their ticks.

use crate::board::{self, Bench};
use crate::played::{LAMP, Outputs, assert_played, rig, there_and_back};

/// Outputs of these names on pins that are given out, and a script that has them all go on
/// and off at once, before steps and behind them.
fn all_at_once(names: &str) -> (String, String) {
    let names: Vec<String> = names.chars().map(String::from).collect();
    let outputs: Vec<String> = names.iter().map(|name| format!("{name}: {{}}")).collect();
    let switch = |on: &str| -> String {
        let lines = names.iter().map(|name| format!("output {name} {on}\n"));
        lines.collect()
    };
    let script = format!(
        "rig \"rig.yaml\"\nbands allow\nspeed 1000 microstep/s\naccel 50000 microstep/s^2\nshape trapezoid\n\
         mark \"all\"\n{}turn left by 20 microstep\nmark \"none\"\n{}dwell 9.7 ms\nturn left by -3 microstep\n",
        switch("on"),
        switch("off")
    );
    (script, format!("outputs: {{ {} }}\n", outputs.join(", ")))
}

#[test]
fn every_compare_output_makes_an_output_on_its_very_tick() {
    if board::harness().is_none() {
        return;
    }
    for (axes, names, prescaler) in [
        (&["left"][..], "abcd", 8),
        (&["left"], "abcd", 64),
        (&["left"], "abcd", 256),
        (&["left", "right"], "abcdefghi", 8),
        (&["left", "right"], "abcdefghi", 1),
    ] {
        let (script, outputs) = all_at_once(names);
        let divided = format!("prescaler: {prescaler}");
        let rig = rig(axes, &outputs).replace("prescaler: 8", &divided);
        let bench = Bench::new(&script, &rig);
        let built = bench.build(&[]);
        assert!(built.file("README.md").contains("timers make them"));
        let run = built.run(board::CLOCK, &[]);
        let text = run.text.clone().unwrap();
        assert!(
            text.starts_with("finished 17"),
            "{axes:?} {prescaler} {text}"
        );
        let outputs: Vec<String> = names.chars().map(String::from).collect();
        let outputs: Vec<&str> = outputs.iter().map(String::as_str).collect();
        assert_played(
            &run,
            &built,
            &bench.packed(),
            axes,
            &outputs,
            Outputs::Exact,
        );
        println!("{axes:?} divided by {prescaler}: {:?}", run.ahead);
    }
}

const FOUR: &str = "outputs: { a: {}, b: {}, c: {}, d: {} }\n";

/// Four outputs at once amid the fastest steps, and these lines before them; one of them
/// again a little later.
fn amid_fastest_steps(more: &str) -> String {
    let switched = ["a", "b", "c", "d"].map(|name| format!("output {name} on\n"));
    let script = there_and_back(100_000);
    script.replace(
        "turn by 30000 microstep\n  output lamp on passing 15000 microstep\n",
        &format!(
            "turn by 15000 microstep\n{more}{}turn by 13 microstep\noutput a off\nturn by 14987 microstep\n",
            switched.concat()
        ),
    )
}

#[test]
fn outputs_and_a_mark_amid_the_fastest_steps_are_on_their_tick() {
    if board::harness().is_none() {
        return;
    }
    let script = amid_fastest_steps("mark \"here\"\n");
    let bench = Bench::new(&script, &rig(&["disc"], FOUR));
    let built = bench.build(&[]);
    let run = built.run(10 * board::CLOCK, &[]);
    println!("{:?} {:?} stack {}", run.ahead, run.interrupts, run.stack);
    assert_eq!(run.text.as_deref(), Some("finished 59997"));
    let outputs = ["a", "b", "c", "d"];
    assert_played(
        &run,
        &built,
        &bench.packed(),
        &["disc"],
        &outputs,
        Outputs::Exact,
    );
}

#[test]
fn outputs_on_other_pins_are_written_and_said_to_be_late() {
    if board::harness().is_none() {
        return;
    }
    for (axes, rate, pin, exact, late) in [
        (
            &["disc"][..],
            90_000,
            "PC0",
            "exact pins: PD6, PD5, PB3, PD3",
            140,
        ),
        (
            &["disc", "arm"],
            45_000,
            "PA0",
            "exact pins: PE3, PE4, PE5",
            220,
        ),
    ] {
        let outputs = format!("outputs: {{ lamp: {{ pin: {pin} }} }}\n");
        // Between two steps each time, now nearer to the one and now to the other.
        let changes = (0..40).map(|k| {
            let (on, place) = (["on", "off"][k % 2], 12_000.0 + 300.025 * k as f64);
            format!("output lamp {on} passing {place} microstep\n")
        });
        let script = there_and_back(rate)
            .replace("turn by", "turn disc by")
            .replace(
                "output lamp on passing 15000 microstep\n",
                &changes.collect::<String>(),
            );
        let bench = Bench::new(&script, &rig(axes, &outputs));
        let said = bench.emit("firmware", "player", &[]).unwrap();
        let bound = format!("up to {late} clock cycles late while axes step: `lamp` ({pin})");
        assert!(said.contains(&bound) && said.contains(exact), "{said}");
        let built = bench.build(&[]);
        assert!(built.file("README.md").contains(&bound));
        let run = built.run(10 * board::CLOCK, &[]);
        assert!(run.text.as_ref().unwrap().starts_with("finished 59997"));
        assert_played(
            &run,
            &built,
            &bench.packed(),
            axes,
            &["lamp"],
            Outputs::Late(late),
        );
    }
    // A timer of 8 bits turns over too soon where it counts the clock itself.
    let undivided = rig(&["disc"], LAMP).replace("prescaler: 8", "prescaler: 1");
    let bench = Bench::new(&there_and_back(1000), &undivided);
    let said = bench.emit("firmware", "player", &[]).unwrap();
    assert!(said.contains("prescaler of 8 or more"), "{said}");
}

#[test]
fn outputs_that_cannot_be_ready_in_time_are_refused_with_the_reason() {
    if board::harness().is_none() {
        return;
    }
    let pulse = |length: &str| {
        let script =
            there_and_back(20_000) + &format!("output lamp off\ndwell {length}\noutput lamp on\n");
        Bench::new(&script, &rig(&["disc"], LAMP))
    };
    let said = pulse("125 us").emit("firmware", "player", &[]).unwrap_err();
    assert!(
        said.contains(
            "two changes of output `lamp` are 125 us apart; the player needs 126 us: dwell 126 us between them"
        ),
        "{said}"
    );
    // The shortest that is let through is played as it stands.
    let bench = pulse("126 us");
    let built = bench.build(&[]);
    let run = built.run(200 * board::CLOCK, &[]);
    assert_eq!(run.text.as_deref(), Some("finished 59997"));
    assert_played(
        &run,
        &built,
        &bench.packed(),
        &["disc"],
        &["lamp"],
        Outputs::Exact,
    );

    // Nor may the interrupt of one output come before that of another is over.
    let apart = |length: &str| {
        let script =
            there_and_back(20_000) + &format!("output fan on\ndwell {length}\noutput lamp off\n");
        let outputs = "outputs: { lamp: { pin: PD6 }, fan: { pin: PD5 } }\n";
        Bench::new(&script, &rig(&["disc"], outputs))
    };
    let said = apart("54 us").emit("firmware", "player", &[]).unwrap_err();
    assert!(said.contains("outputs or marks are"), "{said}");
    let bench = apart("54.5 us");
    let built = bench.build(&[]);
    let run = built.run(200 * board::CLOCK, &[]);
    assert_eq!(run.text.as_deref(), Some("finished 59997"));
    let packed = bench.packed();
    assert_played(
        &run,
        &built,
        &packed,
        &["disc"],
        &["lamp", "fan"],
        Outputs::Exact,
    );

    // So many at once amid the fastest steps are too many.
    let script = amid_fastest_steps(&"mark \"here\"\n".repeat(4));
    let bench = Bench::new(&script, &rig(&["disc"], FOUR));
    let said = bench.emit("firmware", "player", &[]).unwrap_err();
    assert!(
        said.contains("simultaneous outputs and marks need"),
        "{said}"
    );
}
