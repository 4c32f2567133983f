//! Every part that the player supports: chosen by name, with its own pins, played on the
//! simulated part.

use std::process::Command;

use crate::board::{self, Bench};
use crate::played::{Outputs, assert_played, rig, there_and_back};

/// The parts, and the pin of the first step line of each; from the data sheets.
const PARTS: [(&str, &str); 8] = [
    ("atmega8", "PB1"),
    ("atmega88", "PB1"),
    ("atmega168", "PB1"),
    ("atmega328p", "PB1"),
    ("atmega32u4", "PB5"),
    ("atmega644p", "PD5"),
    ("atmega1284p", "PD5"),
    ("atmega2560", "PB5"),
];

fn on(part: &str) -> Bench {
    let more = format!("outputs: {{ lamp: {{}} }}\ncontroller: {part}\n");
    Bench::new(&there_and_back(40_000), &rig(&["disc"], &more))
}

#[test]
fn every_part_that_a_rig_names_plays_every_step_and_output_on_its_tick() {
    if board::harness().is_none() {
        return;
    }
    for (part, step) in PARTS {
        let bench = on(part);
        let said = bench.emit("firmware", "player", &[]).unwrap();
        assert!(said.contains(&format!("for an {part}:")), "{said}");
        let built = bench.build(&[]);
        let readme = built.file("README.md");
        assert!(
            readme.contains(&format!("| step of disc | {step} |")),
            "{readme}"
        );
        let run = built.run(60 * board::CLOCK, &[]);
        assert_eq!(run.text.as_deref(), Some("finished 59997"), "{part}");
        let events = bench.packed();
        // The timers of the oldest part make no outputs.
        let made = if part == "atmega8" {
            assert!(said.contains("switched by software, up to"), "{said}");
            assert!(said.contains("no pin of this part is exact"), "{said}");
            Outputs::Late(190)
        } else {
            Outputs::Exact
        };
        assert_played(&run, &built, &events, &["disc"], &["lamp"], made);
        let size = built.size();
        println!("{part}: {size:?}, stack {}", run.stack);
    }
}

#[test]
fn parts_with_three_compare_outputs_play_two_axes_edge_by_edge() {
    if board::harness().is_none() {
        return;
    }
    let script = "rig \"rig.yaml\"\nbands allow\nspeed 20000 microstep/s\naccel 300000 microstep/s^2\nshape trapezoid\n\
        output lamp on\nturn disc by 3000 microstep\nturn arm by -2000 microstep\noutput lamp off\n\
        together {\n  turn disc by -1500 microstep\n  turn arm by 4100 microstep\n}\noutput lamp on\n";
    for part in ["atmega32u4", "atmega2560"] {
        let more = format!("outputs: {{ lamp: {{}} }}\ncontroller: {part}\n");
        let bench = Bench::new(script, &rig(&["disc", "arm"], &more));
        let built = bench.build(&[]);
        let run = built.run(20 * board::CLOCK, &[]);
        assert_eq!(run.text.as_deref(), Some("finished 1500 2100"), "{part}");
        let events = bench.packed();
        let axes = ["disc", "arm"];
        assert_played(&run, &built, &events, &axes, &["lamp"], Outputs::Exact);
    }
}

#[test]
fn the_compiler_refuses_a_part_whose_pins_are_others() {
    if board::harness().is_none() {
        return;
    }
    for (part, _) in PARTS {
        let bench = on(part);
        bench.build(&[]);
        for (other, _) in PARTS {
            let made = Command::new("make")
                .args(["-sB", &format!("MCU={other}"), "-C"])
                .arg(bench.path().join("player"))
                .output()
                .unwrap();
            let said = String::from_utf8_lossy(&made.stderr);
            assert_eq!(
                made.status.success(),
                other == part,
                "{part} {other}: {said}"
            );
            assert!(
                other == part || said.contains(&format!("the pins are those of an {part}")),
                "{said}"
            );
        }
    }
}

#[test]
fn a_part_that_does_not_fit_is_refused_with_what_it_lacks_and_by_how_much() {
    let with = |part: &str, axes: &[&str], more: &str| {
        let more = format!("controller: {{ part: {part} }}\n{more}");
        let script = there_and_back(1000).replace("turn by", &format!("turn {} by", axes[0]));
        Bench::new(
            &script.replace("lamp", "horn"),
            &rig(axes, &more).replace("16 MHz", "20 MHz"),
        )
    };
    let horn = "outputs: { horn: {} }\n";
    for (bench, options, reason) in [
        (
            with("atmega9", &["disc"], horn),
            &[][..],
            "`atmega9` is none of the parts that the player supports: atmega8, atmega88",
        ),
        (
            with("atmega328p", &["disc", "arm"], horn),
            &[],
            "atmega328p: its timer supports 1 axes, and the rig has 2",
        ),
        (
            with("atmega2560", &["disc"], horn),
            &[],
            "atmega2560: its clock is 16 MHz at most, and the rig has 20 MHz",
        ),
        (
            with("atmega168", &["disc"], horn),
            &["--feed", "line", "--baud", "250000"],
            "bytes of RAM with its stack; it has 1024",
        ),
    ] {
        let said = bench.emit("firmware", "player", options).unwrap_err();
        assert!(said.contains(reason), "{reason} is not in {said}");
    }
}

/// The bytes of a section of the built program.
fn section(bench: &Bench, name: &str) -> Vec<u8> {
    let out = Command::new("avr-objdump")
        .current_dir(bench.path().join("player"))
        .args(["-s", "-j", name, "player.elf"])
        .output()
        .unwrap();
    let text = String::from_utf8(out.stdout).unwrap();
    let contents = text.split_once("Contents of section").map(|(_, rest)| rest);
    let line = contents
        .and_then(|rest| rest.lines().nth(1))
        .unwrap_or_default();
    let digits = line.split_whitespace().nth(1).unwrap_or_default();
    let byte = |pair: &[u8]| u8::from_str_radix(std::str::from_utf8(pair).unwrap(), 16).unwrap();
    digits.as_bytes().chunks(2).map(byte).collect()
}

/// What a target of the Makefile says, and whether it succeeds.
fn make(bench: &Bench, arguments: &[&str]) -> (bool, String) {
    let out = Command::new("make")
        .arg("-sC")
        .arg(bench.path().join("player"))
        .args(arguments)
        .output()
        .unwrap();
    let said = [out.stdout, out.stderr].concat();
    (out.status.success(), String::from_utf8(said).unwrap())
}

/// A small program for one part on one clock.
fn clocked(part: &str, source: &str, clock: &str) -> Bench {
    let more = format!("controller: {{ part: {part}, clock_source: {source} }}\n");
    let script = "rig \"rig.yaml\"\nbands allow\nspeed 100 microstep/s\naccel 1000 microstep/s^2\nturn by 10 microstep\n";
    let rig = rig(&["disc"], &more)
        .replace("16 MHz", clock)
        .replace("9 us", "1 ms");
    Bench::new(script, &rig)
}

#[test]
fn fuse_bytes_stand_in_the_program_the_makefile_and_the_readme() {
    if board::harness().is_none() {
        return;
    }
    // The first: common practice. The others by the data sheets' tables of clock sources.
    for (part, source, clock, bytes, slower) in [
        ("atmega8", "crystal", "4 MHz", &[0xEF, 0xD9][..], "4"),
        ("atmega8", "crystal", "16 MHz", &[0xEF, 0xC9], "16"),
        ("atmega88", "resonator", "8 MHz", &[0xFE, 0xDF, 0xF9], "8"),
        ("atmega328p", "crystal", "20 MHz", &[0xE7, 0xD9, 0xFF], "20"),
        ("atmega32u4", "crystal", "16 MHz", &[0xEF, 0xD9, 0xFB], "8"),
        (
            "atmega1284p",
            "external",
            "12 MHz",
            &[0xD0, 0xD9, 0xFF],
            "12",
        ),
        ("atmega2560", "internal", "8 MHz", &[0xD2, 0xD9, 0xFF], "8"),
    ] {
        let bench = clocked(part, source, clock);
        let built = bench.build(&[]);
        assert_eq!(section(&bench, ".fuse"), bytes, "{part}");
        let (done, said) = make(&bench, &["fuses"]);
        let stated = format!("low {:02X}, high {:02X}", bytes[0], bytes[1]);
        assert!(done && said.contains(&stated), "{said}");
        assert!(said.contains("locks the part out"), "{said}");
        let readme = built.file("README.md");
        assert!(
            readme.contains(&stated) && readme.contains("locks the part out"),
            "{readme}"
        );
        let slower = format!("everything then takes {slower} times as long");
        assert!(readme.contains(&slower), "{slower}: {readme}");
        // The image for the programmer has no fuses in it.
        assert!(!built.file("player.hex").contains(":02000004008"), "{part}");
    }
    let bench = clocked("atmega328p", "internal", "16 MHz");
    bench.build(&[]);
    assert!(section(&bench, ".fuse").is_empty());
    let (_, said) = make(&bench, &["fuses"]);
    assert!(
        said.contains("An atmega328p has no fuse bytes for the internal oscillator of 16 MHz"),
        "{said}"
    );
}

/// A new part runs on its own oscillator at 8 MHz with CKDIV8 programmed, that is at 1 MHz; the oldest
/// has one of 1 MHz; one is shipped for a crystal, with CKDIV8 programmed too (data sheets, "Default
/// Clock Source"; that of the last from memory).
#[test]
fn the_readme_says_how_much_more_slowly_a_new_part_plays() {
    for (part, _) in PARTS {
        for (clock, megahertz) in [("4 MHz", "4"), ("8 MHz", "8"), ("16 MHz", "16")] {
            let bench = clocked(part, "crystal", clock);
            bench.emit("firmware", "player", &[]).unwrap();
            let readme = std::fs::read_to_string(bench.path().join("player/README.md")).unwrap();
            let slower = match part {
                "atmega32u4" => "8",
                _ => megahertz,
            };
            let slower = format!("everything then takes {slower} times as long");
            assert!(readme.contains(&slower), "{part} {slower}: {readme}");
        }
    }
}

#[test]
fn the_headers_of_the_compiler_agree_on_the_high_fuse_bytes() {
    let Some(gcc) = crate::support::tool("avr-gcc") else {
        return;
    };
    // avr-libc's defaults, with the debugger's port (JTAGEN, 0 in the default) off, and no
    // boot loader at the start.
    for (part, clear) in [
        ("atmega8", ""),
        ("atmega88", ""),
        ("atmega168", ""),
        ("atmega328p", ""),
        ("atmega644p", "JTAG"),
        ("atmega1284p", "JTAG"),
        ("atmega2560", "JTAG"),
    ] {
        let bench = clocked(part, "crystal", "8 MHz");
        bench.emit("firmware", "player", &[]).unwrap();
        let header = std::fs::read_to_string(bench.path().join("player/schedule.h")).unwrap();
        let byte = |name: &str| {
            let line = header
                .lines()
                .find_map(|line| line.strip_prefix(&format!("#define {name} ")));
            line.unwrap().to_owned()
        };
        let off = if clear.is_empty() { "0" } else { "0x40" };
        let source = format!(
            "#include <avr/io.h>\nchar agrees[(unsigned char)(HFUSE_DEFAULT | {off} | 6) == ({} | 6) ? 1 : -1];\n",
            byte("FUSE_HIGH")
        );
        let path = bench.path().join("fuses.c");
        std::fs::write(&path, source).unwrap();
        let out = Command::new(&gcc)
            .args([&format!("-mmcu={part}"), "-fsyntax-only"])
            .arg(&path)
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&out.stderr);
        assert!(out.status.success(), "{part} {}: {said}", byte("FUSE_HIGH"));
    }
}

#[test]
fn flashing_runs_the_programmer_that_the_user_names() {
    if board::harness().is_none() {
        return;
    }
    let bench = clocked("atmega88", "crystal", "8 MHz");
    bench.build(&[]);
    let (done, said) = make(&bench, &["flash"]);
    assert!(
        !done && said.contains("name the command of your programmer"),
        "{said}"
    );
    let (done, said) = make(&bench, &["flash", "PROGRAMMER=echo my programmer"]);
    assert!(done, "{said}");
    assert_eq!(said.trim(), "my programmer -U flash:w:player.hex:i");
}
