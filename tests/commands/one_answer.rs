//! One rig and one script have one answer, whichever command is asked.

use std::fs;
use std::process::Command;

use serde_json::{Value, json};
use slewsmith::Job;
use slewsmith::physics::Band;
use tempfile::TempDir;

use crate::cures::{DRIVES, LOADS, SCRIPTS, rig};

/// A program of the command line that plays at once, and one that throws a rotor out which the
/// rules of the check let pass.
const LOSING: &str = "bands allow\nspeed 720 deg/s\naccel 40000 deg/s^2\nturn by 5 turn\n";

fn is_wide(band: &Band) -> bool {
    let to = band.to_step_rate_hz;
    to.is_none_or(|to| to > 1.002 * band.from_step_rate_hz)
}

#[test]
fn check_emit_and_motor_tell_the_same_critical_speeds_and_verdict_whatever_rig_and_script() {
    let (mut asked, mut refused, mut bands) = (0, 0, 0);
    for (drive, load) in DRIVES
        .iter()
        .flat_map(|drive| LOADS.iter().map(move |load| (drive, load)))
    {
        let rig = rig(drive, load);
        for script in SCRIPTS {
            let job = Job::from_texts(script, &rig)
                .unwrap_or_else(|problems| panic!("{problems}"))
                .without_simulation();
            let summary = job.check().summary().unwrap();
            let ability = &job.abilities()[0];
            let sheet = job.motor("it").unwrap();
            assert_eq!(sheet.ability.bands, ability.bands, "{drive} {load}");
            assert_eq!(sheet.ability.typical_bands, ability.typical_bands);
            assert!(ability.bands.iter().all(is_wide), "{:?}", ability.bands);
            // What fails at standstill fails in a program too.
            assert!(sheet.ok() || !summary.ok, "{drive} {load} {script}");
            let format = slewsmith::emit::format("csv").unwrap();
            let mut csv = Vec::new();
            let written = job.write(format, &mut csv);
            assert!(written.is_ok() || !summary.ok, "{drive} {load} {script}");
            assert!(summary.ok || written.is_err(), "{drive} {load} {script}");
            asked += 1;
            refused += usize::from(!summary.ok);
            bands += ability.bands.len();
        }
    }
    println!("{asked} programs, {refused} refused, {bands} bands");
    assert!(refused > 50 && asked - refused > 20 && bands > 100);
}

/// Exit code and output of the program in that folder.
fn run(folder: &TempDir, arguments: &[&str]) -> (i32, String) {
    let output = Command::new(env!("CARGO_BIN_EXE_slewsmith"))
        .args(arguments)
        .current_dir(folder.path())
        .output()
        .unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    (output.status.code().unwrap(), text)
}

/// Edges of the bands that moves meet and which the sheet of the motor does not have.
fn edges(moves: &Value, sheet: &Value) -> Vec<Value> {
    let edge = |band: &Value| json!([band["from_step_rate_hz"], band["to_step_rate_hz"]]);
    let bands = sheet["axes"][0]["bands"].as_array().unwrap();
    let known: Vec<Value> = bands.iter().map(edge).collect();
    let moves = moves.as_array().unwrap().iter();
    let met = moves.flat_map(|one| one["bands"].as_array().unwrap());
    met.map(edge).filter(|edge| !known.contains(edge)).collect()
}

#[test]
fn exit_codes_of_the_commands_follow_one_verdict() {
    let mut codes = Vec::new();
    for (drive, load, script) in [
        (DRIVES[0], LOADS[1], SCRIPTS[0]),
        (DRIVES[1], LOADS[1], LOSING),
        (DRIVES[2], LOADS[0], SCRIPTS[0]),
        (DRIVES[3], LOADS[1], SCRIPTS[2]),
        (DRIVES[4], LOADS[5], SCRIPTS[1]),
        (DRIVES[6], LOADS[1], SCRIPTS[0]),
        (DRIVES[7], LOADS[4], SCRIPTS[3]),
    ] {
        let folder = TempDir::new().unwrap();
        fs::write(folder.path().join("rig.yaml"), rig(drive, load)).unwrap();
        let script = format!("rig \"rig.yaml\"\n{script}");
        fs::write(folder.path().join("it.moves"), &script).unwrap();
        let answer = |arguments: &[&str]| run(&folder, arguments);
        let check = answer(&["check", "it.moves"]).0;
        assert_eq!(
            answer(&["emit", "it.moves", "--as", "csv", "-o", "-"]).0,
            check,
            "{drive} {script}"
        );
        let (whole, said) = answer(&["check", "it.moves", "--json"]);
        assert_eq!(whole, check);
        let rules = answer(&["check", "it.moves", "--without-simulation"]).0;
        let (report, page) = answer(&["report", "it.moves", "-o", "-"]);
        assert_eq!(report, whole, "{drive} {script}");
        let word = if whole == 0 {
            "May run"
        } else {
            "Must not run"
        };
        assert!(
            page.contains(&format!("<strong>{word}")),
            "{drive} {script}"
        );
        // Where the answer is no, no port is opened; where it is yes, this one is not there.
        let stream = answer(&["stream", "it.moves", "--port", "no/port"]).0;
        assert_eq!(stream == 1, check == 1, "{drive} {script}: {stream}");
        let said: Value = serde_json::from_str(&said).unwrap();
        let (simulate, played) = answer(&["simulate", "it.moves", "--json"]);
        assert_eq!(simulate, check, "{drive} {script}");
        let played: Value = serde_json::from_str(&played).unwrap();
        assert_eq!(said["simulation"]["ok"], played["ok"]);
        assert_eq!(said["simulation"]["moves"], played["moves"]);
        // Lost steps alone make the answer no.
        let lost = i32::from(played["ok"] == Value::Bool(false));
        assert_eq!(check, rules.max(lost), "{drive} {script}");
        let (motor, sheet) = answer(&["motor", "rig.yaml", "--json"]);
        let sheet: Value = serde_json::from_str(&sheet).unwrap();
        assert_eq!(sheet["ok"], Value::Bool(motor == 0));
        let findings = sheet["axes"][0]["findings"].as_array().unwrap();
        let fails = findings.iter().any(|one| one["severity"] == "failure");
        assert_eq!(fails, motor == 1, "{drive} {script}");
        assert!(motor <= check);
        assert_eq!(
            edges(&said["moves"], &sheet),
            [] as [Value; 0],
            "{drive} {script}"
        );
        codes.push([check, rules, lost, motor]);
    }
    println!("check, rules alone, steps lost, motor: {codes:?}");
    // Each kind of answer was met: all well, lost steps alone, a failure of the rig.
    assert!(codes.contains(&[0, 0, 0, 0]));
    assert!(codes.iter().any(|codes| codes[1] == 0 && codes[2] == 1));
    assert!(codes.iter().any(|codes| codes[3] == 1));
}
