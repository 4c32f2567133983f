//! slewsmith at the command line.

#![forbid(unsafe_code)]

use std::process::ExitCode;

fn main() -> ExitCode {
    slewsmith::cli::run()
}
