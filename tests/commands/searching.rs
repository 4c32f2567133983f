//! Rigs side by side, the search for the fastest moves, and programs without end, as a user
//! runs them.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use serde_json::Value;
use slewsmith::{FilesOnDisk, Job, MotorSheet, open_source, read_rig};
use tempfile::TempDir;

use crate::support;

struct Outcome {
    code: i32,
    out: String,
    err: String,
}

/// A copy of the examples, in which commands run.
struct Bench(TempDir);

impl Bench {
    fn new() -> Self {
        let folder = TempDir::new().unwrap();
        let root = Path::new(env!("CARGO_MANIFEST_DIR"));
        let copied = Command::new("cp")
            .arg("-r")
            .args([root.join("examples"), root.join("profiles")])
            .arg(folder.path())
            .status();
        assert!(copied.unwrap().success());
        Self(folder)
    }

    fn file(&self, name: &str) -> PathBuf {
        self.0.path().join("examples").join(name)
    }

    fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_slewsmith"));
        command
            .args(arguments)
            .current_dir(self.0.path().join("examples"))
            .stdin(Stdio::null())
            .env_remove("COLUMNS");
        command
    }

    fn run(&self, arguments: &[&str]) -> Outcome {
        let output = self.command(arguments).output().unwrap();
        Outcome {
            code: output.status.code().unwrap_or(-1),
            out: String::from_utf8(output.stdout).unwrap(),
            err: String::from_utf8(output.stderr).unwrap(),
        }
    }

    fn json(&self, arguments: &[&str]) -> Value {
        let run = self.run(arguments);
        serde_json::from_str(&run.out).unwrap_or_else(|_| panic!("{}{}", run.out, run.err))
    }

    /// What an independent validator says of an output.
    fn fits(&self, schema: &str, output: &Value) {
        let (file, text) = (self.file("schema.json"), self.file("output.json"));
        fs::write(&file, self.run(&["schema", schema]).out).unwrap();
        fs::write(&text, output.to_string()).unwrap();
        if let Some(said) = support::python_says("outside/schemas.py", [&file, &text]) {
            assert_eq!(said.trim(), "valid");
        }
    }
}

const RIGS: [&str; 2] = ["carousel.yaml", "dial.yaml"];

#[test]
fn rigs_are_compared_in_one_table() {
    let bench = Bench::new();
    let run = bench.run(&["compare", RIGS[0], RIGS[1]]);
    assert_eq!(run.code, 0, "{}", run.err);
    insta::assert_snapshot!("compare", run.out);
}

#[test]
fn compared_values_are_those_of_the_motors_and_of_the_check() {
    let bench = Bench::new();
    fs::write(
        bench.file("turn.moves"),
        "rig \"carousel.yaml\"\nspeed 300 deg/s\naccel 2000 deg/s^2\nrepeat 3 { turn by 40 deg }\n",
    )
    .unwrap();
    let compared = bench.json(&[
        "compare",
        RIGS[0],
        RIGS[1],
        "--script",
        "turn.moves",
        "--json",
    ]);
    bench.fits("compare", &compared);
    for (number, name) in RIGS.iter().enumerate() {
        let of = &compared["axes"][number];
        let motor = &bench.json(&["motor", name, "--json"])["axes"][0];
        for key in [
            "natural_frequency_hz",
            "start_stop_rate_hz",
            "useful_to_step_rate_hz",
        ] {
            assert_eq!(of[key], motor[key], "{key}");
        }
        assert_eq!(
            of["copper_w"]["running"],
            motor["heat"]["running"]["copper_w"]
        );
        assert_eq!(
            of["supply_w"]["holding"],
            motor["heat"]["holding"]["supply_w"]
        );
        let edges = |bands: &Value| -> Vec<(Value, Value)> {
            let bands = bands.as_array().unwrap().iter();
            bands
                .map(|band| (band["kind"].clone(), band["from_step_rate_hz"].clone()))
                .collect()
        };
        assert_eq!(edges(&of["bands"]), edges(&motor["bands"]));
        let source = open_source(&bench.file(name)).unwrap();
        let rig = read_rig(&source, &mut FilesOnDisk).unwrap();
        let sheet = MotorSheet::of(&rig.axes[0]);
        for point in of["pull_out"].as_array().unwrap() {
            let at = sheet
                .ability
                .pull_out
                .sample(point["step_rate_hz"].as_f64().unwrap());
            for (key, torque) in [("torque_nm", at.torque), ("torque_low_nm", at.low)] {
                let off = (point[key].as_f64().unwrap() - torque).abs();
                assert!(off <= 1e-12, "{key} by {off}");
            }
        }
        // The same script on that rig by itself.
        let text = fs::read_to_string(bench.file("turn.moves")).unwrap();
        let own = bench.file("own.moves");
        fs::write(&own, text.replace("carousel.yaml", name)).unwrap();
        let check = bench.json(&["check", "own.moves", "--json"]);
        let tried = &compared["script"][number];
        assert_eq!(tried["ok"], check["ok"]);
        assert_eq!(tried["total_time_s"], check["total_time_s"]);
        let simulation = &check["simulation"];
        assert_eq!(
            tried["peak_lag_electrical_deg"],
            simulation["peak_lag_electrical_deg"]
        );
        let settle: f64 = simulation["moves"]
            .as_array()
            .unwrap()
            .iter()
            .map(|one| one["settle_s"].as_f64().unwrap())
            .sum();
        let (moves, settled) = (tried["moves_s"].as_f64(), tried["settled_s"].as_f64());
        assert!((settled.unwrap() - moves.unwrap() - settle).abs() < 1e-9);
    }
}

#[test]
fn a_script_that_fails_on_every_rig_ends_with_1_and_one_without_its_axis_with_2() {
    let bench = Bench::new();
    let fast = "speed 90000 deg/s\naccel 9000000 deg/s^2\n";
    fs::write(bench.file("fast.moves"), format!("{fast}turn by 720 deg\n")).unwrap();
    fs::write(
        bench.file("named.moves"),
        format!("{fast}turn nobody by 720 deg\n"),
    )
    .unwrap();
    for (script, code) in [("fast.moves", 1), ("named.moves", 2)] {
        let run = bench.run(&["compare", RIGS[0], RIGS[1], "--script", script]);
        assert_eq!(run.code, code, "{}{}", run.out, run.err);
    }
    assert_eq!(bench.run(&["compare", RIGS[0]]).code, 2);
}

#[test]
fn compared_torques_are_drawn_over_each_other() {
    let bench = Bench::new();
    let run = bench.run(&["compare", RIGS[0], RIGS[1], "--plot", "both.svg"]);
    assert_eq!(run.code, 0, "{}", run.err);
    let plot = fs::read_to_string(bench.file("both.svg")).unwrap();
    for name in ["carousel", "dial", "dial, low edge"] {
        assert!(
            plot.contains(&format!(">{name}<")) || plot.contains(name),
            "{name}"
        );
    }
    assert!(plot.matches("<poly").count() + plot.matches("<path").count() >= 4);
    assert_eq!(
        bench
            .run(&["compare", RIGS[0], RIGS[1], "--plot", "both.png"])
            .code,
        0
    );
    let picture = fs::read(bench.file("both.png")).unwrap();
    assert!(picture.starts_with(b"\x89PNG") && picture.len() > 10_000);
}

#[test]
fn the_fastest_moves_are_printed_and_written_beside_the_script() {
    let bench = Bench::new();
    let run = bench.run(&[
        "fastest",
        "carousel.moves",
        "--axis",
        "carousel",
        "--write",
        "fast.moves",
    ]);
    assert_eq!(run.code, 0, "{}{}", run.out, run.err);
    for told in [
        "today",
        "best",
        "shape ",
        "no more ",
        "The script passes its check",
    ] {
        assert!(run.out.contains(told), "{told}: {}", run.out);
    }
    assert_eq!(bench.run(&["check", "fast.moves"]).code, 0);
    let settled = |name: &str| {
        let job = Job::open(bench.file(name)).unwrap();
        job.settled().unwrap().unwrap().settled.unwrap()
    };
    assert!(settled("fast.moves") < 0.5 * settled("carousel.moves"));
    for (target, why) in [("carousel.moves", "input"), ("../fast.moves", "folder")] {
        let refused = bench.run(&["fastest", "carousel.moves", "--write", target]);
        assert_eq!(refused.code, 2, "{}", refused.err);
        assert!(refused.err.contains(why), "{}", refused.err);
    }
    fs::write(
        bench.file("turn.moves"),
        "rig \"carousel.yaml\"\nspeed 90 deg/s\naccel 600 deg/s^2\nturn by 40 deg\n",
    )
    .unwrap();
    let found = bench.json(&["fastest", "turn.moves", "--json"]);
    bench.fits("fastest", &found);
    assert_eq!(found["ok"], true);
    let [one] = &found["moves"].as_array().unwrap()[..] else {
        panic!("{found}");
    };
    assert!(one["best"]["settled_s"].as_f64() < one["today"]["settled_s"].as_f64());
}

/// Waits until a process has a handler for SIGINT, signal 2, as `SigCgt` tells
/// (proc_pid_status(5)), however long that takes. Without such files nothing is waited for.
#[cfg(unix)]
fn wait_until_it_listens(child: &mut std::process::Child) {
    let status = format!("/proc/{}/status", child.id());
    while let Ok(text) = fs::read_to_string(&status) {
        let mask = text.lines().find_map(|line| line.strip_prefix("SigCgt:"));
        let caught = mask.and_then(|mask| u64::from_str_radix(mask.trim(), 16).ok());
        if caught.is_some_and(|caught| caught >> 1 & 1 == 1) {
            return;
        }
        let ended = child.try_wait().unwrap();
        assert!(ended.is_none(), "it ended before it listened: {ended:?}");
        // A pause between two looks, on which nothing depends.
        std::thread::sleep(std::time::Duration::from_millis(20));
    }
}

/// So many moves take the search minutes of the processor, far longer than this test is kept
/// from it; it is told to stop at once.
#[test]
#[cfg(unix)]
fn a_search_that_is_interrupted_prints_the_best_so_far_and_ends_with_130() {
    let bench = Bench::new();
    let turns: String = (1..=360).map(|by| format!("turn by {by} deg\n")).collect();
    let script = format!("rig \"carousel.yaml\"\nspeed 90 deg/s\naccel 600 deg/s^2\n{turns}");
    fs::write(bench.file("many.moves"), script).unwrap();
    let mut child = bench
        .command(&["fastest", "many.moves", "--write", "fast.moves"])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    wait_until_it_listens(&mut child);
    let told = Command::new("kill")
        .args(["-INT", &child.id().to_string()])
        .status();
    assert!(told.unwrap().success());
    let output = child.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(130));
    let text = String::from_utf8(output.stdout).unwrap();
    assert!(text.contains("Interrupted"), "{text}");
    assert!(!bench.file("fast.moves").exists());
}

#[test]
fn what_is_printed_of_a_program_without_end_fits_the_schemas_and_says_so() {
    let bench = Bench::new();
    fs::write(
        bench.file("endless.moves"),
        "rig \"carousel.yaml\"\nspeed 90 deg/s\naccel 600 deg/s^2\nrepeat forever {\n    turn by 45 deg\n    dwell 100 ms\n}\n",
    )
    .unwrap();
    for command in ["check", "simulate", "plan"] {
        let printed = bench.json(&[command, "endless.moves", "--json"]);
        bench.fits(command, &printed);
        let endless = &printed["endless"];
        assert_eq!(endless["line"], 4, "{command}");
        assert_eq!(endless["passes_a_period"], 1, "{command}");
        // 45° / 90°/s + 90/600 s, and 100 ms behind it.
        let pass = endless["pass_s"].as_f64().unwrap();
        assert!((pass - 0.75).abs() < 1e-3, "{command}: {pass}");
    }
    let told = bench.run(&["check", "endless.moves"]).out;
    assert!(told.contains("repeats without end"), "{told}");
    let listed = bench.run(&["emit", "endless.moves", "--as", "csv"]);
    assert_eq!(listed.code, 2);
    assert!(
        listed.err.contains("line 4") && listed.err.contains("--passes"),
        "{}",
        listed.err
    );
    let listed = bench.run(&["emit", "endless.moves", "--as", "csv", "--passes", "2"]);
    assert_eq!(listed.code, 0, "{}", listed.err);
    let steps = listed.out.lines().filter(|line| line.contains(",step,"));
    assert_eq!(steps.count(), 2 * 600);
    let idle = bench.run(&["emit", "carousel.moves", "--as", "csv", "--passes", "2"]);
    assert_eq!(idle.code, 2, "{}", idle.err);
}
