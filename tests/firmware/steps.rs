//! Steps on their very cycles, as fast as is let through.

use slewsmith::plan::Direction;
use slewsmith::schedule::EventKind;

use crate::board::{self, Bench, is_step_of};
use crate::played::{
    LAMP, Outputs, assert_played, assert_times_are_kept, beat, examples, rig, there_and_back,
};

#[test]
fn every_example_is_played_on_its_cycles() {
    if board::harness().is_none() {
        return;
    }
    let example = |name: &str| {
        let bench = Bench::example(name);
        let events = bench.packed();
        let built = bench.build(&[]);
        let readme = built.file("README.md");
        let named = |what: &str| -> Vec<String> {
            let rows = readme
                .lines()
                .filter_map(|row| row.strip_prefix(&format!("| {what} ")));
            rows.map(|row| row.split(' ').next().unwrap().to_owned())
                .collect()
        };
        let (axes, outputs) = (named("step of"), named("output"));
        let axes: Vec<&str> = axes.iter().map(String::as_str).collect();
        let outputs: Vec<&str> = outputs.iter().map(String::as_str).collect();
        let beats: Vec<String> = named("input")
            .iter()
            .map(|input| beat(built.pin(&format!("input {input}"))))
            .collect();
        let run = built.run(120 * board::CLOCK, &beats);
        let mut text = "finished".to_owned();
        for axis in 0..axes.len() {
            let ways = events.iter().filter_map(|event| match event.what {
                EventKind::Step {
                    axis: of,
                    direction,
                } if of == axis => Some(if direction == Direction::Positive {
                    1
                } else {
                    -1
                }),
                _ => None,
            });
            text += &format!(" {}", ways.sum::<i64>());
        }
        assert_eq!(run.text, Some(text), "{name}");
        assert_played(&run, &built, &events, &axes, &outputs, Outputs::Exact);
        println!(
            "{name}: edges spread over 0 cycles; {:?} ahead, stack {}",
            run.ahead, run.stack
        );
        assert!(outputs.is_empty() || readme.contains("timers make them"));
        for (number, axis) in axes.iter().enumerate() {
            assert_times_are_kept(&run, &built, axis);
            // The packed schedule is the planned one to a tick.
            let planned = bench.step_ticks(axis);
            let packed = events.iter().filter(|event| is_step_of(event, number));
            let packed: Vec<u64> = packed.map(|event| event.tick).collect();
            assert_eq!(planned.len(), packed.len());
            assert!(
                planned
                    .iter()
                    .zip(&packed)
                    .all(|(a, b)| a.abs_diff(*b) <= 1)
            );
        }
    };
    // The mixer that is not cured makes the same moves, a little faster; the candler seeks.
    let names: Vec<String> = examples()
        .into_iter()
        .filter(|name| !["mixer.moves", "candler.moves"].contains(&name.as_str()))
        .collect();
    assert!(names.len() >= 8);
    std::thread::scope(|scope| {
        for half in [0, 1] {
            let mine = names.iter().skip(half).step_by(2);
            scope.spawn(move || mine.for_each(|name| example(name)));
        }
    });
}

#[test]
fn one_axis_takes_100_000_steps_a_second_anywhere_in_a_program() {
    if board::harness().is_none() {
        return;
    }
    let bench = Bench::new(&there_and_back(100_000), &rig(&["disc"], LAMP));
    let built = bench.build(&[]);
    let run = built.run(10 * board::CLOCK, &[]);
    assert_eq!(run.text.as_deref(), Some("finished 59997"));
    // The output is got ready while steps keep interrupting.
    let packed = bench.packed();
    assert_played(&run, &built, &packed, &["disc"], &["lamp"], Outputs::Exact);
    assert_times_are_kept(&run, &built, "disc");
}

#[test]
fn two_axes_share_the_rate_of_one() {
    if board::harness().is_none() {
        return;
    }
    let script = there_and_back(50_000);
    let together = |line: &str| match line.strip_prefix("turn by ") {
        Some(way) => format!("together {{\n  turn disc by {way}\n  turn arm by {way}\n}}\n"),
        None => format!("{line}\n"),
    };
    let (start, turns) = script.split_once("through").unwrap();
    let turns = turns.lines().filter(|line| line.starts_with("turn"));
    let script = format!("{start}{}", turns.map(together).collect::<String>());
    let axes = ["disc", "arm"];
    let bench = Bench::new(&script, &rig(&axes, ""));
    let built = bench.build(&[]);
    let run = built.run(10 * board::CLOCK, &[]);
    assert_eq!(run.text.as_deref(), Some("finished -3 -3"));
    assert_played(&run, &built, &bench.packed(), &axes, &[], Outputs::Exact);
    for axis in axes {
        assert_times_are_kept(&run, &built, axis);
    }
}

#[test]
fn a_pulse_that_is_waited_for_lowers_the_rate_that_is_let_through() {
    if board::harness().is_none() {
        return;
    }
    // Pulses of 7, 10 and 14 ticks of half a microsecond, with 194, 218 and 250 cycles a step.
    for (pulse, ticks, rate) in [
        ("3 us", 7, 82_000),
        ("4.5 us", 10, 73_000),
        ("6.5 us", 14, 63_000),
    ] {
        let rig = rig(&["disc"], "").replace("step_pulse: 2 us", &format!("step_pulse: {pulse}"));
        let at = |rate| {
            let script = there_and_back(rate);
            Bench::new(
                &script.replace("  output lamp on passing 15000 microstep\n", ""),
                &rig,
            )
        };
        let bench = at(rate);
        let built = bench.build(&[]);
        assert_eq!(built.constant("STEP_PULSE_TICKS"), ticks);
        let run = built.run(10 * board::CLOCK, &[]);
        assert_eq!(run.text.as_deref(), Some("finished 59997"), "{pulse}");
        assert_played(
            &run,
            &built,
            &bench.packed(),
            &["disc"],
            &[],
            Outputs::Exact,
        );
        assert_times_are_kept(&run, &built, "disc");
        let said = at(rate + 3000).emit("firmware", "player", &[]);
        assert!(said.unwrap_err().contains("the player needs"));
    }
}

#[test]
fn a_program_that_is_too_fast_for_the_player_is_refused() {
    let bench = Bench::new(&there_and_back(104_000), &rig(&["disc"], LAMP));
    let said = bench.emit("firmware", "player", &[]).unwrap_err();
    assert!(said.contains("the player needs"), "{said}");
    assert!(!bench.path().join("player").exists());
}

#[test]
fn marks_that_come_faster_than_they_are_decoded_are_refused() {
    if board::harness().is_none() {
        return;
    }
    let apart = |time: &str| {
        let marks = format!("repeat 3000 {{\n  mark \"here\"\n  dwell {time}\n}}\n");
        Bench::new(&(there_and_back(20_000) + &marks), &rig(&["disc"], LAMP))
    };
    let said = apart("84 us").emit("firmware", "player", &[]).unwrap_err();
    assert!(said.contains("to decode the events of"), "{said}");
    let run = apart("94 us").build(&[]).run(200 * board::CLOCK, &[]);
    assert_eq!(run.text.as_deref(), Some("finished 59997"));
}

#[test]
fn a_shorter_interval_than_the_player_keeps_is_warned_of() {
    for (interval, axes, warned) in [
        ("9.5 us", 1, true),
        ("10 us", 1, false),
        ("10 us", 2, true),
        ("20 us", 2, false),
    ] {
        let rig = rig(&["left", "right"][..axes], "").replace("9 us", interval);
        let bench = Bench::new(
            "rig \"rig.yaml\"\nspeed 1 rpm\naccel 10 rpm/s\nturn left by 1 step\n",
            &rig,
        );
        let out = std::process::Command::new(env!("CARGO_BIN_EXE_slewsmith"))
            .current_dir(bench.path())
            .args(["check", "program.moves", "--json"])
            .output()
            .unwrap();
        let checked = String::from_utf8(out.stdout).unwrap();
        assert_eq!(
            checked.contains("interval-below-player"),
            warned,
            "{interval} {axes} {checked}"
        );
    }
}

#[test]
fn several_axes_step_on_their_cycles_at_once() {
    if board::harness().is_none() {
        return;
    }
    let script = "rig \"rig.yaml\"\nbands allow\nspeed 20000 microstep/s\naccel 100000 microstep/s^2\njerk 2000000 microstep/s^3\nshape s-curve\n\
        output lamp on\nawait door timeout 3 s\n\
        together {\n  turn left by 9000 microstep\n  turn right by -4001 microstep\n}\noutput lamp off\n\
        repeat 3 {\n  turn right by 1200 microstep\n  dwell 3 ms\n  mark \"there\"\n  turn left by -700 microstep\n  output lamp on\n  dwell 1 ms\n  output lamp off\n}\n";
    let more = "outputs: { lamp: {} }\ninputs: { door: { pin: PJ0 } }\n";
    let bench = Bench::new(script, &rig(&["left", "right"], more));
    let built = bench.build(&[]);
    let run = built.run(30 * board::CLOCK, &[beat(built.pin("input door"))]);
    assert_eq!(run.text.as_deref(), Some("finished 6900 -401"));
    assert_played(
        &run,
        &built,
        &bench.packed(),
        &["left", "right"],
        &["lamp"],
        Outputs::Exact,
    );
    for axis in ["left", "right"] {
        assert_times_are_kept(&run, &built, axis);
    }
    // Nothing comes within the time: it stops, and says so.
    let run = built.run(30 * board::CLOCK, &[]);
    assert_eq!(run.text.as_deref(), Some("no input 0 0"));
}
