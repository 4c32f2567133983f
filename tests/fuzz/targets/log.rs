//! Any text as a log of measurements, and as notes: refused, or points.

#![no_main]

use libfuzzer_sys::fuzz_target;
use slewsmith::diagnostic::Source;
use slewsmith::identify::Notes;
use slewsmith::identify::log::Log;
use slewsmith::rig::NoFiles;

fuzz_target!(|text: &str| {
    if let Ok(log) = Log::parse(text, None) {
        assert!(log.points().iter().all(|(time, reading)| time.is_finite() && reading.is_finite()));
    }
    if let Err(problems) = Notes::parse(&Source::new("notes.yaml", text), &mut NoFiles) {
        assert!(!problems.0.is_empty());
    }
});
