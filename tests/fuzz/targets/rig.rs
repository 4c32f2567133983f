//! Any text as a rig: it is refused with places in the text, or a rig.

#![no_main]

use libfuzzer_sys::fuzz_target;
use slewsmith::diagnostic::Source;
use slewsmith::rig::NoFiles;
use slewsmith::{Error, read_rig};

fuzz_target!(|text: &str| {
    if let Err(Error::Input(problems)) = read_rig(&Source::new("rig.yaml", text), &mut NoFiles) {
        for problem in &problems.0 {
            assert!(problem.place().is_some(), "{problem}");
            assert!(!problem.render(100, false).is_empty());
        }
    }
});
