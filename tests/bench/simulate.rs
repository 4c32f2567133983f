//! How fast the motor model runs.

#[path = "../support/model.rs"]
mod model;

use divan::Bencher;
use slewsmith::physics::{Machine, hold_speed, start_stop};

fn main() {
    divan::main();
}

/// One simulated second of 1/16 steps at 300 full steps a second: 4800 events.
#[divan::bench]
fn a_second_of_microsteps(bencher: Bencher) {
    let machine = model::machine("medium", "current");
    bencher.bench_local(|| model::second_of_microsteps(&machine));
}

/// One simulated second of full steps on a fixed voltage at 400 steps a second.
#[divan::bench]
fn a_second_of_full_steps(bencher: Bencher) {
    let machine = model::machine("medium", "two-phase");
    bencher.bench_local(|| hold_speed(&machine, 400.0, 0.0, 1.0));
}

/// The same microsteps with friction, which looks for the moments of sticking.
#[divan::bench]
fn a_second_of_microsteps_with_friction(bencher: Bencher) {
    let machine = Machine {
        friction: 0.03,
        ..model::machine("medium", "current")
    };
    bencher.bench_local(|| model::second_of_microsteps(&machine));
}

/// A start-stop scan, on all cores: of a machine that is a little different each time, since
/// what was found is remembered.
#[divan::bench(sample_count = 5)]
fn a_start_stop_scan(bencher: Bencher) {
    let mut machine = model::machine("medium", "current");
    bencher.bench_local(|| {
        machine.inertia *= 1.0 + 1e-9;
        start_stop(&machine)
    });
}
