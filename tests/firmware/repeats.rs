//! Long repeats: the board's C plays a packed table of a million passes, on a board in a process
//! whose clock is counted and not waited for.

use std::collections::VecDeque;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::Command;

use crate::board::{Bench, assert_succeeded};
use crate::played::{LAMP, rig};
use crate::support;

/// Events at each end that are compared: as many as the board keeps.
const KEPT: usize = 400;

/// Lines as `board.h` numbers them, and of a step the axis behind this.
const STEP: u64 = 32;
const OUTPUT: u64 = 16;

/// What happened: the tick, the line, the level.
type Played = (u64, u64, u64);

/// The first and the last events that the board has played, how many there were, and what it
/// says at the end; none where a tool is missing.
fn played(bench: &Bench) -> Option<(Vec<Played>, Vec<Played>, String)> {
    let gcc = support::tool("gcc")?;
    bench
        .emit("firmware", "player", &["--other-board"])
        .unwrap_or_else(|said| panic!("{said}"));
    let folder = bench.path().join("player");
    let board = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside/board_posix.c");
    let built = Command::new(gcc)
        .current_dir(&folder)
        .args(["-std=c99", "-O2", "-Wall", "-Wextra", "-Werror", "-I."])
        // A sleeping processor wakes with the next interrupt.
        .arg("-DBOARD_IDLE()=(board_interrupts(1), (void)board_now())")
        .args(["-DBOARD_LEAD=4u", "-DBOARD_TO_ARM=4u"])
        .args(["player.c", "table.c", "schedule.c"])
        .arg(board)
        .args(["-o", "board"])
        .output()
        .unwrap();
    assert_succeeded(&built);
    let out = Command::new(folder.join("board")).arg("--free").output();
    let out = out.unwrap();
    assert_succeeded(&out);
    let text = String::from_utf8(out.stdout).unwrap();
    let mut parts = text.split("=");
    let mut events = || -> Vec<Played> {
        let lines = parts.next().unwrap().lines();
        let numbers = lines.filter(|line| !line.is_empty()).map(|line| {
            let mut words = line.split(' ').map(|word| word.parse().unwrap());
            let mut next = || words.next().unwrap();
            (next(), next(), next())
        });
        numbers.collect()
    };
    let (first, last) = (events(), events());
    Some((first, last, parts.next().unwrap().trim().to_owned()))
}

/// The first and the last events of the csv, and how many there are.
fn planned(bench: &Bench) -> (Vec<Played>, Vec<Played>, u64) {
    bench.emit("csv", "program.csv", &[]).unwrap();
    let file = std::fs::File::open(bench.path().join("program.csv")).unwrap();
    let (mut first, mut last, mut count) = (Vec::new(), VecDeque::new(), 0);
    for line in BufReader::new(file).lines().skip(1) {
        let line = line.unwrap();
        let fields: Vec<&str> = line.split(',').collect();
        let active = |level| u64::from(fields[3] == level);
        let (line, level) = match fields[1] {
            "step" => (STEP, if fields[3] == "1" { 1 } else { 255 }),
            "direction" => (0, active("1")),
            "output" => (OUTPUT, active("1")),
            other => panic!("{other}"),
        };
        let event = (fields[0].parse().unwrap(), line, level);
        count += 1;
        if first.len() < KEPT {
            first.push(event);
        }
        last.push_back(event);
        if last.len() > KEPT {
            last.pop_front();
        }
    }
    (first, last.into(), count)
}

#[test]
fn a_million_passes_from_memory_end_on_the_ticks_of_the_csv() {
    // A pass of no whole number of ticks, and what comes behind the passes.
    let script = "rig \"rig.yaml\"\nbands allow\nspeed 4001 microstep/s\naccel 900000 microstep/s^2\n\
        repeat 1000000 {\n  turn by 2 microstep\n  dwell 1.00037 ms\n}\n\
        output lamp on\ndwell 10 ms\noutput lamp off\nturn by -5 microstep\n";
    let bench = Bench::new(script, &rig(&["disc"], LAMP));
    let Some((first, last, end)) = played(&bench) else {
        return;
    };
    let (planned_first, planned_last, count) = planned(&bench);
    assert_eq!(end, format!("{count} 1 1999995"), "finished");
    assert_eq!(count, 2_000_000 + 2 + 2 + 5);
    // From the tick of the first step on.
    let begins = |events: &[Played]| events.iter().find(|event| event.1 == STEP).unwrap().0;
    let (started, planned_start) = (begins(&first), begins(&planned_first));
    for (played, planned) in [(first, planned_first), (last, planned_last)] {
        let of_line = |events: &[Played], line: u64| -> Vec<(i64, u64)> {
            let of_line = events.iter().filter(|event| event.1 == line);
            of_line.map(|event| (event.0 as i64, event.2)).collect()
        };
        for line in [0, OUTPUT, STEP] {
            let (made, asked) = (of_line(&played, line), of_line(&planned, line));
            assert_eq!(made.len(), asked.len(), "line {line}");
            for ((at, level), (tick, wanted)) in made.iter().zip(&asked) {
                assert_eq!(level, wanted, "line {line}");
                let off = (at - started as i64) - (tick - planned_start as i64);
                // Packing moves a step by a tick at most; a direction comes early.
                let early = if line == STEP { 1 } else { 20 };
                assert!(
                    (-early..=1 + early / 2).contains(&off),
                    "line {line} at {tick}: {off}"
                );
            }
        }
    }
}
