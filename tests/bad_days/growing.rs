//! Inputs that grow while they are read. The answer is that of a text which was there at some
//! instant, or a refusal. Pipes give the order of what happens: opening one waits for the other
//! side, and writing more than it holds waits until the other side has read.

use std::fs::{self, File};
use std::io::Write as _;
use std::path::Path;
use std::process::{Command, Stdio};

use crate::bench::{Bench, Outcome, example};

/// Plots what was recorded.
const PLOT_RECORDED: [&str; 6] = [
    "plot",
    "turntable.moves",
    "--recorded",
    "run.csv",
    "-o",
    "out.svg",
];
/// More than a pipe holds (pipe(7): 16 pages).
const LONG: usize = 160 << 10;

/// The scenario of `new`, with its motor in a file of its own, a recording, and the notes and
/// logs of an unknown motor.
fn with_inputs() -> Bench {
    let bench = Bench::with_scenario();
    let rig = bench.read("turntable.yaml");
    let (head, rest) = rig.split_once("    motor:\n").unwrap();
    let (motor, rest) = rest.split_once("    drive:\n").unwrap();
    bench.write("motor.yaml", motor.replace("      ", ""));
    let rig = format!("{head}    motor: motor.yaml\n    drive:\n{rest}");
    bench.write("other.yaml", &rig).write("turntable.yaml", rig);
    bench.write("run.csv", "time_s,angle_deg\n0,0\n0.1,1\n60,1\n");
    for name in ["notes.yaml", "rise.csv", "ring.csv", "coast.csv"] {
        let text = fs::read(example(&format!("unknown-motor/{name}"))).unwrap();
        bench.write(name, text);
    }
    bench
}

/// Each kind of input, and commands that read it.
const READERS: [(&str, &[&str]); 13] = [
    ("turntable.moves", &["check", "turntable.moves", "--json"]),
    ("turntable.moves", &["plan", "turntable.moves", "--json"]),
    (
        "turntable.moves",
        &["plot", "turntable.moves", "-o", "out.svg"],
    ),
    ("turntable.moves", &["report", "turntable.moves", "-o", "-"]),
    ("turntable.moves", &["fastest", "turntable.moves", "--json"]),
    ("turntable.yaml", &["check", "turntable.moves", "--json"]),
    ("turntable.yaml", &["motor", "turntable.yaml", "--json"]),
    (
        "turntable.yaml",
        &["plot", "turntable.yaml", "-o", "out.svg"],
    ),
    (
        "turntable.yaml",
        &[
            "compare",
            "turntable.yaml",
            "other.yaml",
            "--json",
            "--script",
            "turntable.moves",
        ],
    ),
    ("motor.yaml", &["check", "turntable.moves", "--json"]),
    ("run.csv", &PLOT_RECORDED),
    ("notes.yaml", &["identify", "notes.yaml", "--json"]),
    ("ring.csv", &["identify", "notes.yaml", "--json"]),
];

/// What a command says and writes.
fn all_of(bench: &Bench, outcome: Outcome) -> (Option<i32>, String, Option<String>) {
    let written = fs::read_to_string(bench.file("out.svg")).ok();
    assert!(!outcome.err.contains("panicked"), "{}", outcome.err);
    (outcome.code, outcome.out, written)
}

/// The command, which opens a pipe in the place of the input `name` once; `feed` writes to it.
fn fed(bench: &Bench, name: &str, arguments: &[&str], feed: impl FnOnce(&mut File)) -> Outcome {
    let path = bench.file(name);
    let _ = fs::remove_file(&path);
    make_pipe(&path);
    let child = bench
        .command(arguments)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // Waits for the reader.
    let mut pipe = File::options().write(true).open(&path).unwrap();
    feed(&mut pipe);
    drop(pipe);
    child.wait_with_output().unwrap().into()
}

fn make_pipe(path: &Path) {
    let made = Command::new("mkfifo").arg(path).status();
    assert!(made.unwrap().success());
}

#[test]
fn what_is_appended_while_it_is_read_belongs_to_it() {
    for (name, arguments) in READERS {
        let bench = with_inputs();
        let text = bench.read(name);
        let middle = text.len() / 2;
        let (begin, end) = text.split_at(middle + text[middle..].find('\n').unwrap() + 1);
        let long = "# and on and on and on and on\n".repeat(LONG / 30);
        bench.write(name, format!("{begin}{long}{end}"));
        let whole = all_of(&bench, bench.run(arguments));
        assert!(matches!(whole.0, Some(0 | 1)), "{arguments:?}: {whole:?}");
        let grown = fed(&bench, name, arguments, |pipe| {
            pipe.write_all(begin.as_bytes()).unwrap();
            // It has begun to read when all of this has found room.
            pipe.write_all(long.as_bytes()).unwrap();
            pipe.write_all(end.as_bytes()).unwrap();
        });
        assert!(all_of(&bench, grown) == whole, "{name}: {arguments:?}");
    }
}

#[test]
fn what_is_appended_for_ever_is_refused_where_it_gets_too_long() {
    for (name, arguments) in READERS {
        let bench = with_inputs();
        let text = bench.read(name);
        let more = "# and on and on and on and on\n".repeat(1 << 12);
        let endless = fed(&bench, name, arguments, |pipe| {
            pipe.write_all(text.as_bytes()).unwrap();
            // Until the reader has had enough.
            while pipe.write_all(more.as_bytes()).is_ok() {}
        });
        let message = endless.ended(2);
        assert!(
            message.contains("longer than 64 MiB") && message.contains(name),
            "{arguments:?}: {message}"
        );
    }
}

/// While it waits for one input, another one grows that it has read already, or has not: the
/// answer is that of the old text or that of the new one, in all that is said and written.
#[test]
fn what_grows_between_two_reads_gives_the_old_answer_or_the_new_one() {
    let longer = |text: &str| format!("{text}\nturn by 45 deg\ndwell 20 ms\n");
    let slower = |text: &str| {
        text.replace("supply: 24 V", "supply: 23 V")
            .replace("microsteps: 16", "microsteps: 8")
    };
    let warmer = |text: &str| text.replace("2.50 V", "2.55 V");
    type Change<'c> = &'c dyn Fn(&str) -> String;
    let emit: &[&str] = &["emit", "turntable.moves", "--as", "json"];
    let simulate: &[&str] = &["simulate", "turntable.moves", "--json"];
    let coils: &[&str] = &["coils", "turntable.yaml", "--as", "json"];
    let (moves, rig): (&str, &str) = ("turntable.moves", "turntable.yaml");
    let mut cases: Vec<(&str, &str, Change<'_>, &[&str])> = vec![
        ("run.csv", moves, &longer, &PLOT_RECORDED),
        ("turntable.yaml", moves, &longer, emit),
        ("turntable.yaml", moves, &longer, simulate),
        ("motor.yaml", rig, &slower, emit),
        ("motor.yaml", rig, &slower, coils),
        ("rise.csv", "notes.yaml", &warmer, READERS[11].1),
    ];
    for (name, arguments) in READERS {
        match name {
            "turntable.moves" => cases.push((rig, moves, &longer, arguments)),
            "turntable.yaml" => cases.push(("motor.yaml", rig, &slower, arguments)),
            _ => {}
        }
    }
    for (gate, grows, change, arguments) in cases {
        let bench = with_inputs();
        if arguments[0] == "compare" {
            // One rig opens the motor's file, and no other.
            let own = bench
                .read("turntable.yaml")
                .replace("motor.yaml", "motor2.yaml");
            fs::copy(bench.file("motor.yaml"), bench.file("motor2.yaml")).unwrap();
            bench.write("other.yaml", own);
        }
        let (before, text) = (bench.read(grows), bench.read(gate));
        let after = change(&before);
        assert_ne!(before, after);
        let old = all_of(&bench, bench.run(arguments));
        bench.write(grows, &after);
        let new = all_of(&bench, bench.run(arguments));
        assert!(old != new, "{arguments:?}");
        bench.write(grows, &before);
        let between = fed(&bench, gate, arguments, |pipe| {
            bench.write(grows, &after);
            pipe.write_all(text.as_bytes()).unwrap();
        });
        let between = all_of(&bench, between);
        assert!(
            between == old || between == new,
            "{gate}, {grows}: {arguments:?}"
        );
    }
}
