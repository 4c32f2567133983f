//! When the line dies, or on request, the axes come to a standstill on their path, and the
//! board knows where. Where it must not play, nothing moves.

use std::rc::Rc;
use std::time::Duration;

use crate::stream::Unsendable;
use crate::stream::host::{Ending, Host, HostPhase};
use crate::stream::message::{BoardState, Likeness};

use super::bench::{BenchProgram, RATE, likeness, rig};
use super::boards::{Board, Line};
use super::playing::turns;
use super::session::{CLEAN, Session, bad};

/// Highest acceleration of [`TURNS`] (microsteps/s²).
const ACCELERATION: f64 = 30_000.0 / 360.0 * 3200.0;

/// Checks that an axis slowed down no harder than it may, to a standstill.
fn assert_gentle<B: Board>(session: &Session<B>, axis: usize) {
    const WINDOW: usize = 32;
    let steps = session.of(Line::Step(axis));
    let rate = f64::from(RATE);
    // Intervals are whole ticks, so that speeds are told over some steps only.
    let speed =
        |from: usize, to: usize| (to - from) as f64 * rate / (steps[to].0 - steps[from].0) as f64;
    let backwards = |at: usize| steps[at].1 != 1;
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
    let program = turns();
    for cut in (300..1800).step_by(23) {
        let Some(mut session) = Session::process(&program, CLEAN) else {
            return;
        };
        session.wait(cut);
        session.out.cut = true;
        session.run_to(BoardState::LineDead);
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
    let script = "
speed 1800 deg/s
accel 10000 deg/s^2
together {
    turn x by 2000 deg
    turn y by 700 deg
}
";
    let program = Rc::new(BenchProgram::new(&rig(&["x", "y"]), script));
    for cut in [250, 300, 380, 500, 700] {
        let Some(mut session) = Session::process(&program, CLEAN) else {
            return;
        };
        session.wait(cut);
        session.out.cut = true;
        let report = session.run_to(BoardState::LineDead);
        let (x, y) = (report.positions[0], report.positions[1]);
        assert!(x > 0 && x < 17_700, "{x}");
        // Intervals are true by their share here, not to the tick.
        let off = f64::from(y) - f64::from(x) * 0.35;
        assert!(off.abs() < 0.01 * f64::from(x) + 3.0, "{x}, {y}");
    }
}

#[test]
fn a_stop_slows_down_and_a_new_greeting_starts_anew() {
    let program = turns();
    let mut board = None;
    for stop in [320, 500, 633, 871, 1204, 1555] {
        let Some(mut session) = Session::process(&program, bad(3e-4, stop.into())) else {
            return;
        };
        if let Some(same) = board {
            session.board = same;
        }
        session.wait(stop);
        session.host.stop();
        let asked = session.now;
        session.run_to(BoardState::Stopped);
        assert_gentle(&session, 0);
        let took = session.now - asked;
        assert!(took < Duration::from_millis(900), "{took:?}");
        board = Some(session.board);
    }
}

#[test]
fn the_stop_contact_ends_pulses_at_once() {
    let program = turns();
    let Some(mut session) = Session::process(&program, CLEAN) else {
        return;
    };
    session.wait(400);
    session.inputs = 0x80;
    let made = session.happened.len();
    session.run_to(BoardState::StopContact);
    let more = &session.happened[made..];
    assert!(
        more.iter()
            .all(|one| one.line == Line::Output(0) && one.level == 0),
        "{more:?}"
    );
}

#[test]
fn a_board_made_for_another_rig_is_refused() {
    let program = turns();
    let Some(mut session) = Session::process(&program, CLEAN) else {
        return;
    };
    let found = likeness(&program.rig);
    let wanted = Likeness {
        tick_rate: 1_000_000,
        ..found
    };
    session.host = Host::new(wanted, 7, CLEAN.baud);
    assert_eq!(session.run(), Ending::Unlike { wanted, found });
    session.wait(300);
    assert!(session.happened.is_empty());
}

#[test]
fn nobody_at_the_other_end_is_noticed() {
    let program = turns();
    let Some(mut session) = Session::process(&program, CLEAN) else {
        return;
    };
    session.out.cut = true;
    assert_eq!(session.run(), Ending::NoAnswer);
    let Some(mut session) = Session::process(&program, CLEAN) else {
        return;
    };
    session.wait(400);
    session.back.cut = true;
    assert!(matches!(session.run(), Ending::Silent(Some(_))));
    session.wait(2000);
    assert_gentle(&session, 0);
}

#[test]
fn a_stop_before_the_start_moves_nothing() {
    let Some(mut session) = Session::process(&turns(), CLEAN) else {
        return;
    };
    while session.host.phase() == HostPhase::Greeting {
        session.step();
    }
    session.wait(10);
    session.host.stop();
    session.run_to(BoardState::Idle);
    session.wait(300);
    assert!(session.happened.is_empty());
}

#[test]
fn a_program_that_no_frame_can_hold_breaks_off_gently() {
    let crowd = "output lamp on\noutput lamp off\n".repeat(40);
    let script = format!("speed 3600 deg/s\naccel 30000 deg/s^2\nturn by 2000 deg\n{crowd}");
    let program = Rc::new(BenchProgram::new(&rig(&["dial"]), &script));
    assert!(matches!(program.unfit, Some(Unsendable::Crowded(_))));
    let Some(mut session) = Session::process(&program, CLEAN) else {
        return;
    };
    let Ending::Broken(report) = session.run() else {
        panic!("{:?}", session.host.ending());
    };
    assert_eq!(report.state, BoardState::Stopped);
    assert_eq!(report.positions, session.positions());
    assert_gentle(&session, 0);
}

#[test]
fn a_second_reading_of_the_slow_down_comes_to_a_standstill_too() {
    let program = turns();
    for cut in (300..1700).step_by(17) {
        let mut session = Session::model(&program, CLEAN);
        session.wait(cut);
        if cut % 2 == 0 {
            session.out.cut = true;
            session.run_to(BoardState::LineDead);
        } else {
            session.host.stop();
            session.run_to(BoardState::Stopped);
        }
        assert_gentle(&session, 0);
    }
}
