//! Progress of a command, shown on a terminal after one second.

use std::sync::mpsc::{RecvTimeoutError, Sender, channel};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use indicatif::{HumanDuration, ProgressBar, ProgressDrawTarget, ProgressState, ProgressStyle};

use super::Terminal;
use slewsmith::Job;

/// What is done sooner shows no bar.
const PATIENCE: Duration = Duration::from_secs(1);

/// How often a spinner turns.
const TICK: Duration = Duration::from_millis(120);

/// A bar or a spinner that moves by itself until it is dropped.
#[derive(Debug)]
pub(super) struct Busy {
    bar: ProgressBar,
    _done: Sender<()>,
}

impl Busy {
    /// It calls `turn` again and again, on a thread of its own.
    fn new(
        bar: ProgressBar,
        what: &'static str,
        terminal: &Terminal,
        turn: impl Fn(&ProgressBar) + Send + 'static,
    ) -> Self {
        bar.set_message(what);
        let (done, waits) = channel::<()>();
        if terminal.watched() {
            let shown = bar.clone();
            let begun = Instant::now();
            std::thread::spawn(move || {
                // It ends where the work is done, as `done` is then dropped.
                while waits.recv_timeout(TICK) == Err(RecvTimeoutError::Timeout) {
                    if shown.is_hidden() && begun.elapsed() > PATIENCE {
                        shown.set_draw_target(ProgressDrawTarget::stderr());
                    }
                    turn(&shown);
                }
            });
        }
        Self { bar, _done: done }
    }
}

impl Drop for Busy {
    fn drop(&mut self) {
        self.bar.finish_and_clear();
    }
}

/// Steps of a bar, for each time that a program is gone through.
const PART: f64 = 1e9;

/// A bar that is not shown yet.
fn hidden(length: Option<u64>, template: &str) -> ProgressBar {
    let bar = ProgressBar::with_draw_target(length, ProgressDrawTarget::hidden());
    // The templates are constants that have been tried.
    if let Ok(style) = ProgressStyle::with_template(template) {
        bar.set_style(style.with_key("time", time));
    }
    bar
}

/// The time that is left, or that has passed where nothing tells how much is left.
fn time(state: &ProgressState, out: &mut dyn std::fmt::Write) {
    // Words for eyes; there is nobody to tell of an error.
    let _ = match state.pos() {
        0 => write!(out, "{:#} so far", HumanDuration(state.elapsed())),
        _ => write!(out, "{:#} left", HumanDuration(state.eta())),
    };
}

/// A bar over the time of the program, or a count; it goes away by itself.
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
            "{bar:40} {percent} % of the program, {time} {wide_msg}",
            terminal,
        )
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
        let bar = hidden(None, "{spinner} {msg}, {elapsed}");
        Busy::new(bar, what, terminal, |bar| bar.tick())
    }

    /// For work that goes through the program of a job so many times, at most: it says what is
    /// being done, and how much time is left.
    pub(super) fn through(job: &Job, times: f64, what: &'static str, terminal: &Terminal) -> Busy {
        let length = (times * PART) as u64;
        let bar = hidden(Some(length), "{bar:40} {msg}, {time}");
        let headway = job.headway();
        let before = headway.programs();
        Busy::new(bar, what, terminal, move |bar| {
            let gone = headway.programs() - before;
            bar.set_position(((gone * PART) as u64).min(length));
        })
    }

    /// For so many rigs that are drawn and tried, on all cores.
    pub(super) fn drawing(draws: u64, terminal: &Terminal) -> SharedProgress {
        let template = "{bar:40} {pos} of {len} rigs, {time}";
        SharedProgress(Mutex::new(Self::with(Some(draws), template, terminal)))
    }

    fn with(length: Option<u64>, template: &str, terminal: &Terminal) -> Self {
        Self {
            bar: hidden(length, template),
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
