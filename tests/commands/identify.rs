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
    // Leads are skipped; of the ways to measure a resistance it is the first.
    let answers = "200\n42 mm\n40 ohm\n40 mm\n\n1\n1.9 ohm\n0.2 ohm\n";
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
fn a_meter_a_drill_and_two_discs_are_asked_for_in_the_way_that_is_chosen() {
    let folder = tempfile::tempdir().unwrap();
    let answers = [
        // Steps, flange, body.
        "200",
        "42 mm",
        "40 mm",
        // Leads, a colour that is none of them, and Enter after the last.
        "red, green, blue, black",
        "red, green, 3.2 ohm",
        "blue, pink, 3.2 ohm",
        "blue, black, 3.2 ohm",
        "",
        // Neither resistance nor inductance; the plate; no lever.
        "",
        "",
        "1.2 A",
        "",
        // Back-EMF: no seventh way; effective value and speed. 0.311 N·m/A at 20 rad/s.
        "7",
        "2",
        "4.4 V",
        "20 rad/s",
        // A ring-down alone, then one with a disc: J = 60 g·cm² / ((240/176)² − 1) = 70 g·cm².
        "1",
        "240 Hz",
        "85 %",
        "1 A",
        "",
        "1",
        "176 Hz",
        "",
        "1 A",
        "60 g.cm^2",
        // A spin-down without its time is left out.
        "1",
        "600 rpm",
        "",
    ]
    .join("\n");
    let asked = ["identify", "--ask", "notes.yaml"];
    let (code, out, said) = run(folder.path(), &asked, &answers);
    assert_eq!(code, 0, "{said}{out}");
    for words in [
        "no lead is called “pink”",
        "write a number from 1 to 2",
        "left out: it needs the time to half of it",
        "Once more with another disc",
        "Caution: A drill catches sleeves",
    ] {
        assert!(said.contains(words), "{words}: {said}");
    }
    let notes = fs::read_to_string(folder.path().join("notes.yaml")).unwrap();
    for line in [
        "back_emf: { rms: 4.4 V, speed: 20 rad/s }\n",
        "  - { frequency: 240 Hz, each_swing: 85 %, current: 1 A }\n  - { frequency: 176 Hz, current: 1 A, inertia: 60 g.cm^2 }\n",
    ] {
        assert!(notes.contains(line), "{line}: {notes}");
    }
    assert!(!notes.contains("spin_down"), "{notes}");
    let (_, json, _) = run(folder.path(), &["identify", "notes.yaml", "--json"], "");
    let json: serde_json::Value = serde_json::from_str(&json).unwrap();
    let value = |key: &str| {
        let values = json["values"].as_array().unwrap();
        values.iter().find(|one| one["key"] == key).unwrap().clone()
    };
    // Nobody measured it apart from the leads.
    let resistance = value("phase_resistance");
    assert_eq!(resistance["from"][0], "resistance between the leads");
    approx::assert_relative_eq!(
        resistance["value_si"].as_f64().unwrap(),
        3.2,
        max_relative = 0.05
    );
    let inertia = value("rotor_inertia");
    assert_eq!(inertia["guess"], false, "{inertia}");
    approx::assert_relative_eq!(
        inertia["value_si"].as_f64().unwrap(),
        70e-7,
        max_relative = 0.15
    );
}

/// A half of each coil has 3 Ω. By hand, for the same heat: in series 6 Ω, four times the
/// inductance, 1/√2 of the current; in parallel 1.5 Ω, the same inductance, √2 of the current;
/// the torque of either is √2 of that of a half.
#[test]
fn four_five_six_and_eight_leads_come_with_what_is_left_to_try_and_each_connection() {
    let folder = tempfile::tempdir().unwrap();
    let reading =
        |pair: &str, ohms: f64| format!("    - {{ between: [{pair}], resistance: {ohms} ohm }}\n");
    let halves = [("a, b", 3.0), ("c, d", 3.0), ("e, f", 3.0), ("g, h", 3.0)];
    let cases = [
        ("a, b, c, d", &halves[..2], 2, &[][..]),
        (
            "t, a, b, c, d",
            &[
                ("t, a", 3.0),
                ("t, b", 3.0),
                ("t, c", 3.0),
                ("t, d", 3.0),
                ("a, b", 6.0),
            ][..],
            6,
            &["half of each coil"],
        ),
        (
            "a, s, b, c, t, d",
            &[
                ("a, s", 3.0),
                ("s, b", 3.0),
                ("a, b", 6.0),
                ("c, t", 3.0),
                ("t, d", 3.0),
                ("c, d", 6.0),
            ],
            2,
            &["half of each coil", "halves in series"],
        ),
        (
            "a, b, c, d, e, f, g, h",
            &halves,
            24,
            &[
                "half of each coil",
                "halves in series",
                "halves in parallel",
            ],
        ),
    ];
    for (leads, pairs, left, connections) in cases {
        let readings: String = pairs
            .iter()
            .map(|(pair, ohms)| reading(pair, *ohms))
            .collect();
        let notes = format!(
            "resistance: {{ value: 3 ohm, tolerance: 0.1 % }}\nwiring:\n  measured_on: half\n  leads: [{leads}]\n  readings:\n{readings}"
        );
        let (code, json, said) = run(folder.path(), &["identify", "-", "--json"], &notes);
        assert_eq!(code, 0, "{leads}: {said}");
        let json: serde_json::Value = serde_json::from_str(&json).unwrap();
        let wiring = &json["wiring"];
        assert_eq!(wiring["combinations_left"], left, "{wiring}");
        let found = wiring["connections"].as_array().unwrap();
        let names: Vec<&str> = found
            .iter()
            .map(|one| one["connection"].as_str().unwrap())
            .collect();
        assert_eq!(names, connections, "{leads}");
        for one in found {
            let factors = match one["connection"].as_str().unwrap() {
                "half of each coil" => [1.0, 1.0, 1.0, 1.0],
                "halves in series" => [2.0, 4.0, 0.5_f64.sqrt(), 2_f64.sqrt()],
                _ => [0.5, 1.0, 2_f64.sqrt(), 2_f64.sqrt()],
            };
            let keys = [
                "resistance_ohm",
                "inductance_h",
                "rated_current_a",
                "holding_torque_nm",
            ];
            for (key, factor) in keys.into_iter().zip(factors) {
                let (of, half) = (one[key].as_f64().unwrap(), found[0][key].as_f64().unwrap());
                approx::assert_relative_eq!(of / half, factor, max_relative = 1e-9);
            }
        }
        let (_, out, _) = run(folder.path(), &["identify", "-"], &notes);
        let printed = connections.len() > 1;
        assert_eq!(out.contains("connection "), printed, "{out}");
        for words in [
            "Direction: it is known only from a turn",
            "Never connect or disconnect a lead",
        ] {
            assert!(out.contains(words), "{words}: {out}");
        }
    }
}

/// What the sheet tells to write down is what the notes take.
#[test]
fn every_line_that_the_sheet_asks_for_is_one_that_identify_reads() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let folder = tempfile::tempdir().unwrap();
    let rig = root.join("examples/carousel.yaml");
    let (code, _, said) = run(folder.path(), &["bench", rig.to_str().unwrap(), "."], "");
    assert_eq!(code, 0, "{said}");
    let sheet = fs::read_to_string(folder.path().join("sheet.md")).unwrap();
    let flat = sheet.split_whitespace().collect::<Vec<_>>().join(" ");
    let quoted = flat.split('`').skip(1).step_by(2);
    let keys = [
        "ring_down: ",
        "start_stop: ",
        "top_speed: ",
        "full_steps_a_turn: ",
        "microstep_angles: ",
    ];
    let lines: Vec<String> = quoted
        .filter(|text| keys.iter().any(|key| text.starts_with(key)))
        .map(|text| {
            text.replace("current: …", "current: 1.2 A")
                .replace("step_rate: …", "step_rate: 700 step/s")
                .replace("torque: …", "torque: 80 mN.m")
                .replace("supply: …", "supply: 20 V")
                .replace("full_steps_a_turn: …", "full_steps_a_turn: 200")
                .replace("microsteps: …", "microsteps: 8")
        })
        .collect();
    assert_eq!(lines.len(), keys.len(), "{lines:?}");
    assert!(!lines.iter().any(|line| line.contains('…')), "{lines:?}");
    fs::copy(
        root.join("examples/unknown-motor/ring.csv"),
        folder.path().join("ring.csv"),
    )
    .unwrap();
    // The rests of a motor whose detent torque bends them by 0.05 electrical radians.
    let rests: String = (0..32)
        .map(|k| {
            let electrical = f64::from(k) * std::f64::consts::TAU / 32.0;
            let bent = 0.05 * (4.0 * electrical).sin();
            format!("{k},{}\n", (electrical - bent).to_degrees() / 50.0)
        })
        .collect();
    fs::write(folder.path().join("microsteps.csv"), rests).unwrap();
    fs::write(folder.path().join("notes.yaml"), lines.join("\n")).unwrap();
    let (code, out, said) = run(folder.path(), &["identify", "notes.yaml"], "");
    assert!(code < 2, "{said}{lines:?}");
    assert!(
        out.contains("from ") && out.contains("start-stop rate"),
        "{out}"
    );
}

/// The loop closes: the start-stop program of `bench`, played in the true motor, gives a rate
/// that `identify` takes, that contradicts nothing, and that narrows the ranges about the truth.
#[test]
fn what_the_start_stop_program_yields_narrows_what_is_known_of_the_true_motor() {
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, text: &str| fs::write(folder.path().join(name), text).unwrap();
    // The motor of `tests/reference/unseen_motor.py`, alone on a drive in full steps.
    write(
        "rig.yaml",
        "axes:
  arm:
    motor: { rotor_teeth: 50, phase_resistance: 3.1 ohm, phase_inductance: 6.2 mH, rated_current: 1 A, holding_torque: 438.4 mN.m,
             rotor_inertia: 82 g.cm^2, detent_torque: 21 mN.m, viscous_damping: 0.4 mN.m.s/rad, friction_torque: 2 mN.m }
    drive: { kind: chopper, supply: 24 V, peak_current: 1 A, microsteps: 1 }
timer: { clock: 16 MHz, prescaler: 8 }
",
    );
    let (code, _, said) = run(folder.path(), &["bench", "rig.yaml", "bench"], "");
    assert_eq!(code, 0, "{said}");
    let program = fs::read_to_string(folder.path().join("bench/arm-start-stop.moves")).unwrap();
    let rates = program.lines().filter_map(|line| {
        line.strip_prefix("mark \"")?
            .strip_suffix(" full steps a second\"")
    });
    let (_, out, said) = run(
        folder.path(),
        &["simulate", "bench/arm-start-stop.moves", "--json"],
        "",
    );
    let played: serde_json::Value = serde_json::from_str(&out).unwrap_or_else(|_| panic!("{said}"));
    let moves = played["moves"].as_array().unwrap();
    // There and back at each rate.
    let held: Vec<&str> = rates
        .zip(moves.chunks(2))
        .take_while(|(_, pair)| pair.iter().all(|one| one["lost_steps"] == 0))
        .map(|(rate, _)| rate)
        .collect();
    assert!(
        2 * held.len() < moves.len(),
        "some rate is too high: {held:?}"
    );
    let last = held.last().expect("the lowest rate is held");
    let meter = "full_steps_a_turn: 200\nframe: 42 mm\nlength: 47 mm\nresistance: { value: 3.2 ohm, leads: 0.1 ohm }\n\
                 rated_current: 1 A\nback_emf: { rms: 4.4 V, speed: 20 rad/s }\n";
    let range = |notes: &str| {
        let (code, json, said) = run(folder.path(), &["identify", "-", "--json"], notes);
        assert_eq!(code, 0, "{said}{json}");
        let json: serde_json::Value = serde_json::from_str(&json).unwrap();
        let values = json["values"].as_array().unwrap();
        let inertia = values
            .iter()
            .find(|one| one["key"] == "rotor_inertia")
            .unwrap();
        [
            inertia["low_si"].as_f64().unwrap(),
            inertia["high_si"].as_f64().unwrap(),
        ]
    };
    let before = range(meter);
    let after = range(&format!(
        "{meter}start_stop: {{ step_rate: {last} step/s, current: 1 A }}\n"
    ));
    println!("{held:?}, inertia {before:?}, then {after:?}");
    assert!(after[0] < 82e-7 && 82e-7 < after[1], "{after:?}");
    assert!(
        after[1] / after[0] < 0.95 * before[1] / before[0],
        "{before:?} {after:?}"
    );
}

/// Each cause stands in bold, with what tells it from the others.
#[test]
fn symptoms_are_explained_with_the_test_that_tells_causes_apart() {
    let folder = std::env::temp_dir();
    let (_, json, _) = run(&folder, &["explain", "--json"], "");
    let all: serde_json::Value = serde_json::from_str(&json).unwrap();
    let area = "what a drive does on the bench";
    let symptoms: Vec<&str> = all["codes"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|one| one["area"] == area)
        .map(|one| one["code"].as_str().unwrap())
        .collect();
    for code in [
        "turns-one-way-only",
        "hums-without-turning",
        "loses-steps-at-one-speed",
        "hot-at-standstill",
        "ends-off-by-four-steps",
        "turns-the-wrong-angle",
        "fails-after-a-while",
    ] {
        assert!(symptoms.contains(&code), "{code}: {symptoms:?}");
    }
    let text = include_str!("../../src/cli/explain/symptoms.md");
    for code in symptoms {
        let part = text.split(&format!("\n## {code}\n")).nth(1).unwrap();
        let part = part.split("\n## ").next().unwrap();
        let causes = part.split("**").skip(1).step_by(2).count();
        assert!(causes >= 2, "{code}: {causes} causes");
        let (exit, out, said) = run(&folder, &["explain", code], "");
        assert_eq!(exit, 0, "{said}");
        assert!(out.len() > 400 && !out.contains("**"), "{out}");
    }
    // What a text refers to is there.
    for code in text
        .split("see ")
        .skip(1)
        .filter_map(|rest| rest.split(['.', ';', ',', ':']).next())
    {
        if code.contains('-') && !code.contains(' ') {
            let (exit, _, said) = run(&folder, &["explain", code], "");
            assert_eq!(exit, 0, "{said}");
        }
    }
}
