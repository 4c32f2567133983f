//! `identify`, `bench` and the symptoms of `explain`, as they are used.

use std::fs;
use std::path::Path;

use slewsmith::diagnostic::Source;
use slewsmith::rig::Motor;

/// slewsmith with these arguments and that text at standard input: exit code, what it printed,
/// what it said.
fn run(folder: &Path, arguments: &[&str], input: &str) -> (i32, String, String) {
    use std::io::Write as _;
    use std::process::{Command, Stdio};
    let mut program = Command::new(env!("CARGO_BIN_EXE_slewsmith"))
        .args(arguments)
        .current_dir(folder)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let written = program.stdin.take().unwrap().write_all(input.as_bytes());
    // A program that refuses its arguments ends without reading.
    if let Err(error) = written {
        assert_eq!(error.kind(), std::io::ErrorKind::BrokenPipe);
    }
    let output = program.wait_with_output().unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    (
        output.status.code().unwrap(),
        text(output.stdout),
        text(output.stderr),
    )
}

#[test]
fn questions_at_a_terminal_become_notes_and_a_profile() {
    let folder = tempfile::tempdir().unwrap();
    // Steps, frame, a length that is none and once more, resistance and the meter's leads; the
    // rest is skipped.
    let answers = "200\n42 mm\n40 ohm\n40 mm\n1.9 ohm\n0.2 ohm\n";
    let asked = ["identify", "--ask", "notes.yaml", "-o", "motor.yaml"];
    let (code, out, said) = run(folder.path(), &asked, answers);
    assert_eq!(code, 0, "{said}");
    assert!(
        said.contains("is a resistance") && said.contains("enter it again"),
        "{said}"
    );
    assert!(
        out.contains("resistance by meter") && out.contains("GUESS"),
        "{out}"
    );
    assert!(
        out.contains("Measurements that narrow the pull-out torque most"),
        "{out}"
    );
    let notes = fs::read_to_string(folder.path().join("notes.yaml")).unwrap();
    assert!(
        notes.contains("resistance: { value: 1.9 ohm, leads: 0.2 ohm }"),
        "{notes}"
    );
    let motor = fs::read_to_string(folder.path().join("motor.yaml")).unwrap();
    let read = Motor::parse(&Source::new("motor.yaml", motor)).unwrap();
    approx::assert_relative_eq!(read.phase_resistance.si(), 1.7, max_relative = 0.02);
    let (code, _, said) = run(folder.path(), &asked, answers);
    assert_eq!(code, 2, "notes that are there are kept: {said}");
}

#[test]
fn the_answer_is_no_where_measurements_contradict_each_other() {
    let folder = tempfile::tempdir().unwrap();
    let text = "holding_torque: { value: 0.4 N.m, current: 1.5 A }\nback_emf: { amplitude: 4 V, speed: 30 rad/s }\n";
    let (code, out, _) = run(folder.path(), &["identify", "-"], text);
    assert_eq!(code, 1, "{out}");
    assert!(
        out.contains("contradiction") && out.contains("factor of 1.4"),
        "{out}"
    );
    let (code, json, _) = run(folder.path(), &["identify", "-", "--json"], text);
    let json: serde_json::Value = serde_json::from_str(&json).unwrap();
    assert_eq!((code, json["ok"].as_bool()), (1, Some(false)));
    assert_eq!(json["values"].as_array().unwrap().len(), 8);
}

#[test]
fn every_test_program_for_every_example_can_be_planned() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let folder = tempfile::tempdir().unwrap();
    for rig in ["carousel", "lift", "mixer", "shutter", "dial"] {
        let path = root.join(format!("examples/{rig}.yaml"));
        let bench = folder.path().join(rig);
        let of = [path.to_str().unwrap(), bench.to_str().unwrap()];
        let (code, _, said) = run(folder.path(), &["bench", of[0], of[1]], "");
        assert_eq!(code, 0, "{said}");
        let sheet = fs::read_to_string(bench.join("sheet.md")).unwrap();
        for words in [
            "First power-up",
            "current limit of",
            "return test",
            "Stop when",
        ] {
            assert!(sheet.contains(words), "{words}: {sheet}");
        }
        assert!(
            !["{axis}", "{settings}", "{natural}", "{microstep}"]
                .iter()
                .any(|place| sheet.contains(place)),
            "a value is not filled in: {sheet}"
        );
        let mut programs = 0;
        for entry in fs::read_dir(&bench).unwrap() {
            let name = entry.unwrap().file_name().into_string().unwrap();
            if name.ends_with(".moves") {
                let (code, _, said) = run(&bench, &["plan", &name, "--json"], "");
                assert_eq!(code, 0, "{rig}, {name}: {said}");
                programs += 1;
            }
        }
        assert!(programs >= 5, "{rig}");
    }
}

#[test]
fn symptoms_are_explained_with_the_test_that_tells_causes_apart() {
    let folder = std::env::temp_dir();
    for code in [
        "turns-one-way-only",
        "ends-off-by-four-steps",
        "hot-at-standstill",
    ] {
        let (exit, out, said) = run(&folder, &["explain", code], "");
        assert_eq!(exit, 0, "{said}");
        assert!(out.len() > 400, "{out}");
    }
}
