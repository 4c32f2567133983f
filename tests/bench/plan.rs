//! How long planning takes, and planning with checking: 100,000 moves, equal and all
//! different; fewer different ones are checked, as the player decodes each step, and fewer still
//! have full torque, as each is tried in the motor model.

use divan::Bencher;
use divan::counter::ItemsCount;
use slewsmith::Job;

fn main() {
    divan::main();
}

const MOVES: u32 = 100_000;
/// Different moves that are checked: the player decodes each of their steps.
const CHECKED: u32 = 2000;

const SHAPES: [&str; 3] = ["trapezoid", "s-curve", "full-torque"];

const RIG: &str = "
axes:
  a:
    motor: { rotor_teeth: 50, phase_resistance: 2.1 ohm, phase_inductance: 4.2 mH, rated_current: 1.5 A,
             holding_torque: 0.42 N.m, rotor_inertia: 65 g.cm^2, viscous_damping: 0.4 mN.m.s/rad }
    drive: { kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 16 }
    load: { inertia: 50 g.cm^2, friction: 10 mN.m }
timer: { clock: 16 MHz, prescaler: 8, bits: 16 }
";

/// A job of these moves; what the rig can do is known already.
fn job(shape: &str, moves: &str) -> Job {
    let script =
        format!("shape {shape}\nspeed 360 deg/s\naccel 2000 deg/s^2\njerk 40000 deg/s^3\n{moves}");
    let job = Job::from_texts(&script, RIG).expect("the bench has no mistakes");
    job.abilities();
    job
}

fn equal(shape: &str) -> Job {
    job(
        shape,
        &format!("repeat {MOVES} {{ turn by 3200 microstep }}\n"),
    )
}

/// How many different moves of a shape are planned, at most `most`.
fn different(shape: &str, most: u32) -> u32 {
    if shape == "full-torque" { 20 } else { most }
}

fn all_different(shape: &str, most: u32) -> Job {
    // From 100 degrees on, so that full torque is asked for.
    let moves =
        (0..different(shape, most)).map(|more| format!("turn by {} microstep\n", 900 + more));
    job(shape, &moves.collect::<String>())
}

fn planned(bencher: Bencher, job: &Job, moves: u32) {
    bencher.counter(ItemsCount::new(moves)).bench_local(|| {
        let moves = job
            .moves()
            .map(|planned| planned.expect("it can be planned"));
        moves.map(|planned| planned.motion.duration).sum::<f64>()
    });
}

fn checked(bencher: Bencher, job: &Job, moves: u32) {
    bencher.counter(ItemsCount::new(moves)).bench_local(|| {
        let summary = job.check().summary().expect("it can be planned");
        assert_eq!(summary.moves, u64::from(moves));
    });
}

#[divan::bench(args = SHAPES, sample_count = 5)]
fn equal_moves(bencher: Bencher, shape: &str) {
    planned(bencher, &equal(shape), MOVES);
}

#[divan::bench(args = SHAPES, sample_count = 5)]
fn all_different_moves(bencher: Bencher, shape: &str) {
    planned(
        bencher,
        &all_different(shape, MOVES),
        different(shape, MOVES),
    );
}

#[divan::bench(args = SHAPES, sample_count = 5)]
fn equal_moves_checked(bencher: Bencher, shape: &str) {
    checked(bencher, &equal(shape), MOVES);
}

#[divan::bench(args = SHAPES, sample_count = 5)]
fn all_different_moves_checked(bencher: Bencher, shape: &str) {
    checked(
        bencher,
        &all_different(shape, CHECKED),
        different(shape, CHECKED),
    );
}
