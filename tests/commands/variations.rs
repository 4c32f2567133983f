//! `check --variations`: rigs drawn at random, as they are used.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;
use tempfile::TempDir;

use crate::support;

/// A motor at its limit on a supply that is not known well.
const RIG: &str = "\
axes:
  drum:
    motor: { rotor_teeth: 50, phase_resistance: 2.1 ohm, phase_inductance: 4.2 mH, rated_current: 1.5 A, holding_torque: 0.42 N.m,
             rotor_inertia: 65 g.cm^2, viscous_damping: 0.4 mN.m.s/rad, detent_torque: 18 mN.m, friction_torque: 15 mN.m,
             tolerances: { torque_constant: 3 %, phase_inductance: 4 %, phase_resistance: 2 %, rotor_inertia: 5 %, viscous_damping: 10 % } }
    drive: { kind: chopper, supply: 14 V, peak_current: 1.5 A, microsteps: 8 }
    load: { inertia: 50 g.cm^2, friction: 100 mN.m }
    tolerances: { supply: 20 %, friction: 20 %, inertia: 10 %, temperature: 60 degC }
timer: { clock: 16 MHz, prescaler: 8, tolerance: 1 % }
";
const SCRIPT: &str =
    "rig \"rig.yaml\"\nspeed 4200 deg/s\naccel 30000 deg/s^2\nturn by 5 turn\ndwell 300 ms\n";
const DRAWS: &str = "24";

struct Bench(TempDir);

impl Bench {
    fn new() -> Self {
        let folder = TempDir::new().unwrap();
        fs::write(folder.path().join("rig.yaml"), RIG).unwrap();
        fs::write(folder.path().join("drum.moves"), SCRIPT).unwrap();
        Self(folder)
    }

    fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    /// Exit code, what it printed, what it said.
    fn run(&self, arguments: &[&str], threads: &str) -> (i32, String, String) {
        let output = Command::new(env!("CARGO_BIN_EXE_slewsmith"))
            .args(["check", "drum.moves"])
            .args(arguments)
            .current_dir(self.0.path())
            .env("RAYON_NUM_THREADS", threads)
            .output()
            .unwrap();
        let text = |bytes| String::from_utf8(bytes).unwrap();
        (
            output.status.code().unwrap(),
            text(output.stdout),
            text(output.stderr),
        )
    }
}

#[test]
fn parts_merge_to_the_bytes_of_one_run_on_any_number_of_threads() {
    let bench = Bench::new();
    let one = bench.run(&["--variations", DRAWS], "1");
    assert_eq!(one, bench.run(&["--variations", DRAWS], "3"));
    for (number, part) in ["1/3", "2/3", "3/3"].iter().enumerate() {
        let (code, lines, said) = bench.run(&["--variations", DRAWS, "--part", part], "2");
        assert_eq!((code, said.as_str()), (0, ""));
        fs::write(bench.path(&format!("part-{number}")), lines).unwrap();
    }
    let merged = bench.run(&["--merge", "part-2", "part-0", "part-1"], "1");
    assert_eq!(merged, one);
    let (code, _, said) = bench.run(&["--merge", "part-0", "part-1"], "1");
    assert_eq!(code, 2);
    assert!(said.contains("8 of 24 draws are missing"), "{said}");
    // The parts are of this program only.
    fs::write(bench.path("drum.moves"), SCRIPT.replace("5 turn", "6 turn")).unwrap();
    let (code, _, said) = bench.run(&["--merge", "part-0", "part-1", "part-2"], "1");
    assert_eq!(code, 2);
    assert!(said.contains("another script or rig"), "{said}");
}

#[test]
fn the_answer_is_no_where_too_few_pass_and_the_supply_decides() {
    let bench = Bench::new();
    let (code, out, _) = bench.run(&["--without-simulation"], "2");
    assert_eq!(code, 0, "the rig as it stands passes: {out}");
    let (code, out, said) = bench.run(
        &["--variations", DRAWS, "--json", "--plot", "draws.svg"],
        "2",
    );
    assert_eq!(code, 1, "{said}");
    let check: Value = serde_json::from_str(&out).unwrap();
    assert_eq!(check["ok"], false);
    let study = &check["variations"];
    assert!(study["share"].as_f64().unwrap() < 0.95, "{study}");
    assert_eq!(study["decides_lag"]["value"], "supply", "{study}");
    let supply = study["values"].as_array().unwrap().iter();
    let supply = supply
        .filter(|one| one["value"] == "supply")
        .collect::<Vec<_>>();
    assert!(
        supply[0]["rank_correlation_lag"].as_f64().unwrap() < -0.8,
        "{supply:?}"
    );
    let plot = fs::read_to_string(bench.path("draws.svg")).unwrap();
    assert!(plot.contains("What decides: drum: supply"), "{plot}");
    // The same by scipy; and the schema describes it.
    fs::write(bench.path("result.json"), &out).unwrap();
    let (_, lines, _) = bench.run(&["--variations", DRAWS, "--part", "1/1"], "2");
    fs::write(bench.path("lines"), lines).unwrap();
    let files = [bench.path("lines"), bench.path("result.json")];
    if let Some(said) = support::python_says("outside/variations.py", &files) {
        assert_eq!(said.trim(), "agrees");
    }
    let schema = Command::new(env!("CARGO_BIN_EXE_slewsmith"))
        .args(["schema", "check"])
        .output()
        .unwrap();
    fs::write(bench.path("schema.json"), schema.stdout).unwrap();
    let files = [bench.path("schema.json"), bench.path("result.json")];
    if let Some(said) = support::python_says("outside/schemas.py", &files) {
        assert_eq!(said.trim(), "valid");
    }
}

/// A cruise of a turn in an unstable band is over before its swing has grown. Check refuses it,
/// and so it is refused on each rig drawn that has the band there; the table tells that no step is lost.
#[test]
fn a_drawn_rig_has_the_verdict_of_its_check_though_its_motor_loses_no_step() {
    let bench = Bench::new();
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    fs::copy(
        root.join("examples/shutter.yaml"),
        bench.path("shutter.yaml"),
    )
    .unwrap();
    let script = "rig \"shutter.yaml\"\nspeed 1100 deg/s\naccel 6000 deg/s^2\nbands allow\nturn by 1 turn\ndwell 300 ms\n";
    fs::write(bench.path("drum.moves"), script).unwrap();
    let (code, out, _) = bench.run(&["--variations", "8", "--json"], "2");
    assert_eq!(code, 1);
    let check: Value = serde_json::from_str(&out).unwrap();
    let own = check["moves"][0]["reasons"].to_string();
    assert!(
        own.contains("unstable-band") && !own.contains("steps-lost"),
        "{own}"
    );
    let study = &check["variations"];
    let passed = study["passed"].as_u64().unwrap();
    assert!(passed < 8);
    let draws = 8 - passed;
    let expected = serde_json::json!([
        { "code": "unstable-band", "draws": draws, "alone": draws, "without_lost_step": draws }
    ]);
    assert_eq!(study["failures"], expected);
    let (_, out, _) = bench.run(&["--variations", "8"], "2");
    let row = out
        .lines()
        .find(|line| line.trim_start().starts_with("unstable-band "));
    let words: Vec<&str> = row
        .unwrap_or_else(|| panic!("{out}"))
        .split_whitespace()
        .collect();
    let draws = draws.to_string();
    assert_eq!(words, ["unstable-band", &draws, &draws, &draws]);
}

#[test]
fn a_cluster_of_two_workers_prints_the_bytes_of_one_run() {
    let Some(python) = support::python() else {
        return;
    };
    let bench = Bench::new();
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let output = Command::new(python)
        .arg(root.join("examples/variations_dask.py"))
        .arg(bench.path("drum.moves"))
        .args(["--draws", DRAWS, "--parts", "3", "--workers", "2"])
        .args(["--program", env!("CARGO_BIN_EXE_slewsmith")])
        .current_dir(bench.0.path())
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    let (code, one, _) = bench.run(&["--variations", DRAWS], "2");
    assert_eq!(output.status.code(), Some(code), "{said}");
    assert_eq!(String::from_utf8_lossy(&output.stdout), one, "{said}");
}
