//! Streaming: whatever the line does, every step comes once and on its tick; and when the
//! line dies, the axes come to a standstill on their path, and the board knows where.

mod support;

#[path = "support/link.rs"]
mod link;
#[path = "support/model_board.rs"]
mod model_board;

use std::io::{BufRead as _, BufReader, Write as _};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use link::{Board, Chance, Firmware, Happening, Line, Process, SLICE, Simulated, Wire};
use model_board::Model;
use slewsmith::cli::files::FilesOnDisk;
use slewsmith::diagnostic::Source;
use slewsmith::emit::Heading;
use slewsmith::emit::firmware::{Feed, Options, Project};
use slewsmith::plan::{self, Item};
use slewsmith::rig::{NoFiles, Rig};
use slewsmith::schedule::{Schedule, What};
use slewsmith::script::Script;
use slewsmith::stream::STEP_CYCLES;
use slewsmith::stream::frame::{self, LONGEST_PAYLOAD};
use slewsmith::stream::host::{Ending, Host, Phase};
use slewsmith::stream::message::{Likeness, Report, State, VERSION};
use slewsmith::stream::record::{self, Act};
use slewsmith::stream::slicer::{MOST_RECORDS, Slicer, Unfit};

const RATE: u32 = 2_000_000;
const BAUD: u32 = 115_200;

fn rig_text(axes: &[&str]) -> String {
    let mut text = String::from("axes:\n");
    for name in axes {
        text += &format!(
            "  {name}:
    motor: {{ rotor_teeth: 50, phase_resistance: 1.6 ohm, phase_inductance: 3.2 mH, rated_current: 1.5 A,
             holding_torque: 0.42 N.m, rotor_inertia: 57 g.cm^2, viscous_damping: 0.4 mN.m.s/rad }}
    drive: {{ kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 16 }}
    load: {{ inertia: 50 g.cm^2, friction: 10 mN.m }}
"
        );
    }
    text += "timer: { clock: 16 MHz, prescaler: 8, bits: 16, fastest_interval: 20 us }
outputs: { lamp: { pin: PB0 } }
inputs: { ready: { pin: PB3 } }
";
    text
}

fn rig(axes: &[&str]) -> Rig {
    let source = Source::new("bench.yaml", rig_text(axes));
    Rig::parse(&source, &mut NoFiles).expect("a rig").rig
}

fn items(rig: &Rig, script: &str) -> Vec<Item> {
    let script = Script::parse(Source::new("bench.moves", script)).expect("a script");
    plan::program(rig, script.source(), script.actions())
        .map(|item| item.expect("a plan"))
        .collect()
}

fn likeness(rig: &Rig) -> Likeness {
    Likeness {
        version: VERSION,
        tick_rate: RATE,
        axes: rig.axes.len() as u8,
        outputs: rig.outputs.len() as u8,
        inputs: rig.inputs.len() as u8,
    }
}

fn firmware(rig: &Rig) -> Firmware {
    Firmware {
        axes: rig.axes.len() as u32,
        outputs: 1,
        inputs: 1,
        tick_rate: RATE,
    }
}

type Frames = Slicer<std::vec::IntoIter<Item>>;

/// A host, a board and a line between them.
struct Session<B> {
    host: Host<Frames>,
    board: B,
    out: Wire,
    back: Wire,
    now: Duration,
    inputs: u8,
    baud: u32,
    /// Ticks of a millisecond.
    slice: u32,
    /// How much happenings count in one tick, and by how much they may be off besides.
    per_tick: i64,
    grain: i64,
    rig: Rig,
    items: Vec<Item>,
    happened: Vec<Happening>,
}

impl<B: Board> Session<B> {
    fn new(board: B, rig: &Rig, items: Vec<Item>, faults: f64, seed: u64) -> Self {
        Self {
            host: Host::new(likeness(rig), 0x1234_5678, BAUD),
            board,
            out: Wire::new(BAUD, faults, seed),
            back: Wire::new(BAUD, faults, seed + 1),
            now: Duration::ZERO,
            inputs: 0,
            baud: BAUD,
            slice: RATE / 1000,
            per_tick: 1,
            grain: 0,
            rig: rig.clone(),
            items,
            happened: Vec::new(),
        }
    }

    /// A millisecond.
    fn step(&mut self) {
        if self.host.wants_frames() {
            let room = usize::from(self.host.welcome().expect("a welcome").slow_down);
            let frames = Slicer::new(self.items.clone(), &self.rig, room).expect("frames");
            self.host.play(frames);
        }
        self.out.put(&self.host.transmit(self.now));
        let arrived = self.out.take();
        let most = (self.baud / 10_000) as u16;
        let (said, happened) = self.board.run(self.slice, self.inputs, most, &arrived);
        self.back.put(&said);
        self.now += SLICE;
        let heard = self.back.take();
        self.host.receive(self.now, &heard);
        self.happened.extend(happened);
    }

    /// Until it ends; how.
    fn run(&mut self) -> Ending {
        while self.host.ending().is_none() {
            self.step();
            assert!(
                self.now < Duration::from_secs(600),
                "no end: {:?}, {:?}, {} happenings",
                self.host.report(),
                self.host.counts(),
                self.happened.len()
            );
        }
        self.host.ending().cloned().expect("an ending")
    }

    /// So many milliseconds more.
    fn wait(&mut self, milliseconds: u32) {
        for _ in 0..milliseconds {
            self.step();
        }
    }

    /// Steps that the step lines made, by the direction lines.
    fn positions(&self) -> Vec<i32> {
        let mut positions = vec![0; self.rig.axes.len()];
        for happening in &self.happened {
            if let Line::Step(axis) = happening.line {
                positions[axis] += i32::from(happening.level as i8);
            }
        }
        positions
    }

    /// Checks every step, direction and output against the schedule.
    fn check_all(&self) {
        let schedule = Schedule::new(self.items.clone(), &self.rig);
        let mut waiting: Vec<Vec<(u64, u8)>> = vec![Vec::new(); self.rig.axes.len()];
        let mut outputs = Vec::new();
        for event in schedule {
            match event.what {
                What::Step { axis, direction } => {
                    waiting[axis].push((event.tick, direction.sign() as u8));
                }
                What::Output { on, .. } => outputs.push((event.tick, u8::from(on))),
                _ => {}
            }
        }
        let of = |line: Line| {
            let happened = self.happened.iter().filter(move |one| one.line == line);
            happened.map(|one| (one.tick, one.level))
        };
        let first = (0..waiting.len()).filter_map(|axis| {
            let (made, wanted) = (of(Line::Step(axis)).next()?.0, waiting[axis].first()?.0);
            Some(made as i64 - wanted as i64 * self.per_tick)
        });
        let origin = first.min().expect("steps");
        let off =
            |made: u64, wanted: u64| (made as i64 - origin - wanted as i64 * self.per_tick).abs();
        for (axis, wanted) in waiting.iter().enumerate() {
            let made: Vec<(u64, u8)> = of(Line::Step(axis)).collect();
            for (number, (made, wanted)) in made.iter().zip(wanted).enumerate() {
                assert_eq!(made.1, wanted.1, "direction of step {number}");
                // One tick each of this step and of the one that sets the origin.
                assert!(
                    off(made.0, wanted.0) <= 2 * self.per_tick + self.grain,
                    "axis {axis}, step {number}: {} for {}",
                    made.0 as i64 - origin,
                    wanted.0
                );
            }
            assert_eq!(
                made.len(),
                wanted.len(),
                "steps of axis {axis}: {:?}, {:?}",
                &made[made.len() - 3..],
                self.happened.last()
            );
        }
        let made: Vec<(u64, u8)> = of(Line::Output(0)).collect();
        for (made, wanted) in made.iter().zip(&outputs) {
            assert_eq!(made.1, wanted.1);
            assert!(
                off(made.0, wanted.0) <= 100 * self.per_tick,
                "{made:?} for {wanted:?}"
            );
        }
        assert_eq!(made.len(), outputs.len(), "outputs");
    }
}

fn reported(ending: Ending) -> Report {
    match ending {
        Ending::Reported(report) => report,
        other => panic!("{other:?}"),
    }
}

const TURNS: &str = "
speed 3600 deg/s
accel 30000 deg/s^2
mark \"begin\"
repeat 3 {
    output lamp on
    turn by 400 deg
    dwell 20 ms
    output lamp off
    turn by -130 deg
    turn by 3 deg
    dwell 300 ms
}
";

#[test]
fn a_clean_line_plays_every_step_on_its_tick() {
    let rig = rig(&["dial"]);
    let Some(program) = firmware(&rig).build("clean") else {
        return;
    };
    let items = items(&rig, TURNS);
    let mut session = Session::new(Process::start(&program), &rig, items, 0.0, 1);
    let report = reported(session.run());
    assert_eq!(report.state, State::Finished);
    session.check_all();
    assert_eq!(report.positions, session.positions());
    assert_eq!(session.host.counts().again, 0);
}

#[test]
fn a_bad_line_neither_loses_nor_doubles_a_step() {
    let rig = rig(&["dial"]);
    let Some(program) = firmware(&rig).build("bad") else {
        return;
    };
    let items = items(&rig, TURNS);
    for seed in 0..8 {
        let mut session = Session::new(
            Process::start(&program),
            &rig,
            items.clone(),
            1e-3,
            100 * seed,
        );
        let report = reported(session.run());
        assert_eq!(
            report.state,
            State::Finished,
            "seed {seed}: {report:?} {:?} at {:?}",
            session.host.counts(),
            session.now
        );
        session.check_all();
        assert_eq!(report.positions, session.positions());
        assert!(session.host.counts().again > 0);
    }
}

#[test]
fn axes_on_a_line_outputs_and_awaits_keep_together() {
    let rig = rig(&["x", "y"]);
    let Some(program) = firmware(&rig).build("axes") else {
        return;
    };
    let script = "
speed 2000 deg/s
accel 30000 deg/s^2
repeat 3 {
    together {
        turn x by 200 deg
        turn y by 77 deg
    }
    output lamp on
    await ready
    output lamp off
    turn y by -100 deg
}
";
    let items = items(&rig, script);
    let mut session = Session::new(Process::start(&program), &rig, items, 1e-3, 5);
    session.inputs = 0;
    while session.host.ending().is_none() {
        session.step();
        // The input comes and goes, a second each.
        session.inputs = u8::from(session.now.as_secs() % 2 == 1);
        assert!(session.now.as_secs() < 100, "{:?}", session.host.report());
    }
    let report = reported(session.run());
    assert_eq!(
        report.state,
        State::Finished,
        "{report:?} {:?}",
        session.happened.last()
    );
    assert_eq!(report.positions, session.positions());
    assert_eq!(
        session
            .happened
            .iter()
            .filter(|one| one.line == Line::Output(0))
            .count(),
        6
    );
}

/// Highest acceleration of [`TURNS`] (microsteps/s²).
const ACCELERATION: f64 = 30_000.0 / 360.0 * 3200.0;

/// Checks that an axis slowed down no harder than it may, to a standstill.
fn assert_gentle<B>(session: &Session<B>, axis: usize) {
    const WINDOW: usize = 32;
    let steps: Vec<Happening> = session
        .happened
        .iter()
        .filter(|one| one.line == Line::Step(axis))
        .copied()
        .collect();
    let rate = f64::from(RATE);
    // Intervals are whole ticks, so that speeds are told over some steps only.
    let speed = |from: usize, to: usize| {
        (to - from) as f64 * rate / (steps[to].tick - steps[from].tick) as f64
    };
    let backwards = |at: usize| steps[at].level != 1;
    for at in 2 * WINDOW..steps.len() {
        let (middle, first) = (at - WINDOW, at - 2 * WINDOW);
        if (first..at).any(|k| backwards(k) != backwards(at)) {
            continue;
        }
        let (before, after) = (speed(first, middle), speed(middle, at));
        let decel = (before * before - after * after) / (2.0 * WINDOW as f64);
        let grain = 3.0 * before * before * before / (rate * WINDOW as f64 * WINDOW as f64);
        // From one run to the next the speed may change by as much as intervals may be off.
        let grain = grain + 0.03 * before * before / WINDOW as f64;
        assert!(
            decel <= 1.25 * ACCELERATION + grain,
            "{decel} at step {at} of {} from {before} to {after}",
            steps.len()
        );
    }
    // One more step at this deceleration would be behind the standstill.
    let last = speed(steps.len() - 2, steps.len() - 1);
    assert!(
        last * last <= 4.0 * ACCELERATION,
        "ends at {last} microsteps/s"
    );
}

#[test]
fn a_dead_line_brings_the_axes_to_a_standstill() {
    let rig = rig(&["dial"]);
    let Some(program) = firmware(&rig).build("dead") else {
        return;
    };
    let items = items(&rig, TURNS);
    for cut in (300..1800).step_by(23) {
        let mut session = Session::new(Process::start(&program), &rig, items.clone(), 0.0, 1);
        session.wait(cut);
        session.out.cut = true;
        let report = reported(session.run());
        assert_eq!(report.state, State::LineDead, "cut at {cut} ms");
        assert_eq!(report.positions, session.positions());
        assert_gentle(&session, 0);
        // The line comes back; nothing moves all the same.
        session.out.cut = false;
        let made = session.happened.len();
        session.out.put(&[0; 8]);
        session.wait(300);
        assert_eq!(session.happened.len(), made, "something moved");
    }
}

#[test]
fn a_dead_line_keeps_axes_on_their_line() {
    let rig = rig(&["x", "y"]);
    let Some(program) = firmware(&rig).build("dead-axes") else {
        return;
    };
    let script = "
speed 1800 deg/s
accel 10000 deg/s^2
together {
    turn x by 2000 deg
    turn y by 700 deg
}
";
    let items = items(&rig, script);
    for cut in [250, 300, 380, 500, 700] {
        let mut session = Session::new(Process::start(&program), &rig, items.clone(), 0.0, 1);
        session.wait(cut);
        session.out.cut = true;
        let report = reported(session.run());
        assert_eq!(report.state, State::LineDead, "cut at {cut} ms");
        assert_eq!(report.positions, session.positions());
        let (x, y) = (report.positions[0], report.positions[1]);
        assert!(x > 0 && x < 17_700, "{x}");
        // Intervals are true by their share here, not to the tick.
        let off = f64::from(y) - f64::from(x) * 0.35;
        assert!(off.abs() < 0.01 * f64::from(x) + 3.0, "{x}, {y}");
    }
}

#[test]
fn a_stop_slows_down_and_a_new_greeting_starts_anew() {
    let rig = rig(&["dial"]);
    let Some(program) = firmware(&rig).build("stop") else {
        return;
    };
    let items = items(&rig, TURNS);
    let mut board = Process::start(&program);
    for stop in [320, 500, 633, 871, 1204, 1555] {
        let mut session = Session::new(board, &rig, items.clone(), 3e-4, stop.into());
        session.wait(stop);
        session.host.stop();
        let asked = session.now;
        let report = reported(session.run());
        assert_eq!(report.state, State::Stopped, "stopped at {stop} ms");
        assert_eq!(report.positions, session.positions());
        assert_gentle(&session, 0);
        let took = session.now - asked;
        assert!(took < Duration::from_millis(900), "{took:?}");
        board = session.board;
    }
}

#[test]
fn the_emergency_stop_ends_pulses_at_once() {
    let rig = rig(&["dial"]);
    let Some(program) = firmware(&rig).build("emergency") else {
        return;
    };
    let items = items(&rig, TURNS);
    let mut session = Session::new(Process::start(&program), &rig, items, 0.0, 1);
    session.wait(400);
    session.inputs = 0x80;
    let made = session.happened.len();
    let report = reported(session.run());
    assert_eq!(report.state, State::Emergency);
    assert_eq!(report.positions, session.positions());
    let more = &session.happened[made..];
    assert!(
        more.iter()
            .all(|one| one.line == Line::Output(0) && one.level == 0),
        "{more:?}"
    );
}

#[test]
fn a_board_made_for_another_rig_is_refused() {
    let rig = rig(&["dial"]);
    let Some(program) = firmware(&rig).build("unlike") else {
        return;
    };
    let items = items(&rig, TURNS);
    let mut session = Session::new(Process::start(&program), &rig, items, 0.0, 1);
    let wanted = Likeness {
        tick_rate: 1_000_000,
        ..likeness(&rig)
    };
    session.host = Host::new(wanted, 7, BAUD);
    let found = likeness(&rig);
    assert_eq!(session.run(), Ending::Unlike { wanted, found });
    session.wait(300);
    assert!(session.happened.is_empty());
}

#[test]
fn nobody_at_the_other_end_is_noticed() {
    let rig = rig(&["dial"]);
    let Some(program) = firmware(&rig).build("nobody") else {
        return;
    };
    let items = items(&rig, TURNS);
    let mut session = Session::new(Process::start(&program), &rig, items.clone(), 0.0, 1);
    session.out.cut = true;
    assert_eq!(session.run(), Ending::NoAnswer);
    let mut session = Session::new(Process::start(&program), &rig, items, 0.0, 1);
    session.wait(400);
    session.back.cut = true;
    assert!(matches!(session.run(), Ending::Silent(Some(_))));
    session.wait(2000);
    assert_gentle(&session, 0);
}

/// Some thirty thousand steps back and forth, over and over.
fn many(repeats: u32) -> String {
    format!(
        "
speed 3300 deg/s
accel 30000 deg/s^2
repeat {repeats} {{
    turn by 2000 deg
    output lamp on
    turn by -1700 deg
    output lamp off
    turn by 11 deg
}}
"
    )
}

#[test]
fn a_million_steps_over_a_bad_line() {
    let rig = rig(&["dial"]);
    let Some(program) = firmware(&rig).build("million") else {
        return;
    };
    let items = items(&rig, &many(31));
    let mut session = Session::new(Process::start(&program), &rig, items, 1e-3, 42);
    let report = reported(session.run());
    assert_eq!(
        report.state,
        State::Finished,
        "{report:?} {:?}",
        session.host.counts()
    );
    session.check_all();
    assert_eq!(report.positions, session.positions());
    tell(&session);
}

/// Figures for whoever runs the tests with `--nocapture`.
fn tell<B>(session: &Session<B>) {
    let steps = session
        .happened
        .iter()
        .filter(|one| matches!(one.line, Line::Step(_)))
        .count();
    let counts = session.host.counts();
    eprintln!(
        "{steps} steps in {:?}; {} frames, {} more sent again; {:.3} bytes a step; \
         {} of {} bytes damaged on the way out, {} of {} on the way back",
        session.now,
        counts.sent,
        counts.again,
        counts.bytes as f64 / steps as f64,
        session.out.damaged,
        session.out.carried,
        session.back.damaged,
        session.back.carried
    );
}

#[test]
fn a_million_steps_through_the_serial_port_of_a_simulated_avr() {
    let rig = rig(&["dial"]);
    let baud = 250_000;
    let Some(board) = Simulated::start("million", &rig, baud) else {
        return;
    };
    let items = items(&rig, &many(31));
    let mut session = Session::new(board, &rig, items, 1e-3, 7);
    session.baud = baud;
    // The simulator takes 11 bits for a byte.
    session.out = Wire::new(baud / 11 * 10, 1e-3, 1);
    session.per_tick = 8;
    session.grain = 2;
    let report = reported(session.run());
    assert_eq!(
        report.state,
        State::Finished,
        "{report:?} {:?}",
        session.host.counts()
    );
    session.check_all();
    assert_eq!(report.positions, session.positions());
    tell(&session);
}

/// A board at a pseudo-terminal, in real time.
struct AtTerminal {
    child: Child,
    name: String,
}

impl AtTerminal {
    fn start(program: &Path) -> Self {
        let mut child = Command::new(program)
            .arg("--terminal")
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut name = String::new();
        let out = child.stdout.take().unwrap();
        BufReader::new(out).read_line(&mut name).unwrap();
        Self {
            child,
            name: name.trim().to_owned(),
        }
    }

    /// `stream`, at this board.
    fn stream(&self, folder: &Path, options: &[&str]) -> Child {
        Command::new(env!("CARGO_BIN_EXE_slewsmith"))
            .current_dir(folder)
            .args(["stream", "dial.moves", "--port", &self.name])
            .args(options)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap()
    }
}

impl Drop for AtTerminal {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn interrupt(child: &Child) {
    let kill = Command::new("kill")
        .args(["-INT", &child.id().to_string()])
        .status();
    assert!(kill.unwrap().success());
}

#[test]
fn the_command_plays_a_program_at_a_pseudo_terminal_and_slows_down_on_ctrl_c() {
    let rig = rig(&["dial"]);
    let Some(program) = firmware(&rig).build("terminal") else {
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let script = "rig \"dial.yaml\"\nspeed 720 deg/s\naccel 1500 deg/s^2\nmark \"out\"\n\
                  turn by 900 deg\nturn by -180 deg\n";
    std::fs::write(folder.path().join("dial.yaml"), rig_text(&["dial"])).unwrap();
    std::fs::write(folder.path().join("dial.moves"), script).unwrap();
    let board = AtTerminal::start(&program);

    let out = board
        .stream(folder.path(), &["--json"])
        .wait_with_output()
        .unwrap();
    let said = String::from_utf8_lossy(&out.stderr);
    assert_eq!(out.status.code(), Some(0), "{said}");
    let json: serde_json::Value = serde_json::from_slice(&out.stdout).unwrap();
    assert_eq!(json["ok"], true, "{json}");
    assert_eq!(json["axes"][0]["microsteps"], 6400, "{json}");
    assert_eq!(json["mark"], "out");

    let child = board.stream(folder.path(), &["--json"]);
    std::thread::sleep(Duration::from_millis(900));
    interrupt(&child);
    let out = child.wait_with_output().unwrap();
    assert_eq!(out.status.code(), Some(1));
    let json: serde_json::Value = serde_json::from_slice(&out.stdout).unwrap();
    assert_eq!(json["ok"], false);
    let state = json["state"].as_str().unwrap();
    assert!(state.contains("slowed down"), "{json}");
    let steps = json["axes"][0]["microsteps"].as_i64().unwrap();
    assert!(steps > 100 && steps < 8000, "{json}");

    // Ctrl-C twice: the command leaves, the board slows down and can be greeted again.
    let child = board.stream(folder.path(), &[]);
    std::thread::sleep(Duration::from_millis(900));
    interrupt(&child);
    std::thread::sleep(Duration::from_millis(50));
    interrupt(&child);
    assert_eq!(child.wait_with_output().unwrap().status.code(), Some(130));
    let out = board
        .stream(folder.path(), &["--json"])
        .wait_with_output()
        .unwrap();
    let said = String::from_utf8_lossy(&out.stderr);
    assert_eq!(out.status.code(), Some(0), "{said}");
}

#[test]
fn a_port_that_is_not_there_is_a_failure_of_the_system() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("dial.yaml"), rig_text(&["dial"])).unwrap();
    let script = "rig \"dial.yaml\"\nspeed 90 deg/s\naccel 500 deg/s^2\nturn by 90 deg\n";
    std::fs::write(folder.path().join("dial.moves"), script).unwrap();
    let out = Command::new(env!("CARGO_BIN_EXE_slewsmith"))
        .current_dir(folder.path())
        .args(["stream", "dial.moves", "--port", "no-such-port"])
        .output()
        .unwrap();
    assert_eq!(out.status.code(), Some(3));
    let said = String::from_utf8_lossy(&out.stderr);
    assert!(said.contains("cannot open no-such-port"), "{said}");
}

#[test]
fn frames_are_read_by_decoders_from_outside() {
    let Some(python) = support::python() else {
        return;
    };
    let mut chance = Chance(3);
    let mut payloads: Vec<Vec<u8>> = vec![
        vec![0],
        vec![1],
        vec![0; LONGEST_PAYLOAD],
        vec![7; LONGEST_PAYLOAD],
    ];
    for _ in 0..300 {
        let length = 1 + chance.next() as usize % LONGEST_PAYLOAD;
        // Plenty of zero bytes, which is what stuffing is about.
        let byte = |chance: &mut Chance| (chance.next() as u8).saturating_sub(100);
        payloads.push((0..length).map(|_| byte(&mut chance)).collect());
    }
    let mut line = Vec::new();
    for payload in &payloads {
        frame::write(payload, &mut line);
    }
    let mut child = Command::new(python)
        .arg(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside/read_frames.py"))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    child.stdin.take().unwrap().write_all(&line).unwrap();
    let out = child.wait_with_output().unwrap();
    assert!(out.status.success());
    let read: Vec<String> = String::from_utf8(out.stdout)
        .unwrap()
        .lines()
        .map(str::to_owned)
        .collect();
    let wanted: Vec<String> = payloads
        .iter()
        .map(|payload| payload.iter().map(|byte| format!("{byte:02x}")).collect())
        .collect();
    assert_eq!(read, wanted);
}

/// What a stream's clock and events come to when all records of a program are decoded.
#[derive(Debug, Default, Clone)]
struct Decoded {
    clock: u64,
    events: Vec<(u64, Act)>,
    way: Option<Act>,
}

impl Decoded {
    fn take(&mut self, what: record::What) {
        match what {
            record::What::Run(run) => {
                let start = self.clock;
                let steps = run
                    .ticks()
                    .map(|tick| (start + tick, self.way.expect("a direction")));
                self.events.extend(steps);
                self.clock = start + run.ticks().last().unwrap();
            }
            record::What::Event { gap, act } => {
                self.clock += gap;
                match act {
                    Act::Pass => {}
                    Act::Step => self
                        .events
                        .push((self.clock, self.way.expect("a direction"))),
                    Act::Forwards | Act::Backwards => self.way = Some(act),
                    _ => self.events.push((self.clock, act)),
                }
            }
        }
    }
}

/// Decodes records one by one, checking that none holds up another that is due before.
fn decode(frames: &mut Frames, axes: usize) -> (Vec<Decoded>, usize, usize, usize) {
    let mut streams = vec![Decoded::default(); axes + 1];
    let (mut count, mut bytes, mut slow) = (0, 0, 0);
    let mut latest = 0;
    for frame in frames.by_ref() {
        count += 1;
        bytes += frame.records.len();
        assert!(frame.records.len() <= MOST_RECORDS);
        let mut rest = &frame.records[..];
        while let Some((stream, what, behind)) = record::read(rest) {
            // Meetings set all clocks to one tick, whatever came before.
            assert!(streams[stream].clock >= latest || what.is_meeting() || latest == 0);
            latest = latest.max(streams[stream].clock);
            streams[stream].take(what);
            rest = behind;
        }
        assert!(rest.is_empty());
        let before: Vec<u64> = streams.iter().map(|stream| stream.clock).collect();
        // No stream is left behind without an event.
        let least = before.iter().min().unwrap();
        assert!(frame.last || *least + 20_000 >= frame.from, "{before:?}");
        slow += frame.slow_down.as_ref().map_or(0, Vec::len);
    }
    assert_eq!(frames.unfit(), None);
    (streams, count, bytes, slow)
}

#[test]
fn examples_come_out_of_their_records_as_they_are_scheduled() {
    for name in ["carousel", "dial", "lift-cured", "shutter-cured"] {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("examples");
        let script = std::fs::read_to_string(folder.join(format!("{name}.moves"))).unwrap();
        let script = Script::parse(Source::new(name, script)).unwrap();
        let (rig, _) = script.rig().unwrap();
        let text = std::fs::read_to_string(folder.join(rig)).unwrap();
        let source = Source::new(folder.join(rig).to_str().unwrap(), text);
        let rig = Rig::parse(&source, &mut FilesOnDisk).unwrap().rig;
        let items: Vec<Item> = plan::program(&rig, script.source(), script.actions())
            .map(|item| item.unwrap())
            .collect();
        let mut frames = Slicer::new(items.clone(), &rig, 128).unwrap();
        let axes = rig.axes.len();
        let (streams, count, bytes, slow) = decode(&mut frames, axes);
        let mut wanted = vec![Vec::new(); axes + 1];
        let mut marks: Vec<std::sync::Arc<str>> = Vec::new();
        for event in Schedule::new(items, &rig) {
            match event.what {
                What::Step { axis, direction } => {
                    let way = if direction.sign() > 0 {
                        Act::Forwards
                    } else {
                        Act::Backwards
                    };
                    wanted[axis].push((event.tick, way));
                }
                What::Output { output, on } => {
                    wanted[axes].push((event.tick, Act::Output(output as u8, on)));
                }
                What::Mark(text) => {
                    let known = marks.iter().position(|mark| *mark == text);
                    let number = known.unwrap_or_else(|| {
                        marks.push(text);
                        marks.len() - 1
                    });
                    wanted[axes].push((event.tick, Act::Mark(number as u8 + 1)));
                }
                What::Await { input, timeout } => {
                    for stream in &mut wanted[..axes] {
                        stream.push((event.tick, Act::Meet));
                    }
                    let timeout = timeout.unwrap_or(0) as u32;
                    wanted[axes].push((event.tick, Act::Await(input as u8, timeout)));
                }
                What::Direction { .. } => {}
            }
        }
        let mut steps = 0;
        for (stream, wanted) in streams.iter().zip(&wanted) {
            let events = &stream.events[..stream.events.len() - 1];
            assert_eq!(stream.events.last().unwrap().1, Act::End);
            assert_eq!(events.len(), wanted.len());
            for (made, wanted) in events.iter().zip(wanted) {
                assert_eq!(made.1, wanted.1, "{name}");
                let off = made.0.abs_diff(wanted.0);
                let is_step = matches!(made.1, Act::Forwards | Act::Backwards);
                steps += u32::from(is_step);
                assert!(off <= u64::from(is_step), "{name}: {made:?} for {wanted:?}");
            }
        }
        eprintln!(
            "{name}: {steps} steps, {count} frames, {:.3} bytes a step, {:.1} bytes a slow-down",
            bytes as f64 / f64::from(steps),
            slow as f64 / count as f64
        );
    }
}

/// The files of the streaming project for a rig, in a folder.
fn project(rig: &Rig) -> tempfile::TempDir {
    let heading = Heading {
        program: "streamed",
        rig,
        failure: None,
    };
    let folder = tempfile::tempdir().unwrap();
    let options = Options {
        feed: Feed::Line { baud: BAUD },
        ..Options::default()
    };
    let project = Project::of(&heading, options, &mut std::iter::empty());
    for file in project.unwrap().files {
        std::fs::write(folder.path().join(file.name), file.text).unwrap();
    }
    folder
}

#[test]
fn the_project_compiles_for_another_kind_of_processor() {
    let Some(gcc) = support::tool("arm-none-eabi-gcc") else {
        return;
    };
    let folder = project(&rig(&["x", "y", "z"]));
    let done = Command::new(support::tool("make").unwrap())
        .current_dir(folder.path())
        .arg("objects")
        .arg(format!("CC={}", gcc.display()))
        .arg("CFLAGS=-mcpu=cortex-m0plus -Os -ffreestanding -Werror")
        .output()
        .unwrap();
    assert!(
        done.status.success(),
        "{}",
        String::from_utf8_lossy(&done.stderr)
    );
    assert!(folder.path().join("link.o").exists());
}

#[test]
fn the_streaming_player_leaves_a_small_part_room_for_its_stack() {
    let (Some(_), Some(size)) = (support::tool("avr-gcc"), support::tool("avr-size")) else {
        return;
    };
    let folder = project(&rig(&["dial"]));
    let done = Command::new(support::tool("make").unwrap())
        .current_dir(folder.path())
        .args(["--silent", "player.elf"])
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&done.stderr);
    assert!(done.status.success() && said.is_empty(), "{said}");
    let out = Command::new(size)
        .arg(folder.path().join("player.elf"))
        .output()
        .unwrap();
    let text = String::from_utf8(out.stdout).unwrap();
    let numbers: Vec<u32> = text
        .lines()
        .nth(1)
        .unwrap()
        .split_whitespace()
        .take(3)
        .map(|number| number.parse().unwrap())
        .collect();
    let (flash, memory) = (numbers[0] + numbers[1], numbers[1] + numbers[2]);
    eprintln!("streaming player: {flash} bytes of flash, {memory} of memory");
    assert!(flash <= 6144, "{flash}");
    // Of 2048 bytes; 300 stay for the stack.
    assert!(memory <= 1748, "{memory}");
}

#[test]
fn the_simulated_avr_keeps_up_with_the_highest_step_rate_that_is_let_through() {
    let rig = rig(&["dial"]);
    let Some(board) = Simulated::start("fast", &rig, 250_000) else {
        return;
    };
    // 16 MHz in so many cycles, in degrees of 3200 microsteps a turn.
    let speed = 16e6 / f64::from(STEP_CYCLES) / 3200.0 * 360.0;
    let script =
        format!("speed {speed} deg/s\naccel 60000 deg/s^2\nturn by 4000 deg\nturn by -4000 deg\n");
    let mut session = Session::new(board, &rig, items(&rig, &script), 0.0, 7);
    session.baud = 250_000;
    session.out = Wire::new(250_000 / 11 * 10, 0.0, 1);
    (session.per_tick, session.grain) = (8, 2);
    let report = reported(session.run());
    assert_eq!(report.state, State::Finished);
    session.check_all();
}

#[test]
fn a_slow_timer_and_long_waits_are_streamed_too() {
    let text = rig_text(&["dial"]).replace("prescaler: 8", "prescaler: 256");
    let text = text.replace("fastest_interval: 20 us", "fastest_interval: 200 us");
    let source = Source::new("bench.yaml", text);
    let rig = Rig::parse(&source, &mut NoFiles).expect("a rig").rig;
    let rate = 62_500;
    let slow = Firmware {
        tick_rate: rate,
        ..firmware(&rig)
    };
    let Some(program) = slow.build("slow") else {
        return;
    };
    let script = "
speed 400 deg/s
accel 1000 deg/s^2
turn by 90 deg
dwell 2 s
output lamp on
speed 0.5 deg/s
turn by -3 deg
dwell 400 ms
output lamp off
turn by 1 deg
";
    let mut session = Session::new(Process::start(&program), &rig, items(&rig, script), 2e-4, 7);
    let wanted = Likeness {
        tick_rate: rate,
        ..likeness(&rig)
    };
    session.host = Host::new(wanted, 1, BAUD);
    session.slice = rate / 1000;
    let report = reported(session.run());
    assert_eq!(report.state, State::Finished);
    assert_eq!(report.positions, session.positions());
    session.check_all();
}

#[test]
fn a_stop_before_the_start_moves_nothing() {
    let rig = rig(&["dial"]);
    let Some(program) = firmware(&rig).build("early") else {
        return;
    };
    let mut session = Session::new(Process::start(&program), &rig, items(&rig, TURNS), 0.0, 1);
    while session.host.phase() == Phase::Greeting {
        session.step();
    }
    session.wait(10);
    session.host.stop();
    assert_eq!(reported(session.run()).state, State::Idle);
    session.wait(300);
    assert!(session.happened.is_empty());
}

#[test]
fn a_program_that_no_frame_can_hold_breaks_off_gently() {
    let rig = rig(&["dial"]);
    let Some(program) = firmware(&rig).build("crowded") else {
        return;
    };
    let crowd = "output lamp on\noutput lamp off\n".repeat(40);
    let script = format!("speed 3600 deg/s\naccel 30000 deg/s^2\nturn by 2000 deg\n{crowd}");
    let mut session = Session::new(Process::start(&program), &rig, items(&rig, &script), 0.0, 1);
    let Ending::Broken(report) = session.run() else {
        panic!("{:?}", session.host.ending());
    };
    assert_eq!(report.state, State::Stopped);
    assert_eq!(report.positions, session.positions());
    assert_gentle(&session, 0);
    let unfit = session.host.frames().and_then(Slicer::unfit);
    assert!(matches!(unfit, Some(Unfit::Crowded(_))), "{unfit:?}");
}

#[test]
fn two_axes_of_a_larger_part_stay_on_their_line() {
    let rig = rig(&["x", "y"]);
    let Some(board) = Simulated::start("axes", &rig, 250_000) else {
        return;
    };
    let script = "
speed 1200 deg/s
accel 10000 deg/s^2
repeat 2 {
    together {
        turn x by 500 deg
        turn y by -177 deg
    }
    output lamp on
    turn y by 100 deg
    output lamp off
}
";
    let mut session = Session::new(board, &rig, items(&rig, script), 5e-4, 7);
    session.baud = 250_000;
    session.out = Wire::new(250_000 / 11 * 10, 5e-4, 3);
    (session.per_tick, session.grain) = (8, 2);
    let report = reported(session.run());
    assert_eq!(report.state, State::Finished, "{report:?}");
    session.check_all();
    assert_eq!(report.positions, session.positions());
}

#[test]
fn a_second_reading_of_the_link_agrees_whatever_the_line_does() {
    let rig = rig(&["dial"]);
    let items = items(&rig, TURNS);
    for seed in 0..60 {
        let model = Model::new(likeness(&rig));
        let faults = [0.0, 2e-4, 1e-3][seed as usize % 3];
        let mut session = Session::new(model, &rig, items.clone(), faults, 977 * seed);
        let report = reported(session.run());
        assert_eq!(report.state, State::Finished, "seed {seed}: {report:?}");
        session.check_all();
        assert_eq!(report.positions, session.positions());
    }
}

#[test]
fn a_second_reading_of_the_slow_down_comes_to_a_standstill_too() {
    let rig = rig(&["dial"]);
    let items = items(&rig, TURNS);
    for cut in (300..1700).step_by(17) {
        let model = Model::new(likeness(&rig));
        let mut session = Session::new(model, &rig, items.clone(), 0.0, 1);
        session.wait(cut);
        if cut % 2 == 0 {
            session.out.cut = true;
        } else {
            session.host.stop();
        }
        let report = reported(session.run());
        let wanted = if cut % 2 == 0 {
            State::LineDead
        } else {
            State::Stopped
        };
        assert_eq!(report.state, wanted, "at {cut} ms");
        assert_eq!(report.positions, session.positions());
        assert_gentle(&session, 0);
    }
}
