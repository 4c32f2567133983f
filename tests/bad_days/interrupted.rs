//! Signals in the middle of writing, and two who write the same. A test waits until it sees an
//! unfinished file, however long that takes.

use std::process::{Child, Command, Stdio};

use crate::bench::{Bench, PROGRAM};

/// Passes that are alike are worked out once, and written one by one: for hours.
const ALIKE: &str = "rig \"turntable.yaml\"\nspeed 90 deg/s\naccel 400 deg/s^2\nrepeat 1000000000 { turn by 1 turn }\n";
/// No pass is like another, so the motor model plays for hours.
const UNLIKE: &str = "rig \"turntable.yaml\"\nspeed 90 deg/s\naccel 400 deg/s^2\nrepeat 1000000000 { turn by 1 rad }\n";

/// Writes the first of them over a file.
const EMIT: [&str; 8] = [
    "emit",
    "alike.moves",
    "--as",
    "csv",
    "--unchecked",
    "--without-simulation",
    "-o",
    "steps.csv",
];

/// Both programs, and the file that they are written over.
fn long_programs() -> Bench {
    let bench = Bench::with_scenario();
    bench
        .write("alike.moves", ALIKE)
        .write("unlike.moves", UNLIKE)
        .write("steps.csv", "old");
    bench
}

fn parts(bench: &Bench) -> Vec<String> {
    let mut names = bench.names(".");
    names.retain(|name| name.starts_with(".slewsmith-"));
    names
}

/// A command that has begun to write.
fn begun(bench: &Bench, arguments: &[&str]) -> Child {
    let mut child = bench
        .command(arguments)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    while parts(bench).is_empty() {
        let ended = child.try_wait().unwrap();
        assert!(ended.is_none(), "it ended before it wrote: {ended:?}");
        std::thread::yield_now();
    }
    child
}

#[test]
fn a_signal_amid_a_schedule_leaves_the_old_file_and_nothing_besides() {
    let bench = long_programs();
    for (signal, code) in [("INT", 130), ("TERM", 143)] {
        let mut child = begun(&bench, &EMIT);
        let number = child.id().to_string();
        let sent = Command::new("kill").args(["-s", signal, &number]).status();
        assert!(sent.unwrap().success());
        assert_eq!(child.wait().unwrap().code(), Some(code), "{signal}");
        assert_eq!(parts(&bench), [""; 0], "{signal}");
        assert_eq!(bench.read("steps.csv"), "old");
    }
}

#[test]
fn a_killed_writer_leaves_the_old_file_and_the_next_one_writes_a_whole_one() {
    let bench = long_programs();
    let trace = ["simulate", "unlike.moves", "--trace", "steps.csv"];
    let whole = bench.run(&["emit", "turntable.moves", "--as", "csv"]).out;
    for arguments in [&EMIT[..], &trace] {
        bench.write("steps.csv", "old");
        let mut child = begun(&bench, arguments);
        child.kill().unwrap();
        child.wait().unwrap();
        assert_eq!(bench.read("steps.csv"), "old");
        bench
            .run(&["emit", "turntable.moves", "--as", "csv", "-o", "steps.csv"])
            .ended(0);
        assert_eq!(bench.read("steps.csv"), whole);
        // What is left of the killed one goes by hand: a part may be another writer's.
        for part in parts(&bench) {
            std::fs::remove_file(bench.file(&part)).unwrap();
        }
    }
}

#[test]
fn of_two_writers_of_one_target_one_has_written_all_of_it() {
    let bench = Bench::with_scenario();
    let script = bench.read("turntable.moves");
    bench.write("other.moves", script.replace("360/8", "360/9"));
    let of = |script: &str| bench.run(&["emit", script, "--as", "csv"]).out;
    let either = [of("turntable.moves"), of("other.moves")];
    assert_ne!(either[0], either[1]);
    for _ in 0..4 {
        let writers: Vec<Child> = [
            "turntable.moves",
            "other.moves",
            "turntable.moves",
            "other.moves",
        ]
        .iter()
        .map(|script| {
            Command::new(PROGRAM)
                .args([
                    "emit",
                    script,
                    "--as",
                    "csv",
                    "--without-simulation",
                    "-o",
                    "steps.csv",
                ])
                .current_dir(bench.path())
                .stderr(Stdio::null())
                .spawn()
                .unwrap()
        })
        .collect();
        for mut writer in writers {
            assert_eq!(writer.wait().unwrap().code(), Some(0));
        }
        assert!(either.contains(&bench.read("steps.csv")));
        assert_eq!(parts(&bench), [""; 0]);
    }
}
