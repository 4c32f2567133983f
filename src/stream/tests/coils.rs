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
    let speed = 16e6 / LINE_COIL_STEP_CYCLES as f64;
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

/// What a kind of bridge has for inputs (common practice of bridges): one for each switch of two
/// legs, one for each diagonal pair, or an enable and a direction.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Switches,
    Pairs,
    PhaseEnable,
}

/// The inputs of a bridge of one phase.
#[derive(Debug)]
struct Bridge {
    kind: Kind,
    active: [bool; 4],
    /// When each went off last; of an enable whose direction has changed, when that went off.
    off_since: [Option<u64>; 4],
    /// The dead times that it had (cycles).
    dead: Vec<u64>,
}

impl Bridge {
    const fn new(kind: Kind) -> Self {
        Self {
            kind,
            active: [false; 4],
            off_since: [None; 4],
            dead: Vec::new(),
        }
    }

    fn take(&mut self, input: usize, on: bool, cycle: u64) {
        if on == self.active[input] {
            return;
        }
        self.active[input] = on;
        match self.kind {
            Kind::Switches | Kind::Pairs if on => {
                assert!(!self.active[input ^ 1], "short circuit at {cycle}");
                let since = self.off_since[input ^ 1].take();
                self.dead.extend(since.map(|since| cycle - since));
            }
            Kind::PhaseEnable if input == 1 => {
                assert!(!self.active[0], "it turns round under current at {cycle}");
                self.off_since[1] = self.off_since[0];
            }
            Kind::PhaseEnable if on => {
                let since = self.off_since[1].take();
                self.dead.extend(since.map(|since| cycle - since));
            }
            Kind::Switches | Kind::Pairs | Kind::PhaseEnable => {
                self.off_since[input] = Some(cycle);
            }
        }
    }
}

/// The shortest dead time (cycles) of all bridges of axes over what happened, and how many there
/// were.
fn dead_times(happened: &[Happening], kind: Kind, axes: usize, low: bool) -> (u64, usize) {
    let inputs = if kind == Kind::Switches { 4 } else { 2 };
    let mut bridges: Vec<Bridge> = (0..2 * axes).map(|_| Bridge::new(kind)).collect();
    // Lines that are active low rise from the reset's zero to their rest.
    let mut seen = vec![!low; 2 * axes * inputs];
    for happening in happened {
        let Line::Switch(axis, switch) = happening.line else {
            continue;
        };
        let number = 2 * inputs * axis + switch;
        if std::mem::replace(&mut seen[number], true) {
            let on = (happening.level == 1) != low;
            bridges[number / inputs].take(switch % inputs, on, happening.tick);
        }
    }
    let all = bridges.iter().flat_map(|bridge| &bridge.dead);
    (all.clone().copied().min().unwrap_or_default(), all.count())
}

/// Over whole programs that come over a line with faults, chopped at standstill and stopped at the
/// end, with dead times that are no whole number of cycles.
#[test]
fn the_dead_time_of_a_streamed_program_is_never_less_than_asked() {
    for (kind, keys, low, dead, cycles, axes) in [
        (
            Kind::Switches,
            "bridge: switches",
            false,
            "1.37 us",
            22,
            &["dial"][..],
        ),
        (
            Kind::Switches,
            "bridge: switches, active: { high_side: low, low_side: low }",
            true,
            "33.3 us",
            533,
            &["dial"],
        ),
        (
            Kind::Switches,
            "bridge: switches",
            false,
            "7.03 us",
            113,
            &["x", "y"],
        ),
        (
            Kind::Pairs,
            "bridge: pairs",
            false,
            "0.91 us",
            15,
            &["dial"],
        ),
        (
            Kind::Pairs,
            "bridge: pairs, active: { pair: low }",
            true,
            "2.2 us",
            36,
            &["dial"],
        ),
        (
            Kind::PhaseEnable,
            "bridge: phase-enable, decay: slow",
            false,
            "3.1 us",
            50,
            &["dial"],
        ),
    ] {
        let chopper = "kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 16";
        let held = match kind {
            Kind::PhaseEnable | Kind::Switches => ", hold_current: 40 %, hold_delay: 100 ms",
            // A fast decay leaves too little of the period.
            Kind::Pairs => "",
        };
        // Each step turns a phase round.
        let full_step = HALF_STEP.replace("half-step", "two-phase");
        let drive = format!("{full_step}, {keys}, dead_time: {dead}{held}");
        let rig = parse(
            rig_text(axes)
                .replace(chopper, &drive)
                .replace("pin: PB3", "pin: PH4"),
        );
        let turn = |way: i32| match axes {
            [_] => format!("turn by {way} microstep\n"),
            _ => format!(
                "together {{\nturn x by {way} microstep\nturn y by {} microstep\n}}\n",
                -way
            ),
        };
        let script = format!(
            "speed 900 microstep/s\naccel 8000 microstep/s^2\n{}dwell 400 ms\n{}{}",
            turn(173),
            turn(-91),
            turn(3)
        );
        let program = Rc::new(BenchProgram::new(&rig, &script));
        let Some(board) = Simulated::start(&rig, FAST.baud, Lines::Coils) else {
            return;
        };
        let mut session = session(board, &program, 5);
        let report = session.run_to_report();
        assert_eq!(report.state, BoardState::Finished, "{keys}");
        // The contact opens while coils are on.
        session.inputs |= 0x80;
        session.wait(12);
        let (least, count) = dead_times(&session.happened, kind, axes.len(), low);
        println!("{keys}, {dead}: {least} cycles of {cycles} asked, {count} times");
        assert!(
            least >= cycles,
            "{keys}, {dead}: {least} cycles of {cycles}"
        );
        // It is measured where the bridges turn round, and what lies between is little.
        assert!(count >= 80, "{count}");
        assert!(least <= cycles + 100, "{keys}, {dead}: {least} cycles");
    }
}
