//! What repeats is gone through once and counted, and comes to the same as going through it
//! pass by pass.

use std::fmt::Write as _;

use proptest::prelude::*;

use crate::Job;
use crate::emit::{Binary, CHeader};
use crate::job::events::UntilError;
use crate::plan::{EachItem, Item, Passage, Passages, Patience, PlannedMove};
use crate::player::PlayerOptions;
use crate::schedule::pack::pack;
use crate::schedule::{Event, EventKind, Schedule};
use crate::testing::processor::Cost;

const RIG: &str = "
axes:
  a:
    motor: MOTOR
    drive: { kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 4 }
    load: { inertia: 40 g.cm^2 }
    limits: { settle: 0.5 deg }
  b:
    motor: MOTOR
    drive: { kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 4 }
    load: { inertia: 40 g.cm^2, gearing: 7:3, backlash: 0.4 deg, approach: positive }
timer: { clock: 8 MHz, prescaler: 8, bits: 16, tolerance: 100 ppm, step_pulse: 3 us, direction_setup: 10 us }
outputs: { o: { pin: PB0 } }
inputs: { go: { pin: PB1 } }
";

/// The motor of both axes.
const MOTOR: &str = "{ rotor_teeth: 50, phase_resistance: 2 ohm, phase_inductance: 3 mH, rated_current: 1.5 A,\
             holding_torque: 0.4 N.m, rotor_inertia: 60 g.cm^2, detent_torque: 15 mN.m }";

/// Settings that plan the moves in no time and are easy on the motor.
const HEAD: &str = "rig \"rig.yaml\"\nspeed 300 deg/s\naccel 3000 deg/s^2\n";

fn job(body: &str) -> Job {
    Job::from_texts(&format!("{HEAD}{body}"), &RIG.replace("MOTOR", MOTOR)).expect("a job")
}

/// The passages of a program, its loops looked at from their first pass on.
fn passages(job: &Job) -> UntilError<'_> {
    let at_once = Patience { items: 0, steps: 0 };
    UntilError::new(job.program().with_patience(at_once))
}

/// What an item does, wherever it stands.
#[derive(Debug, Clone, PartialEq)]
enum Deed {
    Moves(Vec<(usize, u64, i64)>, u64),
    Other(Item),
}

fn deed(item: &Item) -> Deed {
    match item {
        Item::Move(planned) => {
            let axes = planned.motion.axes.iter();
            let axes = axes.map(|axis| (axis.axis, axis.steps, axis.direction.sign()));
            Deed::Moves(axes.collect(), planned.motion.duration.to_bits())
        }
        other => Deed::Other(other.clone()),
    }
}

/// All deeds of a program, those that are left out written out, and how many items were
/// left out; what comes behind them must stand where it stands without.
fn unfolded(job: &Job, flat: &[Item]) -> (Vec<Deed>, usize) {
    let mut program = passages(job);
    let (mut deeds, mut begins, mut left_out) = (Vec::new(), Vec::new(), 0);
    while let Some(passage) = program.next_passage() {
        match passage {
            Passage::Item(item) => {
                if let (Item::Move(here), Some(Item::Move(there))) = (&item, flat.get(deeds.len()))
                {
                    assert_same_place(here, there);
                }
                deeds.push(deed(&item));
            }
            Passage::Begins => begins.push(deeds.len()),
            Passage::Ends { more } => {
                let begin = begins.pop().expect("a begin");
                if more > 0 {
                    program.leap();
                    let period = deeds[begin..].to_vec();
                    left_out += period.len() * more as usize;
                    (0..more).for_each(|_| deeds.extend_from_slice(&period));
                }
            }
        }
    }
    program.ended().expect("a plan");
    (deeds, left_out)
}

fn assert_same_place(here: &PlannedMove, there: &PlannedMove) {
    assert_eq!(here.index, there.index);
    for (one, other) in here.travel.iter().zip(&there.travel) {
        assert_eq!(
            (one.from_steps, one.to_steps),
            (other.from_steps, other.to_steps)
        );
        assert!((one.target_error - other.target_error).abs() < 1e-9);
    }
}

fn flat(job: &Job) -> Vec<Item> {
    let mut program = UntilError::new(job.program());
    let items = program.each().collect();
    program.ended().expect("a plan");
    items
}

/// A statement of a loop.
fn statement() -> impl Strategy<Value = String> {
    let exact = prop_oneof![
        Just("360/7 deg"),
        Just("51.4285 deg"),
        Just("0.45 deg"),
        Just("1/3 rad"),
        Just("-90 deg"),
        Just("5 microsteps"),
        Just("0.3 microsteps"),
    ];
    let axis = prop_oneof![Just("a"), Just("b")];
    prop_oneof![
        5 => (axis.clone(), exact).prop_map(|(axis, by)| format!("turn {axis} by {by}\n")),
        1 => (axis.clone(), 0u32..400).prop_map(|(axis, to)| format!("turn {axis} to {to} deg\n")),
        2 => (axis, 0u32..360).prop_map(|(axis, to)| format!("turn {axis} to {to} deg clockwise\n")),
        1 => Just("dwell 2 ms\n".to_owned()),
        1 => Just("dwell 1/3 ms\n".to_owned()),
        1 => Just("turn a by 1.8 deg\ndwell until settled\n".to_owned()),
        1 => Just("output o on\ndwell 5 ms\noutput o off\n".to_owned()),
        1 => Just("await go pressed\n".to_owned()),
        1 => Just("through {\n turn a by 20 deg\n output o on passing 15 deg\n turn a by 350 deg\n}\n".to_owned()),
    ]
}

fn script() -> impl Strategy<Value = String> {
    let inner = (proptest::collection::vec(statement(), 1..4), 1u32..40);
    let block = inner.prop_map(|(body, times)| format!("repeat {times} {{\n{}}}\n", body.concat()));
    let outer = (
        proptest::collection::vec(prop_oneof![2 => statement(), 1 => block], 1..4),
        1u32..60,
    );
    let outer = outer.prop_map(|(body, times)| format!("repeat {times} {{\n{}}}\n", body.concat()));
    (outer, statement()).prop_map(|(outer, end)| format!("{outer}{end}"))
}

#[test]
fn what_is_left_out_is_what_would_have_come() {
    let mut runner = proptest::test_runner::TestRunner::new(ProptestConfig {
        cases: std::env::var("SLEWSMITH_CASES").map_or(60, |cases| cases.parse().unwrap()),
        ..ProptestConfig::default()
    });
    let saved = std::cell::Cell::new(0);
    runner
        .run(&script(), |text| {
            let job = job(&text);
            // A passing output that is never passed, and the like, is no program.
            let mut program = UntilError::new(job.program());
            let items: Vec<Item> = program.each().take(20_000).collect();
            if program.ended().is_err() || items.len() == 20_000 {
                return Ok(());
            }
            let (deeds, left_out) = unfolded(&job, &items);
            let expected: Vec<Deed> = items.iter().map(deed).collect();
            prop_assert_eq!(deeds, expected);
            saved.set(saved.get() + left_out);
            Ok(())
        })
        .unwrap();
    assert!(saved.get() > 1000, "only {} items left out", saved.get());
}

/// Whose event it is: an axis, or all else.
fn stream(event: &Event) -> usize {
    match event.what {
        EventKind::Step { axis, .. } | EventKind::Direction { axis, .. } => axis,
        EventKind::Output { .. }
        | EventKind::Await { .. }
        | EventKind::Seek { .. }
        | EventKind::Sought { .. }
        | EventKind::Zero { .. }
        | EventKind::Mark(_) => 2,
    }
}

#[test]
fn a_packed_loop_keeps_every_event_on_its_tick() {
    for body in [
        "turn a by 360/7 deg\ndwell 3 ms\n",
        "turn a by 90 deg\nturn a by -90 deg\n",
        "turn a by 30 deg\nturn b by 27 deg\noutput o on\ndwell 7 ms\noutput o off\n",
        "repeat 20 {\n turn b by 3 deg\n dwell 1 ms\n}\nturn b to 0 deg\nmark \"round\"\n",
        "seek a by -50 deg until go at 20 deg/s\nzero a at 7 deg\nturn a to 20 deg\nturn b by 27 deg\n",
        "await go\ntogether {\n turn a by 40 deg\n turn b by -27 deg\n}\n",
        "await go\nturn a by -40 deg at 20 deg/s\nturn a by 45 deg\ndwell 1 s\n",
    ] {
        let job = job(&format!(
            "turn b by 10 deg\nrepeat 100 {{\n{body}}}\nturn b by 10 deg\nturn a to 5 deg\n"
        ));
        let packed = pack(passages(&job), job.rig()).expect("packed");
        let by_stream = |events: &mut dyn Iterator<Item = Event>| {
            let mut streams = vec![Vec::new(); 3];
            events.for_each(|event| streams[stream(&event)].push(event));
            streams
        };
        let decoded = by_stream(&mut packed.events());
        let expected = by_stream(&mut Schedule::new(flat(&job), job.rig()));
        let mut sooner = 0;
        for (one, other) in decoded.iter().flatten().zip(expected.iter().flatten()) {
            assert_eq!(one.what, other.what, "{body}");
            let apart = one.tick.abs_diff(other.tick);
            assert!(apart <= 1, "{body}: {one:?} {other:?}");
            sooner += apart;
        }
        let count = |streams: &[Vec<Event>]| streams.iter().map(Vec::len).sum::<usize>();
        assert_eq!(count(&decoded), count(&expected));
        assert!(sooner < count(&expected) as u64 / 2, "{body}: {sooner}");
        // What is not gone through stays where it is.
        let short: Vec<Event> = packed.events_in_short().collect();
        assert!(short.len() < packed.events().count(), "{body}");
        assert_eq!(short.last(), packed.events().last().as_ref(), "{body}");
        assert!(short.is_sorted_by_key(|event| event.tick), "{body}");
    }
}

#[test]
fn a_loop_that_waits_for_an_input_is_decoded_in_time_however_often_it_comes() {
    for first in [
        "await go",
        "seek a by -400 deg until go at 20 deg/s\nzero a",
    ] {
        for times in [10_u64, 1000, 10_000_000_000] {
            let job = job(&format!(
                "repeat {times} {{\n{first}\nturn a by 400 deg\nturn a by -360 deg\nturn a by -40 deg\ndwell 1 s\n}}\n"
            ));
            let refusals = job.refusals(PlayerOptions::default()).expect("a plan");
            assert!(refusals.is_empty(), "{first}, {times}: {refusals:?}");
        }
    }
}

/// Seven stops a turn, many million times round.
fn round_and_round(times: u64) -> Job {
    job(&format!(
        "repeat {times} {{\n repeat 7 {{\n  turn a by 360/7 deg\n  dwell 20 ms\n }}\n}}\nturn a by 1 microsteps\n"
    ))
}

#[test]
fn a_trillion_turns_come_out_exactly() {
    const TIMES: u64 = 1_000_000_000_000;
    let job = round_and_round(TIMES);
    let mut checks = job.check();
    let last = checks.by_ref().last().expect("a move").expect("a plan");
    let summary = checks.summary().expect("a plan");
    assert_eq!(summary.moves, 7 * TIMES + 1);
    assert_eq!(job.steps().expect("a plan"), 800 * TIMES + 1);
    // 800 microsteps a turn, and the last one.
    assert_eq!(last.planned.travel[0].from_steps, 800 * TIMES as i64);
    assert_eq!(last.planned.index, 7 * TIMES);
    assert!(last.planned.travel[0].target_error.abs() < 1e-12);
    // As exact arithmetic has it: each pass takes as long as one.
    let short = round_and_round(10).check().summary().expect("a plan");
    let once = round_and_round(9).check().summary().expect("a plan");
    let pass = short.total_time - once.total_time;
    let expected = (TIMES - 10) as f64 * pass + short.total_time;
    approx::assert_relative_eq!(summary.total_time, expected, max_relative = 1e-12);
}

#[test]
fn passes_that_last_longer_than_can_be_counted_are_refused_and_not_left_out() {
    let pass = "turn a by 1 turn\nturn a by -1 turn\n";
    let inner = format!("repeat 1000000000000 {{\n{pass}}}\n");
    let checked = |body: &str| job(body).check().summary();
    assert!(checked(&inner).is_ok());
    let refused = checked(&format!("repeat 1000000000000 {{\n{inner}}}\n"));
    let why = refused.expect_err("it is refused").to_string();
    assert!(
        why.contains("longer than its ticks can be counted"),
        "{why}"
    );
}

#[test]
fn a_trillion_turns_are_played_until_the_rotor_repeats_itself() {
    let job = round_and_round(1_000_000_000_000);
    let rehearsal = job.rehearse().expect("a plan").expect("a simulation");
    assert_eq!(rehearsal.played_to(), None);
    assert!(rehearsal.own.ok);
    assert!(
        rehearsal.own.moves.len() < 1000,
        "{}",
        rehearsal.own.moves.len()
    );
    // Each stop of a later turn is that of one that was played.
    for check in job.check() {
        let check = check.expect("a plan");
        let played = check.played[0].outcome.as_ref().expect("an outcome");
        assert!(played.lost_steps == 0 && played.settle_s.is_some());
        let travel = &check.planned.travel[0];
        let is_last = check.planned.index == 7_000_000_000_000;
        assert_eq!(is_last, travel.to_steps - travel.from_steps == 1);
    }
}

#[test]
fn a_loop_that_loses_steps_fails_however_often_it_comes() {
    // A hundred times the inertia, brought to speed at once.
    let script = "rig \"rig.yaml\"\nspeed 1000 deg/s\naccel 1e6 deg/s^2\nrepeat 100000000 {\n turn a by 720 deg\n}\n";
    let rig = RIG.replacen("inertia: 40 g.cm^2", "inertia: 4000 g.cm^2", 1);
    let job = Job::from_texts(script, &rig.replace("MOTOR", MOTOR)).expect("a job");
    let rehearsal = job.rehearse().expect("a plan").expect("a simulation");
    assert!(!rehearsal.own.ok && rehearsal.own.lost_steps > 0);
    let summary = job.check().summary().expect("a plan");
    assert!(!summary.ok);
    assert_eq!(summary.moves, 100_000_000);
}

#[test]
fn a_trillion_passes_are_checked_and_written_at_once() {
    let work = |times: u64| {
        let job = round_and_round(times);
        job.check().summary().expect("a plan");
        let mut header = Vec::new();
        job.write(&CHeader, &mut header).expect("a header");
        let mut binary = Vec::new();
        job.write(&Binary, &mut binary).expect("bytes");
        (header.len(), binary.len())
    };
    let (header, binary) = work(2000);
    let limit = Cost::begin();
    let (long_header, long_binary) = work(1_000_000_000_000);
    limit.below(30);
    // 2^32 passes are one repeat of the header.
    assert!(long_header < header + 300_000, "{header} {long_header}");
    assert!(long_binary < binary + 100, "{binary} {long_binary}");
}

#[test]
fn passes_that_creep_by_a_rounded_microstep_are_not_taken_for_equal() {
    // A third of a microstep in excess each pass: one in three is a microstep longer.
    let job = job("repeat 3000 {\n turn a by 10 microsteps\n turn a by 1/3 microsteps\n}\n");
    let mut steps = 0;
    for check in job.check() {
        let check = check.expect("a plan");
        let axes = check.planned.motion.axes.iter();
        steps += axes.map(|axis| axis.steps).sum::<u64>() * check.times;
    }
    assert_eq!(steps, 31_000);
}

#[test]
fn what_never_repeats_is_gone_through_to_its_end() {
    let mut script = String::from("repeat 2 {\n");
    for number in 0..3000 {
        writeln!(script, " turn a by {} microsteps", 1 + number % 97).unwrap();
    }
    script += "}\n";
    let job = job(&script);
    let each = EachItem(passages(&job)).count();
    assert_eq!(each, 6000);
}

#[test]
fn how_far_a_check_has_come_is_told_between_zero_and_all_its_programs() {
    // A radian is no whole number of microsteps: no pass is like another.
    for body in [
        "repeat 500 { turn a by 1 rad }\n",
        "repeat 1000000000000 { turn a by 90 deg\nturn a by -90 deg }\n",
    ] {
        let job = job(body).without_simulation();
        let headway = job.headway();
        let before = headway.programs();
        let mut checks = job.check();
        let mut last = before;
        let mut seen = Vec::new();
        for checked in checks.by_ref() {
            checked.unwrap();
            assert!(headway.programs() >= last);
            last = headway.programs();
            seen.push(last - before);
        }
        // The last move lies behind.
        approx::assert_abs_diff_eq!(seen.last().copied().unwrap(), 1.0, epsilon = 1e-9);
        if seen.len() == 500 {
            approx::assert_abs_diff_eq!(seen[249], 0.5, epsilon = 1e-3);
        }
        let to_come = checks.programs_to_come();
        checks.summary().unwrap();
        approx::assert_abs_diff_eq!(headway.programs() - before, 1.0 + to_come, epsilon = 1e-9);
    }
}
