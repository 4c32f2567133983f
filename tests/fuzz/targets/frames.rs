//! Any bytes as what a board says: the host goes on, or ends.

#![no_main]

use std::sync::OnceLock;
use std::time::Duration;

use libfuzzer_sys::fuzz_target;
use slewsmith::Job;

fn job() -> &'static Job {
    static JOB: OnceLock<Job> = OnceLock::new();
    JOB.get_or_init(|| {
        let script = "bands allow\nspeed 90 deg/s\naccel 400 deg/s^2\nrepeat 9 {\nturn by 90 deg\n}\n";
        Job::from_texts(script, include_str!("bench.yaml")).unwrap()
    })
}

// The first byte of each ten says how much time passes before the others come.
fuzz_target!(|bytes: &[u8]| {
    let mut streaming = job().stream_anyway(115_200).unwrap();
    let mut now = Duration::ZERO;
    for piece in bytes.chunks(10) {
        now += Duration::from_millis(u64::from(piece[0]));
        streaming.receive(now, &piece[1..]);
        if streaming.is_welcome() {
            // It may have been asked to already.
            let _ = streaming.play();
        }
        let _ = streaming.transmit(now);
        if streaming.ending().is_some() {
            return;
        }
    }
});
