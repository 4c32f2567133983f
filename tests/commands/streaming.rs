//! The command `stream`, at a pseudo-terminal. The board's clock stands still while the host
//! gets no processor, and what is waited for is what the board says, so nothing here depends
//! on how busy the machine is.

use std::io::{BufRead as _, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdout, Command, Stdio};

use serde_json::Value;
use slewsmith::Job;
use slewsmith::player::{Lines, PlayerOptions, ScheduleSource};

use crate::posix_board;

/// A rig with one axis, an output and an input.
const RIG: &str = "axes:
  dial:
    motor: { rotor_teeth: 50, phase_resistance: 2.1 ohm, phase_inductance: 4.2 mH, rated_current: 1.5 A,
             holding_torque: 0.42 N.m, rotor_inertia: 65 g.cm^2, viscous_damping: 0.4 mN.m.s/rad }
    drive: { kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 16 }
    load: { inertia: 50 g.cm^2, friction: 10 mN.m }
timer: { clock: 16 MHz, prescaler: 8, bits: 16, fastest_interval: 20 us }
outputs: { lamp: {} }
inputs: { ready: { pin: PB3 } }
";

/// The streaming player for a rig, compiled for this machine into that folder; none where a
/// tool is missing.
fn board(folder: &Path, rig: &str, lines: Lines) -> Option<PathBuf> {
    let job = Job::from_texts("dwell 1 s\n", rig).unwrap();
    let options = PlayerOptions {
        lines,
        source: ScheduleSource::Line { baud: 115_200 },
        ..PlayerOptions::default()
    };
    let folder = folder.join("board");
    std::fs::create_dir(&folder).unwrap();
    for file in &job.project(options).unwrap().files {
        std::fs::write(folder.join(file.name), &file.text).unwrap();
    }
    posix_board::compile(&folder, lines == Lines::Coils)
}

/// A board at a pseudo-terminal.
struct AtTerminal {
    child: Child,
    out: BufReader<ChildStdout>,
    name: String,
}

impl AtTerminal {
    fn start(program: &Path) -> Self {
        let mut child = Command::new(program)
            .arg("--terminal")
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut board = Self {
            out: BufReader::new(child.stdout.take().unwrap()),
            child,
            name: String::new(),
        };
        board.name = board.line();
        board
    }

    fn line(&mut self) -> String {
        let mut line = String::new();
        self.out.read_line(&mut line).unwrap();
        line.trim().to_owned()
    }

    /// Waits until it has made its first steps.
    fn moves(&mut self) {
        assert_eq!(self.line(), "400 steps");
    }

    /// `stream`, at this board.
    fn stream(&self, folder: &Path, options: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_slewsmith"));
        command
            .current_dir(folder)
            .args(["stream", "dial.moves", "--port", &self.name])
            .args(options)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped());
        command
    }
}

impl Drop for AtTerminal {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// What `stream` says in JSON, and its exit code.
fn said(child: Child) -> (Value, Option<i32>) {
    let out = child.wait_with_output().unwrap();
    let complaint = String::from_utf8_lossy(&out.stderr);
    let json: Value = serde_json::from_slice(&out.stdout).expect(&complaint);
    (json, out.status.code())
}

fn signal(child: &Child, names: &[&str]) {
    for name in names {
        let kill = Command::new("kill")
            .args(["-s", name, &child.id().to_string()])
            .status();
        assert!(kill.unwrap().success());
    }
}

/// A folder with a board for [`RIG`] and a move of some two minutes, which nobody waits for.
fn with_long_move() -> Option<(tempfile::TempDir, PathBuf)> {
    let folder = tempfile::tempdir().unwrap();
    let program = board(folder.path(), RIG, Lines::Steps)?;
    let script = "rig \"dial.yaml\"\nspeed 720 deg/s\naccel 1500 deg/s^2\nturn by 90000 deg\n";
    std::fs::write(folder.path().join("dial.yaml"), RIG).unwrap();
    std::fs::write(folder.path().join("dial.moves"), script).unwrap();
    Some((folder, program))
}

#[test]
fn the_command_plays_a_program_at_a_pseudo_terminal() {
    let Some((folder, program)) = with_long_move() else {
        return;
    };
    let script = "rig \"dial.yaml\"\nspeed 720 deg/s\naccel 1500 deg/s^2\nmark \"out\"\n\
                  turn by 900 deg\nturn by -180 deg\n";
    std::fs::write(folder.path().join("dial.moves"), script).unwrap();
    let board = AtTerminal::start(&program);
    let streaming = board.stream(folder.path(), &["--json"]).spawn();
    let (json, code) = said(streaming.unwrap());
    assert_eq!(code, Some(0), "{json}");
    assert_eq!(json["ok"], true, "{json}");
    assert_eq!(json["axes"][0]["microsteps"], 6400, "{json}");
    assert_eq!(json["mark"], "out");
}

#[test]
fn ctrl_c_slows_the_board_down_and_the_answer_is_no() {
    let Some((folder, program)) = with_long_move() else {
        return;
    };
    let mut board = AtTerminal::start(&program);
    let child = board.stream(folder.path(), &["--json"]).spawn().unwrap();
    board.moves();
    signal(&child, &["INT"]);
    let (json, code) = said(child);
    assert_eq!(code, Some(1));
    assert_eq!(json["ok"], false);
    let state = json["state"].as_str().unwrap();
    assert!(state.contains("decelerated"), "{json}");
    let steps = json["axes"][0]["microsteps"].as_i64().unwrap();
    assert!((400..800_000).contains(&steps), "{json}");
}

#[test]
fn a_program_without_end_is_streamed_until_ctrl_c() {
    let Some((folder, program)) = with_long_move() else {
        return;
    };
    // A pass has 80 steps, and the board tells of the 400th.
    let script = "rig \"dial.yaml\"\nspeed 720 deg/s\naccel 1500 deg/s^2\n\
                  repeat forever {\n turn by 9 deg\n dwell 5 ms\n}\n";
    std::fs::write(folder.path().join("dial.moves"), script).unwrap();
    let mut board = AtTerminal::start(&program);
    let child = board.stream(folder.path(), &["--json"]).spawn().unwrap();
    board.moves();
    signal(&child, &["INT"]);
    let (json, code) = said(child);
    assert_eq!(
        (code, &json["ok"]),
        (Some(1), &Value::Bool(false)),
        "{json}"
    );
    let steps = json["axes"][0]["microsteps"].as_i64().unwrap();
    assert!(steps >= 400, "{json}");
}

#[test]
fn ctrl_c_is_answered_no_though_nobody_reads_the_outcome() {
    let Some((folder, program)) = with_long_move() else {
        return;
    };
    let mut board = AtTerminal::start(&program);
    let (reader, writer) = std::io::pipe().unwrap();
    drop(reader);
    let mut command = board.stream(folder.path(), &[]);
    let child = command.stdout(writer).spawn().unwrap();
    board.moves();
    signal(&child, &["INT"]);
    let out = child.wait_with_output().unwrap();
    let complaint = String::from_utf8_lossy(&out.stderr);
    assert_eq!(out.status.code(), Some(1), "{complaint}");
    assert!(!complaint.contains("error"), "{complaint}");
}

#[test]
fn a_second_signal_ends_the_command_at_once_and_the_board_can_be_greeted_again() {
    let Some((folder, program)) = with_long_move() else {
        return;
    };
    let mut board = AtTerminal::start(&program);
    let child = board.stream(folder.path(), &[]).spawn().unwrap();
    board.moves();
    // Both come at once, so that no board has come to its end in between.
    signal(&child, &["STOP", "INT", "TERM", "CONT"]);
    let code = child.wait_with_output().unwrap().status.code();
    assert!(matches!(code, Some(130 | 143)), "{code:?}");
    let script = "rig \"dial.yaml\"\nspeed 720 deg/s\naccel 1500 deg/s^2\nturn by 90 deg\n";
    std::fs::write(folder.path().join("dial.moves"), script).unwrap();
    let streaming = board.stream(folder.path(), &["--json"]).spawn();
    let (json, code) = said(streaming.unwrap());
    assert_eq!(code, Some(0), "{json}");
}

#[test]
fn a_program_whose_slow_down_is_too_hard_is_not_sent() {
    let folder = tempfile::tempdir().unwrap();
    // Hardly any torque is left beside this deceleration from the top speed.
    let rig = RIG
        .replace("0.4 mN.m.s/rad", "0.05 mN.m.s/rad")
        .replace("50 g.cm^2, friction", "4000 g.cm^2, friction")
        .replace(
            "microsteps: 16 }",
            "microsteps: 4 }\n    limits: { torque_margin: 0 % }",
        );
    std::fs::write(folder.path().join("dial.yaml"), rig).unwrap();
    let script = |decel: u32| {
        format!(
            "rig \"dial.yaml\"\nbands allow\nspeed 6500 deg/s\naccel 2000 deg/s^2\ndecel {decel} deg/s^2\nturn by 400 turn\n"
        )
    };
    let stream = |decel: u32, options: &[&str]| {
        std::fs::write(folder.path().join("dial.moves"), script(decel)).unwrap();
        let mut command = at_no_port(folder.path());
        of_no_port(command.arg("--without-simulation").args(options))
    };
    let (code, said) = stream(21_200, &[]);
    assert_eq!(code, Some(1), "{said}");
    assert!(
        said.contains(
            "the program must not be streamed; nothing was sent: line 6: if the serial line fails"
        ),
        "{said}"
    );
    let (code, said) = stream(21_200, &["--unchecked"]);
    assert_eq!(code, Some(3), "{said}");
    assert!(said.contains("is played anyway: line 6"), "{said}");
    let (code, said) = stream(24_000, &[]);
    assert_eq!(code, Some(1), "{said}");
    assert!(
        said.contains("the program must not run; nothing was sent: line 6"),
        "{said}"
    );
    let (code, said) = stream(19_000, &[]);
    assert_eq!(code, Some(3), "{said}");
}

/// `stream` at a port that is not there.
fn at_no_port(folder: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_slewsmith"));
    command
        .current_dir(folder)
        .args(["stream", "dial.moves", "--port", "no-such-port"]);
    command
}

/// The exit code of `stream` at a port that is not there, and what it says.
fn without_a_port(folder: &Path) -> (Option<i32>, String) {
    of_no_port(&mut at_no_port(folder))
}

fn of_no_port(command: &mut Command) -> (Option<i32>, String) {
    let out = command.output().unwrap();
    let said = String::from_utf8_lossy(&out.stderr).into_owned();
    (out.status.code(), said)
}

#[test]
fn outputs_that_cannot_be_ready_in_time_are_refused_before_anything_is_sent() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("dial.yaml"), RIG).unwrap();
    for (time, refused) in [("60 us", true), ("130 us", false)] {
        let script = format!(
            "rig \"dial.yaml\"\nspeed 720 deg/s\naccel 1500 deg/s^2\nturn by 90 deg\n\
             output lamp on\ndwell {time}\noutput lamp off\n"
        );
        std::fs::write(folder.path().join("dial.moves"), script).unwrap();
        let (code, said) = without_a_port(folder.path());
        let why = "two changes of output `lamp` are";
        assert_eq!(said.contains(why), refused, "{said}");
        assert_eq!(code, Some(if refused { 1 } else { 3 }));
    }
}

#[test]
fn a_board_that_switches_coils_is_asked_for_no_more_steps_than_it_can_switch() {
    // The converters take the pins of the output and the input.
    let text = RIG.replace(
        "kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 16",
        "kind: linear-current, supply: 60 V, peak_current: 1.5 A, microsteps: 16, \
         sense_resistor: 0.5 ohm, sense_gain: 3, converter_bits: 8, converter_reference: 2.5 V",
    );
    let text = text
        .replace("lamp: {}", "lamp: { pin: PH3 }")
        .replace("pin: PB3", "pin: PH4");
    let folder = tempfile::tempdir().unwrap();
    let Some(program) = board(folder.path(), &text, Lines::Coils) else {
        return;
    };
    let script = |speed: u32| {
        format!(
            "rig \"dial.yaml\"\nbands allow\nspeed {speed} microstep/s\naccel 20000 microstep/s^2\n\
             turn by 36000 microstep\n"
        )
    };
    std::fs::write(folder.path().join("dial.yaml"), text).unwrap();
    let board = AtTerminal::start(&program);
    for (speed, code) in [(24_000, 1), (6000, 0)] {
        std::fs::write(folder.path().join("dial.moves"), script(speed)).unwrap();
        let out = board.stream(folder.path(), &[]).output().unwrap();
        let said = String::from_utf8_lossy(&out.stderr);
        assert_eq!(out.status.code(), Some(code), "{said}");
        assert_eq!(said.contains("this board decodes"), code == 1, "{said}");
    }
}

#[test]
fn a_port_that_is_not_there_is_a_failure_of_the_system() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("dial.yaml"), RIG).unwrap();
    let script = "rig \"dial.yaml\"\nspeed 90 deg/s\naccel 500 deg/s^2\nturn by 90 deg\n";
    std::fs::write(folder.path().join("dial.moves"), script).unwrap();
    let (code, said) = without_a_port(folder.path());
    assert_eq!(code, Some(3));
    assert!(said.contains("cannot open no-such-port"), "{said}");
}
