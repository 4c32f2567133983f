//! Coils that the board switches itself.

use std::rc::Rc;

use crate::physics::currents::CoilTable;
use crate::player::Lines;
use crate::player::budget::LINE_COIL_STEP_CYCLES;
use crate::stream::message::BoardState;

use super::bench::{BenchProgram, parse, rig_text};
use super::boards::{Happening, Line, Simulated};
use super::session::{FAST, Session};
use super::wire::Quality;

const HALF_STEP: &str =
    "kind: fixed-voltage, sequence: half-step, supply: 3 V, switch_resistance: 0.5 ohm";
const CONVERTERS: &str = "kind: linear-current, supply: 24 V, peak_current: 1 A, microsteps: 16, \
     sense_resistor: 0.5 ohm, sense_gain: 4, converter_bits: 8, converter_reference: 2.5 V";

fn program(drive: &str, script: &str) -> Rc<BenchProgram> {
    let chopper = "kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 16";
    let text = rig_text(&["dial"]).replace(chopper, drive);
    // The converters take their place.
    let text = text
        .replace("pin: PB0", "pin: PH3")
        .replace("pin: PB3", "pin: PH4");
    Rc::new(BenchProgram::new(&parse(text), script))
}

fn session(board: Simulated, program: &Rc<BenchProgram>, seed: u64) -> Session<Simulated> {
    let quality = Quality {
        faults: 1e-3,
        seed,
        ..FAST
    };
    Session::new(board, program, quality)
}

/// Which switches are on, each time that they have stood for more than the dead time: a
/// bit each, phase A's lowest.
fn patterns(happened: &[Happening], mut on: u8) -> Vec<u8> {
    const SETTLED: u64 = 100;
    let mut patterns = Vec::new();
    let mut last = 0;
    for happening in happened {
        let Line::Switch(0, switch) = happening.line else {
            continue;
        };
        if happening.tick > last + SETTLED {
            patterns.push(on);
        }
        last = happening.tick;
        on = on & !(1 << switch) | happening.level << switch;
        assert_eq!(on & on >> 1 & 0b0101_0101, 0, "both switches of a leg");
    }
    patterns.push(on);
    patterns.dedup();
    patterns
}

/// The rows of the table that `coils` prints, by their signs.
fn rows(program: &BenchProgram) -> Vec<u8> {
    let phase = |sign| match sign {
        0 => 0,
        1.. => 0b1001,
        _ => 0b0110,
    };
    let table = CoilTable::of(&program.rig.axes[0]);
    let rows = table.rows.iter();
    rows.map(|row| phase(row.a.sign) | phase(row.b.sign) << 4)
        .collect()
}

#[test]
fn coils_follow_their_table_and_the_next_program_goes_on_from_there() {
    let program = program(
        HALF_STEP,
        "speed 600 microstep/s\naccel 8000 microstep/s^2\n\
         turn by 150 microstep\ndwell 10 ms\nturn by -83 microstep\n",
    );
    let Some(mut board) = Simulated::start(&program.rig, FAST.baud, Lines::Coils) else {
        return;
    };
    let rows = rows(&program);
    let at = |row: i64| rows[row.rem_euclid(rows.len() as i64) as usize];
    let (mut row, mut on) = (0, 0);
    for seed in [2, 3] {
        let mut session = session(board, &program, seed);
        let report = session.run_to_report();
        assert_eq!(report.state, BoardState::Finished);
        assert_eq!(report.positions, [150 - 83]);
        let mut wanted = vec![on, at(row)];
        for way in std::iter::repeat_n(1, 150).chain(std::iter::repeat_n(-1, 83)) {
            row += way;
            wanted.push(at(row));
        }
        wanted.dedup();
        assert_eq!(patterns(&session.happened, on), wanted);
        on = at(row);
        board = session.board;
    }
}

#[test]
fn coils_go_off_when_the_line_dies() {
    let program = program(
        HALF_STEP,
        "speed 3000 microstep/s\naccel 8000 microstep/s^2\nturn by 9000 microstep\n",
    );
    let Some(board) = Simulated::start(&program.rig, FAST.baud, Lines::Coils) else {
        return;
    };
    let rows = rows(&program);
    let mut session = session(board, &program, 4);
    session.wait(1800);
    session.out.cut = true;
    let report = session.run_to_report();
    assert_eq!(report.state, BoardState::LineDead);
    let steps = report.positions[0];
    assert!((1000..8000).contains(&steps), "{steps}");
    let made = patterns(&session.happened, 0);
    // All off at first and at last, and a row before the first step.
    assert_eq!(made.len() as i32, steps + 3);
    assert_eq!(made[made.len() - 2], rows[steps as usize % rows.len()]);
    assert_eq!(made.last(), Some(&0));
}

#[test]
fn a_small_part_keeps_up_with_the_highest_rate_for_coils() {
    let speed = 16e6 / f64::from(LINE_COIL_STEP_CYCLES);
    let script = format!(
        "speed {speed} microstep/s\naccel 100000 microstep/s^2\n\
         turn by 20000 microstep\nturn by -20000 microstep\n"
    );
    for drive in [HALF_STEP, CONVERTERS] {
        let program = program(drive, &script);
        let Some(board) = Simulated::start(&program.rig, FAST.baud, Lines::Coils) else {
            return;
        };
        let report = session(board, &program, 4).run_to_report();
        assert_eq!(report.state, BoardState::Finished, "{drive}");
        assert_eq!(report.positions, [0]);
    }
}
