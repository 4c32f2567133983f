//! Packed schedules: small, exact to a tick, and readable from the description of
//! their layout alone.

use crate::testing::support;
use std::process::Command;
use std::sync::Arc;

use crate::emit::binary::{self, ReadError};
use crate::plan::{Item, Motion, PlannedMove, SoughtInput};
use crate::rig::Rig;
use crate::schedule::pack::{PackError, Packed, pack};
use crate::schedule::{Event, EventKind, Schedule};
use crate::script::Until;
use crate::testing::motion::{axis_motion, motion, play, rig, s_curve, timer, trapezoid};
use crate::units::Frequency;

fn bench() -> Rig {
    rig(1, timer(16e6, 8))
}

/// A move of so many steps at 1,870 steps/s and 21,000 steps/s² at most.
fn indexing(steps: i64) -> Arc<Motion> {
    let (speed, accel) = (1870.0, 21_000.0);
    let n = steps.unsigned_abs() as f64;
    let up = f64::min(speed / accel, (n / accel).sqrt());
    let cruise = (n - accel * up * up) / (accel * up);
    let axis = axis_motion(0, steps, 0.0, &trapezoid(up, cruise.max(0.0), up));
    motion(vec![axis])
}

/// Sixteen different moves there and back with pauses that are no whole number of
/// ticks, an output, a mark and an input between them.
fn errands() -> Vec<Item> {
    let mut items = Vec::new();
    for k in 0..16 {
        items.push(Item::Output {
            output: 0,
            on: k % 2 == 0,
        });
        items.push(play(&indexing(37 * k + 90)));
        items.push(Item::Dwell(0.001 * f64::from(k as i32) + 0.0123456789));
        items.push(Item::Mark(Arc::from(format!("stop {}", k % 3).as_str())));
        items.push(play(&indexing(-37 * k - 91)));
        if k == 7 {
            items.push(Item::Await {
                input: 0,
                until: Until::Pressed,
                timeout: Some(2.5),
            });
        }
    }
    items
}

/// A carousel's day: eight rounds of eight stations, three pockets of 24 apart, with a
/// lamp at each, the way back, and a fine adjustment in between.
fn carousel() -> Vec<Item> {
    let pocket = 1600;
    let mut items = Vec::new();
    for _ in 0..8 {
        for _ in 0..8 {
            items.push(play(&indexing(3 * pocket)));
            for (seconds, on) in [(0.8, true), (0.02, false)] {
                items.push(Item::Dwell(seconds));
                items.push(Item::Output { output: 0, on });
            }
        }
        items.push(play(&indexing(-24 * pocket)));
        items.push(play(&indexing(-120)));
        items.push(play(&indexing(120)));
    }
    items
}

/// The same event stream in an order that does not depend on how equal ticks are
/// sorted.
fn sorted(events: impl Iterator<Item = Event>) -> Vec<(u64, String)> {
    let mut events: Vec<_> = events
        .map(|event| (event.tick, format!("{:?}", event.what)))
        .collect();
    events.sort();
    events
}

/// When the steps of an axis fall ideally (ticks): those of a timer that is much finer.
fn ideal_steps(items: &[Item], rig: &Rig, axis: usize) -> Vec<f64> {
    const FINER: f64 = 1000.0;
    let mut fine = rig.clone();
    fine.timer.clock = Frequency::new(rig.timer.clock.si() * FINER);
    Schedule::new(items.to_vec(), &fine)
        .filter(|event| matches!(event.what, EventKind::Step { axis: of, .. } if of == axis))
        .map(|event| event.tick as f64 / FINER)
        .collect()
}

/// Compares the decoded events of one axis and of everything else with the schedule.
#[track_caller]
fn assert_faithful(packed: &Packed, items: &[Item], rig: &Rig) {
    let is_step = |event: &Event| matches!(event.what, EventKind::Step { .. });
    let (steps, others): (Vec<_>, Vec<_>) = Schedule::new(items.to_vec(), rig).partition(is_step);
    let (decoded_steps, decoded_others): (Vec<_>, Vec<_>) = packed.events().partition(is_step);
    assert_eq!(
        sorted(decoded_others.into_iter()),
        sorted(others.into_iter())
    );
    for axis in 0..rig.axes.len() {
        let of = |events: &[Event]| -> Vec<Event> {
            let mine = |event: &&Event| matches!(event.what, EventKind::Step { axis: of, .. } if of == axis);
            events.iter().filter(mine).cloned().collect()
        };
        let (wanted, got) = (of(&steps), of(&decoded_steps));
        assert_eq!(wanted.len(), got.len());
        for (k, (wanted, got)) in wanted.iter().zip(&got).enumerate() {
            assert_eq!(wanted.what, got.what, "step {k}");
        }
        let ideal = ideal_steps(items, rig, axis);
        assert_eq!(ideal.len(), got.len());
        for (k, (ideal, got)) in ideal.iter().zip(&got).enumerate() {
            let off = got.tick as f64 - ideal;
            assert!(off.abs() <= 1.0, "step {k}: {off} ticks off");
        }
    }
    // The last step of every move, exactly.
    let mut step = 0;
    let decoded: Vec<u64> = decoded_steps.iter().map(|event| event.tick).collect();
    for item in items {
        if let Item::Move(planned) = item {
            step += planned
                .motion
                .axes
                .iter()
                .map(|axis| axis.steps as usize)
                .sum::<usize>();
            if rig.axes.len() == 1 {
                assert_eq!(decoded[step - 1], steps[step - 1].tick, "end of a move");
            }
        }
    }
}

#[test]
fn every_step_is_within_a_tick_and_every_move_ends_exactly() {
    let rig = bench();
    let items = errands();
    let packed = pack(items.clone().into_iter(), &rig).expect("packed");
    assert_faithful(&packed, &items, &rig);
}

#[test]
fn s_curves_slow_moves_and_two_axes_keep_to_the_tick_too() {
    let rig = rig(2, timer(16e6, 8));
    let slow = motion(vec![axis_motion(0, 40, 0.0, &trapezoid(3.0, 1.0, 2.0))]);
    let curve = motion(vec![axis_motion(0, -3000, 0.0, &s_curve(0.08, 0.1, 0.3))]);
    let both = motion(vec![
        axis_motion(0, 1200, 0.0, &trapezoid(0.2, 0.3, 0.4)),
        axis_motion(1, -777, 0.0, &trapezoid(0.2, 0.3, 0.4)),
    ]);
    let single = motion(vec![axis_motion(1, 1, 0.0, &trapezoid(0.01, 0.0, 0.01))]);
    let items: Vec<Item> = [&slow, &curve, &both, &single, &curve, &both, &slow]
        .into_iter()
        .map(play)
        .collect();
    let packed = pack(items.clone().into_iter(), &rig).expect("packed");
    assert_faithful(&packed, &items, &rig);
}

#[test]
fn bytes_read_back_to_the_same_program() {
    let rig = bench();
    let packed = pack(errands().into_iter(), &rig).expect("packed");
    let bytes = binary::to_bytes(&packed, &rig, "too fast").expect("bytes");
    let read = binary::read(&bytes).expect("readable");
    assert_eq!(read.program, packed);
    assert_eq!(read.remark, "too fast");
    assert_eq!(
        (read.axes.as_slice(), read.prescaler),
        (&["a".to_owned()][..], 8)
    );
}

#[test]
fn no_damaged_byte_goes_unnoticed() {
    let rig = bench();
    let packed = pack([play(&indexing(300))].into_iter(), &rig).expect("packed");
    let bytes = binary::to_bytes(&packed, &rig, "").expect("bytes");
    for k in 0..bytes.len() {
        let mut damaged = bytes.clone();
        damaged[k] ^= 0x40;
        let refused = binary::read(&damaged).expect_err("refused");
        assert!(
            !matches!(refused, ReadError::Malformed(_)),
            "byte {k}: {refused:?}"
        );
    }
}

#[test]
fn what_repeats_is_stored_once() {
    let rig = bench();
    let turn = indexing(300);
    let size = |times: usize| {
        let items = (0..times).flat_map(|_| [play(&turn), Item::Dwell(0.0123456789)]);
        let packed = pack(items.into_iter(), &rig).expect("packed");
        binary::to_bytes(&packed, &rig, "").expect("bytes").len()
    };
    let twice = size(2);
    // So often that rounded gaps may add up to a tick that is missed now and then.
    for (times, more) in [(500, 16), (100_000, 128)] {
        let bytes = size(times);
        assert!(bytes <= twice + more, "{times}: {bytes} against {twice}");
    }
}

#[test]
fn a_program_takes_at_most_a_quarter_of_what_a_general_compressor_needs() {
    // XZ Utils, preset 9e, over the plain 16-bit intervals: the yardstick for how much
    // of the size lies in the motion rather than in how it is written.
    let Some(xz) = support::tool("xz") else {
        return;
    };
    let rig = bench();
    let items = carousel();
    let packed = pack(items.clone().into_iter(), &rig).expect("packed");
    let bytes = binary::to_bytes(&packed, &rig, "").expect("bytes");
    let mut last = 0;
    let mut plain = Vec::new();
    for event in Schedule::new(items, &rig) {
        if matches!(event.what, EventKind::Step { .. }) {
            let interval = (event.tick - last).min(65_535) as u16;
            plain.extend(interval.to_le_bytes());
            last = event.tick;
        }
    }
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("intervals");
    std::fs::write(&path, &plain).expect("written");
    let xz = Command::new(xz)
        .args(["-9e", "-c"])
        .arg(&path)
        .output()
        .expect("xz runs");
    assert!(xz.status.success());
    let (ours, theirs, steps) = (bytes.len(), xz.stdout.len(), plain.len() / 2);
    println!(
        "{steps} steps: {ours} bytes packed, {theirs} from xz, {} plain",
        plain.len()
    );
    assert!(4 * ours <= theirs, "{ours} bytes against {theirs}");
}

#[test]
fn an_independent_reader_finds_the_same_events() {
    let rig = rig(2, timer(16e6, 8));
    let mut items = errands();
    items.push(play(&motion(vec![
        axis_motion(0, 1200, 0.0, &trapezoid(0.2, 0.3, 0.4)),
        axis_motion(1, -777, 0.0, &s_curve(0.08, 0.1, 0.3)),
    ])));
    let Item::Move(seek) = play(&indexing(-400)) else {
        panic!("a move")
    };
    items.push(Item::Move(PlannedMove {
        seeks: Some(SoughtInput {
            input: 0,
            until: Until::Released,
        }),
        ..seek
    }));
    items.push(Item::Zero {
        axis: 0,
        steps: -77,
    });
    items.push(play(&indexing(33)));
    let packed = pack(items.into_iter(), &rig).expect("packed");
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("program.bin");
    let bytes = binary::to_bytes(&packed, &rig, "").expect("bytes");
    std::fs::write(&path, bytes).expect("written");
    let Some(text) = support::python_says("outside/unpack.py", [&path]) else {
        return;
    };
    let mut read: Vec<&str> = text.lines().collect();
    let axis = |number: usize| rig.axes[number].name.as_str();
    let ours: Vec<String> = packed
        .events()
        .map(|Event { tick, what }| match what {
            EventKind::Step {
                axis: number,
                direction,
            } => {
                format!("{tick},step,{},{}", axis(number), direction.sign())
            }
            EventKind::Direction {
                axis: number,
                direction,
            } => {
                format!("{tick},direction,{},{}", axis(number), direction.sign())
            }
            EventKind::Output { output, on } => {
                format!(
                    "{tick},output,{},{}",
                    rig.outputs[output].name,
                    u8::from(on)
                )
            }
            EventKind::Await { input, until, .. } => {
                format!("{tick},{},{},", until.event_word(), rig.inputs[input].name)
            }
            EventKind::Seek {
                axis: number,
                input,
                until,
            } => {
                let (axis, input) = (axis(number), &rig.inputs[input].name);
                format!("{tick},{},{axis},{input}", until.seek_word())
            }
            EventKind::Sought { axis: number } => format!("{tick},sought,{},", axis(number)),
            EventKind::Zero {
                axis: number,
                steps,
            } => {
                format!("{tick},zero,{},{steps}", axis(number))
            }
            EventKind::Mark(text) => format!("{tick},mark,{text},"),
        })
        .collect();
    let mut ours: Vec<&str> = ours.iter().map(String::as_str).collect();
    read.sort_unstable();
    ours.sort_unstable();
    assert_eq!(read, ours);
}

#[test]
fn the_65_537th_different_move_is_refused() {
    let rig = rig(1, timer(1e6, 1));
    // Two steps each at an even pace, every time two ticks slower.
    let turns = |count: u32| {
        let turn = |number: u32| {
            let length = f64::from(100 + 2 * number) * 1e-6;
            play(&motion(vec![axis_motion(0, 2, 1.0, &[(length, 0.0, 0.0)])]))
        };
        (0..count).map(turn)
    };
    let packed = pack(turns(65_536), &rig).unwrap();
    let steps = packed
        .events()
        .filter(|event| matches!(event.what, EventKind::Step { .. }));
    let ticks: Vec<u64> = steps.map(|event| event.tick).collect();
    assert_eq!(ticks.len(), 2 * 65_536);
    for (number, turn) in ticks.chunks(2).enumerate() {
        assert_eq!(turn[1] - turn[0], 50 + number as u64);
    }
    assert!(matches!(
        pack(turns(65_537), &rig),
        Err(PackError::TooManyMotions)
    ));
}
