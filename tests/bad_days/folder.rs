//! The folder of a player's project: what is the builder's in it stays, and what is
//! written is written whole.

use std::collections::BTreeMap;
use std::fs;
use std::process::Command;

use crate::bench::{Bench, Outcome};

const PROJECT: [&str; 6] = [
    "emit",
    "turntable.moves",
    "--as",
    "firmware",
    "-o",
    "player",
];

fn with_project() -> Bench {
    let bench = Bench::with_scenario();
    bench.run(&PROJECT).ended(0);
    bench
}

#[test]
fn pins_that_are_not_utf_8_are_the_builders_all_the_same() {
    let bench = with_project();
    let mut pins = fs::read(bench.file("player/pins.h")).unwrap();
    // A comment in Latin-1.
    pins.extend(b"/* f\xfcr den Tisch */\n");
    bench.write("player/pins.h", &pins);
    let message = bench.run(&PROJECT).ended(0);
    assert!(message.contains("kept "), "{message}");
    assert_eq!(fs::read(bench.file("player/pins.h")).unwrap(), pins);
}

#[test]
fn pins_that_cannot_be_read_stop_the_writing() {
    let bench = with_project();
    fs::remove_file(bench.file("player/pins.h")).unwrap();
    fs::create_dir(bench.file("player/pins.h")).unwrap();
    let before = bench.read("player/schedule.c");
    let script = bench.read("turntable.moves");
    bench.write("turntable.moves", script.replace("360/8", "360/9"));
    let message = bench.run(&PROJECT).ended(3);
    assert!(message.contains("cannot read player/pins.h"), "{message}");
    assert_eq!(bench.read("player/schedule.c"), before);
}

#[test]
fn what_a_killed_program_left_behind_is_known_and_cleared_away() {
    let bench = Bench::with_scenario();
    fs::create_dir(bench.file("player")).unwrap();
    bench.write("player/.slewsmith-abc123.part", "half");
    bench.run(&PROJECT).ended(0);
    assert!(!bench.file("player/.slewsmith-abc123.part").exists());
    // Somebody who still writes holds a lock.
    bench.write("player/.slewsmith-def456.part", "half");
    let held = fs::File::open(bench.file("player/.slewsmith-def456.part")).unwrap();
    held.try_lock().unwrap();
    bench.run(&PROJECT).ended(0);
    assert!(bench.file("player/.slewsmith-def456.part").exists());
    drop(held);
    bench.run(&PROJECT).ended(0);
    assert!(!bench.file("player/.slewsmith-def456.part").exists());
}

#[test]
fn a_folder_of_other_things_is_left_alone() {
    let bench = Bench::with_scenario();
    fs::create_dir(bench.file("player")).unwrap();
    bench.write("player/letters.txt", "mine");
    let message = bench.run(&PROJECT).ended(2);
    assert!(message.contains("nothing was written"), "{message}");
    assert_eq!(bench.names("player"), ["letters.txt"]);
}

#[test]
fn a_full_disk_leaves_the_old_project_or_none() {
    let bench = Bench::with_scenario();
    bench.run_on_small_disk(4, &PROJECT).ended(3);
    assert!(!bench.file("player").exists());
    bench.run(&PROJECT).ended(0);
    let names = bench.names("player");
    let before: Vec<_> = names
        .iter()
        .map(|name| bench.read(&format!("player/{name}")))
        .collect();
    let script = bench.read("turntable.moves");
    bench.write("turntable.moves", script.replace("360/8", "360/9"));
    let message = bench.run_on_small_disk(4, &PROJECT).ended(3);
    assert!(!message.contains(".part"), "{message}");
    assert_eq!(bench.names("player"), names);
    for (name, text) in names.iter().zip(before) {
        assert_eq!(bench.read(&format!("player/{name}")), text, "{name}");
    }
}

/// The texts of a project, by name; what a killed writer left behind does not belong to it.
fn project_of(bench: &Bench, folder: &str) -> BTreeMap<String, String> {
    let mut names = bench.names(folder);
    names.retain(|name| !name.starts_with(".slewsmith-"));
    let text = |name: String| (name.clone(), bench.read(&format!("{folder}/{name}")));
    names.into_iter().map(text).collect()
}

/// A writer is killed at many places of its run, most of them while it writes. What it leaves is the
/// old project, the new one, or one that cannot be built; the next writer makes it whole.
#[test]
fn a_killed_writer_never_leaves_two_programs_in_one_project() {
    const KILLS: u32 = 24;
    let bench = with_project();
    let old = project_of(&bench, "player");
    let script = bench.read("turntable.moves");
    bench.write("other.moves", script.replace("360/8", "360/9"));
    let write = |script: &'static str, folder: &'static str| {
        [
            "emit",
            script,
            "--as",
            "firmware",
            "--unchecked",
            "-o",
            folder,
        ]
    };
    bench.run(&write("other.moves", "other")).ended(0);
    let new = project_of(&bench, "other");
    assert_ne!(old, new);
    let stop = include_str!("../../src/cli/start/unfinished.h");
    // Looks at the folder until it ends, or so many after the first change in it.
    let run = |most: u32| {
        let mut child = bench
            .command(&write("other.moves", "player"))
            .spawn()
            .unwrap();
        let mut looks = 0;
        while child.try_wait().unwrap().is_none() && looks < most {
            looks += u32::from(bench.names("player").len() != old.len());
        }
        child.kill().unwrap();
        child.wait().unwrap();
        looks
    };
    let all = run(u32::MAX);
    let mut mixed = 0;
    for kill in 0..KILLS {
        bench.run(&write("turntable.moves", "player")).ended(0);
        assert_eq!(project_of(&bench, "player"), old);
        run(all * kill / KILLS);
        let found = project_of(&bench, "player");
        let whole = found == old || found == new;
        assert!(whole || found["player.h"] == stop, "kill {kill}: a mixture");
        mixed += u32::from(!whole);
    }
    println!("{all} looks, {mixed} of {KILLS} left a project that cannot be built");
}

/// All translation units of the player see `player.h`, so the text that stands in it while
/// a project is written keeps every one of them from being compiled.
#[test]
fn a_project_written_only_in_part_cannot_be_built() {
    let bench = with_project();
    let stop = include_str!("../../src/cli/start/unfinished.h");
    bench.write("player/player.h", stop);
    for name in ["player.c", "table.c"] {
        let compiled = Command::new("cc")
            .args(["-std=c99", "-fsyntax-only", name])
            .current_dir(bench.file("player"))
            .output();
        let Ok(compiled) = compiled else { return };
        let outcome: Outcome = compiled.into();
        assert_ne!(outcome.code, Some(0), "{name}");
        assert!(
            outcome.err.contains("written only in part"),
            "{}",
            outcome.err
        );
    }
    // It passes for a project of ours, and is mended.
    bench.run(&PROJECT).ended(0);
    assert_ne!(bench.read("player/player.h"), stop);
}
