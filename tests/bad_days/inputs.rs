//! Inputs that are no text, too much of it, or in strange places.

use std::ffi::OsStr;
use std::fs;
use std::io::Write as _;
use std::os::unix::ffi::OsStrExt as _;
use std::process::Stdio;

use crate::bench::{Bench, Outcome};

/// A run that gets so many times the same bytes at its standard input.
fn fed(bench: &Bench, arguments: &[&str], bytes: &[u8], times: usize) -> Outcome {
    let mut child = bench
        .command(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut input = child.stdin.take().unwrap();
    for _ in 0..times {
        // It may have had enough.
        if input.write_all(bytes).is_err() {
            break;
        }
    }
    drop(input);
    child.wait_with_output().unwrap().into()
}

#[test]
fn text_that_is_not_utf_8_is_refused_with_its_line() {
    let bench = Bench::with_scenario();
    let script = b"rig \"turntable.yaml\"\n\n# sch\xf6n\n";
    bench.write("latin.moves", script);
    let told = "it is not UTF-8 text: line 3 holds the byte 0xF6";
    let message = bench.run(&["check", "latin.moves"]).ended(2);
    assert!(message.contains(told), "{message}");
    let message = fed(&bench, &["check", "-"], script, 1).ended(2);
    assert!(message.contains(told), "{message}");
    bench.write("latin.yaml", b"axes:\n  # sch\xf6n\n");
    bench.write("by.moves", "rig \"latin.yaml\"\n");
    let message = bench.run(&["check", "by.moves"]).ended(2);
    assert!(message.contains("line 2 holds the byte 0xF6"), "{message}");
}

#[test]
fn standard_input_and_scripts_end_somewhere() {
    let bench = Bench::with_scenario();
    let line = format!("# {}\n", "x".repeat(1021));
    let message = fed(&bench, &["check", "-"], line.as_bytes(), 80 << 10).ended(2);
    assert!(message.contains("longer than 64 MiB"), "{message}");
    let message = fed(&bench, &["check", "-"], line.as_bytes(), 9 << 10).ended(2);
    assert!(message.contains("script-too-large"), "{message}");
    bench.write("long.moves", line.repeat(9 << 10));
    let message = bench.run(&["check", "long.moves"]).ended(2);
    assert!(message.contains("script-too-large"), "{message}");
}

/// What is refused for its length is not read for ever, nor kept several times.
#[test]
fn long_standard_input_takes_no_more_memory_than_is_read_of_it() {
    let bench = Bench::with_scenario();
    bench.write("long.moves", "turn by 45 deg\n".repeat(60 << 16));
    for (input, told) in [
        ("/dev/zero", "longer than 64 MiB"),
        ("long.moves", "script-too-large"),
    ] {
        let limits = format!("ulimit -d 250000; exec < {input}");
        let message = bench.run_limited(&limits, &["check", "-"]).ended(2);
        assert!(message.contains(told), "{message}");
    }
}

#[test]
fn folders_whose_names_are_not_utf_8_are_folders() {
    let bench = Bench::with_scenario();
    let folder = bench.path().join(OsStr::from_bytes(b"B\xe4nke"));
    if fs::create_dir(&folder).is_err() {
        // Some file systems take no such name.
        return;
    }
    let rig = bench.read("turntable.yaml");
    let (before, timer) = rig.split_once("\ntimer:\n").unwrap();
    let (timer, outputs) = timer.split_once("\n\n").unwrap();
    fs::write(folder.join("timer.yaml"), timer.replace("  ", "")).unwrap();
    let rig = format!("{before}\ntimer: timer.yaml\n\n{outputs}");
    fs::write(folder.join("turntable.yaml"), rig).unwrap();
    let script = folder.join("turntable.moves");
    fs::write(&script, bench.read("turntable.moves")).unwrap();
    let outcome: Outcome = bench
        .command(&["check"])
        .arg(&script)
        .output()
        .unwrap()
        .into();
    outcome.ended(0);
    // Also where it is refused as a target.
    let outcome: Outcome = bench
        .command(&["emit", "--as", "csv", "-o"])
        .arg(folder.join("timer.yaml"))
        .arg(&script)
        .output()
        .unwrap()
        .into();
    outcome.ended(2);
}

#[test]
fn marks_are_data_wherever_they_are_written() {
    let bench = Bench::with_scenario();
    bench.write(
        "marks.moves",
        "rig \"turntable.yaml\"\nmark \"=HYPERLINK(1)\"\nmark \"-1+1\"\nmark \"@x\"\nmark \"+1,2\"\n\
         mark \"a \u{202e}b*/ c\"\ndwell 1 s\n",
    );
    let written = bench.run(&["emit", "marks.moves", "--as", "csv"]);
    for row in [
        "0,mark,,'=HYPERLINK(1)\n",
        "0,mark,,'-1+1\n",
        "0,mark,,'@x\n",
        "0,mark,,\"'+1,2\"\n",
    ] {
        assert!(written.out.contains(row), "{row} in {}", written.out);
    }
    for format in ["c", "vcd"] {
        let written = bench.run(&["emit", "marks.moves", "--as", format]);
        assert_eq!(written.code, Some(0), "{}", written.err);
        assert!(!written.out.contains('\u{202e}'), "{format}");
        assert!(written.out.contains("a  b"), "{}", written.out);
    }
    let written = bench.run(&["emit", "marks.moves", "--as", "c"]);
    assert!(!written.out.contains("b*/"), "{}", written.out);
}
