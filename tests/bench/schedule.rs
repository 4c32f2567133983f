//! Steps a second of the schedule, beside the published integer recurrence.
//!
//! The recurrence is D. Austin, “Generate stepper-motor speed profiles in real time”,
//! Embedded Systems Programming, January 2005: one division a step,
//! c ← c − 2 c / (4 n + 1) on the way up and its mirror on the way down. It is worked
//! in 32 bits, eight of them behind the point, as the paper does on a controller (from
//! memory).

use std::hint::black_box;
use std::io;

use divan::counter::ItemsCount;
use slewsmith::Job;
use slewsmith::emit::Csv;
use slewsmith::schedule::ScheduleRun;

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

const RIG: &str = "
axes:
  a:
    motor: { rotor_teeth: 50, phase_resistance: 2.1 ohm, phase_inductance: 4.2 mH, rated_current: 1.5 A,
             holding_torque: 0.42 N.m, rotor_inertia: 65 g.cm^2, viscous_damping: 0.4 mN.m.s/rad }
    drive: { kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 16 }
timer: { clock: 16 MHz, prescaler: 8, bits: 16, fastest_interval: 5 us }
";

/// One move of [`STEPS`] microsteps with these settings; what the rig can do is known
/// already.
fn job(settings: &str) -> Job {
    let script = format!("bands allow\n{settings}\nturn by {STEPS} microstep\n");
    let job = Job::from_texts(&script, RIG).expect("the bench has no mistakes");
    job.abilities();
    job
}

/// The ticks of a schedule, summed; planning the one move is a small part of it.
fn scheduled(job: &Job) -> u64 {
    let mut events = job.events();
    let mut sum = 0_u64;
    while let Some(run) = events.next_run() {
        if let ScheduleRun::Steps { ticks, .. } = run {
            sum = ticks.iter().fold(sum, |sum, tick| sum.wrapping_add(*tick));
        }
    }
    sum
}

fn schedule(bencher: divan::Bencher, settings: &str) {
    let job = job(settings);
    bencher
        .counter(ItemsCount::new(STEPS))
        .bench_local(|| scheduled(black_box(&job)));
}

/// Ramps of 12 s, 300,000 steps each.
const TRAPEZOID: &str = "speed 50000 microstep/s\naccel 50000/12 microstep/s^2";

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
    schedule(bencher, TRAPEZOID);
}

/// Ramps all the way: no cruise, which is the cheapest part.
#[divan::bench]
fn schedule_triangle(bencher: divan::Bencher) {
    schedule(
        bencher,
        "speed 100000 microstep/s\naccel 5000 microstep/s^2",
    );
}

/// Seven segments, of which four have jerk.
#[divan::bench]
fn schedule_s_curve(bencher: divan::Bencher) {
    schedule(
        bencher,
        "shape s-curve\nspeed 50000 microstep/s\naccel 50000/12 microstep/s^2\njerk 50000/72 microstep/s^3",
    );
}

/// Nothing but jerk: four segments.
#[divan::bench]
fn schedule_pure_jerk(bencher: divan::Bencher) {
    schedule(
        bencher,
        "shape s-curve\nspeed 200000 microstep/s\naccel 100000 microstep/s^2\njerk 2000 microstep/s^3",
    );
}

/// Lines of csv, thrown away.
#[divan::bench]
fn csv_trapezoid(bencher: divan::Bencher) {
    let job = job(TRAPEZOID);
    let heading = job.heading(None);
    bencher.counter(ItemsCount::new(STEPS)).bench_local(|| {
        job.write_with(&heading, &Csv, &mut |_| (), &mut io::sink())
            .expect("nothing is written")
    });
}
