//! Whatever the check finds to be looked at or refused comes with a cure.

use std::collections::BTreeSet;
use std::process::Command;

use slewsmith::Job;
use slewsmith::check::{Finding, Severity};

/// Findings that are notes, which need no cure.
const ELSEWHERE: [&str; 23] = [
    "backlash-taken-up",
    "crosses-slowly",
    "cruise-moved",
    "cruise-stays",
    "damping-unknown",
    "events-below-player",
    "header-overflow",
    "header-untried",
    "limit-cut",
    "line-below-player",
    "output-below-player",
    "peak-lowered",
    "peak-stays",
    "player-board",
    "player-coils",
    "player-memory",
    "player-position",
    "player-selection",
    "profile-borrowed",
    "seek-on-line",
    "simulated-in-part",
    "slow-down-torque",
    "torque-softened",
];

/// Drives from weak to grossly overloaded, of every kind.
pub(crate) const DRIVES: [&str; 11] = [
    "kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 16",
    "kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 1",
    "kind: chopper, supply: 60 V, peak_current: 21 A, microsteps: 8, sense_resistor: 0.1 ohm",
    "kind: chopper, supply: 24 V, peak_current: 2.6 A, microsteps: 8, hold_current: 5 %",
    "kind: chopper, supply: 2 V, peak_current: 2.6 A, microsteps: 8",
    "kind: linear-current, supply: 24 V, peak_current: 1.5 A, microsteps: 8, sense_resistor: 0.5 ohm, \
     sense_gain: 4, converter_bits: 8, converter_reference: 1.2 V, hold_current: 30 %",
    "kind: fixed-voltage, supply: 2.4 V, sequence: two-phase",
    "kind: fixed-voltage, supply: 12 V, sequence: wave",
    "kind: fixed-voltage, supply: 12 V, sequence: half-step, switch_resistance: 7 ohm",
    "kind: fixed-voltage, supply: 12 V, sequence: two-phase, ballast: { resistance: 7 ohm, rating: 10 W }",
    "kind: linear-current, supply: 24 V, peak_current: 1.2 A, microsteps: 8, sense_resistor: 0.5 ohm, sense_gain: 4, \
     converter_bits: 8, converter_reference: 2.5 V, converter_filter: { pwm_frequency: 31.25 kHz, time_constant: 1 ms }",
];

/// Loads from none to one that no motor of the kind can hold.
pub(crate) const LOADS: [&str; 6] = [
    "",
    "inertia: 40 g.cm^2, friction: 5 mN.m",
    "inertia: 6000 g.cm^2, gearing: \"1:3\"",
    "inertia: 20 kg.cm^2, efficiency: 70 %",
    "constant_torque: 60 mN.m",
    "unbalance: 100 kg.mm, inertia: 40 g.cm^2",
];

/// Scripts from slow to absurd.
pub(crate) const SCRIPTS: [&str; 5] = [
    "speed 60 deg/s\naccel 400 deg/s^2\nturn by 90 deg\ndwell 1 s\n",
    "bands allow\nspeed 80 deg/s\naccel 40000 deg/s^2\nturn by 5 turn\n",
    "bands allow\nspeed 1800 deg/s\naccel 3000 deg/s^2\nturn by 10 turn\ndwell 10 ms\nturn by -10 turn\n",
    "speed 90000 deg/s\naccel 900000 deg/s^2\nturn by 90 turn\n",
    "start 1500 deg/s\nspeed 1800 deg/s\naccel 3000 deg/s^2\nturn by 10 turn\n",
];

pub(crate) fn rig(drive: &str, load: &str) -> String {
    format!(
        "axes:
  it:
    motor: {{ rotor_teeth: 50, phase_resistance: 2.1 ohm, phase_inductance: 4.2 mH, rated_current: 1.5 A,
             holding_torque: 0.42 N.m, rotor_inertia: 65 g.cm^2, viscous_damping: 0.1 mN.m.s/rad,
             guessed: [rotor_inertia] }}
    drive: {{ {drive} }}
    load: {{ {load} }}
    limits: {{ settle: 0.01 deg }}
timer: {{ clock: 8 MHz, fastest_interval: 10 us }}
inputs: {{ home: {{}} }}
"
    )
}

/// Programs that the motor model finds at fault, with their drive and the second load: moves that
/// follow each other at once, a stop that is too short, nothing to play, a slow crossing, and a
/// seek above the start-stop rate.
const PLAYED: [(usize, &str); 6] = [
    (
        0,
        "shape full-torque\nspeed 1500 deg/s\nrepeat 6 { turn by 33 deg\nturn by -70 deg\nturn by 120 deg }\n",
    ),
    (
        1,
        "speed 60 deg/s\naccel 4000 deg/s^2\nturn by 90 deg\ndwell 5 ms\nturn by 90 deg\n",
    ),
    (0, "speed 60 deg/s\naccel 400 deg/s^2\nturn by 0.01 deg\n"),
    (0, "mark \"nothing\"\n"),
    (
        6,
        "bands allow\nspeed 9000 deg/s\naccel 900 deg/s^2\nturn by 7 turn\n",
    ),
    (0, "seek by -90 deg until home at 6000 deg/s\n"),
];

/// Everything that the check says of a script on a rig.
fn findings(rig: &str, script: &str, simulated: bool) -> Vec<Finding> {
    let job = Job::from_texts(script, rig).unwrap_or_else(|problems| panic!("{problems}"));
    let job = if simulated {
        job
    } else {
        job.without_simulation()
    };
    let mut checks = job.check();
    let mut found = Vec::new();
    for checked in checks.by_ref() {
        let checked = checked.unwrap();
        found.extend(checked.findings().cloned());
        found.extend(checked.changes);
    }
    found.extend(checks.summary().unwrap().findings);
    found
}

#[test]
fn every_failure_and_every_warning_has_a_cure_whatever_rig_and_script() {
    let mut seen = BTreeSet::new();
    let rules = DRIVES
        .iter()
        .flat_map(|drive| LOADS.iter().map(move |load| rig(drive, load)))
        .flat_map(|rig| SCRIPTS.map(|script| (rig.clone(), script, false)));
    let played = PLAYED.map(|(drive, script)| (rig(DRIVES[drive], LOADS[1]), script, true));
    for (rig, script, simulated) in rules.chain(played) {
        for finding in findings(&rig, script, simulated) {
            if finding.severity == Severity::Note {
                continue;
            }
            let has_cure = finding.cures.iter().any(|cure| !cure.trim().is_empty());
            assert!(has_cure, "{finding:?}\n{rig}\n{script}");
            for cure in &finding.cures {
                assert!(
                    !cure.contains("NaN") && !cure.contains("inf"),
                    "{finding:?}"
                );
            }
            seen.insert(finding.code.to_owned());
        }
    }
    // Every kind that can be explained was met, so none is left out of the above.
    let known: BTreeSet<String> = explained()
        .into_iter()
        .filter(|code| !ELSEWHERE.contains(&code.as_str()))
        .collect();
    assert_eq!(seen, known);
}

/// The codes of what a check finds, as `explain` knows them.
fn explained() -> Vec<String> {
    let output = Command::new(env!("CARGO_BIN_EXE_slewsmith"))
        .args(["explain", "--json"])
        .output()
        .unwrap();
    let all: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let areas = ["what a check finds", "heat, current and hanging loads"];
    let codes = all["codes"].as_array().unwrap().iter();
    codes
        .filter(|one| areas.contains(&one["area"].as_str().unwrap()))
        .map(|one| one["code"].as_str().unwrap().to_owned())
        .collect()
}
