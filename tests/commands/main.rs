//! The program and the library, as they are used: by their commands and by the front door.

#[path = "../support/posix_board.rs"]
mod posix_board;
#[path = "../support/mod.rs"]
mod support;

mod command_line;
mod cures;
mod dependencies;
mod digests;
mod identify;
mod library;
mod motor_findings;
mod names;
mod one_answer;
mod report;
mod searching;
mod straight_line;
mod streaming;
mod variations;
mod without_papers;
