//! The host's side of the link, without any input or output of its own: bytes and the
//! time go in, bytes come out.
//!
//! - A frame goes over the line in short pieces: where one byte in hundreds is spoiled,
//!   most of them come through. What the board does not take is sent again; see
//!   [`Window`].
//! - The board says how many bytes of its queue are free; no more is ever under way.
//! - No data are sent that begin more than [`AHEAD`] after what the board has played, so
//!   that a stop takes effect soon.

use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;

use super::frame::{Arrival, CRC_BYTES, Picker};
use super::message::{BoardReport, BoardState, DataPart, FromBoard, FromHost, Likeness, Welcome};
use super::record::MARK_NUMBERS;
use super::slicer::Frame;
use super::window::{Counts, Piece, Window};

/// How far data run ahead of what has been played (s): enough for the pauses that an
/// ordinary operating system makes, and short beside what a person takes for "at once".
pub const AHEAD: f64 = 0.3;
/// Time between two greetings. Many boards reset when the port is opened and take their
/// time.
const GREET_EVERY: Duration = Duration::from_millis(250);
/// How long an answer to the greeting may take.
const PATIENCE: Duration = Duration::from_secs(6);
/// A stop is asked for so often until the board has come to it.
const STOP_EVERY: Duration = Duration::from_millis(50);
/// After this long without a word to the board it is asked how it stands …
const ASK_AFTER: Duration = Duration::from_millis(150);
/// … and after this long without a word from it the line counts as dead.
const SILENCE: Duration = Duration::from_secs(3);
/// Bytes of a frame that go over the line in one piece, at most: short enough for most
/// pieces to come through a line that spoils one byte in hundreds, and long beside the 10
/// bytes of framing that each has.
const PIECE: usize = 32;

/// How a stream ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Ending {
    /// The board came to an end and says so.
    Reported(BoardReport),
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
    Silent(Option<BoardReport>),
    /// The board has lost the program, as it does at a reset; what it says.
    Reset(BoardReport),
    /// The program could not be cut into frames to the end; what the board said.
    Broken(BoardReport),
}

/// What the host is doing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum HostPhase {
    /// Waiting for the board to answer.
    Greeting,
    /// Sending the program.
    Playing,
    /// Waiting for the axes to slow down.
    Stopping,
    /// Over.
    Ended,
}

/// The host's side of one program.
#[derive(Debug)]
pub struct Host<F> {
    frames: Option<F>,
    wanted: Likeness,
    digest: u32,
    picker: Picker,
    phase: HostPhase,
    ending: Option<Ending>,
    welcome: Option<Welcome>,
    busy: bool,
    report: Option<BoardReport>,
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
    window: Window,
    room: usize,
    /// Ticks that the board has played.
    played: u64,
    /// The mark that was reached last, its number, and the texts of those that have been
    /// sent and not been reached.
    mark: Option<Arc<str>>,
    mark_number: u8,
    marks: VecDeque<Arc<str>>,
    damaged: u64,
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
            picker: Picker::default(),
            phase: HostPhase::Greeting,
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
            window: Window::new(baud),
            room: 0,
            played: 0,
            mark: None,
            mark_number: 0,
            marks: VecDeque::new(),
            damaged: 0,
        }
    }

    /// What the board says of itself, once it has taken the greeting.
    pub const fn welcome(&self) -> Option<&Welcome> {
        self.welcome.as_ref()
    }

    /// Whether the frames are wanted now; see [`play`](Self::play).
    pub const fn wants_frames(&self) -> bool {
        self.welcome.is_some() && self.frames.is_none() && matches!(self.phase, HostPhase::Playing)
    }

    /// Begins to send these frames.
    pub fn play(&mut self, frames: F) {
        self.frames = Some(frames);
    }

    /// What it is doing.
    #[cfg(test)]
    pub(crate) const fn phase(&self) -> HostPhase {
        self.phase
    }

    /// How it ended, once it has.
    pub const fn ending(&self) -> Option<&Ending> {
        self.ending.as_ref()
    }

    /// What the board said last.
    pub const fn report(&self) -> Option<&BoardReport> {
        self.report.as_ref()
    }

    /// Ticks of the program that the board has played.
    pub const fn played(&self) -> u64 {
        self.played
    }

    /// The text of the mark that the board has reached last.
    pub fn mark(&self) -> Option<&str> {
        self.mark.as_deref()
    }

    /// What it took so far.
    pub const fn counts(&self) -> Counts {
        self.window.counts()
    }

    /// How much has come in damaged.
    pub const fn damaged(&self) -> u64 {
        self.damaged
    }

    /// The frames, for whoever wants to know why they ended.
    pub const fn frames(&self) -> Option<&F> {
        self.frames.as_ref()
    }

    /// Has the board slow down and stop.
    pub fn stop(&mut self) {
        match self.phase {
            HostPhase::Greeting => self.end(Ending::NoAnswer),
            HostPhase::Playing => {
                self.phase = HostPhase::Stopping;
                self.spoken = None;
                self.forget();
            }
            HostPhase::Stopping | HostPhase::Ended => {}
        }
    }

    /// What is under way may arrive or not; nothing is sent again.
    fn forget(&mut self) {
        self.window.forget();
        self.held = None;
    }

    fn end(&mut self, ending: Ending) {
        self.ending = Some(ending);
        self.phase = HostPhase::Ended;
    }

    /// Takes what came in. `now` counts from any moment, and never goes back.
    pub fn receive(&mut self, now: Duration, bytes: &[u8]) {
        for &byte in bytes {
            match self.picker.take(byte) {
                None => {}
                Some(Arrival::Damaged) => self.damaged += 1,
                Some(Arrival::Whole(payload)) => match FromBoard::read(&payload) {
                    Some(FromBoard::Welcome(welcome)) => self.welcomed(now, welcome),
                    Some(FromBoard::Report(report)) => self.reported(now, report),
                    None => self.damaged += 1,
                },
            }
        }
    }

    fn welcomed(&mut self, now: Duration, welcome: Welcome) {
        if self.phase != HostPhase::Greeting || welcome.digest != self.digest {
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
            self.phase = HostPhase::Playing;
        } else {
            self.busy = true;
        }
    }

    fn reported(&mut self, now: Duration, report: BoardReport) {
        if !matches!(self.phase, HostPhase::Playing | HostPhase::Stopping) {
            return;
        }
        self.heard = now;
        let passed = report.ticks.wrapping_sub(self.played as u32);
        self.played += u64::from(passed);
        self.pass_marks(report.mark);
        self.moved |= matches!(report.state, BoardState::Running | BoardState::Slowing);
        if report.state == BoardState::Slowing && self.phase == HostPhase::Playing {
            // It takes no more data.
            self.forget();
            self.complete = true;
        }
        // Asked to stop before it was told to start, the board stands by again.
        let never_began = !self.moved && self.phase == HostPhase::Stopping;
        let ending = match report.state {
            BoardState::Idle if !never_began => Ending::Reset(report),
            state if !state.is_end() && state != BoardState::Idle => {
                if self.window.reported(now, report.expected, report.heard) {
                    self.room = usize::from(report.room);
                }
                self.report = Some(report);
                return;
            }
            _ if self.broken => Ending::Broken(report),
            _ => Ending::Reported(report),
        };
        self.end(ending);
    }

    /// Takes note of the number of the mark that was reached last. No more marks are under
    /// way than have a number each, so there is only one that it can be.
    fn pass_marks(&mut self, number: u8) {
        let passed = match (self.mark_number, number) {
            (_, 0) => return,
            (0, number) => usize::from(number),
            (before, number) => {
                let numbers = u16::from(MARK_NUMBERS);
                usize::from((numbers + u16::from(number) - u16::from(before)) % numbers)
            }
        };
        if (1..=self.marks.len()).contains(&passed) {
            self.mark = self.marks.drain(..passed).next_back();
            self.mark_number = number;
        }
    }

    /// What has to be sent now. To be called again after a few milliseconds at most.
    pub fn transmit(&mut self, now: Duration) -> Vec<u8> {
        let mut line = Vec::new();
        match self.phase {
            HostPhase::Greeting => self.greet(now, &mut line),
            HostPhase::Playing => self.send(now, &mut line),
            HostPhase::Stopping => {
                if self.may_speak(now, STOP_EVERY) {
                    self.say(now, &FromHost::Stop, &mut line);
                }
            }
            HostPhase::Ended => {}
        }
        if matches!(self.phase, HostPhase::Playing | HostPhase::Stopping)
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
        self.window.say(now, message, line);
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
        self.take_frames();
        if self.window.transmit(now, self.room, line) {
            self.spoken = Some(now);
        } else if self.may_speak(now, ASK_AFTER) {
            // It takes a host that says nothing at all for gone.
            self.window.ask(now, line);
            self.spoken = Some(now);
        }
    }

    /// Makes data of the frames that may be sent.
    fn take_frames(&mut self) {
        let ahead = (AHEAD * f64::from(self.wanted.tick_rate)) as u64;
        while !self.window.is_full() {
            let Some(frame) = self.held.take().or_else(|| self.draw()) else {
                return;
            };
            if frame.from > self.played + ahead || !self.fit([&frame]) {
                self.held = Some(frame);
                return;
            }
            // Everything may move once the queue is full, or holds all there is for now.
            let mut start = false;
            if !self.filled {
                self.held = self.draw();
                start = match &self.held {
                    Some(next) => next.from > ahead || !self.fit([&frame, next]),
                    None => frame.last,
                };
                self.filled = start;
            }
            self.push(frame, start);
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

    /// Has a frame sent, in pieces.
    fn push(&mut self, frame: Frame, start: bool) {
        let mut pieces = pieces(DataPart::Records, &frame.records);
        if let Some(slow_down) = &frame.slow_down {
            pieces.extend(self::pieces(DataPart::SlowDown, slow_down));
        }
        if let Some(last) = pieces.last_mut() {
            (last.last, last.start) = (true, start);
        }
        pieces.into_iter().for_each(|piece| self.window.push(piece));
        self.marks.extend(frame.marks);
    }

    /// Whether frames fit behind everything that is under way.
    fn fit<const N: usize>(&self, frames: [&Frame; N]) -> bool {
        let records: usize = frames.iter().map(|frame| frame.records.len()).sum();
        let marks: usize = frames.iter().map(|frame| frame.marks.len()).sum();
        self.window.taken() + records + CRC_BYTES <= self.room
            && self.marks.len() + marks < usize::from(MARK_NUMBERS)
    }
}

/// What has to be said, in as few pieces as may be, all of about the same length.
fn pieces(part: DataPart, bytes: &[u8]) -> Vec<Piece> {
    let count = bytes.len().div_ceil(PIECE).max(1);
    let length = bytes.len().div_ceil(count).max(1);
    let piece = |bytes: &[u8]| Piece {
        part,
        bytes: bytes.to_vec(),
        last: false,
        start: false,
    };
    if bytes.is_empty() {
        return vec![piece(bytes)];
    }
    bytes.chunks(length).map(piece).collect()
}
