//! Whoever reads our output may leave: the answer decides the exit code, whatever became
//! of the text.

use std::fs::File;
use std::process::{Command, Stdio};

use crate::bench::{Bench, Outcome, example};

/// A run whose standard output nobody reads.
fn unread(bench: &Bench, arguments: &[&str]) -> Outcome {
    let (reader, writer) = std::io::pipe().unwrap();
    drop(reader);
    let mut command = bench.command(arguments);
    command.stdout(writer).stderr(Stdio::piped());
    command.spawn().unwrap().wait_with_output().unwrap().into()
}

#[test]
fn a_closed_pipe_does_not_change_the_verdict() {
    let bench = Bench::new();
    let (bad, good) = (example("lift.moves"), example("lift-cured.moves"));
    for (command, code) in [
        (vec!["check", bad.as_str()], 1),
        (vec!["check", &bad, "--json"], 1),
        (vec!["check", &bad, "--verbose"], 1),
        (vec!["check", &good], 0),
        (vec!["check", &good, "--json"], 0),
        (vec!["report", &bad, "-o", "-"], 1),
        (vec!["report", &good, "-o", "-"], 0),
        (vec!["emit", &bad, "--as", "csv"], 1),
        (vec!["emit", &good, "--as", "csv"], 0),
        (vec!["plan", &good, "--json"], 0),
        (vec!["motor", &example("lift.yaml")], 0),
    ] {
        let message = unread(&bench, &command).ended(code);
        assert!(!message.contains("error"), "{command:?}: {message}");
    }
}

#[test]
fn lost_steps_fail_the_run_whoever_reads_the_outcome_or_the_trace() {
    let (bench, mixer) = (Bench::new(), example("mixer.moves"));
    for command in [
        vec!["simulate", &mixer],
        vec!["simulate", &mixer, "--json"],
        vec!["simulate", &mixer, "--trace", "-"],
        vec!["check", &mixer],
    ] {
        assert_eq!(bench.run(&command).code, Some(1), "{command:?}");
        unread(&bench, &command).ended(1);
    }
}

#[test]
fn a_pipe_that_was_named_has_to_take_all_of_it() {
    let bench = Bench::with_scenario();
    let made = Command::new("mkfifo").arg(bench.file("pipe")).status();
    assert!(made.unwrap().success());
    let child = bench
        .command(&["emit", "turntable.moves", "--as", "csv", "-o", "pipe"])
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // Opening waits for the writer, whose text is longer than a pipe holds.
    drop(File::open(bench.file("pipe")).unwrap());
    let outcome: Outcome = child.wait_with_output().unwrap().into();
    let message = outcome.ended(3);
    assert!(message.contains("pipe: its reader left"), "{message}");
}

#[test]
fn a_full_disk_at_standard_output_is_a_failure() {
    let bench = Bench::with_scenario();
    let full = File::options().write(true).open("/dev/full");
    let Ok(full) = full else { return };
    let mut command = bench.command(&["check", "turntable.moves"]);
    let outcome: Outcome = command.stdout(full).output().unwrap().into();
    outcome.ended(3);
}
