//! Any text as a log of measurements, and as notes: refused with places, or read.

#![no_main]

use libfuzzer_sys::fuzz_target;
use slewsmith::diagnostic::Source;
use slewsmith::identify::Notes;

const NOTES: &str = "full_steps_a_turn: 200\ninductance: { log: log.csv, series: 0.5 ohm }\n\
    ring_down: { log: log.csv, current: 0.8 A, phases: one }\nspin_down: { log: log.csv }\n";

fuzz_target!(|text: &str| {
    for notes in [NOTES, text] {
        let mut log = |_: &str, _: &std::path::Path| Ok(Source::new("log.csv", text));
        if let Err(problems) = Notes::parse(&Source::new("notes.yaml", notes), &mut log) {
            assert!(!problems.0.is_empty());
        }
    }
});
