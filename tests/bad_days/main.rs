//! Bad days: readers that leave, disks that are full, targets that must not be touched,
//! files that are no text. The old file stays intact or the new one is whole, the message
//! says what to do, and the exit code is the documented one.

#![cfg(unix)]

mod bench;
#[path = "../support/mod.rs"]
mod support;

mod endless;
mod folder;
mod full_disk;
mod growing;
mod inputs;
mod interrupted;
mod large;
mod limits;
mod places;
mod progress;
mod readers;
mod targets;
mod watching;
