//! Memory does not grow with the number of steps.

#![cfg(target_os = "linux")]

#[path = "support/motion.rs"]
mod motion;

use std::fs::{self, File};
use std::time::Instant;

use motion::{axis_motion, motion, play, rig, s_curve, timer};
use slewsmith::emit::{Heading, format};

/// Peak memory of this process (KiB), as the kernel counts it.
fn peak_memory() -> u64 {
    let status = fs::read_to_string("/proc/self/status").unwrap();
    let line = status
        .lines()
        .find_map(|line| line.strip_prefix("VmHWM:"))
        .unwrap();
    line.trim().trim_end_matches(" kB").parse().unwrap()
}

/// Streams so many millions of steps as csv to /dev/null.
fn stream(millions: usize) {
    let rig = rig(1, timer(16e6, 8));
    let there = motion(vec![axis_motion(
        0,
        1_000_000,
        0.0,
        &s_curve(3.0, 4.0, 20.0),
    )]);
    let back = motion(vec![axis_motion(
        0,
        -1_000_000,
        0.0,
        &s_curve(3.0, 4.0, 20.0),
    )]);
    let heading = Heading {
        program: "long",
        rig: &rig,
        failure: None,
    };
    let moves = [play(&there), play(&back)];
    let mut items = moves.iter().cycle().take(millions).cloned();
    let mut nowhere = File::create("/dev/null").unwrap();
    let began = Instant::now();
    format("csv")
        .unwrap()
        .write(&heading, &mut items, &mut nowhere)
        .unwrap();
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
