//! The stop contact of a part at a line, in every state of its player: everything goes off within
//! the time that the project's README states, and stays off until the contact is closed and a
//! host sends a program.

use std::rc::Rc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use crate::player::Lines;
use crate::rig::Rig;
use crate::stream::message::BoardState;

use super::bench::{BenchProgram, parse, rig_text};
use super::boards::Simulated;
use super::session::{FAST, Session};

/// What the player does when the contact opens.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Moment {
    BeforeTheGreeting,
    Greeted,
    Moves,
    Awaits,
    Dwells,
    SlowsDown,
    LineIsDead,
    HasFinished,
    WasStopped,
}

impl Moment {
    const ALL: [Self; 9] = [
        Self::BeforeTheGreeting,
        Self::Greeted,
        Self::Moves,
        Self::Awaits,
        Self::Dwells,
        Self::SlowsDown,
        Self::LineIsDead,
        Self::HasFinished,
        Self::WasStopped,
    ];

    /// Whether something is on then: pulses, drives, coils, the lamp.
    const fn is_on(self) -> bool {
        match self {
            Self::Moves | Self::Awaits | Self::Dwells | Self::SlowsDown | Self::HasFinished => true,
            Self::BeforeTheGreeting | Self::Greeted | Self::LineIsDead | Self::WasStopped => false,
        }
    }

    /// What the host is told that plays a program then; none where it has been told of an end, or
    /// has not been heard.
    const fn told(self) -> Option<BoardState> {
        match self {
            Self::Greeted | Self::Moves | Self::Awaits | Self::Dwells | Self::SlowsDown => {
                Some(BoardState::StopContact)
            }
            Self::BeforeTheGreeting => None,
            Self::HasFinished => Some(BoardState::Finished),
            Self::LineIsDead => Some(BoardState::LineDead),
            Self::WasStopped => Some(BoardState::Stopped),
        }
    }
}

/// The bit of the inputs that the script awaits, and the one that says that the stop contact is
/// open.
const READY: u8 = 1;
const OPEN: u8 = 0x80;
/// How soon the host of a program is told: chosen, two reports that are being sent.
const TOLD_WITHIN: Duration = Duration::from_millis(40);
/// How far the first move of [`Kind::program`] goes.
const FIRST: i32 = 600;

/// A kind of player.
struct Kind {
    name: &'static str,
    rig: Rig,
    lines: Lines,
    /// Its moves, with `@N` for the way.
    turn: &'static str,
}

impl Kind {
    fn all() -> Vec<Self> {
        let chopper = "kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 16";
        // The converters take the place of the input.
        let at = |name, lines, drive: &str, input: &str| Self {
            name,
            lines,
            rig: parse(
                rig_text(&["dial"])
                    .replace(chopper, drive)
                    .replace("PB3", input),
            ),
            turn: "turn by @N microstep\n",
        };
        let one = |name, lines, drive: &str| at(name, lines, drive, "PH4");
        let converters = |bits: u32, more: &str| {
            format!(
                "kind: linear-current, supply: 24 V, peak_current: 1 A, microsteps: 16, sense_resistor: 0.5 ohm, \
                 sense_gain: 4, converter_bits: {bits}, converter_reference: 2.5 V, hold_current: 50 %, \
                 hold_delay: 100 ms{more}"
            )
        };
        let enabled = format!("{chopper}, enable: {{ active: high, delay: 20 ms }}");
        vec![
            Self {
                name: "steps of two axes",
                lines: Lines::Steps,
                rig: parse(rig_text(&["x", "y"]).replace(chopper, &enabled)),
                turn: "together {\nturn x by @N microstep\nturn y by -@N microstep\n}\n",
            },
            Self {
                name: "steps",
                rig: parse(rig_text(&["dial"]).replace(chopper, &enabled)),
                ..one("", Lines::Steps, chopper)
            },
            Self {
                name: "chopped switches",
                rig: parse(rig_text(&["dial"]).replace(
                    chopper,
                    "kind: fixed-voltage, sequence: half-step, supply: 3 V, switch_resistance: 0.5 ohm, \
                     hold_current: 40 %, hold_delay: 100 ms",
                )),
                ..one("", Lines::Coils, chopper)
            },
            one("converters", Lines::Coils, &converters(8, "")),
            at(
                "converters on a bus",
                Lines::Coils,
                &converters(12, ", converter_frame: 0011dddddddddddd"),
                "PC5",
            ),
            at(
                "converters made of a PWM",
                Lines::Coils,
                &converters(
                    8,
                    ", converter_filter: { pwm_frequency: 62500 Hz, time_constant: 60 us, order: 2 }",
                ),
                "PC5",
            ),
        ]
    }

    /// The lamp, a move of so many microsteps, and another one after the input and a dwell.
    fn program(&self, first: i32) -> Rc<BenchProgram> {
        let turn = |way: i32| self.turn.replace("@N", &way.to_string());
        let script = format!(
            "speed 2983 microstep/s\naccel 20000 microstep/s^2\noutput lamp on\n{}await ready\ndwell 300 ms\n{}",
            turn(first),
            turn(70)
        );
        Rc::new(BenchProgram::new(&self.rig, &script))
    }
}

/// Until the board has told of a state and of where its first axis is.
fn until(session: &mut Session<Simulated>, told: impl Fn(BoardState, i32) -> bool) {
    let is_it = |session: &Session<Simulated>| {
        let report = session.host.report();
        report.is_some_and(|report| told(report.state, report.positions[0]))
    };
    for _ in 0..3000 {
        if is_it(session) {
            return;
        }
        session.step();
    }
    panic!("{:?}", session.host.report());
}

/// A session in which the player has come to that moment.
fn session(kind: &Kind, board: Simulated, moment: Moment) -> Session<Simulated> {
    let moves = |_, at| at > 150;
    let stands = |_, at| at == FIRST;
    // Too far for the data that are under way when the line dies.
    let far = match moment {
        Moment::SlowsDown | Moment::LineIsDead | Moment::WasStopped => 6000,
        _ => FIRST,
    };
    let mut session = Session::new(board, &kind.program(far), FAST);
    match moment {
        Moment::BeforeTheGreeting => {
            session.out.cut = true;
            session.wait(13);
        }
        Moment::Greeted => {
            while session.host.welcome().is_none() {
                session.step();
            }
        }
        Moment::Moves => until(&mut session, moves),
        Moment::Awaits => {
            until(&mut session, stands);
            session.wait(40);
        }
        Moment::Dwells => {
            until(&mut session, stands);
            session.inputs = READY;
            session.wait(180);
        }
        Moment::SlowsDown => {
            until(&mut session, moves);
            session.out.cut = true;
            until(&mut session, |state, _| state == BoardState::Slowing);
        }
        Moment::LineIsDead => {
            until(&mut session, moves);
            session.out.cut = true;
            session.run_to_report();
        }
        Moment::HasFinished => {
            session.inputs = READY;
            session.run_to_report();
            session.wait(20);
        }
        Moment::WasStopped => {
            until(&mut session, moves);
            session.host.stop();
            session.run_to_report();
        }
    }
    session
}

/// Opens the contact at that moment, so many milliseconds later; after how many cycles everything
/// was off.
fn open_at(kind: &Kind, moment: Moment, later: u32) -> Option<u64> {
    let board = Simulated::start(&kind.rig, FAST.baud, kind.lines)?;
    let stated = board.stated();
    let mut session = session(kind, board, moment);
    session.wait(later);
    let context = format!("{} {moment:?}", kind.name);
    assert_eq!(session.board.is_on(), moment.is_on(), "{context}");
    session.inputs |= OPEN;
    let opened = session.now;
    session.wait(12);
    let off_after = session.board.off_after();
    let after = off_after.unwrap_or_else(|| panic!("{context}: something is on"));
    assert!(after <= stated, "{context}: {after} cycles of {stated}");
    if let Some(told) = moment.told() {
        assert_eq!(session.run_to_report().state, told, "{context}");
        // Nor does the host wait for a report that comes now and then.
        let after = session.now - opened;
        assert!(after <= TOLD_WITHIN, "{context}: told after {after:?}");
    }

    // A host that comes while it is open plays nothing; nor does anything come on when it closes.
    let next = |board, program, inputs| {
        let mut next = Session::new(board, program, FAST);
        next.inputs = inputs;
        next
    };
    let program = kind.program(90);
    let mut open = next(session.board, &program, OPEN | READY);
    let report = open.run_to_report();
    assert_eq!(report.state, BoardState::StopContact, "{context}");
    open.inputs = READY;
    open.wait(60);
    assert_eq!(
        open.board.off_after(),
        off_after,
        "{context}: it came on again"
    );

    // The next host's program is played.
    let mut closed = next(open.board, &program, READY);
    let report = closed.run_to_report();
    assert_eq!(report.state, BoardState::Finished, "{context}");
    assert_eq!(report.positions[0], 90 + 70, "{context}");
    assert!(closed.board.is_on(), "{context}");
    Some(after)
}

#[test]
fn the_stop_contact_switches_everything_off_in_every_state_until_the_next_host() {
    let all = std::env::var("SLEWSMITH_CASES").is_ok();
    let slowest = AtomicU64::new(0);
    let kinds = Kind::all();
    std::thread::scope(|scope| {
        for half in kinds.chunks(3) {
            let slowest = &slowest;
            scope.spawn(move || {
                for (number, moment) in Moment::ALL.into_iter().enumerate() {
                    let chosen = half
                        .iter()
                        .enumerate()
                        .filter(|(at, _)| all || (at + number) % 2 == 0);
                    for (_, kind) in chosen {
                        let times = if all { 0..8 } else { 0..1 };
                        for later in times {
                            let Some(after) = open_at(kind, moment, later) else {
                                return;
                            };
                            slowest.fetch_max(after, Ordering::Relaxed);
                        }
                    }
                }
            });
        }
    });
    eprintln!("everything is off within {} cycles", slowest.into_inner());
}
