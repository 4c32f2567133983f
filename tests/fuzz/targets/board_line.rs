//! Any bytes on the line of a board: its player reads and writes nothing of anybody else.
//! The C is compiled for this machine, with the address and the undefined-behaviour sanitizer.

#![no_main]

use libfuzzer_sys::fuzz_target;

#[link(name = "board_line", kind = "static")]
#[link(name = "board_coverage", kind = "static")]
unsafe extern "C" {
    fn board_line(bytes: *const u8, length: usize);
}

fuzz_target!(|bytes: &[u8]| {
    // SAFETY: it reads `length` bytes from `bytes`, and keeps neither.
    unsafe { board_line(bytes.as_ptr(), bytes.len()) }
});
