//! Any text as a script: it is refused with places in the text, or planned.

#![no_main]

use libfuzzer_sys::fuzz_target;
use slewsmith::{Error, Job};

/// Items that are planned of an endless program.
const MOST: usize = 200;

fuzz_target!(|text: &str| {
    match Job::from_texts(text, include_str!("bench.yaml")) {
        Ok(job) => {
            for item in job.items().take(MOST) {
                if item.is_err() {
                    break;
                }
            }
        }
        Err(Error::Input(problems)) => {
            for problem in &problems.0 {
                assert!(problem.place().is_some(), "{problem}");
                assert!(!problem.render(100, false).is_empty());
            }
        }
        Err(_) => {}
    }
});
