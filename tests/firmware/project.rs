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
    board::assert_succeeded(&done);
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
    // A timer that no small part has, so that nothing but the five functions is missing.
    let bench = Bench::new(
        &there_and_back(20_000),
        &rig(&["disc"], "outputs: { lamp: {} }\n")
            .replace("16 MHz, prescaler: 8", "64 MHz, prescaler: 32"),
    );
    let said = bench.emit("firmware", "player", &[]).unwrap();
    assert!(said.contains("five functions"), "{said}");
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
fn files_that_were_edited_are_kept_and_named() {
    let bench = Bench::new(&there_and_back(1000), &rig(&["disc"], LAMP));
    let file = |name: &str| bench.path().join("player").join(name);
    let read = |name: &str| std::fs::read_to_string(file(name)).unwrap();
    for options in [
        &[][..],
        &["--lines", "steps", "--feed", "line"],
        &["--other-board"],
    ] {
        let _ = std::fs::remove_dir_all(bench.path().join("player"));
        bench.emit("firmware", "player", options).unwrap();
        let names: Vec<String> = std::fs::read_dir(bench.path().join("player"))
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        assert!(names.len() >= 10, "{names:?}");
        // Nothing was edited: nothing is said to be kept but the pins.
        let said = bench.emit("firmware", "player", options).unwrap();
        assert!(!said.contains("edited"), "{said}");
        for name in &names {
            let written = read(name);
            let own = written.replacen('\n', "\n\n", 1);
            std::fs::write(file(name), &own).unwrap();
            match bench.emit("firmware", "player", options) {
                Ok(said) => {
                    assert!(said.contains("kept ") && said.contains(name), "{said}");
                    assert_eq!(read(name), own, "{name}");
                }
                Err(said) => {
                    // Its program would be played, and not the new one.
                    assert!(name.starts_with("schedule."), "{name}: {said}");
                    assert!(
                        said.contains("was edited, and it holds the program"),
                        "{said}"
                    );
                    assert_eq!(read(name), own, "{name}");
                }
            }
            std::fs::write(file(name), &written).unwrap();
        }
    }
}

#[test]
fn constants_that_would_break_the_player_do_not_compile() {
    if board::harness().is_none() {
        return;
    }
    let assert_refused = |bench: &Bench, name: &str, from: &str, to: &str| {
        let path = bench.path().join("player").join(name);
        let text = std::fs::read_to_string(&path).unwrap();
        assert!(text.contains(from), "{from} is not in {name}");
        std::fs::write(&path, text.replacen(from, to, 1)).unwrap();
        let made = Command::new("make")
            .arg("-sC")
            .arg(bench.path().join("player"))
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&made.stderr);
        let constant = from.split(' ').nth(1).unwrap();
        let wanted = format!("error \"{constant} must");
        assert!(!made.status.success(), "{to} compiles");
        assert!(said.contains(&wanted), "{wanted} is not in {said}");
        std::fs::write(&path, text).unwrap();
    };
    let bench = Bench::new(&there_and_back(1000), &rig(&["disc"], LAMP));
    bench.build(&[]);
    for (name, from, to) in [
        (
            "player.h",
            "#define RING_EVENTS 64u",
            "#define RING_EVENTS 32u",
        ),
        (
            "player.h",
            "#define RING_EVENTS 64u",
            "#define RING_EVENTS 128u",
        ),
        ("schedule.h", "#define STREAMS 2u", "#define STREAMS 3u"),
        (
            "schedule.h",
            "#define STEP_PULSE_TICKS 5u",
            "#define STEP_PULSE_TICKS 40000u",
        ),
        ("table.c", "#define PIECE 0x4000u", "#define PIECE 0x9000u"),
        ("table.c", "#define AT_A_TIME 16u", "#define AT_A_TIME 24u"),
        (
            "decoder_table.h",
            "#define MOST_NESTED 4u",
            "#define MOST_NESTED 2u",
        ),
    ] {
        assert_refused(&bench, name, from, to);
    }
    bench.build(&["--feed", "line", "--baud", "250000"]);
    for (name, from, to) in [
        (
            "link.h",
            "#define LINK_QUEUE (AXES > 1u ? 1024u : 512u)",
            "#define LINK_QUEUE 500u",
        ),
        (
            "link.h",
            "#define LINK_SLOW_DOWN (AXES > 1u ? 250u : 176u)",
            "#define LINK_SLOW_DOWN 255u",
        ),
        (
            "link.c",
            "#define BYTES_AT_A_TIME 16u",
            "#define BYTES_AT_A_TIME 0u",
        ),
        (
            "link.c",
            "#define STEPS_AT_A_TIME 16u",
            "#define STEPS_AT_A_TIME 24u",
        ),
        (
            "board_avr.h",
            "#define SERIAL_RING 128u",
            "#define SERIAL_RING 200u",
        ),
    ] {
        assert_refused(&bench, name, from, to);
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
        ("PC0", "atmega88:"),
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
        assert!(said.contains("five functions"), "{said}");
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
        // Nothing else goes by that name, here or in what a port is written from.
        let board = std::fs::read_to_string(bench.path().join("read/board.h")).unwrap();
        for text in [&text, &board] {
            let flat = text.replace(['*', '\n'], " ");
            let words: Vec<&str> = flat.split_whitespace().collect();
            let flat = words.join(" ");
            assert!(
                flat.contains("is no emergency stop") || flat.contains("It is no emergency stop")
            );
            for (at, _) in flat.match_indices("emergency") {
                let around = &flat[at.saturating_sub(60)..(at + 90).min(flat.len())];
                assert!(
                    around.contains("is no emergency stop") || around.contains("removes"),
                    "{around}"
                );
            }
        }
        assert!(!text.contains("before a reset"), "{options:?}: {text}");
        let starts_at_once = text.contains("closing the power starts it");
        assert_eq!(starts_at_once, !fed, "{options:?}: {text}");
        assert_eq!(
            text.contains("nothing moves until the power is switched off and on again"),
            options.is_empty(),
            "{options:?}: {text}"
        );
        assert_eq!(
            text.contains("Nothing moves until a host connects again"),
            fed,
            "{options:?}: {text}"
        );
    }
}

#[test]
fn the_readme_of_a_line_fed_project_follows_the_rig_and_says_how_to_stream() {
    let bench = Bench::new(&there_and_back(1000), &rig(&["disc"], LAMP));
    let readme = || std::fs::read_to_string(bench.path().join("player/README.md")).unwrap();
    let line = ["--feed", "line"];
    bench.emit("firmware", "player", &line).unwrap();
    let before = readme();
    assert!(before.contains("slewsmith stream SCRIPT --port PORT --baud 115200"));
    let slower = rig(&["disc"], LAMP).replace("prescaler: 8", "prescaler: 64");
    std::fs::write(bench.path().join("rig.yaml"), slower).unwrap();
    let said = bench.emit("firmware", "player", &line).unwrap();
    assert!(!said.contains("was edited"), "{said}");
    assert_ne!(readme(), before);
    // One more line is the builder's.
    std::fs::write(bench.path().join("player/README.md"), before + "mine\n").unwrap();
    let said = bench.emit("firmware", "player", &line).unwrap();
    assert!(said.contains("README.md, which was edited"), "{said}");
}

#[test]
fn a_position_beyond_the_players_count_is_refused_with_its_line() {
    // 6400 microsteps a turn: 335,545 turns are the most.
    let script = |turns: u32| {
        format!(
            "rig \"rig.yaml\"\nbands allow\nspeed 20000 microstep/s\naccel 50000 microstep/s^2\n\
             turn by 1 turn\nturn by {turns} turn\n"
        )
    };
    for options in [
        &[][..],
        &["--other-board"],
        &["--feed", "line", "--other-board"],
    ] {
        let bench = Bench::new(&script(335_545), &rig(&["disc"], ""));
        match bench.emit("firmware", "player", options) {
            Err(said) => {
                assert!(said.contains("line 6: "), "{said}");
                assert!(said.contains("`disc` goes 2147494400 microsteps"), "{said}");
                assert!(said.contains("the player counts 2147483647"), "{said}");
                assert!(said.contains("turn `disc` back"), "{said}");
            }
            // Such a project is for any program.
            Ok(_) => assert!(options.contains(&"line")),
        }
    }
}
