//! The whole way of somebody with a motor without papers: four leads and an ohmmeter, a rig, a
//! first power-up, a verdict with its range, one more measurement, a narrower range, and a program
//! that holds in the true motor, which is that of `tests/reference/unseen_motor.py`.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;
use tempfile::TempDir;

use crate::support;

/// What a meter, a ruler and fingers tell of the motor.
const METER: &str = "\
full_steps_a_turn: 200
frame: 42 mm
length: 47 mm
resistance: { value: 3.2 ohm, leads: 0.1 ohm }
rated_current: { value: 1 A, tolerance: 15 % }
wiring:
  leads: [red, blue, green, black]
  readings:
    - { between: [red, green], resistance: 3.2 ohm }
    - { between: [blue, black], resistance: 3.2 ohm }
";
/// One more: a drill and a meter that shows effective values. 0.31 N·m/A at 20 rad/s are 6.2 V
/// of amplitude, 4.38 V effective.
const DRILL: &str = "back_emf: { rms: 4.4 V, speed: 20 rad/s }\n";

const SCRIPT: &str = "speed 300 deg/s\naccel 1500 deg/s^2\nrepeat 2 {\n    turn by 120 deg\n    dwell 300 ms\n}\nturn by -60 deg\n";

fn rig(motor: &str) -> String {
    format!(
        "axes:
  arm:
    motor: {motor}
    drive: {{ kind: chopper, supply: 24 V, peak_current: 1.2 A, microsteps: 4 }}
    load: {{ inertia: 60 g.cm^2, friction: 30 mN.m }}
    limits: {{ settle: 1 deg }}
timer: {{ clock: 16 MHz, prescaler: 8 }}
"
    )
}

struct Workshop(TempDir);

impl Workshop {
    fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    fn write(&self, name: &str, text: &str) {
        fs::write(self.path(name), text).unwrap();
    }

    fn run(&self, arguments: &[&str]) -> (i32, String) {
        let output = Command::new(env!("CARGO_BIN_EXE_slewsmith"))
            .args(arguments)
            .current_dir(self.0.path())
            .output()
            .unwrap();
        let code = output.status.code().unwrap();
        assert!(code < 2, "{}", String::from_utf8_lossy(&output.stderr));
        (code, String::from_utf8(output.stdout).unwrap())
    }

    /// What a command says besides its results.
    fn said(&self, command: &str) -> String {
        let output = Command::new(env!("CARGO_BIN_EXE_slewsmith"))
            .args(command.split(' '))
            .current_dir(self.0.path())
            .output()
            .unwrap();
        let said = String::from_utf8(output.stderr).unwrap();
        assert!(output.status.code().unwrap() < 2, "{command}: {said}");
        said
    }

    fn json(&self, arguments: &[&str]) -> Value {
        let (_, out) = self.run(arguments);
        serde_json::from_str(&out).unwrap_or_else(|error| panic!("{error}: {out}"))
    }

    /// Width of the band of the pull-out torque over the torque, at its first points.
    fn width(&self) -> f64 {
        let motor = self.json(&["motor", "rig.yaml", "--json"]);
        let point = &motor["axes"][0]["pull_out"][20];
        let of = |key: &str| point[key].as_f64().unwrap();
        (of("torque_high_nm") - of("torque_low_nm")) / of("torque_nm")
    }

    /// From the middle of the draws to one in twenty, in the torque that is left.
    fn spread(&self) -> f64 {
        let check = self.json(&["check", "arm.moves", "--variations", "32", "--json"]);
        let of = |key: &str| check["variations"][key].as_f64().unwrap();
        of("torque_margin_50") - of("torque_margin_5")
    }
}

#[test]
fn from_four_leads_and_an_ohmmeter_to_a_program_that_holds_in_the_true_motor() {
    let shop = Workshop(TempDir::new().unwrap());
    shop.write("notes.yaml", METER);
    shop.write("rig.yaml", &rig("motor.yaml"));
    shop.write("arm.moves", &format!("rig \"rig.yaml\"\n{SCRIPT}"));

    // Four leads and an ohmmeter.
    let identify = ["identify", "notes.yaml", "-o", "motor.yaml"];
    let (code, out) = shop.run(&identify);
    assert_eq!(code, 0, "{out}");
    assert!(
        out.contains("red") && out.contains("combinations remain"),
        "{out}"
    );
    let profile = fs::read_to_string(shop.path("motor.yaml")).unwrap();
    assert!(
        profile.contains("guessed: [") && profile.contains("torque_constant: "),
        "{profile}"
    );

    // What is guessed is marked wherever it is used.
    for command in [["motor", "rig.yaml"], ["check", "arm.moves"]] {
        let (_, out) = shop.run(&command);
        assert!(out.contains("guessed, not measured: `"), "{out}");
    }
    for command in [
        "simulate arm.moves",
        "fastest arm.moves",
        "plot arm.moves -o arm.svg",
        "plot rig.yaml -o rig.svg",
        "compare rig.yaml rig.yaml",
        "coils rig.yaml --as csv",
        "emit arm.moves --as csv -o arm.csv",
        "bench rig.yaml guessed-bench",
    ] {
        let said = shop.said(command);
        assert!(
            said.contains("guessed, not measured: `"),
            "{command}: {said}"
        );
    }
    let (_, _) = shop.run(&["report", "arm.moves", "-o", "report.html"]);
    let report = fs::read_to_string(shop.path("report.html")).unwrap();
    assert!(report.contains("motor-guessed") && report.contains("uessed, not measured"));

    // A first power-up sheet.
    let (code, _) = shop.run(&["bench", "rig.yaml", "bench"]);
    assert_eq!(code, 0);
    let sheet = fs::read_to_string(shop.path("bench/sheet.md")).unwrap();
    assert!(
        sheet.contains("First power-up")
            && sheet.contains("arm-ring-down.moves")
            && sheet.contains("guessed, not measured: `"),
        "{sheet}"
    );

    // A verdict with its range, and what would narrow it.
    let before = (shop.width(), shop.spread());
    let next = shop.json(&["identify", "notes.yaml", "--rig", "rig.yaml", "--json"]);
    let helps = next["next"].as_array().unwrap().iter();
    let mut keys = helps.take(3).map(|one| one["key"].as_str().unwrap());
    assert!(keys.any(|key| key == "back_emf"), "{next}");

    // One more measurement, and a narrower range.
    shop.write("notes.yaml", &format!("{METER}{DRILL}"));
    shop.run(&identify);
    let profile = fs::read_to_string(shop.path("motor.yaml")).unwrap();
    let after = (shop.width(), shop.spread());
    println!("{before:?} {after:?}\n{profile}");
    assert!(after.0 < 0.7 * before.0, "{before:?} {after:?}");
    assert!(after.1 < 0.7 * before.1, "{before:?} {after:?}");
    let guessed = |profile: &str| {
        profile
            .lines()
            .any(|line| line.starts_with("guessed") && line.contains("holding_torque"))
    };
    assert!(!guessed(&profile), "{profile}");

    // A program that passes, and holds in the true motor.
    let check = shop.json(&["check", "arm.moves", "--json"]);
    assert_eq!(check["ok"], true, "{check}");
    let truth = "{ rotor_teeth: 50, phase_resistance: 3.1 ohm, phase_inductance: 6.2 mH, rated_current: 1 A, \
                 holding_torque: 438.4 mN.m, rotor_inertia: 82 g.cm^2, detent_torque: 21 mN.m, \
                 viscous_damping: 0.4 mN.m.s/rad, friction_torque: 2 mN.m }";
    shop.write("true.yaml", &rig(truth));
    shop.write("true.moves", &format!("rig \"true.yaml\"\n{SCRIPT}"));
    let (code, out) = shop.run(&["simulate", "true.moves"]);
    assert_eq!(code, 0, "{out}");
}

#[test]
fn notes_and_what_is_made_of_them_fit_their_schemas() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let shop = Workshop(TempDir::new().unwrap());
    let notes = root.join("examples/unknown-motor/notes.yaml");
    let identified = shop.run(&["identify", notes.to_str().unwrap(), "--json"]).1;
    shop.write("identify.json", &identified);
    shop.write("short.yaml", METER);
    shop.write("wrong.yaml", "resistance: { ohms: 3 }\n");
    let script = root.join("examples/carousel.moves");
    let sized = shop.run(&["size", script.to_str().unwrap(), "--json"]).1;
    shop.write("size.json", &sized);
    for (of, files, expected) in [
        (
            "notes",
            vec![notes, shop.path("short.yaml"), shop.path("wrong.yaml")],
            &["valid", "valid", "invalid"][..],
        ),
        (
            "identify",
            vec![shop.path("identify.json"), shop.path("size.json")],
            &["valid", "invalid"][..],
        ),
        (
            "size",
            vec![shop.path("size.json"), shop.path("identify.json")],
            &["valid", "invalid"][..],
        ),
    ] {
        shop.write("schema.json", &shop.run(&["schema", of]).1);
        let all = std::iter::once(shop.path("schema.json")).chain(files);
        if let Some(said) = support::python_says("outside/schemas.py", all) {
            let found: Vec<&str> = said
                .lines()
                .map(|line| line.split(':').next().unwrap())
                .collect();
            assert_eq!(found, expected, "{of}: {said}");
        }
    }
}

#[test]
fn motors_are_ranked_with_what_suits_them() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let shop = Workshop(TempDir::new().unwrap());
    let script = root.join("examples/carousel.moves");
    let arguments = ["size", script.to_str().unwrap(), "--plot", "motors.svg"];
    let (code, out) = shop.run(&arguments);
    assert_eq!(code, 0, "{out}");
    assert!(
        out.contains("Suits best") && out.contains("inertia ratio"),
        "{out}"
    );
    let plot = fs::read_to_string(shop.path("motors.svg")).unwrap();
    assert!(plot.contains("passes") && plot.contains("asked for by the moves"));
    let sized = shop.json(&["size", script.to_str().unwrap(), "--json"]);
    let motors = sized["motors"].as_array().unwrap();
    assert_eq!(motors.len(), 11);
    let passing: Vec<&Value> = motors.iter().take_while(|one| one["ok"] == true).collect();
    assert!(passing.len() >= 2, "{sized}");
    assert!(motors[passing.len()..].iter().all(|one| one["ok"] == false));
    let losses: Vec<f64> = passing
        .iter()
        .map(|one| one["copper_loss_w"].as_f64().unwrap())
        .collect();
    assert!(losses.is_sorted(), "{losses:?}");
    assert!(passing.iter().all(|one| one["supply_v"] == 15.0), "{sized}");
    for one in &passing {
        let margin = one["torque_margin"]["least"].as_f64().unwrap();
        assert!(
            margin >= sized["torque_margin_kept"].as_f64().unwrap(),
            "{one}"
        );
    }
    // A folder of one's own; one without motors is refused.
    let own = root.join("profiles/motors");
    let of_folder = shop.json(&[
        "size",
        script.to_str().unwrap(),
        "--motors",
        own.to_str().unwrap(),
        "--json",
    ]);
    assert_eq!(of_folder, sized);
}
