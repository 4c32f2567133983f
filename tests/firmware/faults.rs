//! What a board does when something goes wrong, as the README of its project states it.

use crate::board::{self, Bench, Built, CLOCK, Run};
use crate::played::{LAMP, opens, rig, there_and_back};

const SCRIPT: &str = "rig \"rig.yaml\"\nbands allow\nspeed 1000 microstep/s\naccel 50000 microstep/s^2\nshape trapezoid\n\
    output lamp on\nturn by 200 microstep\nawait door\nturn by -77 microstep\n";
const LINES: &str = "outputs: { lamp: { pin: PD6 } }\ninputs: { door: {}, go: {} }\n";

/// The row of the README's table that begins so: what happens then, what is reported.
#[track_caller]
fn row(built: &Built, what: &str) -> [String; 2] {
    let text = built.file("README.md");
    let row = text
        .lines()
        .find(|line| line.starts_with(&format!("| {what}")));
    let row = row.unwrap_or_else(|| panic!("no row of {what} in {text}"));
    let cells: Vec<&str> = row.split('|').map(str::trim).collect();
    [cells[2].to_owned(), cells[3].to_owned()]
}

/// Neither the step line nor the lamp is active a thousand cycles behind a cycle.
#[track_caller]
fn assert_off(built: &Built, run: &Run, behind: u64) {
    for line in ["step of disc", "output lamp"] {
        let pin = built.pin(line);
        let mut own = run.edges.iter().filter(|edge| edge.pin == pin);
        let late = own
            .clone()
            .find(|edge| edge.cycle > behind + 1000 && edge.level == 1);
        assert!(late.is_none(), "{line}: {late:?}");
        assert!(own.next_back().is_none_or(|edge| edge.level == 0), "{line}");
    }
}

#[test]
fn the_watchdog_resets_a_board_whose_decoder_or_interrupt_hangs_and_no_other() {
    if board::harness().is_none() {
        return;
    }
    // 120 ms is the shortest time of that part's watchdog that is longer than twice the longest
    // wait of an event and the filling of its rings, with an oscillator 30 % fast.
    let built = Bench::new(&there_and_back(2_000), &rig(&["disc"], LAMP));
    let built = built.build(&[]);
    let [then, says] = row(
        &built,
        "decoder or timer interrupt hangs: the watchdog resets after 120 ms",
    );
    assert_eq!(
        (then.as_str(), says.as_str()),
        ("all off; positions unknown", "reset")
    );
    for fault in ["hang", "mask"] {
        for at in [9_000_000u64, 40_000_000] {
            let run = built.run(4 * CLOCK, &[format!("{fault}={at}"), "quiet".to_owned()]);
            let reset = run
                .watchdog
                .unwrap_or_else(|| panic!("{fault} at {at}: no reset"));
            let time = reset - at;
            println!("{fault}: reset after {time} cycles");
            assert!(time <= 2_100_000, "{time}");
        }
    }
    // The reset that follows starts nothing.
    let run = built.run(CLOCK, &["cause=8".to_owned()]);
    assert_eq!(run.text.as_deref(), Some("reset 0"));
    assert_off(&built, &run, 0);
    // Minutes of waiting for an input, and long waits, are no reason.
    let script = "rig \"rig.yaml\"\nbands allow\nspeed 1000 microstep/s\naccel 50000 microstep/s^2\nturn by 5 microstep\n\
        dwell 3 s\nawait door\nturn by 5 microstep\n";
    for prescaler in [1, 64] {
        let rig = rig(&["disc"], LINES)
            .replace("prescaler: 8", &format!("prescaler: {prescaler}"))
            .replace("9 us", "900 us");
        let bench = Bench::new(script, &rig);
        let built = bench.build(&[]);
        let door = built.pin("input door");
        let released = format!("hold={}:{}:1", door.port, door.bit);
        let closes = format!("pin={}:{}:{}:0", 9 * CLOCK, door.port, door.bit);
        let run = built.run(12 * CLOCK, &[released, closes]);
        assert_eq!(run.watchdog, None);
        assert_eq!(run.text.as_deref(), Some("finished 10"), "{prescaler}");
    }
}

#[test]
fn the_start_input_plays_again_after_the_end_and_after_a_stop_that_was_cleared() {
    if board::harness().is_none() {
        return;
    }
    let script = "rig \"rig.yaml\"\nbands allow\nspeed 1000 microstep/s\naccel 50000 microstep/s^2\nshape trapezoid\n\
        output lamp on\nturn by 200 microstep\noutput lamp off\nturn by -77 microstep\n";
    let bench = Bench::new(
        script,
        &rig(&["disc"], &format!("{LINES}controller: {{ start: go }}\n")),
    );
    let built = bench.build(&[]);
    let (go, stop) = (built.pin("input go"), built.pin("stop contact"));
    let step = built.pin("step of disc");
    let at = |pin: board::Pin, ms: u64, level: u8| {
        format!("pin={}:{}:{}:{level}", ms * 16_000, pin.port, pin.bit)
    };
    let released = format!("hold={}:{}:1", go.port, go.bit);
    let run = |stimuli: &[String]| {
        let mut all = vec![released.clone(), "lines=9".to_owned()];
        all.extend_from_slice(stimuli);
        built.run(4 * CLOCK, &all)
    };
    // A pass takes some 300 ms. Played three times, each time as at first.
    let played = run(&[
        at(go, 500, 0),
        at(go, 600, 1),
        at(go, 1500, 0),
        at(go, 1600, 1),
    ]);
    assert_eq!(played.texts, ["finished 123"; 3]);
    let steps = played.edges_of(step, 1);
    assert_eq!(steps.len(), 3 * 277);
    let gaps = |from: usize| {
        steps[from..from + 277]
            .windows(2)
            .map(|two| two[1] - two[0])
            .collect::<Vec<_>>()
    };
    assert_eq!(gaps(0), gaps(277));
    assert_eq!(gaps(0), gaps(554));
    // Held from before the end on: it has to be released first.
    assert_eq!(run(&[at(go, 100, 0)]).texts, ["finished 123"]);
    // A stop: no start while the contact is open, nor by its closing, nor with the button held.
    let stopped = [at(stop, 100, 1), at(go, 500, 0), at(go, 600, 1)];
    let open = run(&stopped);
    assert_eq!(open.texts.len(), 1);
    assert!(open.texts[0].starts_with("stop contact "));
    assert_off(&built, &open, 1_600_000);
    let mut closed = stopped.to_vec();
    closed.push(at(stop, 1000, 0));
    assert_eq!(run(&closed).texts, open.texts);
    let mut held = vec![at(stop, 100, 1), at(go, 500, 0), at(stop, 1000, 0)];
    assert_eq!(run(&held).texts, open.texts);
    held.extend([at(go, 1100, 1), at(go, 1300, 0)]);
    assert_eq!(run(&held).texts, [open.texts[0].as_str(), "finished 123"]);
    closed.push(at(go, 1300, 0));
    let again = run(&closed);
    assert_eq!(again.texts, [open.texts[0].as_str(), "finished 123"]);
    let lamp = again.edges_of(built.pin("output lamp"), 1);
    assert_eq!(lamp.len(), 2, "on again in the second pass");
    // It opens again while it waits: told once more only where that is news.
    let opened = run(&[at(stop, 1000, 1), at(stop, 1200, 0), at(go, 1500, 0)]);
    assert_eq!(
        opened.texts,
        ["finished 123", "stop contact 123", "finished 123"]
    );
}

/// The flash loses bits after the checksum was found right: whatever the decoder makes of it, it
/// comes to an end, and everything is off behind any end but the program's own.
#[test]
fn a_table_that_is_damaged_while_it_plays_ends_the_pulses_and_switches_everything_off() {
    if board::harness().is_none() {
        return;
    }
    let script = SCRIPT.replace("await door\n", "dwell 20 ms\n");
    let bench = Bench::new(&script, &rig(&["disc"], LAMP));
    let built = bench.build(&[]);
    let table = built.address("schedule");
    let mut damaged = 0;
    for place in (0..built.size().table).step_by(7) {
        // While the lamp is on and the first steps are made; most of the table has been decoded
        // by then only where it is short, as this one is.
        let run = built.run(CLOCK / 2, &[format!("spoil=90000:{}:255", table + place)]);
        let text = run.text.as_deref().unwrap_or("still going");
        let words = ["damaged", "finished", "late", "starved", "still going"];
        assert!(
            words.iter().any(|word| text.starts_with(word)),
            "byte {place}: {text}"
        );
        if text.starts_with("damaged") {
            damaged += 1;
            assert_eq!(
                row(&built, "table damaged, found while playing")[1],
                "damaged"
            );
        }
        if !text.starts_with("finished") && text != "still going" {
            assert_off(&built, &run, run.end);
        }
    }
    println!(
        "{damaged} of {} bytes are found while playing",
        built.size().table
    );
    assert!(damaged > 0);
}

#[test]
fn the_table_of_the_readme_is_what_the_board_does() {
    if board::harness().is_none() {
        return;
    }
    let bench = Bench::new(SCRIPT, &rig(&["disc"], LINES));
    let built = bench.build(&[]);
    let door = built.pin("input door");
    let waits = format!("hold={}:{}:1", door.port, door.bit);
    let closes = |ms: u64| format!("pin={}:{}:{}:0", ms * 16_000, door.port, door.bit);
    let run = |stimuli: &[String]| {
        let mut all = vec![waits.clone()];
        all.extend_from_slice(stimuli);
        built.run(3 * CLOCK, &all)
    };
    let says = |run: &Run| {
        let text = run.texts.last().expect("a report").clone();
        text.trim_end_matches(|c: char| c.is_ascii_digit() || c == '-')
            .trim()
            .to_owned()
    };
    // MCUSR: external 2, brown-out 4.
    for (what, cause) in [("reset pin", 2), ("supply dips", 4)] {
        let run = run(&[format!("cause={cause}")]);
        assert_eq!(says(&run), row(&built, what)[1]);
        assert_off(&built, &run, 0);
    }
    // The step and the lamp come 2 ms and more behind the start, the wait at some 210 ms.
    for (what, open, door) in [
        ("stop contact open at the start", 0, 5000),
        ("stop contact opens while axes move", 1_600_000, 5000),
        ("stop contact opens during an `await`", 8_000_000, 5000),
    ] {
        let run = run(&[opens(&built, open.max(1)), closes(door)]);
        let [then, wanted] = row(&built, what);
        assert_eq!(says(&run), wanted, "{what}");
        assert!(then.contains("off"), "{then}");
        assert_off(&built, &run, open);
    }
    let after = run(&[closes(400), opens(&built, 16_000_000), "lines=2".to_owned()]);
    assert_eq!(after.texts[0], "finished 123");
    assert_eq!(
        says(&after),
        row(&built, "stop contact opens after `finished`")[1]
    );
    assert_off(&built, &after, 16_000_000);
    // A byte of the table, and its checksum.
    let table = built.address("schedule") + 20;
    let damaged = run(&[format!("flip={table}:16")]);
    assert_eq!(
        says(&damaged),
        row(&built, "table damaged, by its checksum")[1]
    );
    assert_off(&built, &damaged, 0);
    // It opens behind another stop: the first reason stands.
    let damaged = run(&[
        format!("flip={table}:16"),
        opens(&built, 16_000_000),
        "lines=2".to_owned(),
    ]);
    assert_eq!(damaged.texts, ["damaged 0"]);
    assert_eq!(
        row(&built, "stop contact opens after another stop")[1],
        "the first reason"
    );
    assert!(
        built
            .file("README.md")
            .contains("nothing moves until the power is switched off and on again")
    );

    bench.emit("firmware", "fed", &["--feed", "line"]).unwrap();
    let text = std::fs::read_to_string(bench.path().join("fed/README.md")).unwrap();
    assert!(text.contains(
        "| line lost | the axes decelerate along their path, then all off; where the plan"
    ));
}
