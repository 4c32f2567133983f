//! When the line dies, or on request, the axes come to a standstill on their path, and the
//! board knows where. Where it must not play, nothing moves.

use std::rc::Rc;
use std::time::Duration;

use crate::plan::Item;
use crate::stream::Unsendable;
use crate::stream::host::{Ending, Host, HostPhase};
use crate::stream::message::{BoardState, Likeness};
use crate::stream::slow_down;

use super::bench::{BenchProgram, RATE, items, likeness, rig};
use super::boards::{Board, Line};
use super::playing::turns;
use super::session::{CLEAN, Session, bad};

/// Highest acceleration of [`TURNS`] (microsteps/s²).
const ACCELERATION: f64 = 30_000.0 / 360.0 * 3200.0;

/// Checks that an axis slowed down no harder than its plan does, to a standstill.
fn assert_gentle<B: Board>(session: &Session<B>, axis: usize) {
    let steps = session.of(Line::Step(axis));
    let rate = f64::from(RATE);
    let speed =
        |from: usize, to: usize| (to - from) as f64 * rate / (steps[to].0 - steps[from].0) as f64;
    let backwards = |at: usize| steps[at].1 != 1;
    for window in [16, 32, 64, 128, 256, 512, 1024] {
        let mut worst = (0.0, String::new());
        for at in 2 * window..steps.len() {
            let (middle, first) = (at - window, at - 2 * window);
            if (first..at).any(|k| backwards(k) != backwards(at)) {
                continue;
            }
            let (before, after) = (speed(first, middle), speed(middle, at));
            let took = (steps[at].0 - steps[first].0) as f64 / rate;
            let decel = (before - after) / (took / 2.0);
            // What it is where each of the three steps is off by half a tick.
            let grain = 2.0 * before.powi(3) / (rate * (window * window) as f64);
            let share = (decel - grain) / ACCELERATION;
            if share > worst.0 {
                worst = (
                    share,
                    format!(
                        "{decel} at step {at} of {} from {before} to {after}, over {window} steps",
                        steps.len()
                    ),
                );
            }
        }
        eprintln!("WORST {window} {:.4} {}", worst.0, worst.1);
    }
    // One more step at this deceleration would be behind the standstill.
    let last = speed(steps.len() - 2, steps.len() - 1);
    assert!(
        last * last <= 4.0 * ACCELERATION,
        "ends at {last} microsteps/s"
    );
}

#[test]
fn the_path_to_a_standstill_never_decelerates_harder_than_the_plan() {
    let scripts = [
        "speed 3300 deg/s\naccel 30000 deg/s^2\nturn x by 2000 deg\n",
        "speed 3300 deg/s\naccel 30000 deg/s^2\nturn x by 120 deg\n",
        "speed 2000 deg/s\naccel 9000 deg/s^2\ndecel 20000 deg/s^2\nturn x by 900 deg\n",
        "shape s-curve\njerk 900000 deg/s^3\nspeed 3300 deg/s\naccel 30000 deg/s^2\nturn x by 2000 deg\n",
        "speed 1800 deg/s\naccel 10000 deg/s^2\ntogether {\nturn x by 2000 deg\nturn y by 700 deg\n}\n",
    ];
    let mut told = 0;
    for script in scripts {
        let motion = items(&rig(&["x", "y"]), script)
            .into_iter()
            .find_map(|item| match item {
                Item::Move(planned) => Some(planned.motion),
                _ => None,
            })
            .expect("a move");
        for cut in 0..97 {
            let at = motion.duration * f64::from(cut) / 97.0;
            let done = vec![0; motion.axes.len()];
            let ways = slow_down::standstill(&motion, &done, at, 0.02);
            for (axis, way) in motion.axes.iter().zip(&ways) {
                let most = axis.segments.iter().fold(0.0_f64, |most, segment| {
                    let end = segment.acceleration_at(segment.duration);
                    most.max(-segment.acceleration_at(0.0)).max(-end)
                });
                for steps in way.windows(3) {
                    let (one, next) = (steps[1] - steps[0], steps[2] - steps[1]);
                    // From the middle of one interval to the middle of the next.
                    let decel = (1.0 / one - 1.0 / next) / f64::midpoint(one, next);
                    assert!(
                        decel <= most * (1.0 + 1e-6),
                        "{decel} of {most} at {} s, cut at {at} s: {script}",
                        steps[1]
                    );
                    told += 1;
                }
            }
        }
    }
    assert!(told > 500_000, "{told}");
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
    while session.host.phase == HostPhase::Greeting {
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
