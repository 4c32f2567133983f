//! Flash and RAM of each kind of player, by part. `SLEWSMITH_CASES=1 cargo test --test firmware
//! memory -- --nocapture` prints the whole table; without it each kind is built for the smallest
//! part that takes it.

use crate::board::{self, Bench, Size};
use crate::coils::driven;
use crate::played::{LAMP, rig};
use crate::states;

/// The parts with their flash and RAM (bytes), from the data sheets.
const PARTS: [(&str, u64, u64); 8] = [
    ("atmega8", 8192, 1024),
    ("atmega88", 8192, 1024),
    ("atmega168", 16_384, 1024),
    ("atmega328p", 32_768, 2048),
    ("atmega32u4", 32_768, 2560),
    ("atmega644p", 65_536, 4096),
    ("atmega1284p", 131_072, 16_384),
    ("atmega2560", 262_144, 8192),
];
/// The stack that is charged (bytes).
const STACK: u64 = 200;
const SCRIPT: &str = "rig \"rig.yaml\"\nbands allow\nspeed 400 microstep/s\naccel 8000 microstep/s^2\nshape trapezoid\n\
    output lamp on\nturn by 40 microstep\n";

/// The memories of a program on a part; none where it is refused.
fn size(part: &str, drive: Option<&str>, script: &str, options: &[&str]) -> Option<Size> {
    let rig = drive.map_or_else(|| rig(&["disc"], ""), |drive| driven(&["disc"], drive));
    let lamp = LAMP.replace("{ pin: PD6 }", "{}");
    let rig = format!("{rig}{lamp}inputs: {{ home: {{}} }}\ncontroller: {part}\n");
    let bench = Bench::new(script, &rig);
    let said = bench.emit("firmware", "player", options);
    if let Err(said) = said {
        assert!(said.contains(&format!("{part}: ")), "{said}");
        return None;
    }
    Some(bench.make().size())
}

#[test]
fn every_kind_of_player_fits_the_memories_of_the_parts_that_it_is_let_on() {
    if board::harness().is_none() {
        return;
    }
    let all = std::env::var("SLEWSMITH_CASES").is_ok();
    let seeks = format!("{SCRIPT}seek by -40 microstep until home at 400 microstep/s\nzero\n");
    let mut kinds: Vec<(&str, Option<String>, &str, &[&str])> = vec![
        ("steps", None, SCRIPT, &[]),
        ("steps, seeking", None, &seeks, &[]),
        (
            "steps, functions of one's own",
            None,
            SCRIPT,
            &["--user-code"],
        ),
        ("steps, over a line", None, SCRIPT, &["--feed", "line"]),
    ];
    for (name, _, drive) in states::kinds() {
        if drive.is_some() {
            kinds.push((name, drive, SCRIPT, &["--lines", "coils"]));
        }
    }
    let switches = kinds.iter().find(|(name, ..)| *name == "single switches");
    let drive = switches.and_then(|(_, drive, ..)| drive.clone());
    let on_a_line = ["--lines", "coils", "--feed", "line"];
    kinds.push(("single switches, over a line", drive, SCRIPT, &on_a_line));
    for (name, drive, script, options) in &kinds {
        let mut fits = 0;
        for (part, flash, ram) in PARTS {
            let Some(size) = size(part, drive.as_deref(), script, options) else {
                continue;
            };
            fits += 1;
            println!(
                "| {name} | {part} | {} + {} | {} |",
                size.flash - size.table,
                size.table,
                size.ram
            );
            assert!(size.flash <= flash, "{name}, {part}: {size:?}");
            assert!(size.ram + STACK <= ram, "{name}, {part}: {size:?}");
            if !all {
                break;
            }
        }
        assert!(fits > 0, "{name} fits no part");
    }
}
