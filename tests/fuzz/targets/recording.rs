//! Any text as the recording of a run: it is refused, or drawn beside the plan.

#![no_main]

use std::sync::OnceLock;

use libfuzzer_sys::fuzz_target;
use slewsmith::Job;

fn job() -> &'static Job {
    static JOB: OnceLock<Job> = OnceLock::new();
    JOB.get_or_init(|| {
        let script = "bands allow\nspeed 90 deg/s\naccel 400 deg/s^2\nturn by 90 deg\n";
        Job::from_texts(script, include_str!("bench.yaml")).unwrap()
    })
}

fuzz_target!(|text: &str| {
    // What is refused has its words; what is not has points.
    match job().figure_with_recording("run".to_owned(), text, 0.0) {
        Ok(_) => {}
        Err(error) => assert!(!error.to_string().is_empty()),
    }
});
