//! The host's side of the link, without any input or output of its own: bytes and the
//! time go in, bytes come out.
//!
//! - Data are numbered. The board takes them in order only and says which one it expects
//!   next, so that each is played once. What it does not take (damaged on the way, or
//!   behind something that was) is sent again from there on, once it says so or nothing
//!   is heard in time.
//! - The board says how many bytes of its queue are free; no more is ever under way.
//! - No data are sent that begin more than [`AHEAD`] after what the board has played, so
//!   that a stop takes effect soon.

use std::collections::VecDeque;
use std::time::Duration;

use super::frame::{self, Arrival, Picker};
use super::message::{FromBoard, FromHost, Likeness, Report, State, Welcome};
use super::slicer::Frame;

/// How far data run ahead of what has been played (s): enough for the pauses that an
/// ordinary operating system makes, and short beside what a person takes for "at once".
pub const AHEAD: f64 = 0.3;
/// Time between two greetings. Many boards reset when the port is opened and take their
/// time.
const GREET_EVERY: Duration = Duration::from_millis(250);
/// How long an answer to the greeting may take.
const PATIENCE: Duration = Duration::from_secs(6);
/// A board that owes an answer is asked for it no more often than that.
const HURRY: Duration = Duration::from_millis(20);
/// After this long without a word to the board it is asked how it stands …
const ASK_AFTER: Duration = Duration::from_millis(150);
/// … and after this long without a word from it the line counts as dead.
const SILENCE: Duration = Duration::from_secs(3);
/// How long a report takes at first guess: adapters between USB and serial lines keep
/// bytes back for up to 16 ms (common practice).
const LATENCY: Duration = Duration::from_millis(25);
/// The board reports at least so often while it plays.
const REPORT_EVERY: Duration = Duration::from_millis(50);
/// Bytes wait in the computer for no longer than that before they leave: what is sent
/// again has to wait behind them.
const BACKLOG: Duration = Duration::from_millis(8);
/// What a report may be late by anyway.
const SLACK: Duration = Duration::from_millis(3);
/// Data that wait for their acknowledgement at most: numbers are told apart modulo 256.
const MOST_UNDER_WAY: usize = 100;

/// How a stream ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Ending {
    /// The board came to an end and says so.
    Reported(Report),
    /// Nobody answered the greeting.
    NoAnswer,
    /// The board is not what the program was made for.
    Unlike {
        /// What it would have to be.
        wanted: Likeness,
        /// What it is.
        found: Likeness,
    },
    /// The board still plays something else.
    Busy,
    /// The board was heard, but no more; what it said last.
    Silent(Option<Report>),
    /// The board has lost the program, as it does at a reset; what it says.
    Reset(Report),
    /// The program could not be cut into frames to the end; what the board said.
    Broken(Report),
}

/// What the host is doing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Phase {
    /// Waiting for the board to answer.
    Greeting,
    /// Sending the program.
    Playing,
    /// Waiting for the axes to slow down.
    Stopping,
    /// Over.
    Ended,
}

/// Data under way.
#[derive(Debug)]
struct Sent {
    number: u8,
    /// Bytes that it takes in the queue once it is there, and on the way there.
    records: usize,
    passing: usize,
    line: Vec<u8>,
    /// When its last byte leaves, as it was sent last; whether that was not the first time.
    leaves: Duration,
    again: bool,
}

/// The host's side of one program.
#[derive(Debug)]
pub struct Host<F> {
    frames: Option<F>,
    wanted: Likeness,
    digest: u32,
    /// Time that a byte takes on the line.
    byte_time: Duration,
    picker: Picker,
    phase: Phase,
    ending: Option<Ending>,
    welcome: Option<Welcome>,
    busy: bool,
    report: Option<Report>,
    began: Option<Duration>,
    /// When the board was last heard, and last spoken to.
    heard: Duration,
    spoken: Option<Duration>,
    /// The next frame, held back so that the one before it may know that it was the
    /// last of the first filling.
    held: Option<Frame>,
    filled: bool,
    /// The last frame has been drawn; there was none that should have been.
    complete: bool,
    broken: bool,
    /// Whether the board has begun to play.
    moved: bool,
    /// Data that the board has not acknowledged; those from `next` on have to be sent.
    under_way: VecDeque<Sent>,
    next: usize,
    number: u8,
    /// When everything that was sent will have left, and how long a report takes from
    /// then on.
    free: Duration,
    latency: Duration,
    room: usize,
    /// Ticks that the board has played.
    played: u64,
    counts: Counts,
}

/// What it took.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Counts {
    /// Data sent, those that were sent again not counted.
    pub sent: u64,
    /// Data sent again.
    pub again: u64,
    /// Bytes of data, framing included, those that were sent again not counted.
    pub bytes: u64,
    /// Whatever came in damaged.
    pub damaged: u64,
}

impl<F: Iterator<Item = Frame>> Host<F> {
    /// For a program with this digest, that needs such a board, on a line that carries
    /// `baud` bits a second. The frames are given once the board has answered; see
    /// [`welcome`](Self::welcome).
    pub fn new(wanted: Likeness, digest: u32, baud: u32) -> Self {
        Self {
            frames: None,
            wanted,
            digest,
            byte_time: Duration::from_secs(10) / baud.max(1),
            picker: Picker::default(),
            phase: Phase::Greeting,
            ending: None,
            welcome: None,
            busy: false,
            report: None,
            began: None,
            heard: Duration::ZERO,
            spoken: None,
            held: None,
            filled: false,
            complete: false,
            broken: false,
            moved: false,
            under_way: VecDeque::new(),
            next: 0,
            number: 0,
            free: Duration::ZERO,
            latency: LATENCY,
            room: 0,
            played: 0,
            counts: Counts::default(),
        }
    }

    /// What the board says of itself, once it has taken the greeting.
    pub const fn welcome(&self) -> Option<&Welcome> {
        self.welcome.as_ref()
    }

    /// Whether the frames are wanted now; see [`play`](Self::play).
    pub const fn wants_frames(&self) -> bool {
        self.welcome.is_some() && self.frames.is_none() && matches!(self.phase, Phase::Playing)
    }

    /// Begins to send these frames.
    pub fn play(&mut self, frames: F) {
        self.frames = Some(frames);
    }

    /// What it is doing.
    pub const fn phase(&self) -> Phase {
        self.phase
    }

    /// How it ended, once it has.
    pub const fn ending(&self) -> Option<&Ending> {
        self.ending.as_ref()
    }

    /// What the board said last.
    pub const fn report(&self) -> Option<&Report> {
        self.report.as_ref()
    }

    /// Ticks of the program that the board has played.
    pub const fn played(&self) -> u64 {
        self.played
    }

    /// What it took so far.
    pub const fn counts(&self) -> Counts {
        self.counts
    }

    /// The frames, for whoever wants to know why they ended.
    pub const fn frames(&self) -> Option<&F> {
        self.frames.as_ref()
    }

    /// Has the board slow down and stop.
    pub fn stop(&mut self) {
        match self.phase {
            Phase::Greeting => self.end(Ending::NoAnswer),
            Phase::Playing => {
                self.phase = Phase::Stopping;
                self.spoken = None;
                self.forget();
            }
            Phase::Stopping | Phase::Ended => {}
        }
    }

    /// What is under way may arrive or not; nothing is sent again.
    fn forget(&mut self) {
        self.under_way.clear();
        self.next = 0;
        self.held = None;
    }

    fn end(&mut self, ending: Ending) {
        self.ending = Some(ending);
        self.phase = Phase::Ended;
    }

    /// Takes what came in. `now` counts from any moment, and never goes back.
    pub fn receive(&mut self, now: Duration, bytes: &[u8]) {
        for &byte in bytes {
            match self.picker.take(byte) {
                None => {}
                Some(Arrival::Damaged) => self.counts.damaged += 1,
                Some(Arrival::Whole(payload)) => match FromBoard::read(&payload) {
                    Some(FromBoard::Welcome(welcome)) => self.welcomed(now, welcome),
                    Some(FromBoard::Report(report)) => self.reported(now, report),
                    None => self.counts.damaged += 1,
                },
            }
        }
    }

    fn welcomed(&mut self, now: Duration, welcome: Welcome) {
        if self.phase != Phase::Greeting || welcome.digest != self.digest {
            return;
        }
        self.heard = now;
        if welcome.likeness != self.wanted {
            self.end(Ending::Unlike {
                wanted: self.wanted,
                found: welcome.likeness,
            });
        } else if welcome.accepted {
            self.room = usize::from(welcome.queue);
            self.welcome = Some(welcome);
            self.phase = Phase::Playing;
        } else {
            self.busy = true;
        }
    }

    fn reported(&mut self, now: Duration, report: Report) {
        if !matches!(self.phase, Phase::Playing | Phase::Stopping) {
            return;
        }
        self.heard = now;
        let passed = report.ticks.wrapping_sub(self.played as u32);
        self.played += u64::from(passed);
        self.moved |= matches!(report.state, State::Running | State::Slowing);
        if report.state == State::Slowing && self.phase == Phase::Playing {
            // It takes no more data.
            self.forget();
            self.complete = true;
        }
        // Asked to stop before it was told to start, the board stands by again.
        let never_began = !self.moved && self.phase == Phase::Stopping;
        let ending = match report.state {
            State::Idle if !never_began => Ending::Reset(report),
            state if !state.is_end() && state != State::Idle => {
                self.go_on(now, report);
                return;
            }
            _ if self.broken => Ending::Broken(report),
            _ => Ending::Reported(report),
        };
        self.end(ending);
    }

    /// Takes note of what the board has by now.
    fn go_on(&mut self, now: Duration, report: Report) {
        // A report from before the greeting was taken knows nothing of these data.
        let oldest = self.under_way.front().map(|sent| sent.number);
        let taken = usize::from(
            report
                .expected
                .wrapping_sub(oldest.unwrap_or(report.expected)),
        );
        if taken <= self.under_way.len() {
            for sent in self.under_way.drain(..taken) {
                if !sent.again {
                    // A mean that forgets; one report that got lost does not count much.
                    let took = now.saturating_sub(sent.leaves);
                    self.latency = (self.latency * 7 + took.min(self.latency * 2 + SLACK)) / 8;
                }
            }
            self.next = self.next.saturating_sub(taken);
            self.room = usize::from(report.room);
            if report.gap && self.waited_for(now) > self.latency * 3 / 2 + SLACK {
                self.repeat();
            }
        }
        self.report = Some(report);
    }

    /// How long the oldest data have been away.
    fn waited_for(&self, now: Duration) -> Duration {
        let oldest = self.under_way.front().filter(|_| self.next > 0);
        oldest.map_or(Duration::ZERO, |sent| now.saturating_sub(sent.leaves))
    }

    fn repeat(&mut self) {
        self.counts.again += self.next as u64;
        self.next = 0;
    }

    /// What has to be sent now. To be called again after a few milliseconds at most.
    pub fn transmit(&mut self, now: Duration) -> Vec<u8> {
        let mut line = Vec::new();
        match self.phase {
            Phase::Greeting => self.greet(now, &mut line),
            Phase::Playing => self.send(now, &mut line),
            Phase::Stopping => {
                if self.may_speak(now, ASK_AFTER) {
                    self.say(now, &FromHost::Stop, &mut line);
                }
            }
            Phase::Ended => {}
        }
        if matches!(self.phase, Phase::Playing | Phase::Stopping)
            && now.saturating_sub(self.heard) > SILENCE
        {
            let report = self.report.take();
            self.end(Ending::Silent(report));
        }
        line
    }

    fn may_speak(&self, now: Duration, after: Duration) -> bool {
        self.spoken
            .is_none_or(|spoken| now.saturating_sub(spoken) >= after)
    }

    fn say(&mut self, now: Duration, message: &FromHost<'_>, line: &mut Vec<u8>) {
        // A zero byte ends whatever stood on the line before.
        line.push(0);
        frame::write(&message.payload(), line);
        self.spoken = Some(now);
    }

    fn greet(&mut self, now: Duration, line: &mut Vec<u8>) {
        let began = *self.began.get_or_insert(now);
        if now.saturating_sub(began) > PATIENCE {
            self.end(if self.busy {
                Ending::Busy
            } else {
                Ending::NoAnswer
            });
        } else if self.may_speak(now, GREET_EVERY) {
            self.say(now, &FromHost::Greeting(self.wanted, self.digest), line);
        }
    }

    fn send(&mut self, now: Duration, line: &mut Vec<u8>) {
        if self.waited_for(now) > 2 * self.latency + REPORT_EVERY {
            self.repeat();
        }
        self.take_frames();
        let mut taken: usize = self
            .under_way
            .iter()
            .take(self.next)
            .map(|sent| sent.records)
            .sum();
        while let Some(sent) = self.under_way.get_mut(self.next) {
            if taken + sent.passing > self.room || self.free > now + BACKLOG {
                break;
            }
            taken += sent.records;
            line.extend_from_slice(&sent.line);
            self.free = self.free.max(now) + self.byte_time * sent.line.len() as u32;
            sent.again = sent.leaves > Duration::ZERO;
            sent.leaves = self.free;
            self.next += 1;
            self.spoken = Some(now);
        }
        // Where the end of a frame got lost, the board does not know of it before more
        // comes. And it takes a host that says nothing at all for gone.
        let overdue = self.waited_for(now) > self.latency * 3 / 2 + SLACK;
        let patience = if overdue {
            self.latency.max(HURRY)
        } else {
            ASK_AFTER
        };
        if self.may_speak(now, patience) {
            self.say(now, &FromHost::Question, line);
        }
    }

    /// Makes data of the frames that may be sent.
    fn take_frames(&mut self) {
        let ahead = (AHEAD * f64::from(self.wanted.tick_rate)) as u64;
        while self.under_way.len() < MOST_UNDER_WAY {
            let Some(frame) = self.held.take().or_else(|| self.draw()) else {
                return;
            };
            if frame.from > self.played + ahead || !self.fits(&frame) {
                self.held = Some(frame);
                return;
            }
            // Everything may move once the queue is full, or holds all there is for now.
            let mut start = false;
            if !self.filled {
                self.held = self.draw();
                start = match &self.held {
                    Some(next) => next.from > ahead || !self.fit_both(&frame, next),
                    None => frame.last,
                };
                self.filled = start;
            }
            self.push(&frame, start);
        }
    }

    /// The next frame. Where there is none although the program is not over, the axes
    /// are slowed down.
    fn draw(&mut self) -> Option<Frame> {
        let frames = self.frames.as_mut().filter(|_| !self.complete)?;
        let frame = frames.next();
        match &frame {
            Some(frame) => self.complete = frame.last,
            None => {
                self.broken = true;
                self.stop();
            }
        }
        frame
    }

    fn push(&mut self, frame: &Frame, start: bool) {
        let message = FromHost::Data {
            number: self.number,
            start,
            records: &frame.records,
            slow_down: frame.slow_down.as_deref(),
        };
        let mut line = Vec::new();
        frame::write(&message.payload(), &mut line);
        self.counts.sent += 1;
        self.counts.bytes += line.len() as u64;
        self.under_way.push_back(Sent {
            number: self.number,
            records: frame.records.len(),
            passing: passing(frame),
            line,
            leaves: Duration::ZERO,
            again: false,
        });
        self.number = self.number.wrapping_add(1);
    }

    /// Whether a frame fits behind everything that is under way.
    fn fits(&self, frame: &Frame) -> bool {
        let taken: usize = self.under_way.iter().map(|sent| sent.records).sum();
        taken + passing(frame) <= self.room
    }

    fn fit_both(&self, frame: &Frame, next: &Frame) -> bool {
        let taken: usize = self.under_way.iter().map(|sent| sent.records).sum();
        taken + frame.records.len() + passing(next) <= self.room
    }
}

/// Bytes of the queue that a frame needs until it has been looked through: its records,
/// its slow-down, its checksum.
fn passing(frame: &Frame) -> usize {
    frame.records.len() + frame.slow_down.as_ref().map_or(0, Vec::len) + 2
}
