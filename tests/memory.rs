//! Memory does not grow with the number of steps.

#![cfg(target_os = "linux")]

use std::fs::{self, File};
use std::time::Instant;

use slewsmith::Job;
use slewsmith::emit::Csv;
use slewsmith::plan::Item;

/// Peak memory of this process (KiB), as the kernel counts it.
fn peak_memory() -> u64 {
    let status = fs::read_to_string("/proc/self/status").unwrap();
    let line = status
        .lines()
        .find_map(|line| line.strip_prefix("VmHWM:"))
        .unwrap();
    line.trim().trim_end_matches(" kB").parse().unwrap()
}

const RIG: &str = "
axes:
  a:
    motor: { rotor_teeth: 50, phase_resistance: 2.1 ohm, phase_inductance: 4.2 mH, rated_current: 1.5 A,
             holding_torque: 0.42 N.m, rotor_inertia: 65 g.cm^2, viscous_damping: 0.4 mN.m.s/rad }
    drive: { kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 16 }
timer: { clock: 16 MHz, prescaler: 8 }
";

/// Streams so many millions of steps as csv to /dev/null.
fn stream(millions: usize) {
    let script = format!(
        "shape s-curve\nbands allow\nspeed 50000 microstep/s\naccel 20000 microstep/s^2\njerk 60000 microstep/s^3\n\
         repeat {} {{ turn by 1000000 microstep\n turn by -1000000 microstep }}\n",
        millions / 2
    );
    let job = Job::from_texts(&script, RIG).unwrap();
    let mut nowhere = File::create("/dev/null").unwrap();
    // Printed, and nothing depends on it.
    let began = Instant::now();
    let (mut steps, heading) = (0, job.heading(None));
    job.write_with(
        &heading,
        &Csv,
        &mut |item| {
            if let Item::Move(planned) = item {
                steps += planned.motion.axes[0].steps;
            }
        },
        &mut nowhere,
    )
    .unwrap();
    assert_eq!(steps, 1_000_000 * millions as u64);
    eprintln!(
        "{millions} million steps: {:?}, peak {} KiB",
        began.elapsed(),
        peak_memory()
    );
    assert!(peak_memory() < 32 * 1024);
}

#[test]
fn ten_million_steps_take_less_than_32_mebibytes() {
    stream(10);
}

/// Takes seconds when it is optimised: `cargo test --release --test memory -- --ignored`.
#[test]
#[ignore = "long; run it optimised"]
fn a_billion_steps_take_less_than_32_mebibytes() {
    stream(1000);
}
