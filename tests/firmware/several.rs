//! Several programs in one firmware, selected by inputs at the start.

use std::process::Command;

use crate::board::{self, Bench, Built};
use crate::played::rig;

const LIMITS: &str = "rig \"rig.yaml\"\nbands allow\nspeed 20000 microstep/s\naccel 900000 microstep/s^2\nshape trapezoid\n";
/// What each program does, and where it ends.
const PROGRAMS: [(&str, &str, i64); 3] = [
    ("there", "turn by 700 microstep\n", 700),
    (
        "back",
        "repeat 3 {\n  turn by -200 microstep\n  dwell 1 ms\n}\nmark \"over\"\n",
        -600,
    ),
    (
        "seeking",
        "seek by -40 microstep until left at 4000 microstep/s\nzero at 5 microstep\nturn to 90 microstep\n",
        90,
    ),
];
const SELECT: &str = "inputs: { left: {}, right: {} }\n\
    controller: { part: atmega328p, select: [left, right] }\n";

/// Writes the programs into one firmware; what `emit` says to standard error.
fn emit(bench: &Bench, names: &[&str]) -> Result<String, String> {
    for (name, moves, _) in PROGRAMS {
        let script = format!("{LIMITS}{moves}");
        std::fs::write(bench.path().join(format!("{name}.moves")), script).unwrap();
    }
    let scripts: Vec<String> = names.iter().map(|name| format!("{name}.moves")).collect();
    let scripts: Vec<&str> = scripts.iter().map(String::as_str).collect();
    bench.emit_scripts(&scripts, "firmware", "player", &[])
}

/// Inputs that are on are low.
fn inputs(built: &Built, left: u8, right: u8) -> Vec<String> {
    let held = [("left", left), ("right", right)].map(|(name, on)| {
        let pin = built.pin(&format!("input {name}"));
        format!("hold={}:{}:{}", pin.port, pin.bit, 1 - on)
    });
    held.to_vec()
}

#[test]
fn inputs_select_the_program_and_each_is_played_to_its_end() {
    if board::harness().is_none() {
        return;
    }
    let bench = Bench::new(LIMITS, &rig(&["disc"], SELECT));
    emit(&bench, &["there", "back", "seeking"]).unwrap_or_else(|said| panic!("{said}"));
    let built = bench.make();
    let step = built.pin("step of disc");
    for (left, right, text, steps) in [
        (0, 0, "finished 700", 700),
        (1, 0, "finished -600", 600),
        // `left` is off: the way of the seek is gone to its end.
        (0, 1, "not found -40", 40),
        (1, 1, "no program 0", 0),
    ] {
        let run = built.run(5 * board::CLOCK, &inputs(&built, left, right));
        assert_eq!(run.text.as_deref(), Some(text));
        assert_eq!(run.edges_of(step, 1).len(), steps, "{text}");
        // 5 ms at least before the first step.
        let first = run.edges_of(step, 1).first().copied();
        assert!(first.is_none_or(|cycle| cycle > 80_000), "{first:?}");
    }
    let readme = built.file("README.md");
    for row in [
        "| there | off | off |",
        "| back | on | off |",
        "| seeking | off | on |",
        "| no program |",
    ] {
        assert!(readme.contains(row), "{row}: {readme}");
    }
    // A damaged program is told from the others: the first byte of the second one.
    let table = built.address("schedule");
    let text = built.file("schedule.c");
    let bytes: Vec<u64> = text
        .split("0x")
        .skip(1)
        .map(|hex| u64::from_str_radix(&hex[..2], 16).unwrap())
        .collect();
    // A head has the place and the length of its program, of two bytes each, and four places more.
    let second = bytes[12] + 256 * bytes[13];
    let flip = format!("flip={}:255", table + second);
    for (left, text) in [(0, "finished 700"), (1, "damaged 0")] {
        let mut stimuli = inputs(&built, left, 0);
        stimuli.push(flip.clone());
        assert_eq!(
            built.run(5 * board::CLOCK, &stimuli).text.as_deref(),
            Some(text)
        );
    }
}

#[test]
fn steps_of_a_selected_program_lie_on_their_cycles() {
    if board::harness().is_none() {
        return;
    }
    let bench = Bench::new(
        &format!("{LIMITS}{}", PROGRAMS[1].1),
        &rig(&["disc"], SELECT),
    );
    emit(&bench, &["there", "back"]).unwrap_or_else(|said| panic!("{said}"));
    let built = bench.make();
    let run = built.run(5 * board::CLOCK, &inputs(&built, 1, 0));
    let made = crate::played::Outputs::Exact;
    crate::played::assert_played(&run, &built, &bench.packed(), &["disc"], &[], made);
}

#[test]
fn a_program_without_end_is_played_without_end_when_it_is_selected() {
    if board::harness().is_none() {
        return;
    }
    let bench = Bench::new(LIMITS, &rig(&["disc"], SELECT));
    let forever = format!("{LIMITS}repeat forever {{\n  turn by 20 microstep\n  dwell 1 ms\n}}\n");
    std::fs::write(bench.path().join("forever.moves"), forever).unwrap();
    emit(&bench, &["there", "forever"]).unwrap_or_else(|said| panic!("{said}"));
    let built = bench.make();
    assert!(built.file("README.md").contains("without end"));
    let step = built.pin("step of disc");
    let run = built.run(5 * board::CLOCK, &inputs(&built, 1, 0));
    assert_eq!(run.text, None, "it does not end");
    // More than the passes that stand for all.
    assert!(run.edges_of(step, 1).len() > 20 * 300);
    let run = built.run(5 * board::CLOCK, &inputs(&built, 0, 0));
    assert_eq!(run.text.as_deref(), Some("finished 700"));
}

#[test]
fn programs_that_do_not_fit_are_refused_with_both_numbers() {
    let one = SELECT.replace("[left, right]", "[left]");
    let none = SELECT.replace(", select: [left, right]", "");
    for (more, reason) in [
        (
            one.as_str(),
            "3 programs need 2 selecting inputs; the rig's `select` names 1",
        ),
        (
            &none,
            "3 programs need 2 selecting inputs; the rig's `select` names 0",
        ),
    ] {
        let bench = Bench::new(LIMITS, &rig(&["disc"], more));
        let said = emit(&bench, &["there", "back", "seeking"]).unwrap_err();
        assert!(said.contains(reason), "{said}");
    }
    // Moves that all differ take more than the smallest part has.
    let bench = Bench::new(
        LIMITS,
        &rig(&["disc"], &SELECT.replace("atmega328p", "atmega88")),
    );
    let many: String = (0..60)
        .map(|k| {
            format!(
                "speed {} microstep/s\nturn by {} microstep\n",
                9_000 + 37 * k,
                3_000 + 71 * k
            )
        })
        .collect();
    std::fs::write(
        bench.path().join("program.moves"),
        format!("{LIMITS}{many}"),
    )
    .unwrap();
    let said = emit(&bench, &["program", "program"]).unwrap_err();
    assert!(
        said.contains("bytes of flash") && said.contains("it has 8192"),
        "{said}"
    );
    // Another rig is none of this board.
    let other = rig(&["disc"], SELECT).replace("48 V", "24 V");
    std::fs::write(bench.path().join("other.yaml"), other).unwrap();
    let script = LIMITS.replace("rig.yaml", "other.yaml") + "turn by 9 microstep\n";
    emit(&bench, &["there", "back"]).unwrap();
    std::fs::write(bench.path().join("other.moves"), script).unwrap();
    let out = Command::new(env!("CARGO_BIN_EXE_slewsmith"))
        .current_dir(bench.path())
        .args([
            "emit",
            "there.moves",
            "other.moves",
            "--as",
            "firmware",
            "-o",
            "player",
        ])
        .output()
        .unwrap();
    assert_eq!(out.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&out.stderr).contains("are for different rigs"));
}

#[test]
fn selecting_takes_the_flash_that_is_charged_for_it() {
    if board::harness().is_none() {
        return;
    }
    for part in ["atmega88", "atmega2560"] {
        let more = SELECT.replace("atmega328p", part);
        let bench = Bench::new(
            &format!("{LIMITS}{}", PROGRAMS[0].1),
            &rig(&["disc"], &more),
        );
        let plain = bench.build(&[]).size();
        emit(&bench, &["there", "back"]).unwrap_or_else(|said| panic!("{said}"));
        let several = bench.make().size();
        let took = (several.flash - several.table) - (plain.flash - plain.table);
        println!(
            "{part}: {took} bytes of flash, {} of RAM",
            several.ram - plain.ram
        );
        assert!(took <= 400, "{took} bytes");
        assert!(several.ram - plain.ram <= 10);
    }
}
