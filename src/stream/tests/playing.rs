//! Every step comes once and on its tick, whatever happens to bytes.

use std::rc::Rc;
use std::time::Duration;

use crate::stream::message::BoardState;

use super::bench::{BenchProgram, parse, rig, rig_text};
use super::boards::Line;
use super::session::{CLEAN, FAST, Session, bad};
use super::wire::Quality;

pub(super) const TURNS: &str = "
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

pub(super) fn turns() -> Rc<BenchProgram> {
    Rc::new(BenchProgram::new(&rig(&["dial"]), TURNS))
}

/// Some thirty thousand steps back and forth, over and over.
fn many(repeats: u32) -> Rc<BenchProgram> {
    let script = format!(
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
    );
    Rc::new(BenchProgram::new(&rig(&["dial"]), &script))
}

#[test]
fn a_clean_line_plays_every_step_on_its_tick() {
    let Some(mut session) = Session::process(&turns(), CLEAN) else {
        return;
    };
    session.play_all();
    assert_eq!(session.host.counts().again, 0);
}

#[test]
fn a_bad_line_neither_loses_nor_doubles_a_step() {
    let program = turns();
    for seed in 0..8 {
        let Some(mut session) = Session::process(&program, bad(1e-3, 100 * seed)) else {
            return;
        };
        session.play_all();
        assert!(session.host.counts().again > 0);
    }
}

#[test]
fn axes_on_a_line_outputs_and_awaits_keep_together() {
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
    let program = Rc::new(BenchProgram::new(&rig(&["x", "y"]), script));
    let Some(mut session) = Session::process(&program, bad(1e-3, 5)) else {
        return;
    };
    while session.host.ending().is_none() {
        session.step();
        // The input comes and goes, a second each.
        session.inputs = u8::from(session.now.as_secs() % 2 == 1);
        assert!(session.now.as_secs() < 100, "{:?}", session.host.report());
    }
    session.run_to(BoardState::Finished);
    assert_eq!(session.of(Line::Output(0)).len(), 6);
}

#[test]
fn a_million_steps_over_a_bad_line() {
    let Some(mut session) = Session::process(&many(31), bad(1e-3, 42)) else {
        return;
    };
    session.play_all();
    session.tell();
}

/// Plays back and forth over so many lines of that kind; the shortest time that a board
/// could have gone on without its line, in the time that the session counts.
fn least_lead_of(lines: u64, quality: Quality) -> Option<Duration> {
    let program = many(2);
    let mut least = Duration::MAX;
    for seed in 0..lines {
        let seed = 1000 * seed + 17;
        let mut session = Session::process(&program, Quality { seed, ..quality })?;
        session.play_all();
        least = least.min(session.least_lead());
    }
    eprintln!("{quality:?}: never less than {least:?} ahead on {lines} lines");
    Some(least)
}

#[test]
fn a_hundred_lines_that_spoil_three_bytes_in_a_thousand_never_come_near_an_end() {
    let Some(least) = least_lead_of(100, bad(3e-3, 0)) else {
        return;
    };
    // Of the 150 ms that the queue holds where steps take the most bytes.
    assert!(least > Duration::from_millis(75), "{least:?}");
}

#[test]
fn neither_do_lines_behind_an_adapter_that_keeps_answers_back() {
    let quality = Quality {
        delay: 16,
        ..bad(1e-3, 0)
    };
    let Some(least) = least_lead_of(100, quality) else {
        return;
    };
    assert!(least > Duration::from_millis(50), "{least:?}");
}

#[test]
fn a_million_steps_through_the_serial_port_of_a_simulated_avr() {
    // On three lines.
    let program = many(11);
    for seed in [1, 20, 300] {
        let quality = Quality {
            faults: 1e-3,
            seed,
            ..FAST
        };
        let Some(mut session) = Session::simulated(&program, quality) else {
            return;
        };
        session.play_all();
        session.tell();
    }
}

#[test]
fn more_marks_than_have_a_number_are_told_apart() {
    let marks: Vec<String> = (0..600)
        .map(|number| format!("mark \"no. {number}\"\ndwell 5 ms\n"))
        .collect();
    let script = format!(
        "speed 360 deg/s\naccel 3000 deg/s^2\n{}turn by 10 deg\n",
        marks.concat()
    );
    let program = Rc::new(BenchProgram::new(&rig(&["dial"]), &script));
    let Some(mut session) = Session::process(&program, bad(1e-3, 6)) else {
        return;
    };
    while session.host.ending().is_none() {
        session.step();
        // What the board's last word was about.
        let played = session.host.played();
        let reached = program.marks.partition_point(|(tick, _)| *tick <= played);
        let shown = session.host.mark();
        let may_be = reached.saturating_sub(1)..=reached;
        let known = may_be
            .clone()
            .any(|count| shown == count.checked_sub(1).map(|last| &*program.marks[last].1));
        assert!(known, "{shown:?} where {may_be:?} have been reached");
    }
    session.run_to(BoardState::Finished);
    assert_eq!(session.host.mark(), Some("no. 599"));
}

#[test]
fn a_slow_timer_and_long_waits_are_streamed_too() {
    let text = rig_text(&["dial"]).replace("prescaler: 8", "prescaler: 256");
    let text = text.replace("fastest_interval: 20 us", "fastest_interval: 200 us");
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
    let program = Rc::new(BenchProgram::new(&parse(text), script));
    let Some(mut session) = Session::process(&program, bad(2e-4, 7)) else {
        return;
    };
    session.play_all();
}

#[test]
fn a_second_reading_of_the_link_agrees_whatever_the_line_does() {
    let program = turns();
    for seed in 0..60 {
        let faults = [0.0, 2e-4, 1e-3][seed as usize % 3];
        Session::model(&program, bad(faults, 977 * seed)).play_all();
    }
}
