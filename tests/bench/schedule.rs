//! Steps a second of the schedule, beside the published integer recurrence.
//!
//! The recurrence is D. Austin, “Generate stepper-motor speed profiles in real time”,
//! Embedded Systems Programming, January 2005: one division a step,
//! c ← c − 2 c / (4 n + 1) on the way up and its mirror on the way down. It is worked
//! in 32 bits, eight of them behind the point, as the paper does on a controller (from
//! memory).

#[path = "../support/motion.rs"]
mod motion;

use std::hint::black_box;
use std::io;
use std::sync::Arc;

use divan::counter::ItemsCount;
use motion::{axis_motion, play, rig, s_curve, timer, trapezoid};
use slewsmith::emit::{Heading, format};
use slewsmith::plan::Motion;
use slewsmith::schedule::{Run, Schedule};

const STEPS: u32 = 1_000_000;
const RAMP: u32 = 300_000;

fn main() {
    divan::main();
}

/// The ticks of ramps of so many steps around a cruise by the recurrence, summed so
/// that nothing is left out.
fn recurrence(first: i32, ramp: u32) -> u64 {
    let mut tick = 0_u64;
    let mut sum = 0_u64;
    let mut interval = first;
    let mut step = |interval: i32| {
        tick += (interval >> 8) as u64;
        sum = sum.wrapping_add(tick);
    };
    for n in 1..ramp as i32 {
        interval -= 2 * interval / (4 * n + 1);
        step(interval);
    }
    for _ in ramp..STEPS - ramp {
        step(interval);
    }
    for n in (1..ramp as i32).rev() {
        interval += 2 * interval / (4 * n - 1);
        step(interval);
    }
    sum
}

/// The ticks of a schedule, summed.
fn scheduled(motion: &Arc<Motion>) -> u64 {
    let rig = rig(1, timer(16e6, 8));
    let mut schedule = Schedule::new([play(motion)], &rig);
    let mut sum = 0_u64;
    while let Some(run) = schedule.next_run() {
        if let Run::Steps { ticks, .. } = run {
            sum = ticks.iter().fold(sum, |sum, tick| sum.wrapping_add(*tick));
        }
    }
    sum
}

#[divan::bench]
fn recurrence_trapezoid(bencher: divan::Bencher) {
    bencher
        .counter(ItemsCount::new(STEPS))
        .bench(|| recurrence(black_box(500_000_000), black_box(RAMP)));
}

/// One division each step: no cruise.
#[divan::bench]
fn recurrence_triangle(bencher: divan::Bencher) {
    bencher
        .counter(ItemsCount::new(STEPS))
        .bench(|| recurrence(black_box(500_000_000), black_box(STEPS / 2)));
}

/// The same shape: ramps of 300,000 steps and a cruise of 400,000.
#[divan::bench]
fn schedule_trapezoid(bencher: divan::Bencher) {
    let motion = motion::motion(vec![axis_motion(
        0,
        i64::from(STEPS),
        0.0,
        &trapezoid(12.0, 8.0, 12.0),
    )]);
    bencher
        .counter(ItemsCount::new(STEPS))
        .bench(|| scheduled(black_box(&motion)));
}

/// Ramps all the way: no cruise, which is the cheapest part.
#[divan::bench]
fn schedule_triangle(bencher: divan::Bencher) {
    let phases = [(10.0, 1.0, 0.0), (10.0, -1.0, 0.0)];
    let motion = motion::motion(vec![axis_motion(0, i64::from(STEPS), 0.0, &phases)]);
    bencher
        .counter(ItemsCount::new(STEPS))
        .bench(|| scheduled(black_box(&motion)));
}

/// Seven segments, of which four have jerk.
#[divan::bench]
fn schedule_s_curve(bencher: divan::Bencher) {
    let motion = motion::motion(vec![axis_motion(
        0,
        i64::from(STEPS),
        0.0,
        &s_curve(6.0, 6.0, 8.0),
    )]);
    bencher
        .counter(ItemsCount::new(STEPS))
        .bench(|| scheduled(black_box(&motion)));
}

/// Nothing but jerk: four segments.
#[divan::bench]
fn schedule_pure_jerk(bencher: divan::Bencher) {
    let phases = [
        (6.0, 0.0, 1.0),
        (6.0, 6.0, -1.0),
        (6.0, 0.0, -1.0),
        (6.0, -6.0, 1.0),
    ];
    let motion = motion::motion(vec![axis_motion(0, i64::from(STEPS), 0.0, &phases)]);
    bencher
        .counter(ItemsCount::new(STEPS))
        .bench(|| scheduled(black_box(&motion)));
}

/// Lines of csv, thrown away.
#[divan::bench]
fn csv_trapezoid(bencher: divan::Bencher) {
    let motion = motion::motion(vec![axis_motion(
        0,
        i64::from(STEPS),
        0.0,
        &trapezoid(12.0, 8.0, 12.0),
    )]);
    let rig = rig(1, timer(16e6, 8));
    let heading = Heading {
        program: "bench",
        rig: &rig,
        failure: None,
    };
    // The format is in the list of formats, as its test shows.
    let csv = format("csv").expect("csv is a format");
    bencher.counter(ItemsCount::new(STEPS)).bench(|| {
        csv.write(&heading, &mut [play(&motion)].into_iter(), &mut io::sink())
            .is_ok()
    });
}
