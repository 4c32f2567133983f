//! Whoever waits for a long program sees that something goes on. Each program here would go
//! on for hours; it is ended once something is shown, however long the machine takes to that.

use std::io::Read as _;
use std::process::{Child, Command, Stdio};

use crate::bench::{Bench, PROGRAM};
use crate::support::tool;

/// A command that is still running.
struct Running(Child);

impl Drop for Running {
    fn drop(&mut self) {
        // `script` passes this on to what runs at its terminal.
        let number = self.0.id().to_string();
        let _ = Command::new("kill").args(["-s", "TERM", &number]).status();
        let _ = self.0.wait();
    }
}

/// Waits until the command, at a pseudo-terminal, shows these words.
#[track_caller]
fn shows(bench: &Bench, command: &str, words: &str) {
    // It lets a program believe that it sits at a terminal.
    let Some(script) = tool("script") else { return };
    let command = format!("exec '{PROGRAM}' {command}");
    let child = Command::new(script)
        .args(["--quiet", "--flush", "--command", &command, "/dev/null"])
        .current_dir(bench.path())
        .env("COLUMNS", "100")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn();
    let mut running = Running(child.unwrap());
    let mut shown = Vec::new();
    let mut bytes = [0; 4096];
    let out = running.0.stdout.as_mut().unwrap();
    loop {
        let count = out.read(&mut bytes).unwrap();
        shown.extend(&bytes[..count]);
        let text = String::from_utf8_lossy(&shown);
        if text.contains(words) {
            return;
        }
        assert!(count > 0, "{command} ended without “{words}”: {text}");
    }
}

/// With a program of so many moves.
fn with_moves(moves: u64, by: &str) -> Bench {
    let bench = Bench::with_scenario();
    let script = format!(
        "rig \"turntable.yaml\"\nspeed 90 deg/s\naccel 400 deg/s^2\n\
         repeat {moves} {{ turn by {by} }}\n"
    );
    bench.write("long.moves", script);
    bench
}

#[test]
fn every_command_that_goes_through_a_long_program_shows_progress() {
    // No pass is like another: a radian is no whole number of microsteps.
    let bench = with_moves(1_000_000_000_000, "1 rad");
    for (command, words) in [
        ("check long.moves", " left"),
        ("simulate long.moves", " left"),
        ("emit long.moves --as csv -o x.csv", " left"),
        ("report long.moves -o x.html", " left"),
        ("watch long.moves -o x.html", "checking"),
        ("stream long.moves --port none", " left"),
    ] {
        shows(&bench, command, words);
    }
}

#[test]
fn a_long_schedule_shows_how_much_of_it_is_written() {
    // Checked in no time, and some 10^10 steps to write.
    let bench = with_moves(100, "30000 turn");
    let emit = "emit long.moves --as csv -o /dev/null";
    shows(&bench, emit, "of the program");
}
