//! Targets that must not be touched, and disks that are full.

use std::fs::{self, Permissions};
use std::os::unix::fs::{PermissionsExt as _, symlink};

use crate::bench::{Bench, example};

#[test]
fn no_command_writes_over_its_own_input() {
    let bench = Bench::with_scenario();
    symlink("turntable.yaml", bench.file("rig.svg")).unwrap();
    symlink("turntable.moves", bench.file("page.html")).unwrap();
    symlink("turntable.moves", bench.file("moves.svg")).unwrap();
    bench.write("run.svg", "time_s,angle_deg\n0,0\n");
    symlink("notes.yaml", bench.file("notes.svg")).unwrap();
    symlink("study.jsonl", bench.file("study.svg")).unwrap();
    for name in ["notes.yaml", "rise.csv", "ring.csv", "coast.csv"] {
        let text = fs::read(example(&format!("unknown-motor/{name}"))).unwrap();
        bench.write(name, text);
    }
    let part = [
        "check",
        "turntable.moves",
        "--variations",
        "2",
        "--part",
        "1/1",
    ];
    bench.write("study.jsonl", bench.run(&part).out);
    let inputs = [
        "turntable.moves",
        "turntable.yaml",
        "run.svg",
        "notes.yaml",
        "rise.csv",
        "study.jsonl",
    ];
    let before = inputs.map(|name| bench.read(name));
    let csv = ["emit", "turntable.moves", "--as", "csv", "-o"];
    for (command, target) in [
        (&csv[..], "turntable.moves"),
        (&csv, "turntable.yaml"),
        (&csv, "./turntable.yaml"),
        (&["coils", "turntable.yaml", "-o"], "turntable.yaml"),
        (&["plot", "turntable.moves", "-o"], "rig.svg"),
        (&["plot", "turntable.yaml", "-o"], "rig.svg"),
        (
            &["plot", "turntable.moves", "--recorded", "run.svg", "-o"],
            "run.svg",
        ),
        (&["report", "turntable.moves", "-o"], "page.html"),
        (&["watch", "turntable.moves", "-o"], "page.html"),
        (
            &["simulate", "turntable.moves", "--trace"],
            "turntable.yaml",
        ),
        (&["motor", "turntable.yaml", "--plot"], "rig.svg"),
        (&["size", "turntable.moves", "--plot"], "rig.svg"),
        (
            &["compare", "turntable.yaml", "rig.svg", "--plot"],
            "rig.svg",
        ),
        (
            &[
                "compare",
                "turntable.yaml",
                "turntable.yaml",
                "--script",
                "moves.svg",
                "--plot",
            ],
            "moves.svg",
        ),
        (
            &["check", "turntable.moves", "--variations", "2", "--plot"],
            "moves.svg",
        ),
        (
            &["check", "turntable.moves", "--variations", "2", "--plot"],
            "rig.svg",
        ),
        (
            &[
                "check",
                "turntable.moves",
                "--merge",
                "study.jsonl",
                "--plot",
            ],
            "study.svg",
        ),
        (&["fastest", "turntable.moves", "--write"], "turntable.yaml"),
        (&["identify", "notes.yaml", "-o"], "notes.yaml"),
        (&["identify", "notes.yaml", "-o"], "rise.csv"),
        (
            &["identify", "notes.yaml", "--rig", "turntable.yaml", "-o"],
            "turntable.yaml",
        ),
        (&["identify", "notes.yaml", "--plot"], "notes.svg"),
    ] {
        let message = bench.run(&[command, &[target]].concat()).ended(2);
        let told = format!("{target} is an input of this command");
        assert!(message.contains(&told), "{command:?}: {message}");
    }
    assert_eq!(inputs.map(|name| bench.read(name)), before);
}

#[test]
fn what_its_owner_made_read_only_stays_as_it_is() {
    let bench = Bench::with_scenario();
    bench.write("steps.csv", "precious");
    fs::set_permissions(bench.file("steps.csv"), Permissions::from_mode(0o444)).unwrap();
    symlink("steps.csv", bench.file("link.csv")).unwrap();
    for target in ["steps.csv", "link.csv"] {
        let emit = ["emit", "turntable.moves", "--as", "csv", "-o", target];
        let message = bench.run(&emit).ended(3);
        assert!(message.contains("it is read-only"), "{message}");
    }
    assert_eq!(bench.read("steps.csv"), "precious");
}

#[test]
fn a_full_disk_leaves_the_old_file_and_names_the_target() {
    let bench = Bench::with_scenario();
    bench.write("old.csv", "old").write("old.html", "old");
    let before = bench.names(".");
    for arguments in [
        &["emit", "turntable.moves", "--as", "csv", "-o", "old.csv"][..],
        &["emit", "turntable.moves", "--as", "csv", "-o", "new.csv"],
        &["report", "turntable.moves", "-o", "old.html"],
        &["simulate", "turntable.moves", "--trace", "new.csv"],
    ] {
        let message = bench.run_on_small_disk(4, arguments).ended(3);
        let target = arguments[arguments.len() - 1];
        let told = message.contains(&format!("cannot write {target}: "));
        assert!(told && !message.contains(".part"), "{message}");
        assert_eq!(bench.names("."), before);
    }
    assert_eq!(bench.read("old.csv"), "old");
    assert_eq!(bench.read("old.html"), "old");
}

#[test]
fn a_full_disk_leaves_no_half_of_a_new_scenario() {
    let bench = Bench::new();
    // The script has room, the rig has none.
    let message = bench.run_on_small_disk(1, &["new", "bench"]).ended(3);
    assert!(message.contains("bench/turntable.yaml"), "{message}");
    assert!(!bench.file("bench").exists());
    bench.run(&["new", "bench"]).ended(0);
    assert_eq!(bench.names("bench"), ["turntable.moves", "turntable.yaml"]);
}
