//! Any bytes as a packed schedule: they are refused, or events in order.

#![no_main]

use libfuzzer_sys::fuzz_target;
use slewsmith::emit::unpack;

fuzz_target!(|bytes: &[u8]| {
    if let Ok(events) = unpack(bytes) {
        assert!(events.is_sorted_by_key(|event| event.tick));
    }
});
