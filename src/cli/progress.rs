//! Progress of a command, shown on a terminal after one second.

use std::sync::mpsc::{RecvTimeoutError, Sender, channel};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use super::Terminal;

/// What is done sooner shows no bar.
const PATIENCE: Duration = Duration::from_secs(1);

/// How often a spinner turns.
const TICK: Duration = Duration::from_millis(120);

/// A spinner that turns by itself until it is dropped.
#[derive(Debug)]
pub(super) struct Busy {
    bar: ProgressBar,
    _done: Sender<()>,
}

impl Drop for Busy {
    fn drop(&mut self) {
        self.bar.finish_and_clear();
    }
}

/// A bar over the time of the program, or a count of moves; it goes away by itself.
#[derive(Debug)]
pub(super) struct Progress {
    bar: ProgressBar,
    /// Since when nothing shows; none where nobody watches, or it shows already.
    waiting: Option<Instant>,
}

impl Progress {
    /// For a program that lasts so many seconds.
    pub(super) fn new(duration: f64, terminal: &Terminal) -> Self {
        Self::with(
            Some((duration * 1e3) as u64),
            "{bar:40} {percent} % of the program, {eta} left {wide_msg}",
            terminal,
        )
    }

    /// For a program whose end is not known before it is reached: it counts moves.
    pub(super) fn counting(terminal: &Terminal) -> Self {
        Self::with(None, "{spinner} {human_pos} moves in {elapsed}", terminal)
    }

    /// For a program without end: it shows the time it has been playing.
    pub(super) fn unending(terminal: &Terminal) -> Self {
        Self::with(
            None,
            "{spinner} {elapsed}, until Ctrl-C stops it {wide_msg}",
            terminal,
        )
    }

    /// For a search: it shows for how long it has been at it.
    pub(super) fn searching(terminal: &Terminal) -> Self {
        Self::with(None, "{spinner} {elapsed} {wide_msg}", terminal)
    }

    /// For work whose steps cannot be seen: it says what is being done, and for how long.
    pub(super) fn busy(what: &'static str, terminal: &Terminal) -> Busy {
        let bar = ProgressBar::with_draw_target(None, ProgressDrawTarget::hidden());
        if let Ok(style) = ProgressStyle::with_template("{spinner} {msg}, {elapsed}") {
            bar.set_style(style);
        }
        bar.set_message(what);
        let (done, waits) = channel::<()>();
        if terminal.watched() {
            let shown = bar.clone();
            std::thread::spawn(move || {
                // It ends early where the work is done, as `done` is then dropped.
                if waits.recv_timeout(PATIENCE) == Err(RecvTimeoutError::Timeout) {
                    shown.set_draw_target(ProgressDrawTarget::stderr());
                    shown.enable_steady_tick(TICK);
                }
            });
        }
        Busy { bar, _done: done }
    }

    /// For so many rigs that are drawn and tried, on all cores.
    pub(super) fn drawing(draws: u64, terminal: &Terminal) -> SharedProgress {
        let template = "{bar:40} {pos} of {len} rigs, {eta} left";
        SharedProgress(Mutex::new(Self::with(Some(draws), template, terminal)))
    }

    fn with(length: Option<u64>, template: &str, terminal: &Terminal) -> Self {
        let bar = ProgressBar::with_draw_target(length, ProgressDrawTarget::hidden());
        // The templates are constants that have been tried.
        if let Ok(style) = ProgressStyle::with_template(template) {
            bar.set_style(style);
        }
        Self {
            bar,
            waiting: terminal.watched().then(Instant::now),
        }
    }

    /// Shows a few words behind the bar.
    pub(super) fn say(&mut self, words: String) {
        self.bar.set_message(words);
    }

    /// The program has come to so many seconds.
    pub(super) fn reach(&mut self, seconds: f64) {
        self.bar.set_position((seconds * 1e3) as u64);
        self.show_in_time();
    }

    /// One more move is done.
    pub(super) fn count(&mut self) {
        self.bar.inc(1);
        self.show_in_time();
    }

    fn show_in_time(&mut self) {
        if self.waiting.is_some_and(|begun| begun.elapsed() > PATIENCE) {
            self.waiting = None;
            self.bar.set_draw_target(ProgressDrawTarget::stderr());
        }
    }
}

/// A bar that several threads move on.
#[derive(Debug)]
pub(super) struct SharedProgress(Mutex<Progress>);

impl SharedProgress {
    /// One more is done.
    pub(super) fn count_one(&self) {
        // A bar that a panic left behind is still a bar.
        self.0
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .count();
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        self.bar.finish_and_clear();
    }
}
