//! Programs without end: the player plays pass after pass, beyond its period and beyond what
//! any count of passes could hold.

use std::fs;
use std::io::{BufRead as _, BufReader};
use std::path::Path;
use std::process::{Command, Stdio};

use slewsmith::emit::unpack_first;
use slewsmith::schedule::{Event, EventKind};

use crate::board::{self, Bench};
use crate::played::{LAMP, rig};
use crate::support;

/// Seven stops of which none is a whole number of microsteps; a period is seven passes.
const SEVENTHS: &str = "rig \"rig.yaml\"\nbands allow\nspeed 20000 microstep/s\naccel 400000 microstep/s^2\nshape trapezoid\n\
    turn by -100 microstep\nrepeat forever {\n turn by 360/7 deg\n dwell 5 ms\n output lamp on\n dwell 5 ms\n output lamp off\n}\n";

fn bench() -> Bench {
    Bench::new(SEVENTHS, &rig(&["dial"], LAMP))
}

fn packed(bench: &Bench, most: usize) -> Vec<Event> {
    bench.emit("binary", "program.bin", &[]).unwrap();
    unpack_first(&fs::read(bench.path().join("program.bin")).unwrap(), most).unwrap()
}

#[test]
fn the_board_plays_more_passes_than_the_period_on_the_very_cycles() {
    if board::harness().is_none() {
        return;
    }
    let bench = bench();
    let built = bench.build(&[]);
    // Some 28 passes of 106 ms.
    let run = built.run(3 * board::CLOCK, &[]);
    assert_eq!(run.text, None, "it does not end");
    let steps = run.edges_of(built.pin("step of dial"), 1);
    let per_pass = 6400 / 7;
    assert!(steps.len() > 20 * per_pass, "{} steps", steps.len());
    let due = packed(&bench, 2 * steps.len());
    let due = due
        .iter()
        .filter(|event| matches!(event.what, EventKind::Step { .. }))
        .map(|event| event.tick * built.constant("PRESCALER"));
    let offsets: Vec<i64> = steps
        .iter()
        .zip(due)
        .map(|(edge, due)| *edge as i64 - due as i64)
        .collect();
    assert_eq!(offsets.len(), steps.len());
    let (least, most) = (offsets.iter().min(), offsets.iter().max());
    assert_eq!(least, most, "edges lie off their cycles");
}

/// The lines of a program that does not end, up to so many.
fn first_lines(program: &Path, most: usize) -> Vec<String> {
    let mut child = Command::new(program)
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let out = BufReader::new(child.stdout.take().unwrap());
    let lines = out.lines().map(Result::unwrap).take(most).collect();
    // It may have ended by itself.
    let _ = child.kill();
    child.wait().unwrap();
    lines
}

/// The decoder of a project on this machine, its sources changed.
fn decoder(bench: &Bench, changes: &[(&str, &str, &str)]) -> std::path::PathBuf {
    bench
        .emit("firmware", "player", &["--other-board"])
        .unwrap_or_else(|said| panic!("{said}"));
    let project = bench.path().join("player");
    for (file, from, to) in changes {
        let path = project.join(file);
        let text = fs::read_to_string(&path).unwrap();
        assert!(text.contains(from), "{file} has no `{from}`");
        fs::write(&path, text.replacen(from, to, 1)).unwrap();
    }
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let program = project.join("decode_table");
    let built = Command::new(support::tool("gcc").unwrap())
        .current_dir(&project)
        .args(["-std=c99", "-O2", "-Wall", "-Wextra", "-Werror", "-I."])
        .args(["-fsanitize=undefined", "-fno-sanitize-recover=all", "-o"])
        .arg(&program)
        .arg(root.join("tests/outside/decode_table.c"))
        .args(["table.c", "schedule.c"])
        .status()
        .unwrap();
    assert!(built.success());
    program
}

/// The count of passes of a repeat, made so small that it runs out.
const SMALL: (&str, &str, &str) = ("decoder_table.h", "uint32_t left;", "uint8_t left;");
const CHECK: &str = "innermost->left == 0 || ";

/// A count of passes that is only very large would end here: the counter is narrowed to
/// eight bits, which 300 periods exceed.
#[test]
fn the_loop_of_the_player_counts_nothing() {
    if support::tool("gcc").is_none() {
        return;
    }
    let bench = Bench::new(
        "rig \"rig.yaml\"\nrepeat forever {\n dwell 1 ms\n mark \"pass\"\n}\n",
        &rig(&["dial"], ""),
    );
    let most = 2000;
    let lines = first_lines(&decoder(&bench, &[SMALL]), most);
    assert_eq!(lines.len(), most, "it ends");
    fs::remove_dir_all(bench.path().join("player")).unwrap();
    let counts = ("table.c", CHECK, "");
    let lines = first_lines(&decoder(&bench, &[SMALL, counts]), most);
    assert!(lines.len() < 300, "a loop that counts would not be noticed");
}

#[test]
fn a_c_header_played_in_c_gives_the_planned_ticks_pass_after_pass() {
    let Some(gcc) = support::tool("gcc") else {
        return;
    };
    let bench = bench();
    bench.emit("c", "schedule.h", &[]).unwrap();
    let program = bench.path().join("header");
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let built = Command::new(gcc)
        .args(["-std=c99", "-Wall", "-Wextra", "-Werror", "-I"])
        .arg(bench.path())
        .arg(root.join("tests/outside/play_header.c"))
        .arg("-o")
        .arg(&program)
        .status()
        .unwrap();
    assert!(built.success());
    let periods = 5;
    let out = Command::new(program)
        .arg(periods.to_string())
        .output()
        .unwrap();
    assert!(out.status.success());
    let played = String::from_utf8(out.stdout).unwrap();
    let played: Vec<u64> = played
        .lines()
        .filter(|line| line.contains(" step "))
        .map(|line| line.split(' ').next().unwrap().parse().unwrap())
        .collect();
    bench
        .emit("csv", "program.csv", &["--passes", "60"])
        .unwrap();
    let csv = fs::read_to_string(bench.path().join("program.csv")).unwrap();
    let planned: Vec<u64> = csv
        .lines()
        .filter(|line| line.contains(",step,"))
        .map(|line| line.split(',').next().unwrap().parse().unwrap())
        .collect();
    assert!(played.len() > 6 * 6400, "{}", played.len());
    // Every period is rounded to whole ticks: half a tick a period at most.
    for (one, other) in played.iter().zip(&planned) {
        assert!(one.abs_diff(*other) <= 1 + periods / 2, "{one} {other}");
    }
}

#[test]
fn an_independent_reader_unrolls_a_program_without_end() {
    let bench = bench();
    bench.emit("binary", "program.bin", &[]).unwrap();
    let path = bench.path().join("program.bin");
    // The byte of the layout: 3 where a repeat has no end.
    assert_eq!(fs::read(&path).unwrap()[4], 3);
    let passes = 21;
    // A pass of the packed repeat is a period of the program, seven passes or more.
    let arguments = [path.into_os_string(), (passes / 7).to_string().into()];
    let Some(read) = support::python_says("outside/unpack.py", arguments) else {
        return;
    };
    bench
        .emit("csv", "program.csv", &["--passes", &passes.to_string()])
        .unwrap();
    let csv = fs::read_to_string(bench.path().join("program.csv")).unwrap();
    let of = |text: &str, what: &str| -> Vec<(u64, String)> {
        let lines = text.lines().filter_map(|line| line.split_once(','));
        let lines = lines.filter(|(_, rest)| rest.starts_with(what));
        lines
            .map(|(tick, rest)| (tick.parse().unwrap(), rest.to_owned()))
            .collect()
    };
    for what in ["step,", "output,"] {
        let (read, csv) = (of(&read, what), of(&csv, what));
        assert!(csv.len() >= 42 && read.len() >= csv.len(), "{what}");
        for (one, other) in read.iter().zip(&csv) {
            assert!(
                one.0.abs_diff(other.0) <= 1 && one.1 == other.1,
                "{one:?} {other:?}"
            );
        }
    }
}
