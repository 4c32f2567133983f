//! Streaming: whatever the line does, every step comes once and on its tick; and when the
//! line dies, the axes come to a standstill on their path, and the board knows where.

mod support;

#[path = "support/link.rs"]
mod link;

use std::time::Duration;

use link::{Board, Firmware, Happening, Line, Process, SLICE, Simulated, Wire};
use slewsmith::diagnostic::Source;
use slewsmith::plan::{self, Item};
use slewsmith::rig::{NoFiles, Rig};
use slewsmith::schedule::{Schedule, What};
use slewsmith::script::Script;
use slewsmith::stream::host::{Ending, Host};
use slewsmith::stream::message::{Likeness, Report, State, VERSION};
use slewsmith::stream::slicer::Slicer;

const RATE: u32 = 2_000_000;
const BAUD: u32 = 115_200;

fn rig(axes: &[&str]) -> Rig {
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
    let read = Rig::parse(&Source::new("bench.yaml", text), &mut NoFiles);
    read.expect("a rig").rig
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
        let (said, happened) = self.board.run(RATE / 1000, self.inputs, most, &arrived);
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
    let mut session = Session::new(Process::start(&program), &rig, items, 5e-4, 42);
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
    let Some(board) = Simulated::start(&rig, baud) else {
        return;
    };
    let items = items(&rig, &many(31));
    let mut session = Session::new(board, &rig, items, 5e-4, 7);
    session.baud = baud;
    // The simulator takes 11 bits for a byte.
    session.out = Wire::new(baud / 11 * 10, 5e-4, 1);
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
