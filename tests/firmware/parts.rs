//! Every part that the player supports: chosen by name, with its own pins, played on the
//! simulated part.

use std::process::Command;

use crate::board::{self, Bench};
use crate::played::{Outputs, assert_played, rig, there_and_back};

/// The parts, and the pin of the first step line of each; from the data sheets.
const PARTS: [(&str, &str); 7] = [
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
        assert_played(&run, &built, &events, &["disc"], &["lamp"], Outputs::Exact);
        let size = built.size();
        println!("{part}: {size:?}, stack {}", run.stack);
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
            "`atmega9` is none of the parts that the player supports: atmega88, atmega168",
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
