//! How fast the motor model runs.

use divan::Bencher;
use slewsmith::simulate::Options;
use slewsmith::{Job, MotorSheet};

fn main() {
    divan::main();
}

/// A rig whose rotor has this inertia (g·cm²).
fn rig(drive: &str, load: &str, inertia: f64) -> String {
    format!(
        "axes:
  a:
    motor: {{ rotor_teeth: 50, phase_resistance: 2.1 ohm, phase_inductance: 4.2 mH, rated_current: 1.5 A,
             holding_torque: 0.42 N.m, rotor_inertia: {inertia} g.cm^2, viscous_damping: 0.4 mN.m.s/rad }}
    drive: {{ {drive} }}
    load: {{ {load} }}
timer: {{ clock: 16 MHz, prescaler: 8, bits: 16 }}
"
    )
}

const CURRENT: &str = "kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 16";
const VOLTAGE: &str = "kind: fixed-voltage, supply: 2.4 V, sequence: two-phase";

/// Simulates a move of one second, short ramps among it.
fn simulated(bencher: Bencher, drive: &str, load: &str, distance: &str) {
    let script =
        format!("bands allow\nspeed 3000 deg/s\naccel 20000 deg/s^2\nturn by {distance} in 1 s\n");
    let job = Job::from_texts(&script, &rig(drive, load, 57.0)).expect("the bench has no mistakes");
    job.abilities();
    bencher.bench_local(|| {
        job.simulate(&Options::default())
            .expect("it can be planned")
    });
}

/// 4800 events on a current drive.
#[divan::bench]
fn a_second_of_microsteps(bencher: Bencher) {
    simulated(bencher, CURRENT, "inertia: 0 g.cm^2", "4800 microstep");
}

/// 400 events on a fixed voltage.
#[divan::bench]
fn a_second_of_full_steps(bencher: Bencher) {
    simulated(bencher, VOLTAGE, "inertia: 0 g.cm^2", "400 step");
}

/// The same microsteps with friction, which looks for the moments of sticking.
#[divan::bench]
fn a_second_of_microsteps_with_friction(bencher: Bencher) {
    simulated(bencher, CURRENT, "friction: 30 mN.m", "4800 microstep");
}

/// All that is to be known of a motor, its start-stop rate and its critical speeds among it, on all
/// cores: of a rig that is a little different each time, since what was found is remembered.
#[divan::bench(sample_count = 5)]
fn what_a_motor_can_do(bencher: Bencher) {
    let mut inertia = 57.0;
    bencher.bench_local(|| {
        inertia *= 1.0 + 1e-9;
        let job = Job::from_texts("dwell 1 s\n", &rig(CURRENT, "friction: 10 mN.m", inertia));
        let job = job.expect("the bench has no mistakes");
        let sheet: MotorSheet<'_> = job.motor("a").expect("there is this axis");
        sheet.start_stop().rate
    });
}
