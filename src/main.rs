//! slewsmith at the command line.

#![forbid(unsafe_code)]

fn main() {}
