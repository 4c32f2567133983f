//! When the line dies, or on request, the axes come to a standstill on their path, and the
//! board knows where. Where it must not play, nothing moves.

use std::rc::Rc;
use std::time::Duration;

use crate::plan::Item;
use crate::stream::Unsendable;
use crate::stream::gentle::PlannedDecel;
use crate::stream::host::{Ending, Host, HostPhase};
use crate::stream::message::{BoardState, Likeness};
use crate::stream::slow_down;

use super::bench::{BenchProgram, RATE, items, likeness, rig};
use super::boards::{Board, Happening, Line};
use super::playing::turns;
use super::session::{CLEAN, FAST, Session, bad};

/// Highest acceleration of [`TURNS`] (microsteps/s²).
const ACCELERATION: f64 = 30_000.0 / 360.0 * 3200.0;

/// Checks that an axis slowed down no harder than its plan does, to a standstill.
fn assert_gentle<B: Board>(session: &Session<B>, axis: usize) {
    // Steps over which the deceleration is told, and its share of the plan's: where the plan
    // slows down itself its path has no slack, and runs stray from it by a fraction of a step,
    // which tells less over more steps.
    const WINDOWS: [(usize, f64); 3] = [(64, 1.02), (128, 1.01), (256, 1.005)];
    let steps = session.of(Line::Step(axis));
    let rate = f64::from(RATE);
    let speed =
        |from: usize, to: usize| (to - from) as f64 * rate / (steps[to].0 - steps[from].0) as f64;
    let backwards = |at: usize| steps[at].1 != 1;
    for (window, share) in WINDOWS {
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
            assert!(
                decel <= share * ACCELERATION + grain,
                "{decel} at step {at} of {} from {before} to {after}, over {window} steps",
                steps.len()
            );
        }
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
    let (mut told, mut before) = (0, 0);
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
                // The plan's own ramp at the end, and the mean deceleration on it.
                let slowing = axis.segments.iter().rev();
                let slowing = slowing
                    .take_while(|segment| segment.acceleration_at(0.5 * segment.duration) < 0.0);
                let (begins, time) = slowing
                    .fold((axis.steps as f64, 0.0), |(_, time), segment| {
                        (segment.position, time + segment.duration)
                    });
                let mean = axis.peaks().0 / time;
                for (number, steps) in way.windows(3).enumerate() {
                    let (one, next) = (steps[1] - steps[0], steps[2] - steps[1]);
                    // From the middle of one interval to the middle of the next.
                    let decel = (1.0 / one - 1.0 / next) / f64::midpoint(one, next);
                    assert!(
                        decel <= most * (1.0 + 1e-6),
                        "{decel} of {most} at {} s, cut at {at} s: {script}",
                        steps[1]
                    );
                    told += 1;
                    if number as f64 + 3.0 < begins {
                        assert!(
                            decel <= mean * (1.0 + 1e-6),
                            "{decel} of {mean} before the plan slows down, cut at {at} s: {script}"
                        );
                        before += 1;
                    }
                }
            }
        }
    }
    assert!(told > 500_000 && before > 100_000, "{told}, {before}");
}

/// By which share the board decelerates harder than the plan, at most, over two stretches of four
/// full steps and more, if the line dies at those times (ms): told by the ticks that it plays.
fn excess_of(speed: u32, accel: u32, turn: u32, cuts: impl Iterator<Item = u32>) -> f64 {
    let script = format!("speed {speed} deg/s\naccel {accel} deg/s^2\nturn by {turn} deg\n");
    let program = Rc::new(BenchProgram::new(&rig(&["dial"]), &script));
    let planned = PlannedDecel {
        decel: f64::from(accel) / 360.0 * 3200.0,
        rate: f64::from(RATE),
        stretch: 64,
    };
    let excesses = cuts.map(|cut| {
        let mut session = Session::model(&program, CLEAN);
        session.wait(cut);
        session.out.cut = true;
        session.run_to(BoardState::LineDead);
        let ticks = session.of(Line::Step(0)).into_iter();
        let ticks: Vec<u64> = ticks.map(|(tick, _)| tick).collect();
        assert!(ticks.len() > 400, "{} steps: {script}", ticks.len());
        planned.excess(&ticks, 0)
    });
    excesses.fold(-1.0, f64::max)
}

#[test]
fn a_slow_down_from_a_cruise_never_exceeds_the_deceleration_of_the_plan() {
    for (speed, accel) in [
        (3300, 30_000),
        (2500, 8_000),
        (1200, 30_000),
        (700, 2_500),
        (3000, 90_000),
    ] {
        // The cruise lasts 2 s, and data run 300 ms ahead.
        let excess = excess_of(speed, accel, 2 * speed, (700..1500).step_by(67));
        println!("{speed} deg/s, {accel} deg/s²: {excess}");
        // The plan's own steps, before it, are off by up to a tick, not by half of one.
        let (rate, decel) = (f64::from(RATE), f64::from(accel) / 360.0 * 3200.0);
        let fastest = f64::from(speed) / 360.0 * 3200.0;
        let grain = 2.0 * fastest.powi(3) / (rate * 64.0 * 64.0 * decel);
        assert!(
            excess <= grain + 1e-3,
            "{speed} deg/s, {accel} deg/s²: {excess}"
        );
    }
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
fn a_dead_line_brings_a_simulated_part_to_a_standstill_with_its_outputs_off() {
    let script = "speed 3300 deg/s\naccel 30000 deg/s^2\noutput lamp on\nturn by 6000 deg\noutput lamp off\n";
    let program = Rc::new(BenchProgram::new(&rig(&["dial"]), script));
    let Some(mut session) = Session::simulated(&program, FAST) else {
        return;
    };
    session.wait(900);
    session.out.cut = true;
    let report = session.run_to(BoardState::LineDead);
    let steps = session.of(Line::Step(0));
    let rises: Vec<u64> = steps.iter().map(|(cycle, _)| *cycle).collect();
    assert_eq!(usize::try_from(report.positions[0]), Ok(rises.len()));
    // Edges lie on ticks, and a constant behind them.
    let prescaler = u64::from(program.rig.timer.prescaler);
    let ticks: Vec<u64> = rises
        .iter()
        .map(|cycle| (cycle - rises[0]) / prescaler)
        .collect();
    let planned = PlannedDecel {
        decel: ACCELERATION,
        rate: f64::from(RATE),
        stretch: 64,
    };
    let excess = planned.excess(&ticks, 0);
    assert!(excess <= 1e-3, "{excess}");
    let lamp = session.of(Line::Output(0));
    assert_eq!(lamp.last().map(|(_, level)| *level), Some(0), "{lamp:?}");
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
        // In the time that the session counts; a slow machine adds nothing to it.
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
fn a_stop_contact_that_opens_before_the_greeting_does_not_end_the_line() {
    let program = turns();
    let Some(mut session) = Session::process(&program, CLEAN) else {
        return;
    };
    session.inputs = 0x80;
    session.run_to(BoardState::StopContact);
    let moved = |one: &&Happening| !matches!(one.line, Line::Output(_));
    assert_eq!(session.happened.iter().find(moved), None);
    // It closes, and a host that greets again plays its program.
    let Some(mut next) = Session::process(&program, CLEAN) else {
        return;
    };
    next.board = session.board;
    next.play_all();
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
fn a_board_that_no_longer_hears_before_the_start_is_noticed() {
    let mut session = Session::model(&turns(), CLEAN);
    while session.host.phase == HostPhase::Greeting {
        session.step();
    }
    session.out.cut = true;
    assert_eq!(session.run(), Ending::Deaf);
    assert!(session.happened.is_empty());
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
