//! The figures of the budget, and what is let through and refused with them.

use std::fmt::Write as _;

use approx::assert_relative_eq;

use super::board::{Board, OtherBoard};
use super::budget::{code_bytes, whole_microseconds};
use super::coils;
use super::controller::MOST_AXES;
use super::options::{Lines, PlayerOptions, ScheduleSource};
use super::pace::{EventPace, TooClose};
use super::verdict::{Refusal, Unplayable};
use crate::Job;
use crate::rig::Direction;
use crate::schedule::{Event, EventKind};
use crate::stream::slow_down::EXCESS;
use crate::testing::avr;
use crate::testing::motors::MEDIUM;
use crate::units::Rounded;

/// Bytes that the stack of the player may take: measured 92 where it decodes, doubled for an
/// interrupt within an interrupt and what else a compiler may do.
const STACK: usize = 200;

const CHOPPER: &str = "kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 16";

/// A program on a rig with two axes on such a drive, and so many outputs and inputs.
fn job(drive: &str, outputs: usize, inputs: usize) -> Job {
    let mut rig = "axes:\n".to_owned();
    for name in ["a", "b"] {
        let _ = write!(
            rig,
            "  {name}:
    motor: {{ rotor_teeth: 50, phase_resistance: 2.1 ohm, phase_inductance: 4.2 mH, rated_current: 1.5 A,
             holding_torque: 0.42 N.m, rotor_inertia: 65 g.cm^2, viscous_damping: 0.4 mN.m.s/rad }}
    drive: {{ {drive} }}
    load: {{ inertia: 50 g.cm^2, friction: 10 mN.m }}
"
        );
    }
    rig.push_str("timer: { clock: 16 MHz, prescaler: 1, bits: 16, step_pulse: 3 us }\n");
    let mut script = "speed 90 deg/s\naccel 400 deg/s^2\nturn a by 90 deg\n".to_owned();
    if outputs > 0 {
        rig.push_str("outputs:\n");
        for number in 0..outputs {
            let _ = writeln!(rig, "  o{number}: {{}}");
            let _ = write!(script, "output o{number} on\ndwell 1 s\n");
        }
    }
    if inputs > 0 {
        rig.push_str("inputs:\n");
        for number in 0..inputs {
            let _ = writeln!(rig, "  i{number}: {{}}");
            let _ = writeln!(script, "await i{number}");
        }
    }
    Job::from_texts(&script, &rig).unwrap()
}

#[test]
fn no_player_takes_more_memory_than_is_charged() {
    let bridges = "kind: linear-current, supply: 24 V, peak_current: 1.4 A, microsteps: 8, sense_resistor: 0.5 ohm, \
                   sense_gain: 4, converter_bits: 8, converter_reference: 2.9 V";
    let enabled = format!("{CHOPPER}, enable: {{ active: low, at_end: release }}");
    let on_the_bus = bridges.replace(
        "converter_bits: 8",
        "converter_bits: 16, converter_frame: 00110000dddddddddddddddd, hold_current: 30 %",
    );
    for (source, lines, drive) in [
        (ScheduleSource::Memory, Lines::Steps, CHOPPER),
        (ScheduleSource::Memory, Lines::Steps, enabled.as_str()),
        (ScheduleSource::Memory, Lines::Coils, on_the_bus.as_str()),
        (
            ScheduleSource::Line { baud: 250_000 },
            Lines::Coils,
            on_the_bus.as_str(),
        ),
        (ScheduleSource::Memory, Lines::Coils, bridges),
        (
            ScheduleSource::Line { baud: 250_000 },
            Lines::Steps,
            CHOPPER,
        ),
        (
            ScheduleSource::Line { baud: 250_000 },
            Lines::Coils,
            bridges,
        ),
    ] {
        for (outputs, inputs) in [(0, 0), (9, 4)] {
            let job = job(drive, outputs, inputs);
            let options = PlayerOptions {
                lines,
                source,
                other_board: false,
                user_code: false,
            };
            let project = job
                .project_with(&job.heading(None), options, &mut |_| ())
                .unwrap();
            let Some(built) = avr::build(&project) else {
                return;
            };
            let tables = match lines {
                Lines::Steps => 0,
                Lines::Coils => coils::bytes(&coils::tables(job.rig()).unwrap(), job.rig()),
            };
            let code = built.flash - tables - project.table.unwrap_or_default();
            let charged = code_bytes(job.rig(), options);
            println!("{lines:?} {source:?}, {outputs} outputs: {code} of {charged}, {built:?}");
            assert!(
                code <= charged && charged < code + 1200,
                "{code} of {charged}"
            );
            let ram = project.wiring.unwrap().controller.ram;
            assert!(built.ram + STACK <= ram, "{built:?} of {ram}");
        }
    }
}

#[test]
fn only_a_rig_of_more_axes_than_any_part_steps_is_written_for_another_board() {
    let on = |axes: usize, outputs: usize| {
        let mut rig = "axes:\n".to_owned();
        for number in 0..axes {
            let _ = writeln!(
                rig,
                "  a{number}: {{ motor: {{ {MEDIUM} }}, drive: {{ {CHOPPER} }} }}"
            );
        }
        rig.push_str("timer: { clock: 16 MHz, prescaler: 8 }\noutputs:\n");
        for number in 0..outputs {
            let _ = writeln!(rig, "  o{number}: {{}}");
        }
        let script = "speed 90 deg/s\naccel 400 deg/s^2\nturn a0 by 90 deg\n";
        let job = Job::from_texts(script, &rig).unwrap();
        Board::of(job.rig(), PlayerOptions::default()).map(|board| board.wiring.map(|_| ()))
    };
    assert_eq!(on(MOST_AXES, 1), Ok(Ok(())));
    let beyond = on(MOST_AXES + 1, 1);
    assert!(matches!(beyond, Ok(Err(OtherBoard::Axes(_)))), "{beyond:?}");
    // More outputs than any part has pins.
    let crowded = on(MOST_AXES, 64);
    assert!(
        matches!(crowded, Err(Unplayable::Unwired(_))),
        "{crowded:?}"
    );
}

#[test]
fn a_shorter_dead_time_is_a_cure_where_it_mends_the_fastest_step() {
    // 483 cycles and the dead time, 1601 of them at 16 MHz: 7677 half steps/s.
    let options = PlayerOptions {
        lines: Lines::Coils,
        ..PlayerOptions::default()
    };
    let cure = |speed: u32, dead: &str| {
        let drive = format!(
            "kind: fixed-voltage, sequence: half-step, supply: 3 V, switch_resistance: 0.5 ohm, dead_time: {dead}"
        );
        let rig = format!(
            "axes: {{ a: {{ motor: {{ {MEDIUM} }}, drive: {{ {drive} }} }} }}\ntimer: {{ clock: 16 MHz, prescaler: 8 }}\n"
        );
        let script = format!(
            "bands allow\nspeed {speed} microstep/s\naccel 100000 microstep/s^2\nturn by 20000 microstep\n"
        );
        let job = Job::from_texts(&script, &rig).unwrap();
        let refusals = job.refusals(options).unwrap();
        refusals.first().map(Refusal::cure)
    };
    // Cycles left for the dead time at each speed; the first step that is too fast stands behind
    // one of 7677/s, whatever speed comes later.
    for speed in [7_800, 12_000, 25_000, 31_500] {
        let left = 16e6 / f64::from(speed) - 483.0;
        let said = cure(speed, "100 us").expect("a refusal");
        let (_, rest) = said.split_once("shorten `dead_time`: ").expect(&said);
        let (enough, _) = rest.split_once(" at most").unwrap();
        let most: f64 = enough.strip_suffix(" us").unwrap().parse().unwrap();
        assert!(
            most * 16.0 <= left && most * 16.0 > left - 25.0,
            "{speed}: {said}"
        );
        assert_eq!(cure(speed, enough), None, "{speed}");
    }
    let said = cure(33_500, "100 us").expect("a refusal");
    assert!(!said.contains("dead_time"), "{said}");
}

#[test]
fn a_time_is_rounded_up_to_whole_microseconds() {
    let job = job(CHOPPER, 0, 0);
    for (cycles, microseconds) in [(0, 0.0), (1, 1.0), (16, 1.0), (17, 2.0)] {
        let whole = whole_microseconds(cycles, &job.rig().timer).si();
        assert_relative_eq!(whole, microseconds * 1e-6, max_relative = 1e-12);
    }
}

#[test]
fn a_program_beyond_64_bits_of_cycles_is_judged_like_a_short_one() {
    let axis = |name: &str| format!("{name}: {{ motor: {{ {MEDIUM} }}, drive: {{ {CHOPPER} }} }}");
    let rig = format!(
        "axes: {{ {}, {} }}\ntimer: {{ clock: 16 MHz, prescaler: 1024 }}\n",
        axis("a"),
        axis("b")
    );
    let refused = |passes: u32, rate: u32| {
        let script = format!(
            "bands allow\nspeed {rate} microstep/s\naccel 40000 microstep/s^2\n\
             repeat {passes} {{\n dwell 1000000000 s\n}}\n\
             together {{\n turn a by 8000 microstep\n turn b by 8000 microstep\n}}\n"
        );
        let job = Job::from_texts(&script, &rig).unwrap();
        let refusals = job.refusals(PlayerOptions::default()).unwrap();
        refusals.first().map(Refusal::cure)
    };
    for rate in [2_000, 5_000] {
        let short = refused(1, rate);
        assert_eq!(short.is_some(), rate == 5_000, "{short:?}");
        // 1.9 times as many cycles as 64 bits hold.
        assert_eq!(refused(2_200, rate), short);
    }
}

/// By hand, at 16 MHz with a dead time of 1 us, 17 cycles: a step takes 80, 323 and 17 of them
/// from the interrupt of a mark, which itself takes 410 and 60. Of steps that are 620 cycles
/// apart two begin or end in 1000 cycles, and no more than eight in 4000.
#[test]
fn marks_leave_the_interrupts_of_all_steps_between_them_their_time() {
    let rig = format!(
        "axes: {{ a: {{ motor: {{ {MEDIUM} }}, drive: {{ kind: fixed-voltage, sequence: half-step, supply: 3 V, dead_time: 1 us }} }} }}\n\
         timer: {{ clock: 16 MHz, prescaler: 1 }}\n"
    );
    let job = Job::from_texts("turn by 90 deg\n", &rig).unwrap();
    let options = PlayerOptions {
        lines: Lines::Coils,
        ..PlayerOptions::default()
    };
    let board = Board::of(job.rig(), options).unwrap();
    let wiring = board.wiring.unwrap();
    let needed = |apart: u64| {
        let steps = (0..30).map(|step| Event {
            tick: 10_000 + 620 * step,
            what: EventKind::Step {
                axis: 0,
                direction: Direction::Positive,
            },
        });
        let marks = [20_000, 20_000 + apart].map(|tick| Event {
            tick,
            what: EventKind::Mark("here".into()),
        });
        let mut events: Vec<Event> = steps.chain(marks).collect();
        events.sort_by_key(|event| event.tick);
        let mut pace = EventPace::new(job.rig(), Lines::Coils, &wiring);
        events.iter().find_map(|event| pace.pass(event).err())
    };
    let refused = needed(1000);
    let Some(TooClose::Others { apart, needs }) = &refused else {
        panic!("{refused:?}");
    };
    assert_relative_eq!(apart.si(), 62.5e-6, max_relative = 1e-12);
    assert_relative_eq!(needs.si() * 16e6, 82.0 * 16.0, max_relative = 1e-12);
    assert_eq!(needed(4000), None);
}

#[test]
fn how_hard_a_slow_down_is_stands_alike_in_readme_and_hazards() {
    let percent = |(_, share): (usize, f64)| Rounded(share * 100.0);
    let [one, two, four] = EXCESS;
    let told = format!(
        "by up to {} % over two stretches of {} full steps, {} % over {} and {} % over {}",
        percent(one),
        one.0,
        percent(two),
        two.0,
        percent(four),
        four.0
    );
    assert!(include_str!("../../README.md").contains(&told), "{told}");
    let streaming = PlayerOptions {
        source: ScheduleSource::Line { baud: 115_200 },
        ..PlayerOptions::default()
    };
    let project = job(CHOPPER, 0, 0).project(streaming).unwrap();
    let readme = project.files.iter().find(|file| file.name == "README.md");
    assert!(readme.is_some_and(|readme| readme.text.contains(&told)));
}
