//! How far a job has come with going through its program, for those who show progress.

use std::sync::atomic::{AtomicU64, Ordering};

/// Parts of a program that are counted.
const PARTS: f64 = 1e12;

/// How much of its program a job has gone through, since it was read. Every question to a job
/// goes through the program once or several times, on one thread or on several.
#[derive(Debug, Default)]
pub struct Headway(AtomicU64);

impl Headway {
    /// How many times the program has been gone through, in all.
    pub fn programs(&self) -> f64 {
        self.0.load(Ordering::Relaxed) as f64 / PARTS
    }
}

/// One time through the program of a job. What is left of it counts once it is dropped: whoever
/// gives up early is done as well.
#[derive(Debug)]
pub(super) struct Gone<'a> {
    headway: &'a Headway,
    /// Actions of all of it, about.
    all: f64,
    told: u64,
}

impl<'a> Gone<'a> {
    /// Of so many actions, about.
    pub(super) const fn new(headway: &'a Headway, all: f64) -> Self {
        Self {
            headway,
            all,
            told: 0,
        }
    }

    /// So many of its actions are done.
    pub(super) fn reach(&mut self, done: f64) {
        self.tell((PARTS * (done / self.all).min(1.0)) as u64);
    }

    fn tell(&mut self, parts: u64) {
        let more = parts.saturating_sub(self.told);
        self.told += more;
        self.headway.0.fetch_add(more, Ordering::Relaxed);
    }
}

impl Drop for Gone<'_> {
    fn drop(&mut self) {
        self.tell(PARTS as u64);
    }
}
