//! How far a command is, for whoever watches and has waited a second.

use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use super::Terminal;
use crate::plan::Item;

/// What is done sooner shows no bar.
const PATIENCE: Duration = Duration::from_secs(1);

/// A bar over the time of the program; it goes away by itself.
#[derive(Debug)]
pub struct Progress {
    bar: ProgressBar,
    /// Since when nothing shows; none where nobody watches, or it shows already.
    waiting: Option<Instant>,
}

impl Progress {
    /// For a program that lasts so many seconds.
    pub fn new(duration: f64, terminal: &Terminal) -> Self {
        let bar = ProgressBar::with_draw_target(
            Some((duration * 1e3) as u64),
            ProgressDrawTarget::hidden(),
        );
        // The template is a constant that has been tried.
        if let Ok(style) =
            ProgressStyle::with_template("{bar:40} {percent} % of the program, {eta} to go")
        {
            bar.set_style(style);
        }
        Self {
            bar,
            waiting: terminal.watched().then(Instant::now),
        }
    }

    /// The program has come to so many seconds.
    pub fn reach(&mut self, seconds: f64) {
        self.bar.set_position((seconds * 1e3) as u64);
        if self.waiting.is_some_and(|begun| begun.elapsed() > PATIENCE) {
            self.waiting = None;
            self.bar.set_draw_target(ProgressDrawTarget::stderr());
        }
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        self.bar.finish_and_clear();
    }
}

/// How long an item of a program lasts (s).
pub fn length(item: &Item) -> f64 {
    match item {
        Item::Move(planned) => planned.motion.duration,
        Item::Dwell(time) => *time,
        Item::Output { .. } | Item::Await { .. } | Item::Mark(_) => 0.0,
    }
}
