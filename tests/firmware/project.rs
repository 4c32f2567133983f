//! The project as it is written: its size, its pins, other boards.

use std::path::Path;
use std::process::Command;

use crate::board::{self, Bench};
use crate::played::{LAMP, rig, there_and_back};
use crate::support;

/// The sources of a project compile for the processor of another compiler.
#[track_caller]
fn assert_compiles(bench: &Bench, compiler: &Path, options: &str) {
    let done = Command::new("make")
        .args(["-s", "objects"])
        .arg(format!("CC={}", compiler.display()))
        .arg(format!("CFLAGS={options}"))
        .current_dir(bench.path().join("player"))
        .output()
        .unwrap();
    assert!(
        done.status.success(),
        "{}",
        String::from_utf8_lossy(&done.stderr)
    );
}

#[test]
fn the_player_fits_small_memories() {
    if board::harness().is_none() {
        return;
    }
    for name in [
        "carousel.moves",
        "dial.moves",
        "shutter-cured.moves",
        "mixer.moves",
    ] {
        let bench = Bench::example(name);
        let built = bench.build(&[]);
        let size = built.size();
        println!("{name}: {size:?}");
        // So that a part of 8 KiB has 3 KiB left for its schedule.
        assert!(size.flash - size.table <= 5 * 1024, "{size:?}");
        // Two rings of 64 events at 4 bytes, one for the steps, one for everything else.
        assert!(size.ram - 2 * 256 <= 256, "{size:?}");
    }
}

#[test]
fn the_player_compiles_for_other_processors() {
    let Some(arm) = support::tool("arm-none-eabi-gcc") else {
        return;
    };
    // A timer that no small part has, so that nothing but the four functions is missing.
    let bench = Bench::new(
        &there_and_back(20_000),
        &rig(&["disc"], "outputs: { lamp: {} }\n")
            .replace("16 MHz, prescaler: 8", "64 MHz, prescaler: 32"),
    );
    let said = bench.emit("firmware", "player", &[]).unwrap();
    assert!(said.contains("four functions"), "{said}");
    for options in [
        "-mcpu=cortex-m0 -mthumb -Os -Werror",
        "-mcpu=cortex-m4 -mthumb -O2 -Werror",
    ] {
        assert_compiles(&bench, &arm, options);
    }
}

#[test]
fn a_player_fed_over_a_line_builds_for_small_parts_and_others() {
    if board::harness().is_none() {
        return;
    }
    for name in ["carousel.moves", "panorama.moves"] {
        let bench = Bench::example(name);
        let built = bench.build(&["--feed", "line", "--baud", "250000"]);
        assert!(built.file("README.md").contains("--baud 250000"));
        if let Some(arm) = support::tool("arm-none-eabi-gcc") {
            assert_compiles(&bench, &arm, "-mcpu=cortex-m3 -mthumb -Os -Werror");
        }
    }
}

#[test]
fn pins_that_are_the_builders_are_kept_and_refused_where_they_no_longer_fit() {
    if board::harness().is_none() {
        return;
    }
    let with = |pin: &str| {
        rig(
            &["disc"],
            &format!("outputs: {{ lamp: {{ pin: {pin} }} }}\n"),
        )
    };
    let bench = Bench::new(&there_and_back(1000), &with("PC0"));
    let built = bench.build(&[]);
    let pins = built.file("pins.h");
    let own = format!("{pins}/* mine */\n");
    std::fs::write(bench.path().join("player/pins.h"), &own).unwrap();
    // The same wiring: kept, and it builds.
    let said = bench.emit("firmware", "player", &[]).unwrap();
    assert!(said.contains("kept "), "{said}");
    assert_eq!(bench.build(&[]).file("pins.h"), own);
    // Another one: kept, and `make` refuses it.
    for other in ["PC1", "PB1"] {
        std::fs::write(bench.path().join("rig.yaml"), with(other)).unwrap();
        let said = bench.emit("firmware", "player", &[]).unwrap();
        assert!(said.contains("for another wiring"), "{said}");
        let made = std::process::Command::new("make")
            .arg("-sC")
            .arg(bench.path().join("player"))
            .output()
            .unwrap();
        assert!(!made.status.success());
        let said = String::from_utf8_lossy(&made.stderr);
        assert!(said.contains("pins.h is for another wiring"), "{said}");
    }
}

#[test]
fn pins_that_nobody_has_changed_follow_the_rig() {
    let with = |pin: &str| {
        rig(
            &["disc"],
            &format!("outputs: {{ lamp: {{ pin: {pin} }} }}\n"),
        )
    };
    let bench = Bench::new(&there_and_back(1000), &with("PC0"));
    let pins = || std::fs::read_to_string(bench.path().join("player/pins.h")).unwrap();
    bench.emit("firmware", "player", &[]).unwrap();
    assert!(pins().contains("PORTC, DDRC, 0"));
    std::fs::write(bench.path().join("rig.yaml"), with("PC1")).unwrap();
    let said = bench.emit("firmware", "player", &[]).unwrap();
    assert!(said.contains("rewritten for the new wiring"), "{said}");
    assert!(pins().contains("PORTC, DDRC, 1"));
    // One changed digit is the builder's.
    let own = pins().replace("PORTC, DDRC, 1", "PORTC, DDRC, 2");
    std::fs::write(bench.path().join("player/pins.h"), &own).unwrap();
    std::fs::write(bench.path().join("rig.yaml"), with("PC3")).unwrap();
    let said = bench.emit("firmware", "player", &[]).unwrap();
    assert!(said.contains("is kept, but"), "{said}");
    assert_eq!(pins(), own);
}

#[test]
fn a_larger_part_is_taken_for_a_reason_and_a_folder_of_others_is_left_alone() {
    for (pin, part) in [
        ("PC0", "atmega328p:"),
        (
            "PB1",
            "atmega2560 (not atmega328p: pin PB1 of `lamp` is a step line",
        ),
        (
            "PD1",
            "atmega2560 (not atmega328p: pin PD1 of `lamp` is the serial port's",
        ),
    ] {
        let rig = rig(
            &["disc"],
            &format!("outputs: {{ lamp: {{ pin: {pin} }} }}\n"),
        );
        let bench = Bench::new(&there_and_back(1000), &rig);
        let said = bench.emit("firmware", "player", &[]).unwrap();
        assert!(said.contains(part), "{said}");
        // The script's own folder is no project.
        let said = bench.emit("firmware", ".", &[]).unwrap_err();
        assert!(said.contains("contains files other than"), "{said}");
        assert!(!bench.path().join("player.h").exists());
    }
}

#[test]
fn pins_that_no_part_has_are_refused_unless_the_board_is_another_one() {
    for (pins, reasons) in [
        (
            "outputs: { lamp: { pin: D9 }, bell: { pin: GPIO4 } }\ninputs: { door: { pin: 13 } }\n",
            &[
                "`D9` of `lamp` and `GPIO4` of `bell` and `13` of `door`",
                "as in PB0",
            ][..],
        ),
        (
            "outputs: { lamp: { pin: B1 }, bell: { pin: PX1 }, horn: { pin: PB8 } }\n",
            &[
                "`B1` of `lamp`, perhaps PB1",
                "`PX1` of `bell` and",
                "`PB8` of `horn`;",
            ],
        ),
        // There on one part, and taken by something else on it.
        (
            "outputs: { lamp: { pin: PE0 } }\n",
            &["pin PE0 of `lamp` is the serial port's"],
        ),
        (
            "outputs: { lamp: { pin: PB7 } }\n",
            &["atmega328p: pin PB7 of `lamp` does not exist, or belongs to the crystal"],
        ),
    ] {
        let bench = Bench::new(&there_and_back(1000), &rig(&["disc"], pins));
        let said = bench.emit("firmware", "player", &[]).unwrap_err();
        for reason in reasons.iter().chain(&["--other-board"]) {
            assert!(said.contains(reason), "{reason} is not in {said}");
        }
        assert!(!bench.path().join("player").exists());
        let said = bench
            .emit("firmware", "player", &["--other-board"])
            .unwrap();
        assert!(said.contains("four functions"), "{said}");
        let project = bench.path().join("player");
        assert!(project.join("board_other.h").exists() && !project.join("pins.h").exists());
    }
    // A timer that no such part has says by itself that the board is another one.
    let other = rig(&["disc"], "outputs: { lamp: { pin: D9 } }\n")
        .replace("16 MHz, prescaler: 8", "64 MHz, prescaler: 32");
    let bench = Bench::new(&there_and_back(1000), &other);
    assert!(bench.emit("firmware", "player", &[]).is_ok());
}

#[test]
fn every_readme_says_what_starts_the_player_what_stops_it_and_what_happens_then() {
    let bench = Bench::new(&there_and_back(1000), &rig(&["disc"], LAMP));
    for (options, fed) in [
        (&[][..], false),
        (&["--other-board"][..], false),
        (&["--feed", "line"][..], true),
        (&["--feed", "line", "--other-board"][..], true),
    ] {
        bench.emit("firmware", "read", options).unwrap();
        let text = std::fs::read_to_string(bench.path().join("read/README.md")).unwrap();
        assert!(text.contains("The stop contact is no emergency stop"));
        assert!(text.contains("removes the motor's power independently"));
        let starts_at_once = text.contains("closing the power starts it");
        assert_eq!(starts_at_once, !fed, "{options:?}: {text}");
        assert_eq!(
            text.contains("nothing moves before a reset"),
            !fed,
            "{options:?}: {text}"
        );
        assert_eq!(
            text.contains("Nothing moves until a host connects again"),
            fed,
            "{options:?}: {text}"
        );
    }
}
