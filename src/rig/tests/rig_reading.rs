//! Rigs: what is read, and what is said about everything that can be wrong with one.
//!
//! The snapshots are the error messages as they are drawn; look at them as a reader
//! would.

use std::fmt::Write as _;
use std::io;
use std::path::Path;
use std::sync::Arc;

use crate::diagnostic::{Diagnostics, Source};
use crate::files::{FilesOnDisk, read_source};
use crate::rig::{
    ActiveLevel, ClockSource, Drive, DriveKind, Motor, NoFiles, ReadRig, Rig, Sequence, Timer,
    ToleratedValue,
};
use crate::script::Script;
use proptest::prelude::*;

const BASE: &str = "\
axes:
  table:
    motor:
      rotor_teeth: 50
      phase_resistance: 2.1 ohm
      phase_inductance: 4.2 mH
      rated_current: 1.5 A
      holding_torque: 0.42 N.m
      detent_torque: 17 mN.m
      rotor_inertia: 65 g.cm^2
    drive: { kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 16 }
    load: { inertia: 2.1 kg.cm^2, gearing: 3:1, efficiency: 0.9 }
    limits: { speed: 300 deg/s, torque_margin: 40 % }
timer: { clock: 8 MHz, prescaler: 8 }
outputs: { camera: { pin: PB1 } }
inputs: { door: { pin: PB2 } }
";

const LIFT: &str = "\
axes:
  lift:
    motor: { step_angle: 1.8 deg, phase_resistance: 1 ohm, phase_inductance: 2 mH, rated_current: 2 A, holding_torque: 1 N.m, rotor_inertia: 300 g.cm^2 }
    drive: { kind: fixed-voltage, sequence: half-step, supply: 12 V }
    load: { mass: 2 kg, travel_per_turn: 8 mm, incline: 90 deg, friction: 3 N, viscous: 2 N.s/m, backlash: 50 um, constant_force: 1 N }
    limits: { speed: 80 mm/s, acceleration: 400 mm/s^2 }
timer: { clock: 16 MHz }
";

fn parse(text: &str) -> Result<ReadRig, Diagnostics> {
    Rig::parse(&Source::new("bench.yaml", text), &mut NoFiles)
}

/// What is said about a rig.
fn said(result: Result<impl std::fmt::Debug, Diagnostics>) -> String {
    match result {
        Ok(_) => "nothing is wrong\n".to_owned(),
        Err(problems) => {
            let drawn: Vec<String> = problems
                .0
                .iter()
                .map(|one| one.render(100, false))
                .collect();
            drawn.join("\n") + "\n"
        }
    }
}

/// The messages about `base` with each of the changes made to it.
fn catalogue(base: &str, changes: &[(&str, &str)]) -> String {
    let mut all = String::new();
    for (from, to) in changes {
        assert!(base.contains(from), "{from} is not in the rig");
        let text = base.replacen(from, to, 1);
        writeln!(all, "── {from} → {to}\n{}", said(parse(&text))).unwrap();
    }
    all
}

#[test]
fn every_key_of_the_rig_is_read() {
    let text = "\
axes:
  tray:
    motor: { name: bench, step_angle: 0.9 deg, phase_resistance: 2 ohm, phase_inductance: 3 mH, rated_current: 1 A,
             holding_torque: 0.4 N.m, detent_torque: 10 mN.m, rotor_inertia: 50 g.cm^2, viscous_damping: 20 uN.m.s/rad,
             core_loss_resistance: 300 ohm, friction_torque: 4 mN.m,
             pull_out: [ { step_rate: 100 step/s, torque: 0.3 N.m }, { step_rate: 2 kHz, torque: 0.1 N.m } ], source: a scale }
    drive: { kind: linear-current, supply: 15 V, peak_current: 0.9 A, microsteps: 8, switch_resistance: 0.1 ohm,
             ballast: { resistance: 2 ohm, rating: 5 W, count: 2, place: phase }, correction: detent,
             hold_current: 50 %, hold_delay: 80 ms, sense_resistor: 0.5 ohm, sense_gain: 4, converter_bits: 8, converter_reference: 2.5 V,
             converter_frame: [0011dddddddd0000, 1011dddddddd0000], converter_mode: 3, bridge: phase-enable, dead_time: 4 us,
             active: { step: low, direction: low, high_side: low, low_side: low, pair: low, phase: low, phase_enable: low,
                       select: high, latch: high },
             enable: { active: low, delay: 90 ms, at_end: release } }
    load: { inertia: 2 kg.cm^2, friction: 12 mN.m, viscous: 1 mN.m.s/rad, constant_torque: -3 mN.m, unbalance: 2 g.m,
            gearing: 10:3, efficiency: 0.9, backlash: 3 arcmin, approach: negative }
    limits: { speed: 300 deg/s, acceleration: 600 deg/s^2, jerk: 9000 deg/s^3, torque_margin: 0.25, settle: 0.1 deg,
              weaker_motor: 12.5 %, heavier_load: 0.5 }
    home: required
timer: { clock: 8 MHz, prescaler: 8, bits: 8, tolerance: 0.5 %, step_pulse: 3 us, direction_setup: 10 us, fastest_interval: 40 us }
outputs: { camera: { pin: PB1, active: low }, lamp: PB3, bell: }
inputs: { door: { pin: PB2, active: high } }
controller: { part: atmega328p, clock_source: resonator, start: door, select: [door] }
";
    insta::assert_debug_snapshot!(parse(text).unwrap().rig);
}

#[test]
fn a_correction_needs_a_regulated_current_and_a_known_detent_torque() {
    let corrected = BASE.replace("microsteps: 16", "microsteps: 16, correction: detent");
    assert!(parse(&corrected).is_ok());
    let unknown = corrected.replace("      detent_torque: 17 mN.m\n", "");
    assert!(said(parse(&unknown)).contains("requires the motor's `detent_torque`"));
    let fixed = LIFT.replace("half-step", "half-step, correction: detent");
    assert!(said(parse(&fixed)).contains("a fixed-voltage drive has no `correction`"));
}

#[test]
fn chopping_belongs_to_a_chopper_whose_edges_fit_its_period() {
    let with = |chopping: &str| {
        let drive = format!("microsteps: 16, chopping: {{ frequency: 20 kHz, {chopping} }}");
        BASE.replace("microsteps: 16", &drive)
    };
    let rig = parse(&with("transition: 200 ns, dead_time: 1 us"))
        .unwrap()
        .rig;
    let chopping = rig.axes[0].drive.chopping.unwrap();
    approx::assert_relative_eq!(chopping.frequency.si(), 20e3);
    approx::assert_relative_eq!(chopping.transition.si(), 200e-9);
    approx::assert_relative_eq!(chopping.dead_time.si(), 1e-6);
    let slow = said(parse(&with("transition: 1 us, dead_time: 25 us")));
    assert!(
        slow.contains("longer than a period of the chopping"),
        "{slow}"
    );
    let fixed = LIFT.replace(
        "half-step",
        "half-step, chopping: { frequency: 20 kHz, transition: 1 us }",
    );
    assert!(said(parse(&fixed)).contains("a fixed-voltage drive has no `chopping`"));
}

#[test]
fn what_is_left_out_has_its_documented_value() {
    let text = "\
axes: { bare: { motor: { rotor_teeth: 50, phase_resistance: 2 ohm, phase_inductance: 3 mH, rated_current: 1 A, holding_torque: 0.4 N.m, rotor_inertia: 50 g.cm^2 },
                drive: { kind: fixed-voltage, sequence: wave, supply: 5 V } } }
timer: { clock: 16 MHz }
";
    let rig = parse(text).unwrap().rig;
    let axis = &rig.axes[0];
    assert_eq!(axis.motor.detent_torque, None);
    assert_eq!(axis.drive.hold_current, 1.0);
    assert_eq!(axis.load.gearing.ratio(), 1.0);
    assert_eq!(axis.load.efficiency, 1.0);
    assert!(!axis.must_home);
    assert_eq!(axis.limits.torque_margin, 0.15);
    assert_eq!(
        [axis.limits.weaker_motor, axis.limits.heavier_load],
        [0.1; 2]
    );
    approx::assert_relative_eq!(axis.settle(), 0.9_f64.to_radians());
    assert_eq!((rig.timer.prescaler, rig.timer.bits), (1, 16));
    assert_eq!(rig.timer.tolerance, 100e-6);
    assert_eq!(rig.controller.clock_source, ClockSource::Crystal);
    assert_eq!((rig.controller.part, rig.controller.start), (None, None));
    let lines = axis.drive.lines;
    assert_eq!((lines.enable, lines.serial), (None, None));
    assert_eq!(
        (lines.step, lines.latch),
        (ActiveLevel::High, ActiveLevel::Low)
    );
    assert_eq!((lines.dead_time.si(), lines.hold_delay.si()), (1e-6, 0.2));
}

#[test]
fn a_linear_axis_takes_forces_along_its_travel_and_torques_at_its_screw() {
    let rig = parse(&LIFT.replace("friction: 3 N", "friction: 5 mN.m"))
        .unwrap()
        .rig;
    let load = &rig.axes[0].load;
    let linear = load.linear.as_ref().unwrap();
    assert_eq!((load.friction.si(), linear.friction.si()), (5e-3, 0.0));
    let rig = parse(LIFT).unwrap().rig;
    let load = &rig.axes[0].load;
    let linear = load.linear.as_ref().unwrap();
    assert_eq!((load.friction.si(), linear.friction.si()), (0.0, 3.0));
    assert_eq!(rig.axes[0].limits.speed, Some(0.08));
    // Half a full step of 200 a turn, 8 mm a turn.
    approx::assert_relative_eq!(rig.axes[0].settle(), 8e-3 / 400.0, max_relative = 1e-12);
}

#[test]
fn line_ends_marks_and_the_form_of_yaml_make_no_difference() {
    let plain = parse(BASE).unwrap().rig;
    assert_eq!(parse(&BASE.replace('\n', "\r\n")).unwrap().rig, plain);
    assert_eq!(parse(&format!("\u{feff}{BASE}")).unwrap().rig, plain);
    assert_eq!(parse(&BASE.replace("3:1", "'3:1'")).unwrap().rig, plain);
    assert_eq!(parse(&format!("---\n{BASE}")).unwrap().rig, plain);
}

#[test]
fn a_ratio_is_never_read_as_a_time_of_day() {
    for (ratio, value) in [
        ("3:1", 3.0),
        ("10:3", 10.0 / 3.0),
        ("2.5:1", 2.5),
        ("61:30", 61.0 / 30.0),
        ("1:12", 1.0 / 12.0),
    ] {
        let rig = parse(&BASE.replace("3:1", ratio)).unwrap().rig;
        approx::assert_relative_eq!(rig.axes[0].load.gearing.ratio(), value);
    }
}

#[test]
fn problems_with_the_motor() {
    let said = catalogue(
        BASE,
        &[
            ("rotor_inertia: 65 g.cm^2", "rotor_inertia: -65 g.cm^2"),
            ("rotor_inertia: 65 g.cm^2", "rotor_inertia: 65"),
            ("rotor_inertia: 65 g.cm^2", "rotor_inertia: 65 g.cm"),
            ("rotor_inertia: 65 g.cm^2", "rotor_inertia: 65 kgcm"),
            ("rotor_inertia: 65 g.cm^2", "rotor_inertia:"),
            ("rotor_inertia: 65 g.cm^2", "rotor_inertia: [65]"),
            ("rotor_inertia: 65 g.cm^2", "rotor_inertia: .nan"),
            ("rotor_inertia: 65 g.cm^2", "rotor_inertia: -.inf"),
            ("rotor_inertia: 65 g.cm^2", "rotor_inertia: 1e999"),
            ("rotor_inertia: 65 g.cm^2", "rotor_inertia: 1e999 g.cm^2"),
            ("rotor_inertia: 65 g.cm^2", "rotor_inertia: 65 kg.m^2"),
            ("rotor_inertia: 65 g.cm^2", "rotor_inertia: heavy"),
            (
                "rotor_inertia: 65 g.cm^2",
                "rotor_inertia: 65 g.cm^2\n      rotor_inertia: 66 g.cm^2",
            ),
            ("rotor_inertia: 65 g.cm^2", "rotor_inertla: 65 g.cm^2"),
            ("detent_torque: 17 mN.m", "detent_torque: 0.42 N.m"),
            ("detent_torque: 17 mN.m", "friction_torque: 0.42 N.m"),
            ("detent_torque: 17 mN.m", "core_loss_resistance: 0 ohm"),
            ("phase_inductance: 4.2 mH", "phase_inductance: 0 mH"),
            ("phase_inductance: 4.2 mH", "phase_inductance: 4.2 mHz"),
            ("phase_resistance: 2.1 ohm", "phase_resistance: 0 ohm"),
            ("rotor_teeth: 50", "rotor_teeth: 0"),
            ("rotor_teeth: 50", "rotor_teeth: 50.5"),
            ("rotor_teeth: 50", "rotor_teeth: 50 teeth"),
            ("rotor_teeth: 50", "rotor_teeth: yes"),
            (
                "rotor_teeth: 50",
                "rotor_teeth: 50\n      step_angle: 1.8 deg",
            ),
            ("rotor_teeth: 50", "step_angle: 1.7 deg"),
            ("rotor_teeth: 50", "step_angle: 0.001 deg"),
            ("rotor_teeth: 50", "name: nameless"),
            (
                "rotor_teeth: 50",
                "rotor_teeth: 50\n      pull_out: [ { step_rate: 400 step/s, torque: 0.2 N.m }, { step_rate: 300 step/s, torque: 0.3 N.m } ]",
            ),
            (
                "rotor_teeth: 50",
                "rotor_teeth: 50\n      pull_out: [ { step_rate: 100 step/s, torque: -0.2 N.m }, { step_rate: 300 step/s, torque: 0.3 N.m } ]",
            ),
            (
                "rotor_teeth: 50",
                "rotor_teeth: 50\n      pull_out: [ { step_rate: 100 step/s, torque: 0.2 N.m } ]",
            ),
            (
                "rotor_teeth: 50",
                "rotor_teeth: 50\n      pull_out: 0.3 N.m",
            ),
        ],
    );
    insta::assert_snapshot!(said);
}

#[test]
fn problems_with_the_drive() {
    let said = catalogue(
        BASE,
        &[
            ("microsteps: 16", "microsteps: 0"),
            ("microsteps: 16", "microsteps: 257"),
            ("microsteps: 16", "microsteps: 1/16"),
            ("microsteps: 16", "microsteps: 16, sequence: wave"),
            ("microsteps: 16", "microsteps: 16, hold_current: 1.5"),
            ("microsteps: 16", "microsteps: 16, hold_current: -10 %"),
            ("microsteps: 16", "microsteps: 16, converter_bits: 8"),
            (
                "microsteps: 16",
                "microsteps: 16, converter_bits: 0, converter_reference: 2.5 V, sense_resistor: 1 ohm",
            ),
            ("microsteps: 16", "microsteps: 16, enable: {}"),
            (
                "microsteps: 16",
                "microsteps: 16, enable: { active: lo, at_end: stay, delay: 2 s }",
            ),
            (
                "microsteps: 16",
                "microsteps: 16, active: { stp: low, select: 0 }",
            ),
            (
                "microsteps: 16",
                "microsteps: 16, bridge: pair, dead_time: 1 ms",
            ),
            (
                "microsteps: 16",
                "microsteps: 16, converter_frame: dddddddd",
            ),
            (
                "microsteps: 16",
                "microsteps: 16, converter_frame: [dddd0000, 0000dddd, 1], converter_mode: 4",
            ),
            (", microsteps: 16", ""),
            (", peak_current: 1.5 A", ""),
            ("supply: 24 V, ", ""),
            ("supply: 24 V", "supply: 24 W"),
            ("kind: chopper, ", ""),
            ("kind: chopper", "kind: choper"),
            ("kind: chopper", "kind: magic"),
            ("kind: chopper", "kind: fixed-voltage"),
            (
                "kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 16",
                "kind: fixed-voltage, supply: 24 V",
            ),
            (
                "kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 16",
                "kind: fixed-voltage, supply: 24 V, sequence: two-phases",
            ),
            (
                "drive: { kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 16 }",
                "drive:",
            ),
        ],
    );
    insta::assert_snapshot!(said);
}

#[test]
fn problems_with_load_and_limits() {
    let said = catalogue(
        BASE,
        &[
            ("efficiency: 0.9", "efficiency: 0"),
            ("efficiency: 0.9", "efficiency: 1.1"),
            ("efficiency: 0.9", "efficiency: 90 % of it"),
            ("gearing: 3:1", "gearing: 3"),
            ("gearing: 3:1", "gearing: 0:1"),
            ("gearing: 3:1", "gearing: 3:0"),
            ("gearing: 3:1", "gearing: -3:1"),
            ("gearing: 3:1", "gearing: 3:x"),
            ("gearing: 3:1", "gearing: 1e9:1e-9"),
            (
                "inertia: 2.1 kg.cm^2",
                "inertia: 2.1 kg.cm^2, friction: 3 N",
            ),
            ("inertia: 2.1 kg.cm^2", "inertia: 2.1 kg.cm^2, mass: 2 kg"),
            (
                "inertia: 2.1 kg.cm^2",
                "inertia: 2.1 kg.cm^2, incline: 120 deg, mass: 2 kg, travel_per_turn: 0 mm",
            ),
            ("gearing: 3:1", "gearing: 3:1, approach: positive"),
            (
                "gearing: 3:1",
                "gearing: 3:1, backlash: 3 arcmin, approach: clockwise",
            ),
            ("torque_margin: 40 %", "torque_margin: 1"),
            ("torque_margin: 40 %", "torque_margin: -0.1"),
            ("torque_margin: 40 %", "settle: 0 deg"),
            ("speed: 300 deg/s", "speed: 1e9 rpm"),
            ("speed: 300 deg/s", "speed: 0 deg/s"),
            ("speed: 300 deg/s", "speed: 300 mm/s"),
            ("speed: 300 deg/s", "sped: 300 deg/s"),
            ("speed: 300 deg/s", "acceleration: 300 deg/s"),
            (
                "limits: { speed: 300 deg/s, torque_margin: 40 % }",
                "limits: fast",
            ),
        ],
    );
    insta::assert_snapshot!(said);
}

#[test]
fn problems_with_a_linear_axis() {
    let said = catalogue(
        LIFT,
        &[
            ("speed: 80 mm/s", "speed: 80 deg/s"),
            ("friction: 3 N", "friction: 3 kg"),
            ("backlash: 50 um", "backlash: 50 us"),
            ("mass: 2 kg, ", ""),
            ("travel_per_turn: 8 mm", "travel_per_turn: 8 deg"),
        ],
    );
    insta::assert_snapshot!(said);
}

#[test]
fn problems_with_the_timer() {
    let said = catalogue(
        BASE,
        &[
            ("prescaler: 8", "prescaler: 0"),
            ("prescaler: 8", "prescaler: 8, bits: 7"),
            ("prescaler: 8", "prescaler: 8, bits: 33"),
            ("prescaler: 8", "prescaler: 8, tolerance: 10 %"),
            (
                "prescaler: 8",
                "prescaler: 8, step_pulse: 50 us, fastest_interval: 40 us",
            ),
            ("prescaler: 8", "prescaler: 8, step_pulse: 2 steps"),
            ("clock: 8 MHz, ", ""),
            ("clock: 8 MHz", "clock: 8 Mhz"),
            ("clock: 8 MHz", "clock: 0 Hz"),
            ("timer: { clock: 8 MHz, prescaler: 8 }\n", ""),
            ("timer: { clock: 8 MHz, prescaler: 8 }", "timer: 8 MHz"),
        ],
    );
    insta::assert_snapshot!(said);
}

#[test]
fn problems_with_names() {
    let said = catalogue(
        BASE,
        &[
            ("  table:", "  by:"),
            ("  table:", "  2nd:"),
            ("  table:", "  rotary table:"),
            ("  table:", "  ? [a, b]\n  :"),
            ("camera: { pin: PB1 }", "camera: { pin: PB2 }"),
            (
                "camera: { pin: PB1 }",
                "camera: { pin: PB1 }, camera: { pin: PB3 }",
            ),
            ("camera: { pin: PB1 }", "on: { pin: PB1 }"),
            ("camera: { pin: PB1 }", "camera: { pim: PB1 }"),
            ("outputs:", "output:"),
        ],
    );
    insta::assert_snapshot!(said);
}

#[test]
fn problems_with_the_file() {
    let mut all = String::new();
    let deep = format!("axes: {}1{}\n", "[".repeat(100_000), "]".repeat(100_000));
    let dashes = format!("axes:\n  {}\n", "- ".repeat(100_000));
    let questions = format!("{}\n", "? ".repeat(100_000));
    let mut bomb = "a: &a [x, x, x, x, x, x, x, x, x]\n".to_owned();
    for (one, two) in ('a'..'i').zip('b'..='i') {
        writeln!(
            bomb,
            "{two}: &{two} [{}]",
            vec![format!("*{one}"); 9].join(", ")
        )
        .unwrap();
    }
    let twice = BASE.replace("timer:", "  table: {}\ntimer:");
    let tab = BASE.replace("      phase_resistance", "\tphase_resistance");
    let cases = [
        ("empty", ""),
        ("blank", "\n  \n"),
        ("only a comment", "# nothing\n"),
        ("a word", "hello\n"),
        ("a list", "- a\n- b\n"),
        ("no axis", "axes: {}\ntimer: { clock: 1 MHz }\n"),
        ("axes without a value", "axes:\ntimer: { clock: 1 MHz }\n"),
        ("axes as a list", "axes: [a]\ntimer: { clock: 1 MHz }\n"),
        ("an axis twice", &twice),
        ("a tab", &tab),
        ("an open bracket", "axes: { a: { motor: \ntimer: 1\n"),
        ("an open quotation", "axes: \"a\ntimer: 1\n"),
        ("two documents", "axes: {}\n---\naxes: {}\n"),
        ("a tag", "axes: !table {}\n"),
        (
            "a merge key",
            "axes: {}\n<<: { timer: 1 }\ntimer: { clock: 1 MHz }\n",
        ),
        ("an alias to nothing", "axes: *a\n"),
        ("an alias that explodes", &bomb),
        ("brackets 100,000 deep", &deep),
        ("lists 100,000 deep", &dashes),
        ("keys 100,000 deep", &questions),
    ];
    for (title, text) in cases {
        let drawn = said(parse(text));
        // A line of 100,000 brackets need not be in the snapshot.
        let drawn: Vec<String> = drawn
            .lines()
            .map(|line| line.chars().take(110).collect())
            .collect();
        writeln!(all, "── {title}\n{}\n", drawn.join("\n")).unwrap();
    }
    insta::assert_snapshot!(all);
}

#[test]
fn problems_with_profiles() {
    let motor = "\
rotor_teeth: 50
phase_resistance: 2.1 ohm
phase_inductance: 4.2 mH
rated_current: 1.5 A
holding_torque: 0.42 N.m
rotor_inertia: 65 g.cm^2
";
    let parse = |motor_field: &str, profile: &str| {
        let text = format!(
            "axes:\n  a:\n    motor: {motor_field}\n    drive: {{ kind: fixed-voltage, sequence: wave, supply: 5 V }}\ntimer: {{ clock: 1 MHz }}\n"
        );
        let mut files = |path: &str, referrer: &Path| {
            assert_eq!(referrer, Path::new("bench.yaml"));
            match path {
                "m.yaml" => Ok(Source::new("m.yaml", profile)),
                "secret.yaml" => Err(io::Error::from(io::ErrorKind::PermissionDenied)),
                _ => Err(io::Error::from(io::ErrorKind::NotFound)),
            }
        };
        Rig::parse(&Source::new("bench.yaml", text), &mut files)
    };
    let read = parse("m.yaml", motor).unwrap();
    let names: Vec<&str> = read.sources.iter().map(|source| source.name()).collect();
    assert_eq!(names, ["bench.yaml", "m.yaml"]);

    let changed = parse(
        "{ profile: m.yaml, step_angle: 0.9 deg, rotor_inertia: 60 g.cm^2 }",
        motor,
    );
    let changed = changed.unwrap().rig;
    assert_eq!(changed.axes[0].motor.rotor_teeth, 100);
    approx::assert_relative_eq!(changed.axes[0].motor.rotor_inertia.si(), 60e-7);
    assert_eq!(changed.axes[0].motor.rated_current.si(), 1.5);

    let cases = [
        ("no such file", parse("n.yaml", motor)),
        ("a file that may not be read", parse("secret.yaml", motor)),
        (
            "a value of its own that is wrong",
            parse("{ profile: m.yaml, rotor_inertia: 60 }", motor),
        ),
        ("a list", parse("[m.yaml]", motor)),
        ("an empty profile", parse("m.yaml", "")),
        (
            "a profile that refers to itself",
            parse("m.yaml", "profile: m.yaml\n"),
        ),
        (
            "a profile with an error",
            parse("m.yaml", &motor.replace("65 g.cm^2", "-65 g.cm^2")),
        ),
        (
            "a profile that lacks a value",
            parse("m.yaml", &motor.replace("rated_current: 1.5 A\n", "")),
        ),
        (
            "a profile of something else",
            parse("m.yaml", "clock: 8 MHz\n"),
        ),
    ];
    let mut all = String::new();
    for (title, result) in cases {
        writeln!(all, "── {title}\n{}", said(result)).unwrap();
    }
    insta::assert_snapshot!(all);
}

/// What is said about a rig with one change, and that it is one problem.
fn one_problem(from: &str, to: &str) -> (String, String) {
    assert!(BASE.contains(from), "{from} is not in the rig");
    let problems = parse(&BASE.replacen(from, to, 1)).unwrap_err().0;
    let [problem] = &problems[..] else {
        panic!("{to}: {problems:?}");
    };
    (
        problem.message.clone(),
        problem.help.clone().unwrap_or_default(),
    )
}

/// Each value is possible alone; beside the others it is not, and the same number with another
/// unit is.
#[test]
fn values_that_go_together_on_no_bench_are_asked_back_with_the_unit_that_was_meant() {
    for (from, to, says, asks) in [
        (
            "phase_resistance: 2.1 ohm",
            "phase_resistance: 1.4 kohm",
            "4.2 mH and 1.4 kohm make a time constant L/R of 3 us",
            "did you mean `phase_resistance: 1.4 ohm`?",
        ),
        (
            "phase_inductance: 4.2 mH",
            "phase_inductance: 4.2 H",
            "4.2 H and 2.1 ohm make a time constant L/R of 2 s",
            "did you mean `phase_inductance: 4.2 mH`?",
        ),
        (
            "rotor_inertia: 65 g.cm^2",
            "rotor_inertia: 0.65 kg.m^2",
            "make a rotor with a natural frequency",
            "did you mean `rotor_inertia: 0.65 kg.cm^2` or `rotor_inertia: 0.65 g.cm^2`?",
        ),
        (
            "rotor_inertia: 65 g.cm^2",
            "rotor_inertia: 65 g.cm^2, viscous_damping: 0.4 N.m.s/rad",
            "`viscous_damping` 400 mN.m.s/rad is 17 times the critical damping of the rotor",
            "did you mean `viscous_damping: 0.4 mN.m.s/rad`",
        ),
        (
            "inertia: 2.1 kg.cm^2",
            "inertia: 675 kg.m^2",
            "times the inertia of its rotor",
            "did you mean `inertia: 675 g.cm^2`",
        ),
        (
            "inertia: 2.1 kg.cm^2",
            "friction: 900 N.m",
            "the friction of the load is 300 N.m at the motor",
            "did you mean `friction: 900 mN.m`",
        ),
        (
            "peak_current: 1.5 A",
            "peak_current: 1 mA",
            "times the rated current 1.5 A",
            "did you mean `peak_current: 1 A`?",
        ),
        (
            "supply: 24 V",
            "supply: 24 V, switch_resistance: 9 kohm",
            "times `peak_current`",
            "did you mean `switch_resistance: 9 ohm`",
        ),
    ] {
        let (message, help) = one_problem(from, &to.replace(", viscous", "\n      viscous"));
        assert!(message.contains(says), "{message}");
        assert!(help.contains(asks), "{to}: {help}");
    }
}

#[test]
fn a_number_without_a_unit_is_asked_for_one_the_likeliest_first() {
    for (from, to, help) in [
        // 600 A are more than a motor can have.
        (
            "rated_current: 1.5 A",
            "rated_current: 600",
            "which unit: `600 mA`?",
        ),
        (
            "rated_current: 1.5 A",
            "rated_current: 1.5",
            "which unit: `1.5 A` or `1.5 mA`?",
        ),
        (
            "phase_inductance: 4.2 mH",
            "phase_inductance: 4.2",
            "which unit: `4.2 mH`, `4.2 uH` or `4.2 H`?",
        ),
        (
            "holding_torque: 0.42 N.m",
            "holding_torque: 42",
            "which unit: `42 N.cm`, `42 kgf.cm` or `42 mN.m`?",
        ),
        (
            "detent_torque: 17 mN.m",
            "detent_torque: 18",
            "which unit: `18 mN.m`, `18 N.cm` or `18 kgf.cm`?",
        ),
        (
            "speed: 300 deg/s",
            "speed: 300",
            "which unit: `300 deg/s` or `300 rpm`?",
        ),
        (
            "clock: 8 MHz",
            "clock: 8000000",
            "which unit: `8000000 Hz` or `8000000 kHz`?",
        ),
        (
            "prescaler: 8",
            "prescaler: 8, step_pulse: 3",
            "which unit: `3 us`, `3 ns` or `3 ms`?",
        ),
        (
            "prescaler: 8",
            "prescaler: 8, fastest_interval: 40",
            "which unit: `40 us`, `40 ns` or `40 ms`?",
        ),
    ] {
        assert_eq!(one_problem(from, to).1, help);
    }
}

#[test]
fn what_data_sheets_and_people_write_is_asked_back_in_our_spelling() {
    for (from, to, help) in [
        (
            "phase_inductance: 4.2 mH",
            "phase_inductance: 2,4 mH",
            "did you mean `2.4 mH`?",
        ),
        // A comma ends an entry between braces.
        (
            "supply: 24 V",
            "supply: 2,4 V",
            "numbers have a decimal point: did you mean `2.4 V`?",
        ),
        (
            "efficiency: 0.9",
            "efficiency: 0,9",
            "numbers have a decimal point: did you mean `0.9`?",
        ),
        (
            "holding_torque: 0.42 N.m",
            "holding_torque: 4.2 kg.cm",
            "a torque is a force × a length: did you mean `4.2 kgf.cm`?",
        ),
        (
            "holding_torque: 0.42 N.m",
            "holding_torque: 4.2 kg-cm",
            "a torque is a force × a length: did you mean `4.2 kgf.cm`?",
        ),
        (
            "holding_torque: 0.42 N.m",
            "holding_torque: 4.2kgcm",
            "a torque is a force × a length: did you mean `4.2 kgf.cm`?",
        ),
        (
            "holding_torque: 0.42 N.m",
            "holding_torque: 59 oz-in",
            "a torque is a force × a length: did you mean `59 ozf.in`?",
        ),
        (
            "holding_torque: 0.42 N.m",
            "holding_torque: 4 lb.in",
            "a torque is a force × a length: did you mean `4 lbf.in`?",
        ),
        (
            "holding_torque: 0.42 N.m",
            "holding_torque: 42 N-cm",
            "did you mean `42 N.cm`?",
        ),
        (
            "rotor_inertia: 65 g.cm^2",
            "rotor_inertia: 65 gcm2",
            "did you mean `65 g.cm2`?",
        ),
        (
            "rotor_inertia: 65 g.cm^2",
            "rotor_inertia: 65 g-cm²",
            "did you mean `65 g.cm²`?",
        ),
        (
            "phase_inductance: 4.2 mH",
            "phase_inductance: 4.2 MH",
            "did you mean `4.2 mH`?",
        ),
        ("clock: 8 MHz", "clock: 8 mhz", "did you mean `8 MHz`?"),
        ("microsteps: 16", "microsteps: 1/16", "did you mean `16`?"),
        ("prescaler: 8", "prescaler: 1/8", "did you mean `8`?"),
        ("gearing: 3:1", "gearing: 10", "did you mean `10:1`?"),
        (
            "gearing: 3:1",
            "gearing: 1/10",
            "write motor turns, a colon and load turns: did you mean `1:10` or `10:1`?",
        ),
    ] {
        assert_eq!(one_problem(from, to).1, help);
        // What is asked back can be read.
        let meant = help.split('`').nth(1).unwrap();
        let (key, _) = to.split_once(": ").unwrap();
        let mended = parse(&BASE.replacen(from, &format!("{key}: {meant}"), 1));
        assert!(mended.is_ok(), "{meant}");
    }
    // A share beyond the range is not offered.
    let (_, help) = one_problem("microsteps: 16", "microsteps: 1/512");
    assert_eq!(help, "write a number from 1 to 256, without a unit");
    let (message, _) = one_problem("supply: 24 V", "supply: 2,4 V");
    assert_eq!(message, "`supply` has a comma in its number");
}

#[test]
fn a_key_that_shares_its_words_with_ours_is_asked_for_in_ours() {
    for (from, to, help) in [
        (
            "efficiency: 0.9",
            "efficiency: 0.9, viscous_damping: 1 mN.m.s/rad",
            "did you mean `viscous`?",
        ),
        (
            "rated_current: 1.5 A",
            "rated_current: 1.5 A\n      inductance: 3 mH",
            "did you mean `phase_inductance`?",
        ),
        (
            "torque_margin: 40 %",
            "torque_margin: 40 %, max_speed: 3 deg/s",
            "did you mean `speed`?",
        ),
        (
            "supply: 24 V",
            "supply: 24 V, current: 1 A",
            "did you mean `peak_current` or `hold_current`?",
        ),
    ] {
        assert_eq!(one_problem(from, to).1, help);
    }
}

/// A ballast is no sense resistor, and a turning load no mass.
#[test]
fn what_a_rig_has_under_another_name_is_said_rather_than_guessed() {
    for key in ["series_resistor", "ballast_resistor", "ballast"] {
        let (_, help) = one_problem("supply: 24 V", &format!("supply: 24 V, {key}: 4 ohm"));
        assert!(help.contains("`ballast: { resistance: "), "{help}");
        assert!(!help.contains("sense"), "{help}");
    }
    let (_, help) = one_problem("supply: 24 V", "supply: 24 V, chopping: 30 kHz");
    assert_eq!(
        help,
        "write `chopping: { frequency: 30 kHz, transition: … ns }`"
    );
    let problems = parse(&LIFT.replace("half-step", "full-step")).unwrap_err();
    let help = problems.0[0].help.as_deref().unwrap();
    assert!(
        help.contains("`two-phase`") && help.contains("`wave`"),
        "{help}"
    );
    let (_, help) = one_problem("inertia: 2.1 kg.cm^2", "mass: 150 g");
    assert!(help.contains("a turning load has `inertia`"), "{help}");
    assert!(help.contains("m·d²/8 for a disc"), "{help}");
}

/// By hand: 0.2 kg of 0.1 m is 0.2 · 0.01/8 = 2.5 kg·cm² as a disc; between 0.06 m and 0.1 m
/// 0.2 · 0.0136/8 = 3.4 kg·cm²; as a rod of 0.12 m about its middle 0.2 · 0.0144/12 = 2.4 kg·cm².
#[test]
fn inertia_follows_from_the_shape_of_the_load() {
    let read = |load: &str| {
        let rig = parse(&BASE.replace("inertia: 2.1 kg.cm^2", load)).unwrap();
        rig.rig.axes[0].load.inertia.si() * 1e4
    };
    let close = |load: &str, expected: f64| {
        let found = read(load);
        assert!((found - expected).abs() < 1e-9, "{load}: {found}");
    };
    close("disc: { mass: 200 g, diameter: 10 cm }", 2.5);
    close("ring: { mass: 200 g, inner: 60 mm, outer: 100 mm }", 3.4);
    close("rod: { mass: 200 g, length: 12 cm }", 2.4);
    close(
        "inertia: 1 kg.cm^2, disc: { mass: 200 g, diameter: 10 cm }",
        3.5,
    );
    let (_, help) = one_problem("inertia: 2.1 kg.cm^2", "disc: { mass: 200 g }");
    assert!(help.contains("add `diameter: …"), "{help}");
    let (_, help) = one_problem("inertia: 2.1 kg.cm^2", "mass: 150 g");
    assert!(help.contains("`disc: { mass, diameter }`"), "{help}");
}

#[test]
fn the_help_for_a_missing_value_holds_none_that_could_be_taken_for_ones_own() {
    let mut keys = 0;
    for (base, gone) in [
        (BASE, "rotor_teeth: 50"),
        (BASE, "phase_resistance: 2.1 ohm"),
        (BASE, "phase_inductance: 4.2 mH"),
        (BASE, "rated_current: 1.5 A"),
        (BASE, "holding_torque: 0.42 N.m"),
        (BASE, "rotor_inertia: 65 g.cm^2"),
        (BASE, "kind: chopper, "),
        (BASE, "supply: 24 V, "),
        (BASE, "peak_current: 1.5 A, "),
        (BASE, "clock: 8 MHz, "),
        (LIFT, "sequence: half-step, "),
        (LIFT, "mass: 2 kg, "),
        (LIFT, "travel_per_turn: 8 mm, "),
    ] {
        assert!(base.contains(gone), "{gone}");
        let problems = parse(&base.replacen(gone, "", 1)).unwrap_err();
        let problem = &problems.0[0];
        let (key, value) = gone.split_once(": ").unwrap();
        let help = problem.help.clone().unwrap();
        assert_eq!(problem.code, "missing-key", "{gone}");
        assert!(help.starts_with(&format!("add `{key}: …")), "{help}");
        // Behind the form stands where the value is found.
        let (_, found) = help.split_once("`, ").unwrap();
        assert!(found.len() > 30, "{help}");
        let unit = value
            .trim_end_matches(", ")
            .split_once(' ')
            .map(|(_, unit)| unit);
        if let Some(unit) = unit {
            assert!(
                help.starts_with(&format!("add `{key}: … {unit}`")),
                "{help}"
            );
        }
        keys += 1;
    }
    assert_eq!(keys, 13);
}

#[test]
fn independent_problems_are_all_reported_in_one_run() {
    let text = BASE
        .replace("65 g.cm^2", "-65 g.cm^2")
        .replace("4.2 mH", "0 mH")
        .replace("microsteps: 16", "microsteps: 1000")
        .replace("efficiency: 0.9", "efficiency: 9")
        .replace("prescaler: 8", "prescaler: 0")
        .replace("pin: PB1", "pen: PB1");
    let problems = parse(&text).unwrap_err();
    let lines: Vec<usize> = problems
        .0
        .iter()
        .map(|one| one.place().unwrap().1)
        .collect();
    assert_eq!(lines, [6, 10, 11, 12, 14, 15]);
    let noise: String = (0..500).map(|n| format!("  k{n}: 1\n")).collect();
    let many = parse(&format!("axes:\n{noise}timer: {{ clock: 1 MHz }}\n")).unwrap_err();
    assert!(many.0.len() <= 20);
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    /// Whatever is written into a rig, reading it ends with a rig or with a problem that
    /// has a place, never with a panic.
    #[test]
    fn no_slip_of_the_pen_goes_without_a_word(
        at in 0..BASE.len(),
        length in 0usize..12,
        written in r"[ -~\n\t°µ]{0,8}",
    ) {
        let end = (at + length).min(BASE.len());
        let text = format!("{}{written}{}", &BASE[..at], &BASE[end..]);
        for text in [text.as_str(), &written] {
            if let Err(problems) = parse(text) {
                prop_assert!(!problems.0.is_empty());
                for problem in &problems.0 {
                    prop_assert!(problem.place().is_some());
                    prop_assert!(!problem.render(80, false).is_empty());
                }
            }
        }
    }
}

#[test]
fn every_profile_and_example_is_read() {
    let read = |folder: &str| files_in(folder, "yaml");
    let motors = read("profiles/motors");
    assert!(motors.len() >= 6);
    for source in motors {
        let motor = Motor::parse(&source).unwrap_or_else(|problems| panic!("{problems}"));
        motor_is_possible(source.name(), &motor);
    }
    let mut sequences = Vec::new();
    for source in read("profiles/drives") {
        let drive = Drive::parse(&source).unwrap_or_else(|problems| panic!("{problems}"));
        if let DriveKind::FixedVoltage { sequence } = drive.kind {
            sequences.push(sequence);
        }
        if let (Some(peak), Some(resistor), Some(converter)) =
            (drive.peak_current(), drive.sense_resistor, drive.converter)
        {
            let full = peak.si() * resistor.si() * converter.sense_gain;
            assert!(
                full <= converter.reference.si(),
                "{} cannot set its peak",
                source.name()
            );
        }
    }
    assert!(sequences.contains(&Sequence::TwoPhase) && sequences.contains(&Sequence::HalfStep));
    for source in read("profiles/boards") {
        let timer = Timer::parse(&source).unwrap_or_else(|problems| panic!("{problems}"));
        let tick = 1.0 / timer.tick_rate();
        assert!(
            tick <= timer.fastest_interval.si() / 5.0,
            "{} is too coarse",
            source.name()
        );
    }
    for source in read("examples") {
        Rig::parse(&source, &mut FilesOnDisk).unwrap_or_else(|problems| panic!("{problems}"));
    }
    for source in files_in("examples", "moves") {
        Script::parse(source).unwrap_or_else(|problems| panic!("{problems}"));
    }
}

fn files_in(folder: &str, ending: &str) -> Vec<Arc<Source>> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut paths: Vec<_> = std::fs::read_dir(root.join(folder))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|found| found == ending))
        .collect();
    paths.sort();
    assert!(!paths.is_empty());
    paths
        .iter()
        .map(|path| read_source(path).unwrap())
        .collect()
}

/// Relations that hold for hybrid motors of every size (common practice, not a
/// standard): electrical time constants of a fraction of a millisecond to several,
/// copper losses that the frame can shed, a permanent magnet's flux of the size of the
/// winding's own, a detent torque of a few per cent, a rotor that could ring at tens to
/// hundreds of hertz.
fn motor_is_possible(name: &str, motor: &Motor) {
    let (r, l, i) = (
        motor.phase_resistance.si(),
        motor.phase_inductance.si(),
        motor.rated_current.si(),
    );
    let within = |what: &str, value: f64, least: f64, most: f64| {
        assert!((least..=most).contains(&value), "{name}: {what} is {value}");
    };
    within("time constant", l / r, 0.2e-3, 6e-3);
    within("copper loss", 2.0 * i * i * r, 2.0, 40.0);
    let flux = motor.torque_constant() / f64::from(motor.rotor_teeth);
    within("magnet flux over winding flux", flux / (l * i), 0.2, 2.0);
    within(
        "detent share",
        motor.detent_torque.unwrap().si() / motor.holding_torque.si(),
        0.02,
        0.1,
    );
    let stiffness = f64::from(motor.rotor_teeth) * motor.holding_torque.si();
    let natural = (stiffness / motor.rotor_inertia.si()).sqrt();
    within(
        "natural frequency",
        natural / std::f64::consts::TAU,
        50.0,
        500.0,
    );
    let damping = motor.viscous_damping.unwrap().si() / (2.0 * motor.rotor_inertia.si() * natural);
    within("damping ratio", damping, 0.015, 0.025);
    assert!(
        motor.source.is_some() && motor.name.is_some(),
        "{name} has no source"
    );
}

/// What a rig gives itself is no guess any more, and has no tolerance of the profile's.
#[test]
fn tolerances_and_guesses_go_with_the_values_that_they_are_of() {
    let profile = "rotor_teeth: 50\nphase_resistance: 2.1 ohm\nphase_inductance: 4.2 mH\nrated_current: 1.5 A\n\
                   holding_torque: 0.42 N.m\nrotor_inertia: 65 g.cm^2\n\
                   tolerances: { rotor_inertia: 40 %, torque_constant: 30 %, phase_resistance: 5 % }\n\
                   guessed: [rotor_inertia, rated_current]\n";
    let mut files =
        |_: &str, _: &Path| -> io::Result<Arc<Source>> { Ok(Source::new("motor.yaml", profile)) };
    let mut motor = |motor: &str| {
        let text = format!(
            "axes: {{ a: {{ motor: {motor}, drive: {{ kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 8 }}, \
             tolerances: {{ supply: 5 %, temperature: 90 degC }} }} }}\ntimer: {{ clock: 8 MHz }}\n"
        );
        let read = Rig::parse(&Source::new("rig.yaml", text), &mut files);
        let rig = read.unwrap_or_else(|problems| panic!("{problems}")).rig;
        assert_eq!(
            (
                rig.axes[0].tolerances.supply,
                rig.axes[0].tolerances.warmest
            ),
            (0.05, 90.0)
        );
        rig.axes[0].motor.clone()
    };
    let of = |motor: &Motor| {
        let of = |value| motor.tolerances.of(value);
        [
            of(ToleratedValue::RotorInertia),
            of(ToleratedValue::TorqueConstant),
            of(ToleratedValue::PhaseResistance),
        ]
    };
    let borrowed = motor("motor.yaml");
    assert_eq!(of(&borrowed), [Some(0.4), Some(0.3), Some(0.05)]);
    assert_eq!(borrowed.guessed, ["rotor_inertia", "rated_current"]);
    let own = motor("{ profile: motor.yaml, rotor_inertia: 60 g.cm^2, holding_torque: 0.4 N.m }");
    assert_eq!(of(&own), [None, None, Some(0.05)]);
    assert_eq!(own.guessed, ["rated_current"]);
}

#[test]
fn tolerances_and_guesses_are_refused_where_they_say_nothing() {
    let with = |motor: &str, axis: &str| {
        let text = BASE
            .replace(
                "      rotor_inertia: 65 g.cm^2\n",
                &format!("      rotor_inertia: 65 g.cm^2\n      {motor}\n"),
            )
            .replace("    limits:", &format!("    {axis}\n    limits:"));
        said(parse(&text))
    };
    for (motor, axis, code) in [
        (
            "tolerances: { viscous_damping: 10 % }",
            "",
            "tolerance-without-value",
        ),
        ("tolerances: { rotor_inertia: 2000 % }", "", "absurd-value"),
        ("tolerances: { inertia: 10 % }", "", "unknown-key"),
        ("guessed: [speed]", "", "unknown-word"),
        ("guessed: rotor_inertia", "", "not-a-list"),
        (
            "",
            "tolerances: { temperature: 400 degC }",
            "not-a-temperature",
        ),
        ("", "tolerances: { supply: 120 % }", "out-of-range"),
    ] {
        let said = with(motor, axis);
        assert!(said.contains(code), "{motor}{axis}: {said}");
    }
    assert_eq!(
        with(
            "guessed: [rotor_inertia]",
            "tolerances: { temperature: 80 °C }"
        ),
        "nothing is wrong\n"
    );
}
