//! The player plays schedules on the very cycles: its machine code is run in a
//! cycle-accurate simulator of the microcontroller (simavr, a general-purpose one), and
//! every edge of its pins is compared with the schedule.

#[path = "support/board.rs"]
mod board;
mod support;

use std::path::Path;

use board::{Bench, Built, Pin, Run, is_step_of};
use slewsmith::plan::Direction;
use slewsmith::schedule::timer::PLAYER_STEP_CYCLES;
use slewsmith::schedule::{Event, What};

/// The scripts of all examples.
fn examples() -> Vec<String> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("examples");
    let entries = std::fs::read_dir(folder).unwrap();
    let names = entries.map(|entry| entry.unwrap().file_name().into_string().unwrap());
    let mut names: Vec<String> = names.filter(|name| name.ends_with(".moves")).collect();
    names.sort();
    names
}

/// An input that closes for 40 ms ten times a second.
fn beat(pin: Pin) -> String {
    format!("wave={}:{}:1600000:640000", pin.port, pin.bit)
}

/// What happens between two waits for inputs, in ticks.
fn stretches(events: &[Event]) -> Vec<&[Event]> {
    events
        .split(|event| matches!(event.what, What::Await { .. }))
        .collect()
}

/// What makes the outputs of a run.
#[derive(Clone, Copy)]
enum Outputs {
    /// Timers: they change on their very ticks.
    Exact,
    /// The player, which may be so many cycles late.
    Late(i64),
}

/// How far edges lie from their ticks (cycles).
#[derive(Clone, Copy)]
struct Offsets {
    least: i64,
    most: i64,
}

impl Offsets {
    const NONE: Self = Self {
        least: i64::MAX,
        most: i64::MIN,
    };

    fn take(&mut self, offset: i64) {
        self.least = self.least.min(offset);
        self.most = self.most.max(offset);
    }

    /// How far they lie from each other.
    fn spread(self) -> i64 {
        self.most.saturating_sub(self.least).max(0)
    }
}

/// Compares the edges of a run with a packed schedule: in each stretch steps and outputs lie
/// on their very cycles plus one constant.
#[track_caller]
fn assert_played(
    run: &Run,
    built: &Built,
    events: &[Event],
    axes: &[&str],
    outputs: &[&str],
    made: Outputs,
) {
    let prescaler = built.constant("PRESCALER");
    let mut edges: Vec<_> = axes
        .iter()
        .map(|axis| {
            run.edges_of(built.pin(&format!("step of {axis}")), 1)
                .into_iter()
        })
        .collect();
    let mut changes: Vec<_> = outputs
        .iter()
        .map(|output| {
            let pin = built.pin(&format!("output {output}"));
            run.edges.iter().filter(move |edge| edge.pin == pin)
        })
        .collect();
    let mut levels = vec![0; outputs.len()];
    for stretch in stretches(events) {
        let (mut exact, mut late) = (Offsets::NONE, Offsets::NONE);
        for event in stretch {
            let due = (event.tick * prescaler) as i64;
            match event.what {
                What::Step { axis, .. } => {
                    let edge = edges[axis].next().expect("a step is missing");
                    exact.take(edge as i64 - due);
                }
                What::Output { output, on } if levels[output] != u8::from(on) => {
                    levels[output] = u8::from(on);
                    let edge = changes[output].next().expect("an output is missing");
                    assert_eq!(edge.level, u8::from(on));
                    let offsets = match made {
                        Outputs::Exact => &mut exact,
                        Outputs::Late(_) => &mut late,
                    };
                    offsets.take(edge.cycle as i64 - due);
                }
                _ => {}
            }
        }
        assert_eq!(exact.spread(), 0, "edges lie off their cycles");
        if let Outputs::Late(cycles) = made
            && late.most >= late.least
        {
            let (early, late) = (late.least - exact.least, late.most - exact.least);
            println!("outputs that are written come {early} to {late} cycles late");
            assert!(
                early >= -(prescaler as i64) && late <= cycles,
                "{early} {late}"
            );
        }
    }
    assert!(
        edges.iter_mut().all(|edges| edges.next().is_none()),
        "steps too many"
    );
    assert!(
        changes.iter_mut().all(|edges| edges.next().is_none()),
        "changes of outputs too many"
    );
}

/// Pulses and pauses are as long as the drive needs, and the direction stands for its
/// set-up time before a step and after the one before.
#[track_caller]
fn assert_times_are_kept(run: &Run, built: &Built, axis: &str) {
    let (step, direction) = (
        built.pin(&format!("step of {axis}")),
        built.pin(&format!("direction of {axis}")),
    );
    let pulse = built.constant("STEP_PULSE_TICKS") * built.constant("PRESCALER");
    // 5 µs at 16 MHz, as the board's profile says.
    let setup = 80;
    let mut last_rise = None;
    let mut last_change = None;
    for edge in &run.edges {
        if edge.pin == step && edge.level == 1 {
            assert!(last_change.is_none_or(|change| edge.cycle - change >= setup));
            last_rise = Some(edge.cycle);
        } else if edge.pin == step {
            if let Some(rise) = last_rise {
                assert!(
                    edge.cycle - rise >= pulse,
                    "a pulse of {}",
                    edge.cycle - rise
                );
            }
        } else if edge.pin == direction {
            assert!(last_rise.is_none_or(|rise| edge.cycle - rise >= setup));
            last_change = Some(edge.cycle);
        }
    }
}

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
                What::Step {
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
    let names = examples();
    assert!(names.len() >= 8);
    std::thread::scope(|scope| {
        for half in [0, 1] {
            let mine = names.iter().skip(half).step_by(2);
            scope.spawn(move || mine.for_each(|name| example(name)));
        }
    });
}

/// A motor and a drive that are light enough for anything; what they can do is not asked
/// here.
const AXIS: &str = "
    motor: { rotor_teeth: 50, phase_resistance: 1 ohm, phase_inductance: 1 mH, rated_current: 2 A, holding_torque: 0.5 N.m, rotor_inertia: 50 g.cm^2, viscous_damping: 0.0005 N.m.s/rad }
    drive: { kind: chopper, supply: 48 V, peak_current: 2 A, microsteps: 32 }
    load: { inertia: 1 g.cm^2 }
";

fn rig(axes: &[&str], more: &str) -> String {
    let axes: String = axes.iter().map(|name| format!("  {name}:{AXIS}")).collect();
    format!(
        "axes:\n{axes}timer: {{ clock: 16 MHz, prescaler: 8, step_pulse: 2 us, direction_setup: 5 us, fastest_interval: 9 us }}\n{more}"
    )
}

/// An output of a rig, and an input beside it.
const LAMP: &str = "outputs: { lamp: { pin: PD6 } }\n";
const LAMP_AND_DOOR: &str = "outputs: { lamp: { pin: PD6 } }\ninputs: { door: {} }\n";

/// Speeds up along a trapezoid, switches an output on the way, slows down and comes back.
fn there_and_back(rate: u32) -> String {
    format!(
        "rig \"rig.yaml\"\nbands allow\nspeed {rate} microstep/s\naccel 1500000 microstep/s^2\nshape trapezoid\n\
         through {{\n  turn by 30000 microstep\n  output lamp on passing 15000 microstep\n  turn by 30000 microstep\n}}\n\
         turn by -20003 microstep\nturn by 20000 microstep\n"
    )
}

#[test]
fn one_axis_takes_100_000_steps_a_second_anywhere_in_a_program() {
    if board::harness().is_none() {
        return;
    }
    assert_eq!(board::CLOCK / u64::from(PLAYER_STEP_CYCLES), 100_000);
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
    // Pulses of 7, 10 and 14 ticks of half a microsecond, with 186, 210 and 242 cycles a step.
    for (pulse, ticks, rate) in [
        ("3 us", 7, 86_000),
        ("4.5 us", 10, 76_000),
        ("6.5 us", 14, 66_000),
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
            "exact are PD6, PD5, PB3, PD3",
            140,
        ),
        (
            &["disc", "arm"],
            45_000,
            "PA0",
            "exact are PE3, PE4, PE5",
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
            there_and_back(1000) + &format!("output lamp off\ndwell {length}\noutput lamp on\n");
        Bench::new(&script, &rig(&["disc"], LAMP))
    };
    let said = pulse("125 us").emit("firmware", "player", &[]).unwrap_err();
    assert!(
        said.contains(
            "two changes of output `lamp` come 125 us apart, and the player needs 126 us: dwell so long between them"
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
            there_and_back(1000) + &format!("output fan on\ndwell {length}\noutput lamp off\n");
        let outputs = "outputs: { lamp: { pin: PD6 }, fan: { pin: PD5 } }\n";
        Bench::new(&script, &rig(&["disc"], outputs))
    };
    let said = apart("54 us").emit("firmware", "player", &[]).unwrap_err();
    assert!(said.contains("outputs or marks come"), "{said}");
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
        said.contains("to get outputs and marks ready that are due at once"),
        "{said}"
    );
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
        Bench::new(&(there_and_back(1000) + &marks), &rig(&["disc"], LAMP))
    };
    let said = apart("84 us").emit("firmware", "player", &[]).unwrap_err();
    assert!(said.contains("to decode what comes within"), "{said}");
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

#[test]
fn the_player_fits_small_memories() {
    if board::harness().is_none() {
        return;
    }
    for name in [
        "carousel.moves",
        "dial.moves",
        "shutter-cured.moves",
        "mixer.moves",
    ] {
        let bench = Bench::example(name);
        let built = bench.build(&[]);
        let size = built.size();
        println!("{name}: {size:?}");
        assert!(size.flash - size.table <= 4096, "{size:?}");
        // Two rings of 64 events at 4 bytes, one for the steps, one for everything else.
        assert!(size.ram - 2 * 256 <= 256, "{size:?}");
    }
}

#[test]
fn any_damaged_byte_of_the_table_keeps_the_player_from_starting() {
    if board::harness().is_none() {
        return;
    }
    let bench = Bench::example("shutter-cured.moves");
    let built = bench.build(&[]);
    let table = built.address("schedule");
    for place in 0..built.size().table {
        // One bit or all of them.
        let mask = if place % 2 == 0 {
            1 << (place % 8)
        } else {
            255
        };
        let run = built.run(board::CLOCK, &[format!("flip={}:{mask}", table + place)]);
        assert_eq!(run.text.as_deref(), Some("damaged 0"), "byte {place}");
        let step = built.pin("step of wheel");
        assert!(run.edges_of(step, 1).is_empty());
    }
}

/// A player of one axis with a lamp, whose emergency stop opens during a run.
struct Stopped {
    /// Whose folder the project lies in.
    _bench: Bench,
    built: Built,
    step: Pin,
    lamp: Pin,
}

impl Stopped {
    fn of(script: &str, more: &str) -> Self {
        let bench = Bench::new(script, &rig(&["disc"], more));
        let built = bench.build(&[]);
        let (step, lamp) = (built.pin("step of disc"), built.pin("output lamp"));
        Self {
            _bench: bench,
            built,
            step,
            lamp,
        }
    }

    /// Runs with the stop opening at that cycle.
    fn at(&self, cycle: u64) -> Run {
        self.built
            .run(20 * board::CLOCK, &[opens(&self.built, cycle)])
    }

    fn lamp_is_on(&self, run: &Run) -> bool {
        let mut edges = run.edges.iter().filter(|edge| edge.pin == self.lamp);
        edges.next_back().is_some_and(|edge| edge.level == 1)
    }
}

/// The emergency stop opens at that cycle.
fn opens(built: &Built, cycle: u64) -> String {
    let stop = built.pin("emergency stop");
    format!("pin={cycle}:{}:{}:1", stop.port, stop.bit)
}

#[test]
fn the_emergency_stop_ends_the_pulses_within_one_interrupt() {
    if board::harness().is_none() {
        return;
    }
    let stopped = Stopped::of(&there_and_back(60_000), LAMP);
    // At full speed, with the lamp on.
    let at = 8_000_000;
    let run = stopped.at(at);
    let steps = run.edges_of(stopped.step, 1);
    assert_eq!(run.text, Some(format!("emergency stop {}", steps.len())));
    let last = steps.last().unwrap();
    assert!(*last > at - 300 && *last < at + 270, "{last}");
    assert!(
        run.edges_of(stopped.step, 0).len() >= steps.len(),
        "the last pulse stays high"
    );
    assert_eq!(run.edges_of(stopped.lamp, 0).len(), 1, "the outputs go off");
    // Open before the start: nothing moves.
    let stop = stopped.built.pin("emergency stop");
    let run = stopped.built.run(
        20 * board::CLOCK,
        &[format!("hold={}:{}:1", stop.port, stop.bit)],
    );
    assert_eq!(run.text.as_deref(), Some("emergency stop 0"));
    assert!(run.edges_of(stopped.step, 1).is_empty());
}

#[test]
fn an_output_is_off_at_once_where_the_emergency_stop_opens_while_it_is_got_ready() {
    if board::harness().is_none() {
        return;
    }
    let script = "rig \"rig.yaml\"\nbands allow\nspeed 1000 microstep/s\naccel 50000 microstep/s^2\nshape trapezoid\n\
        turn by 3 microstep\noutput lamp on\nturn by 3 microstep\n";
    for pin in ["PD6", "PC0"] {
        let stopped = Stopped::of(script, &LAMP.replace("PD6", pin));
        let edge = stopped.at(u64::MAX).edges_of(stopped.lamp, 1)[0];
        let mut lit = 0;
        // From before its interrupt to behind its edge.
        for cycle in (edge - 2100..edge + 100).step_by(3) {
            let run = stopped.at(cycle);
            assert_eq!(run.text.as_deref(), Some("emergency stop 3"));
            for edge in run.edges.iter().filter(|edge| edge.pin == stopped.lamp) {
                lit += 1;
                assert!(edge.cycle < cycle + 80, "{pin}: {edge:?} behind {cycle}");
            }
            assert!(!stopped.lamp_is_on(&run), "{cycle}");
        }
        assert!(lit > 20, "it never went on: {lit}");
    }
}

/// The emergency stop opens at every cycle around the program's end by itself, which is
/// said so and leaves the lamp on or off.
fn assert_a_late_stop_is_never_lost(script: &str, end: &str, lamp: bool) {
    let stopped = Stopped::of(script, LAMP_AND_DOOR);
    let ended = |run: &Run| run.text.as_deref() == Some(end);
    let mut behind = stopped.at(u64::MAX).end;
    let mut before = 0;
    while behind - before > 1 {
        let middle = before.midpoint(behind);
        if ended(&stopped.at(middle)) {
            behind = middle;
        } else {
            before = middle;
        }
    }
    let mut endings = [0, 0];
    for cycle in before - 100..before + 100 {
        let run = stopped.at(cycle);
        let ended = ended(&run);
        endings[usize::from(ended)] += 1;
        // A stop that was served has halted the timer.
        assert_eq!(run.counting, ended, "{:?} at {cycle}", run.text);
        assert_eq!(stopped.lamp_is_on(&run), ended && lamp, "{cycle}");
    }
    assert!(endings.iter().all(|count| *count > 20), "{endings:?}");
}

#[test]
fn an_emergency_stop_in_the_last_cycles_of_a_program_is_never_lost() {
    if board::harness().is_none() {
        return;
    }
    let begin = "rig \"rig.yaml\"\nbands allow\nspeed 1000 microstep/s\naccel 50000 microstep/s^2\nshape trapezoid\noutput lamp on\n";
    for (more, end, lamp) in [
        ("turn by 3 microstep\n", "finished 3", true),
        ("await door timeout 10 ms\n", "no input 0", false),
    ] {
        assert_a_late_stop_is_never_lost(&format!("{begin}{more}"), end, lamp);
    }
}

#[test]
fn an_interrupt_that_comes_too_late_stops_safely_and_says_so() {
    if board::harness().is_none() {
        return;
    }
    let rig = rig(&["disc"], LAMP);
    let bench = Bench::new(&there_and_back(60_000), &rig);
    let built = bench.build(&[]);
    let step = built.pin("step of disc");
    // The processor does nothing for less and for more than an interval, at many places.
    let mut late = 0;
    for k in 0..40 {
        let (at, cycles) = (5_000_000 + 7919 * k, 100 + 20 * k);
        let run = built.run(20 * board::CLOCK, &[format!("block={at}:{cycles}")]);
        let steps = run.edges_of(step, 1);
        let longest = steps.windows(2).map(|pair| pair[1] - pair[0]).max();
        assert!(
            longest.is_some_and(|cycles| cycles < 65_536),
            "a whole turn of the counter"
        );
        match run.text.as_deref() {
            Some("finished 59997") => assert_eq!(steps.len(), 100_003),
            Some(text) if text.starts_with("late ") => {
                late += 1;
                assert_eq!(text, format!("late {}", steps.len()));
            }
            other => panic!("{other:?}"),
        }
    }
    assert!(late > 10 && late < 40, "{late}");
}

#[test]
fn the_player_compiles_for_other_processors() {
    let Some(arm) = support::tool("arm-none-eabi-gcc") else {
        return;
    };
    // A timer that no small part has, so that nothing but the four functions is missing.
    let bench = Bench::new(
        &there_and_back(20_000),
        &rig(&["disc"], "outputs: { lamp: {} }\n")
            .replace("16 MHz, prescaler: 8", "72 MHz, prescaler: 36"),
    );
    let said = bench.emit("firmware", "player", &[]).unwrap();
    assert!(said.contains("four functions"), "{said}");
    for options in [
        "-mcpu=cortex-m0 -mthumb -Os -Werror",
        "-mcpu=cortex-m4 -mthumb -O2 -Werror",
    ] {
        let done = std::process::Command::new("make")
            .args(["-s", "objects"])
            .arg(format!("CC={}", arm.display()))
            .arg(format!("CFLAGS={options}"))
            .current_dir(bench.path().join("player"))
            .output()
            .unwrap();
        assert!(
            done.status.success(),
            "{}",
            String::from_utf8_lossy(&done.stderr)
        );
    }
}

/// Which switches were on from which cycle to which, and what the converters got, as the
/// pins show it.
struct Coils {
    switches: [Pin; 8],
    codes: Vec<[Pin; 8]>,
}

impl Coils {
    fn of(built: &Built, axis: &str) -> Self {
        let leg =
            |phase, leg, side| built.pin(&format!("switch {phase} leg {leg} {side} of {axis}"));
        let phase = |phase| {
            [(1, "high"), (1, "low"), (2, "high"), (2, "low")]
                .map(|(number, side)| leg(phase, number, side))
        };
        let [a, b] = ["A", "B"].map(phase);
        let port = |phase: &str| {
            let text = built.file("README.md");
            let row = text.lines().find_map(|row| {
                row.strip_prefix(&format!("| converter of phase {phase} of {axis} | P"))
                    .map(str::to_owned)
            })?;
            let port = row.chars().next()?;
            Some(std::array::from_fn(|bit| Pin {
                port,
                bit: bit as u8,
            }))
        };
        Self {
            switches: std::array::from_fn(|k| if k < 4 { a[k] } else { b[k - 4] }),
            codes: ["A", "B"].into_iter().filter_map(port).collect(),
        }
    }

    /// The rows that the pins have shown, each once it has stood for `settled` cycles.
    /// Fails where both switches of a leg are on at any cycle, or change over without the
    /// dead time between.
    #[track_caller]
    fn rows(&self, run: &Run, dead: u64, settled: u64) -> Vec<(u8, Vec<u8>)> {
        let mut on = 0u8;
        let mut off_since = [0u64; 8];
        let mut codes = vec![0u8; self.codes.len()];
        let mut rows = Vec::new();
        let mut last = 0;
        for edge in &run.edges {
            if edge.cycle > last + settled && last > 0 {
                rows.push((on, codes.clone()));
            }
            if let Some(k) = self.switches.iter().position(|pin| *pin == edge.pin) {
                let other = k ^ 1;
                if edge.level == 1 {
                    assert_eq!(
                        on >> other & 1,
                        0,
                        "both switches of a leg at {}",
                        edge.cycle
                    );
                    let dead_for = edge.cycle - off_since[other];
                    assert!(
                        off_since[other] == 0 || dead_for >= dead,
                        "dead for {dead_for}"
                    );
                    on |= 1 << k;
                } else {
                    on &= !(1 << k);
                    off_since[k] = edge.cycle;
                }
            } else if let Some((which, bit)) =
                self.codes.iter().enumerate().find_map(|(which, pins)| {
                    Some((which, pins.iter().position(|pin| *pin == edge.pin)?))
                })
            {
                codes[which] = codes[which] & !(1 << bit) | edge.level << bit;
            } else {
                continue;
            }
            last = edge.cycle;
        }
        rows.push((on, codes));
        rows.dedup();
        rows
    }
}

/// The same from the table that `coils` writes, by its signs and codes.
fn coil_rows(bench: &Bench) -> Vec<(u8, Vec<u8>)> {
    let out = std::process::Command::new(env!("CARGO_BIN_EXE_slewsmith"))
        .current_dir(bench.path())
        .args(["coils", "rig.yaml", "--as", "json"])
        .output()
        .unwrap();
    let tables: serde_json::Value = serde_json::from_slice(&out.stdout).unwrap();
    let rows = tables["axes"][0]["positions"].as_array().unwrap();
    let phase = |row: &serde_json::Value, name: &str| match row[format!("phase_{name}")]["sign"]
        .as_i64()
        .unwrap()
    {
        1 => 0b1001,
        -1 => 0b0110,
        _ => 0,
    };
    rows.iter()
        .map(|row| {
            let codes = ["a", "b"]
                .iter()
                .filter_map(|name| row[format!("phase_{name}")]["code"].as_u64());
            (
                phase(row, "a") | phase(row, "b") << 4,
                codes.map(|code| code as u8).collect(),
            )
        })
        .collect()
}

fn fixed_voltage(sequence: &str) -> String {
    format!(
        "{{ kind: fixed-voltage, sequence: {sequence}, supply: 3 V, switch_resistance: 0.5 ohm }}"
    )
}

fn with_converters(microsteps: u32) -> String {
    format!(
        "{{ kind: linear-current, supply: 24 V, peak_current: 1 A, microsteps: {microsteps}, sense_resistor: 0.5 ohm, sense_gain: 4, converter_bits: 8, converter_reference: 2.5 V }}"
    )
}

/// The rig with another drive.
fn driven(axes: &[&str], drive: &str) -> String {
    let drive_line = AXIS.lines().find(|line| line.contains("drive:")).unwrap();
    rig(axes, "").replace(drive_line, &format!("    drive: {drive}"))
}

#[test]
fn coils_are_switched_as_their_table_says_and_never_both_ends_of_a_leg() {
    if board::harness().is_none() {
        return;
    }
    let drives = [
        fixed_voltage("wave"),
        fixed_voltage("two-phase"),
        fixed_voltage("half-step"),
        with_converters(1),
        with_converters(4),
        with_converters(16),
    ];
    for drive in drives {
        let script = "rig \"rig.yaml\"\nbands allow\nspeed 400 microstep/s\naccel 8000 microstep/s^2\nshape trapezoid\n\
            turn by 150 microstep\ndwell 10 ms\nturn by -83 microstep\n";
        let bench = Bench::new(script, &driven(&["disc"], &drive));
        let built = bench.build(&["--lines", "coils"]);
        let coils = Coils::of(&built, "disc");
        let run = built.run(60 * board::CLOCK, &[]);
        assert_eq!(run.text.as_deref(), Some("finished 67"));
        let table = coil_rows(&bench);
        let count = table.len() as i64;
        let mut row = 0i64;
        let mut expected = vec![table[0].clone()];
        for way in std::iter::repeat_n(1, 150).chain(std::iter::repeat_n(-1, 83)) {
            row += way;
            expected.push(table[row.rem_euclid(count) as usize].clone());
        }
        // Rows that look alike, where a code is rounded, cannot be told apart by pins.
        expected.dedup();
        assert_eq!(coils.rows(&run, 16, 4000), expected, "{drive}");

        // An emergency stop in the middle: all switches go off at once and stay off.
        let at = 12_000_000;
        let run = built.run(60 * board::CLOCK, &[opens(&built, at)]);
        assert!(run.text.unwrap().starts_with("emergency stop"));
        let switching: Vec<_> = run
            .edges
            .iter()
            .filter(|edge| coils.switches.contains(&edge.pin))
            .collect();
        let mut on = std::collections::HashSet::new();
        for edge in &switching {
            let pin = (edge.pin.port, edge.pin.bit);
            if edge.level == 1 {
                on.insert(pin);
            } else {
                on.remove(&pin);
            }
        }
        assert!(on.is_empty(), "{on:?}");
        let last = switching.last().unwrap().cycle;
        assert!(
            (at..at + 700).contains(&last),
            "{}",
            last as i64 - at as i64
        );
    }
}

#[test]
fn coils_are_switched_as_fast_as_is_let_through() {
    if board::harness().is_none() {
        return;
    }
    // 16 MHz in 500 cycles of one axis, and in 680 of each of two.
    for (axes, rate) in [(&["disc"][..], 31_900), (&["disc", "arm"], 11_750)] {
        for drive in [
            fixed_voltage("wave"),
            fixed_voltage("two-phase"),
            fixed_voltage("half-step"),
            with_converters(16),
        ] {
            let at = |rate: u32| {
                let moves = |by: i32| -> String {
                    let turn = |axis| format!("  turn {axis} by {by} microstep\n");
                    let turns: String = axes.iter().map(turn).collect();
                    format!("together {{\n{turns}}}\n")
                };
                let script = format!(
                    "rig \"rig.yaml\"\nbands allow\nspeed {rate} microstep/s\naccel 500000 microstep/s^2\nshape trapezoid\n{}{}",
                    moves(20_000),
                    moves(-20_003)
                );
                Bench::new(&script, &driven(axes, &drive))
            };
            let bench = at(rate);
            let built = bench.build(&["--lines", "coils"]);
            let run = built.run(60 * board::CLOCK, &["quiet".to_owned()]);
            let text = run.text.unwrap();
            assert!(text.starts_with("finished -3"), "{axes:?} {drive}: {text}");
            let said = at(rate * 103 / 100).emit("firmware", "player", &["--lines", "coils"]);
            assert!(said.unwrap_err().contains("the player needs"));
        }
    }
}

#[test]
fn what_the_player_cannot_switch_is_refused_with_the_reason() {
    let script = there_and_back(1000);
    for (drive, reason) in [
        (
            "{ kind: linear-current, supply: 24 V, peak_current: 1 A, microsteps: 32, sense_resistor: 0.5 ohm, converter_bits: 8, converter_reference: 2.5 V }",
            "16 at most",
        ),
        (
            "{ kind: linear-current, supply: 24 V, peak_current: 1 A, microsteps: 8 }",
            "does not say what sets it",
        ),
        (
            "{ kind: linear-current, supply: 24 V, peak_current: 1 A, microsteps: 8, sense_resistor: 0.5 ohm, converter_bits: 12, converter_reference: 2.5 V }",
            "more than 8 bits",
        ),
    ] {
        let drive_line = AXIS.lines().find(|line| line.contains("drive:")).unwrap();
        let rig = rig(&["disc"], "outputs: { lamp: {} }\n")
            .replace(drive_line, &format!("    drive: {drive}"));
        let said = Bench::new(&script, &rig)
            .emit("firmware", "player", &["--lines", "coils"])
            .unwrap_err();
        assert!(said.contains(reason), "{said}");
    }
}

#[test]
fn a_player_fed_over_a_line_builds_for_small_parts_and_others() {
    if board::harness().is_none() {
        return;
    }
    for name in ["carousel.moves", "panorama.moves"] {
        let bench = Bench::example(name);
        let built = bench.build(&["--feed", "line", "--baud", "250000"]);
        assert!(built.file("README.md").contains("--baud 250000"));
        if let Some(arm) = support::tool("arm-none-eabi-gcc") {
            let done = std::process::Command::new("make")
                .args([
                    "-s",
                    "objects",
                    "CFLAGS=-mcpu=cortex-m3 -mthumb -Os -Werror",
                ])
                .arg(format!("CC={}", arm.display()))
                .current_dir(bench.path().join("player"))
                .output()
                .unwrap();
            assert!(
                done.status.success(),
                "{}",
                String::from_utf8_lossy(&done.stderr)
            );
        }
    }
}

#[test]
fn pins_that_are_the_builders_are_kept_and_refused_where_they_no_longer_fit() {
    if board::harness().is_none() {
        return;
    }
    let with = |pin: &str| {
        rig(
            &["disc"],
            &format!("outputs: {{ lamp: {{ pin: {pin} }} }}\n"),
        )
    };
    let bench = Bench::new(&there_and_back(1000), &with("PC0"));
    let built = bench.build(&[]);
    let pins = built.file("pins.h");
    let own = format!("{pins}/* mine */\n");
    std::fs::write(bench.path().join("player/pins.h"), &own).unwrap();
    // The same wiring: kept, and it builds.
    let said = bench.emit("firmware", "player", &[]).unwrap();
    assert!(said.contains("is kept as it is"), "{said}");
    assert_eq!(bench.build(&[]).file("pins.h"), own);
    // Another one: kept, and `make` refuses it.
    for other in ["PC1", "PB1"] {
        std::fs::write(bench.path().join("rig.yaml"), with(other)).unwrap();
        let said = bench.emit("firmware", "player", &[]).unwrap();
        assert!(said.contains("for another wiring"), "{said}");
        let made = std::process::Command::new("make")
            .arg("-sC")
            .arg(bench.path().join("player"))
            .output()
            .unwrap();
        assert!(!made.status.success());
        let said = String::from_utf8_lossy(&made.stderr);
        assert!(said.contains("pins.h is for another wiring"), "{said}");
    }
}

#[test]
fn pins_that_nobody_has_changed_follow_the_rig() {
    let with = |pin: &str| {
        rig(
            &["disc"],
            &format!("outputs: {{ lamp: {{ pin: {pin} }} }}\n"),
        )
    };
    let bench = Bench::new(&there_and_back(1000), &with("PC0"));
    let pins = || std::fs::read_to_string(bench.path().join("player/pins.h")).unwrap();
    bench.emit("firmware", "player", &[]).unwrap();
    assert!(pins().contains("PORTC, DDRC, 0"));
    std::fs::write(bench.path().join("rig.yaml"), with("PC1")).unwrap();
    let said = bench.emit("firmware", "player", &[]).unwrap();
    assert!(said.contains("written anew for the new wiring"), "{said}");
    assert!(pins().contains("PORTC, DDRC, 1"));
    // One changed digit is the builder's.
    let own = pins().replace("PORTC, DDRC, 1", "PORTC, DDRC, 2");
    std::fs::write(bench.path().join("player/pins.h"), &own).unwrap();
    std::fs::write(bench.path().join("rig.yaml"), with("PC3")).unwrap();
    let said = bench.emit("firmware", "player", &[]).unwrap();
    assert!(said.contains("is kept, but"), "{said}");
    assert_eq!(pins(), own);
}

#[test]
fn a_larger_part_is_taken_for_a_reason_and_a_folder_of_others_is_left_alone() {
    for (pin, part) in [
        ("PC0", "atmega328p:"),
        (
            "PB1",
            "atmega2560 (not atmega328p: pin PB1 of `lamp` is a step line",
        ),
        (
            "PD1",
            "atmega2560 (not atmega328p: pin PD1 of `lamp` is the serial port's",
        ),
    ] {
        let rig = rig(
            &["disc"],
            &format!("outputs: {{ lamp: {{ pin: {pin} }} }}\n"),
        );
        let bench = Bench::new(&there_and_back(1000), &rig);
        let said = bench.emit("firmware", "player", &[]).unwrap();
        assert!(said.contains(part), "{said}");
        // The script's own folder is no project.
        let said = bench.emit("firmware", ".", &[]).unwrap_err();
        assert!(said.contains("holds other things"), "{said}");
        assert!(!bench.path().join("player.h").exists());
    }
}

#[test]
fn pins_that_no_part_has_are_refused_unless_the_board_is_another_one() {
    for (pins, reasons) in [
        (
            "outputs: { lamp: { pin: D9 }, bell: { pin: GPIO4 } }\ninputs: { door: { pin: 13 } }\n",
            &[
                "`D9` of `lamp` and `GPIO4` of `bell` and `13` of `door`",
                "as in PB0",
            ][..],
        ),
        (
            "outputs: { lamp: { pin: B1 }, bell: { pin: PX1 }, horn: { pin: PB8 } }\n",
            &[
                "`B1` of `lamp`, perhaps PB1",
                "`PX1` of `bell` and",
                "`PB8` of `horn`;",
            ],
        ),
        // There on one part, and taken by something else on it.
        (
            "outputs: { lamp: { pin: PE0 } }\n",
            &["pin PE0 of `lamp` is the serial port's"],
        ),
        (
            "outputs: { lamp: { pin: PB7 } }\n",
            &["atmega328p: pin PB7 of `lamp` is not there, or belongs to the crystal"],
        ),
    ] {
        let bench = Bench::new(&there_and_back(1000), &rig(&["disc"], pins));
        let said = bench.emit("firmware", "player", &[]).unwrap_err();
        for reason in reasons.iter().chain(&["--other-board"]) {
            assert!(said.contains(reason), "{reason} is not in {said}");
        }
        assert!(!bench.path().join("player").exists());
        let said = bench
            .emit("firmware", "player", &["--other-board"])
            .unwrap();
        assert!(said.contains("four functions"), "{said}");
        let project = bench.path().join("player");
        assert!(project.join("board_other.h").exists() && !project.join("pins.h").exists());
    }
    // A timer that no such part has says by itself that the board is another one.
    let other = rig(&["disc"], "outputs: { lamp: { pin: D9 } }\n")
        .replace("16 MHz, prescaler: 8", "72 MHz, prescaler: 36");
    let bench = Bench::new(&there_and_back(1000), &other);
    assert!(bench.emit("firmware", "player", &[]).is_ok());
}
