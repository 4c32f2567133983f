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

/// A command that nobody listens to.
fn started(bench: &Bench, arguments: &[&str]) -> Child {
    bench
        .command(arguments)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap()
}

/// A command that has begun to write.
fn begun(bench: &Bench, arguments: &[&str]) -> Child {
    let mut child = started(bench, arguments);
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
        // It knows what the killed one left behind.
        assert_eq!(parts(&bench), [""; 0], "{arguments:?}");
    }
}

/// Commands that write, and what they write.
const WRITERS: [(&[&str], &str); 6] = [
    (
        &["report", "turntable.moves", "-o", "page.html"],
        "page.html",
    ),
    (
        &["emit", "turntable.moves", "--as", "csv", "-o", "steps.csv"],
        "steps.csv",
    ),
    (
        &["emit", "turntable.moves", "--as", "c", "-o", "table.h"],
        "table.h",
    ),
    (&["plot", "turntable.moves", "-o", "moves.png"], "moves.png"),
    (
        &["simulate", "turntable.moves", "--trace", "run.csv"],
        "run.csv",
    ),
    (&["coils", "turntable.yaml", "-o", "coils.txt"], "coils.txt"),
];

/// The system kills a program whose file grows beyond its limit (setrlimit(2), `RLIMIT_FSIZE`):
/// in the middle of its writing, at a place of our choice.
#[test]
fn a_writer_killed_at_any_place_leaves_the_old_file_and_the_next_one_clears_up() {
    for (arguments, target) in WRITERS {
        let bench = Bench::with_scenario();
        bench.run(arguments).ended(0);
        let whole = std::fs::read(bench.file(target)).unwrap();
        // Blocks of 512 bytes, or in some shells of 1024: always less than the file.
        let most = (whole.len() - 1) / 1024;
        assert!(most > 0, "{target}");
        for blocks in [0, 1, most / 2, most] {
            bench.write(target, "old");
            let limits = format!("ulimit -c 0; ulimit -f {blocks}");
            let killed = bench.run_limited(&limits, arguments);
            assert_eq!(killed.code, None, "{arguments:?}: {}", killed.err);
            assert_eq!(bench.read(target), "old");
            assert_eq!(parts(&bench).len(), 1, "{arguments:?}");
            bench.run(arguments).ended(0);
            assert!(std::fs::read(bench.file(target)).unwrap() == whole);
            assert_eq!(parts(&bench), [""; 0], "{arguments:?}");
        }
    }
}

/// Signals at many places of a run, many of them while it writes or gives the file its name.
#[test]
fn a_report_or_schedule_ended_anywhere_is_the_old_one_or_the_new_one() {
    const TRIES: u32 = 12;
    for (arguments, target) in &WRITERS[..2] {
        let bench = Bench::with_scenario();
        bench.run(arguments).ended(0);
        let whole = bench.read(target);
        // Ends a run after so many looks at the folder, or so many after it began to write.
        let run = |signal: &str, most: u32, writing: bool| {
            bench.write(target, "old");
            let mut child = started(&bench, arguments);
            let (mut looks, mut begun) = (0, !writing);
            while child.try_wait().unwrap().is_none() && looks < most {
                begun |= !parts(&bench).is_empty();
                looks += u32::from(begun);
            }
            let number = child.id().to_string();
            // It may have ended; it is not waited for yet, so that its number is still its own.
            let _ = Command::new("kill").args(["-s", signal, &number]).output();
            (child.wait().unwrap().code(), looks)
        };
        let (_, all) = run("CONT", u32::MAX, false);
        for attempt in 0..TRIES {
            for writing in [false, true] {
                let most = if writing {
                    attempt
                } else {
                    all * attempt / TRIES
                };
                let (code, _) = run("INT", most, writing);
                // Before it has a file to remove, the system ends it.
                assert!(matches!(code, Some(0 | 130) | None), "{code:?}");
                let found = bench.read(target);
                assert!(found == "old" || found == whole, "{arguments:?}");
                assert_eq!(parts(&bench), [""; 0], "{arguments:?}");
                run("KILL", most, writing);
                let found = bench.read(target);
                assert!(found == "old" || found == whole, "{arguments:?}");
                bench.run(arguments).ended(0);
                assert_eq!(bench.read(target), whole);
                assert_eq!(parts(&bench), [""; 0], "{arguments:?}");
            }
        }
    }
}

/// What has our name may be somebody's who writes, or no file at all.
#[test]
fn only_files_that_nobody_writes_are_cleared_away() {
    let bench = Bench::with_scenario();
    let names = [
        ".slewsmith-dead01.part",
        ".slewsmith-live01.part",
        ".slewsmith-pipe01.part",
    ];
    bench.write(names[0], "half").write(names[1], "half");
    let held = std::fs::File::open(bench.file(names[1])).unwrap();
    held.try_lock().unwrap();
    // Opening it would wait for a writer.
    let made = Command::new("mkfifo").arg(bench.file(names[2])).status();
    assert!(made.unwrap().success());
    let emit = ["emit", "turntable.moves", "--as", "csv", "-o", "steps.csv"];
    bench.run(&emit).ended(0);
    assert_eq!(parts(&bench), names[1..]);
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
