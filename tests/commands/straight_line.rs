//! Axes that move together stay within a microstep of their straight line: recomputed
//! from the emitted csv by a separate script, `outside/straight_line.py`.

use crate::support;
use std::fs;
use std::path::Path;
use std::process::Command;

use tempfile::TempDir;

const TIMER: &str = "timer: { clock: 8 MHz, prescaler: 8, bits: 16, tolerance: 100 ppm, step_pulse: 3 us, direction_setup: 10 us, fastest_interval: 20 us }\n";

const MOTOR: &str = "motor: { rotor_teeth: 50, phase_resistance: 2.1 ohm, phase_inductance: 4.2 mH, rated_current: 1.5 A, holding_torque: 0.42 N.m, rotor_inertia: 65 g.cm^2, viscous_damping: 0.5 mN.m.s/rad }";

const OTHER_MOTOR: &str = "motor: { rotor_teeth: 100, phase_resistance: 2.4 ohm, phase_inductance: 3.5 mH, rated_current: 1.3 A, holding_torque: 0.26 N.m, rotor_inertia: 40 g.cm^2, viscous_damping: 0.5 mN.m.s/rad }";

/// An axis of a rig.
fn axis(name: &str, motor: &str, microsteps: u32, load: &str) -> String {
    format!(
        "  {name}:\n    {motor}\n    drive: {{ kind: chopper, supply: 24 V, peak_current: 0.8 A, microsteps: {microsteps} }}\n    load: {load}\n"
    )
}

/// A turntable, a finely stepped arm of another motor, and a slide.
fn turntable() -> String {
    "axes:\n".to_owned()
        + &axis("table", MOTOR, 8, "{ inertia: 2 kg.cm^2, gearing: 3:1 }")
        + &axis("arm", OTHER_MOTOR, 256, "{ inertia: 30 g.cm^2 }")
        + &axis(
            "slide",
            MOTOR,
            16,
            "{ mass: 0.4 kg, travel_per_turn: 5 mm, friction: 1 N }",
        )
        + TIMER
}

/// Full steps beside fine ones, a gearing that is no whole number, a belt.
fn plotter() -> String {
    let full = "drive: { kind: fixed-voltage, sequence: two-phase, supply: 12 V, switch_resistance: 8 ohm }";
    "axes:\n".to_owned()
        + &format!(
            "  table:\n    {MOTOR}\n    {full}\n    load: {{ inertia: 50 g.cm^2, friction: 5 mN.m }}\n"
        )
        + &axis(
            "arm",
            MOTOR,
            64,
            "{ inertia: 1 kg.cm^2, gearing: 10:3, efficiency: 0.9 }",
        )
        + &axis(
            "slide",
            OTHER_MOTOR,
            32,
            "{ mass: 0.2 kg, travel_per_turn: 40 mm, friction: 2 N }",
        )
        + TIMER
}

/// Lines of all three axes and of two, long, short and steep, in every shape.
fn script(shape: &str) -> String {
    let lines = [
        ["77.7 deg", "-66.6 deg", "-12.34 mm"],
        ["0.9 deg", "90 deg", "0.05 mm"],
        ["-400 deg", "1 deg", "30 mm"],
        ["51.42857142857 deg", "51.42857142857 deg", "1 mm"],
        ["-1.8 deg", "-1.8 deg", "-0.2 mm"],
    ];
    let mut text = format!(
        "rig \"rig.yaml\"\nbands allow\nshape {shape}\nspeed table 200 deg/s\naccel table 900 deg/s^2\njerk table 9000 deg/s^3\n\
         speed arm 90 deg/s\naccel arm 700 deg/s^2\njerk arm 20000 deg/s^3\n\
         speed slide 30 mm/s\naccel slide 400 mm/s^2\njerk slide 6000 mm/s^3\n"
    );
    for [table, arm, slide] in lines {
        text += &format!(
            "mark \"line\"\ntogether {{\nturn table by {table}\nturn arm by {arm}\nturn slide by {slide}\n}}\nmark \"end\"\ndwell 10 ms\n"
        );
    }
    text + "mark \"line\"\ntogether {\nturn table by 33 deg\nturn arm by 7 deg in 2.5 s\n}\nmark \"end\"\n"
}

const LINES: usize = 6;

/// The largest error of each line of a schedule (microsteps).
fn errors(schedule: &Path) -> Option<Vec<f64>> {
    let text = support::python_says("outside/straight_line.py", [schedule])?;
    let number = |line: &str| line.split(' ').nth(1).and_then(|word| word.parse().ok());
    let numbers = text.lines().map(|line| number(line).expect("a number"));
    Some(numbers.collect())
}

fn schedule(folder: &Path, rig: &str, script: &str) -> std::path::PathBuf {
    fs::write(folder.join("rig.yaml"), rig).unwrap();
    fs::write(folder.join("lines.moves"), script).unwrap();
    let emit = "emit lines.moves --as csv -o lines.csv --unchecked";
    let done = Command::new(env!("CARGO_BIN_EXE_slewsmith"))
        .args(emit.split(' '))
        .current_dir(folder)
        .status();
    assert!(done.unwrap().success());
    folder.join("lines.csv")
}

#[test]
fn axes_together_stay_within_a_microstep_of_the_line_in_the_emitted_schedule() {
    let folder = TempDir::new().unwrap();
    let mut largest = 0.0_f64;
    for rig in [turntable(), plotter()] {
        for shape in ["trapezoid", "s-curve", "full-torque"] {
            let path = schedule(folder.path(), &rig, &script(shape));
            let Some(found) = errors(&path) else {
                return;
            };
            assert_eq!(found.len(), LINES);
            for error in found {
                assert!(error <= 1.0, "{error} microsteps off the line, {shape}");
                largest = largest.max(error);
            }
        }
    }
    // Whole microsteps cannot all lie on a line, so there is something to be seen.
    assert!(largest > 0.3, "{largest}");
    println!("largest error {largest} microsteps");
}

#[test]
fn the_script_sees_an_axis_that_is_late() {
    let folder = TempDir::new().unwrap();
    let path = schedule(folder.path(), &turntable(), &script("trapezoid"));
    let text = fs::read_to_string(&path).unwrap();
    // The first four steps of the table come at the end of the first line.
    let mut rows: Vec<String> = text.lines().map(str::to_owned).collect();
    let end = rows
        .iter()
        .position(|row| row.ends_with("mark,,end"))
        .unwrap();
    let tick = rows[end].split(',').next().unwrap().to_owned();
    for _ in 0..4 {
        let step = rows
            .iter()
            .position(|row| row.contains("step,table"))
            .unwrap();
        let late = rows.remove(step);
        rows.insert(
            end - 1,
            format!("{tick}{}", &late[late.find(',').unwrap()..]),
        );
    }
    fs::write(&path, rows.join("\n")).unwrap();
    let Some(found) = errors(&path) else {
        return;
    };
    assert!(found[0] > 1.0);
}
