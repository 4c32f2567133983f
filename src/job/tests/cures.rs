//! The cures of a move that asks for too much torque, or is too fast for the filter of its
//! converters: each does as it is told, and hardly less would.

use crate::Job;
use crate::check::Finding;

/// Loads, with the travel of one turn of the motor and its unit.
const LOADS: [(&str, f64, &str); 4] = [
    ("inertia: 130 g.cm^2, friction: 20 mN.m", 360.0, "deg"),
    ("inertia: 130 g.cm^2, gearing: 5:2", 144.0, "deg"),
    ("mass: 0.6 kg, travel_per_turn: 40 mm", 40.0, "mm"),
    (
        "mass: 2 kg, travel_per_turn: 30 mm, gearing: 3:1",
        10.0,
        "mm",
    ),
];
const DRIVE: &str = "kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 4";
/// So much above what a cure tells fails again: its two digits leave up to 10 %.
const BEYOND: f64 = 1.25;

/// Speed, acceleration and deceleration of a move.
type Manner = [(&'static str, f64); 3];

/// The same for every load, told in turns of the motor.
fn manner(speed: f64, accel: f64, decel: f64, travel: f64) -> Manner {
    [
        ("speed", speed * travel),
        ("accel", accel * travel),
        ("decel", decel * travel),
    ]
}

/// What is said of the torque of 300 turns of the motor.
fn too_weak(drive: &str, load: &str, manner: Manner, travel: f64, unit: &str) -> Option<Finding> {
    found("torque-margin", drive, load, manner, travel, unit)
}

/// What is found of that kind in 300 turns of the motor.
fn found(
    code: &str,
    drive: &str,
    load: &str,
    manner: Manner,
    travel: f64,
    unit: &str,
) -> Option<Finding> {
    let rig = format!(
        "axes:
  a:
    motor: {{ rotor_teeth: 50, phase_resistance: 2.1 ohm, phase_inductance: 4.2 mH, rated_current: 1.5 A,
             holding_torque: 0.42 N.m, rotor_inertia: 65 g.cm^2 }}
    drive: {{ {drive} }}
    load: {{ {load} }}
timer: {{ clock: 16 MHz, prescaler: 8, bits: 16 }}
"
    );
    let [(_, speed), (_, accel), (_, decel)] = manner;
    let script = format!(
        "bands allow\nspeed {speed} {unit}/s\naccel {accel} {unit}/s^2\ndecel {decel} {unit}/s^2\n\
         turn by {} {unit}\n",
        300.0 * travel
    );
    let job = Job::from_texts(&script, &rig).unwrap().without_simulation();
    let all: Vec<_> = job.check().map(Result::unwrap).collect();
    let mut findings = all.iter().flat_map(|one| one.findings());
    findings.find(|one| one.code == code).cloned()
}

/// "WORD BEFORE → AFTER UNIT": the numbers and the unit.
fn change<'a>(cure: &'a str, word: &str) -> Option<(f64, f64, &'a str)> {
    let (before, after) = cure.strip_prefix(word)?.split_once(" → ")?;
    let (after, unit) = after.split_once(' ')?;
    Some((before.trim().parse().ok()?, after.parse().ok()?, unit))
}

#[test]
fn a_gentler_move_has_the_torque_and_a_less_gentle_one_has_not() {
    for (load, travel, unit) in LOADS {
        // The ramp up too steep, the ramp down, both, and the speed too high.
        for (speed, accel, decel, words) in [
            (2.0, 9000.0, 40.0, ["accel"].as_slice()),
            (2.0, 40.0, 9000.0, &["decel"]),
            (2.0, 8000.0, 9000.0, &["accel", "decel"]),
            (60.0, 20.0, 30.0, &["speed"]),
        ] {
            let asked = manner(speed, accel, decel, travel);
            let finding = too_weak(DRIVE, load, asked, travel, unit).expect("it fails");
            let cure = &finding.cures[0];
            let parts: Vec<&str> = cure.split(" with ").collect();
            assert_eq!(parts.len(), words.len(), "{cure}");
            let mut cured = asked;
            for (word, value) in &mut cured {
                if let Some(part) = parts.iter().find(|part| part.starts_with(*word)) {
                    assert!(words.contains(word), "{cure}");
                    let (before, after, per) = change(part, word).unwrap();
                    approx::assert_relative_eq!(before, *value, max_relative = 1e-3);
                    let power = if *word == "speed" { "" } else { "^2" };
                    assert_eq!(per, format!("{unit}/s{power}"));
                    *value = after;
                }
            }
            let fails = |manner| too_weak(DRIVE, load, manner, travel, unit).is_some();
            assert!(!fails(cured), "{load}: {cure}");
            for word in words {
                let mut less_gentle = cured;
                for (name, value) in &mut less_gentle {
                    *value *= if name == word { BEYOND } else { 1.0 };
                }
                assert!(
                    fails(less_gentle),
                    "{load}: {cure} is more than {word} needs"
                );
            }
        }
    }
}

#[test]
fn a_stronger_drive_has_the_torque_and_one_that_is_hardly_stronger_has_not() {
    let (load, travel, unit) = LOADS[0];
    for (drive, (speed, ramp), key, word) in [
        (
            "kind: chopper, supply: 24 V, peak_current: 0.5 A, microsteps: 4",
            (2.0, 1200.0),
            "peak_current",
            "peak current",
        ),
        (
            "kind: chopper, supply: 6 V, peak_current: 1.5 A, microsteps: 4",
            (8.0, 200.0),
            "supply",
            "supply",
        ),
        (
            "kind: linear-current, supply: 24 V, peak_current: 1.5 A, microsteps: 4, sense_resistor: 0.5 ohm, \
             sense_gain: 4, converter_bits: 8, converter_reference: 1.2 V",
            (2.0, 1200.0),
            "converter_reference",
            "converter reference",
        ),
    ] {
        let asked = manner(speed, ramp, ramp, travel);
        let finding = too_weak(drive, load, asked, travel, unit).expect("it fails");
        let (before, after, of) = finding
            .cures
            .iter()
            .find_map(|cure| change(cure, word))
            .unwrap_or_else(|| panic!("{:?}", finding.cures));
        let with = |value: f64| {
            let changed = drive.replace(
                &format!("{key}: {before} {of}"),
                &format!("{key}: {value} {of}"),
            );
            assert_ne!(changed, drive);
            too_weak(&changed, load, asked, travel, unit)
        };
        assert!(with(after).is_none(), "{:?}", finding.cures);
        assert!(with(after / BEYOND).is_some(), "{:?}", finding.cures);
    }
}

#[test]
fn a_load_that_no_drive_holds_is_geared_down_as_far_as_it_takes() {
    let load = "constant_torque: 450 mN.m";
    let asked = manner(0.5, 5.0, 5.0, 360.0);
    let fails = |load: &str| too_weak(DRIVE, load, asked, 360.0, "deg");
    let finding = fails(load).expect("it fails");
    assert_eq!(finding.cures[0], "gearing 1:1 → 3:1");
    let geared = |gearing: &str| fails(&format!("{load}, gearing: {gearing}"));
    assert!(geared("3:1").is_none());
    assert!(geared("2:1").is_some());
    // 0.45 N.m are 85 % of 0.529.
    let enough = "530 mN.m or more of pull-out torque at 180 deg/s";
    assert!(finding.cures[1].contains(enough), "{:?}", finding.cures);
}

#[test]
fn a_quicker_filter_or_a_slower_move_keeps_the_currents_up() {
    let (load, travel, unit) = LOADS[0];
    let lags = |time_constant: f64, speed: f64| {
        let drive = format!(
            "kind: linear-current, supply: 24 V, peak_current: 1.4 A, microsteps: 4, \
             sense_resistor: 0.5 ohm, sense_gain: 4, converter_bits: 8, converter_reference: 2.9 V, \
             converter_filter: {{ pwm_frequency: 62500 Hz, time_constant: {time_constant} us }}"
        );
        let asked = manner(speed / travel, 20.0, 20.0, travel);
        found("converter-filter-slow", &drive, load, asked, travel, unit)
    };
    let (present, speed) = (60.0, 5400.0);
    let finding = lags(present, speed).expect("it lags");
    let told = |before: &str, unit: &str| -> f64 {
        let told = finding.cures.iter();
        let mut told = told.filter_map(|cure| cure.strip_prefix(before)?.strip_suffix(unit));
        told.next().expect(before).parse().expect("a number")
    };
    let quicker = told("`time_constant` 60 us → ", " us");
    assert!(lags(quicker, speed).is_none() && lags(BEYOND * quicker, speed).is_some());
    let slower = told("at most ", " deg/s");
    assert!(lags(present, slower).is_none() && lags(present, BEYOND * slower).is_some());
}
