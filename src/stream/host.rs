//! The host's side of the link, without any input or output of its own: bytes and the
//! time go in, bytes come out.
//!
//! - A frame goes over the line in short pieces: where one byte in hundreds is spoiled,
//!   most of them come through. What the board does not take is sent again; see
//!   [`Window`].
//! - The board says how many bytes of its queue are free; no more is ever under way.
//! - No data are sent that begin more than [`AHEAD`] after what the board has played, so
//!   that a stop takes effect soon.

use std::time::Duration;

use super::frame::{Arrival, CRC_BYTES, Picker};
use super::marks::Marks;
use super::message::{BoardReport, BoardState, FromBoard, FromHost, Likeness, Welcome};
use super::slicer::Frame;
use super::supply::{self, Supply};
use super::window::{Counts, Window};

/// How far data run ahead of what has been played (s): enough for the pauses that an
/// ordinary operating system makes, and short beside what a person takes for "at once".
pub(crate) const AHEAD: f64 = 0.3;
/// Time between two greetings: chosen. Many boards reset when the port is opened and take
/// their time.
const GREET_EVERY: Duration = Duration::from_millis(250);
/// How long an answer to the greeting may take: chosen, beyond the two seconds or so that
/// boot loaders wait (common practice).
const PATIENCE: Duration = Duration::from_secs(6);
/// A stop is asked for so often until the board has come to it: chosen, well within a
/// person's reaction time.
const STOP_EVERY: Duration = Duration::from_millis(50);
/// After this long without a word to the board it is asked how it stands (chosen) …
const ASK_AFTER: Duration = Duration::from_millis(150);
/// … and after this long without a word from it the line counts as dead: chosen, twenty
/// questions without an answer.
const SILENCE: Duration = Duration::from_secs(3);

/// How a stream ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Ending {
    /// The board came to an end and says so.
    Reported(BoardReport),
    /// Nobody answered the greeting.
    NoAnswer,
    /// The board is not what the program was made for.
    Unlike {
        /// The value needed.
        wanted: Likeness,
        /// What it is.
        found: Likeness,
    },
    /// The board still plays something else.
    Busy,
    /// The board was heard, but no more; what it said last.
    Silent(Option<BoardReport>),
    /// The board was greeted and goes on speaking, but hears nothing more. It has not begun to play:
    /// once it plays, it slows down by itself.
    Deaf,
    /// The board has lost the program, as it does at a reset; what it says.
    Reset(BoardReport),
    /// The program could not be cut into frames to the end; what the board said.
    Broken(BoardReport),
}

/// What the host is doing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum HostPhase {
    /// Waiting for the board to answer.
    Greeting,
    /// Sending the program.
    Playing,
    /// Waiting for the axes to slow down.
    Stopping,
    /// Over.
    Ended,
}

/// What the board has said of itself.
#[derive(Debug, Default)]
struct BoardNews {
    welcome: Option<Welcome>,
    /// It still plays something else.
    busy: bool,
    report: Option<BoardReport>,
    /// When it was last heard.
    heard: Duration,
    /// Whether it has begun to play.
    moved: bool,
    /// Free bytes of its queue.
    room: usize,
    /// Ticks that it has played.
    played: u64,
}

impl BoardNews {
    /// Counts on from a report, whose ticks come modulo 2³².
    fn progress(&mut self, report: &BoardReport) {
        let passed = report.ticks.wrapping_sub(self.played as u32);
        self.played += u64::from(passed);
        self.moved |= matches!(report.state, BoardState::Running | BoardState::Slowing);
    }
}

/// What goes over the line both ways, and when the host spoke.
#[derive(Debug)]
struct Talk {
    picker: Picker,
    damaged: u64,
    window: Window,
    /// When the host began to greet, and when it spoke last.
    began: Option<Duration>,
    spoken: Option<Duration>,
}

impl Talk {
    fn may_speak(&self, now: Duration, after: Duration) -> bool {
        self.spoken
            .is_none_or(|spoken| now.saturating_sub(spoken) >= after)
    }

    fn say(&mut self, now: Duration, message: &FromHost<'_>, line: &mut Vec<u8>) {
        self.window.say(now, message, line);
        self.spoken = Some(now);
    }
}

/// The host's side of one program.
#[derive(Debug)]
pub(crate) struct Host<F> {
    wanted: Likeness,
    digest: u32,
    pub(super) phase: HostPhase,
    ending: Option<Ending>,
    board: BoardNews,
    talk: Talk,
    supply: Supply<F>,
    marks: Marks,
}

impl<F: Iterator<Item = Frame>> Host<F> {
    /// For a program with this digest, that needs such a board, on a line that carries
    /// `baud` bits a second. The frames are given once the board has answered; see
    /// [`welcome`](Self::welcome).
    pub(crate) fn new(wanted: Likeness, digest: u32, baud: u32) -> Self {
        Self {
            wanted,
            digest,
            phase: HostPhase::Greeting,
            ending: None,
            board: BoardNews::default(),
            talk: Talk {
                picker: Picker::default(),
                damaged: 0,
                window: Window::new(baud),
                began: None,
                spoken: None,
            },
            supply: Supply::default(),
            marks: Marks::default(),
        }
    }

    /// What the board says of itself, once it has taken the greeting.
    pub(crate) const fn welcome(&self) -> Option<&Welcome> {
        self.board.welcome.as_ref()
    }

    /// Whether the frames are wanted now; see [`play`](Self::play).
    pub(crate) const fn wants_frames(&self) -> bool {
        self.board.welcome.is_some()
            && self.supply.frames.is_none()
            && matches!(self.phase, HostPhase::Playing)
    }

    /// Begins to send these frames.
    pub(crate) fn play(&mut self, frames: F) {
        self.supply.frames = Some(frames);
    }

    /// How it ended, once it has.
    pub(crate) const fn ending(&self) -> Option<&Ending> {
        self.ending.as_ref()
    }

    /// What the board said last.
    pub(crate) const fn report(&self) -> Option<&BoardReport> {
        self.board.report.as_ref()
    }

    /// Ticks of the program that the board has played.
    pub(crate) const fn played(&self) -> u64 {
        self.board.played
    }

    /// The text of the mark that the board has reached last.
    pub(crate) fn mark(&self) -> Option<&str> {
        self.marks.passed()
    }

    /// What it took so far.
    pub(crate) const fn counts(&self) -> Counts {
        self.talk.window.counts()
    }

    /// How much has come in damaged.
    pub(crate) const fn damaged(&self) -> u64 {
        self.talk.damaged
    }

    /// The frames, for whoever wants to know why they ended.
    pub(crate) const fn frames(&self) -> Option<&F> {
        self.supply.frames.as_ref()
    }

    /// Has the board slow down and stop.
    pub(crate) fn stop(&mut self) {
        match self.phase {
            HostPhase::Greeting => self.end(Ending::NoAnswer),
            HostPhase::Playing => {
                self.phase = HostPhase::Stopping;
                self.talk.spoken = None;
                self.forget();
            }
            HostPhase::Stopping | HostPhase::Ended => {}
        }
    }

    /// What is under way may arrive or not; nothing is sent again.
    fn forget(&mut self) {
        self.talk.window.forget();
        self.supply.held = None;
    }

    fn end(&mut self, ending: Ending) {
        self.ending = Some(ending);
        self.phase = HostPhase::Ended;
    }

    /// Takes what came in. `now` counts from any moment, and never goes back.
    pub(crate) fn receive(&mut self, now: Duration, bytes: &[u8]) {
        for &byte in bytes {
            match self.talk.picker.take(byte) {
                None => {}
                Some(Arrival::Damaged) => self.talk.damaged += 1,
                Some(Arrival::Whole(payload)) => match FromBoard::read(&payload) {
                    Some(FromBoard::Welcome(welcome)) => self.welcomed(now, welcome),
                    Some(FromBoard::Report(report)) => self.reported(now, report),
                    None => self.talk.damaged += 1,
                },
            }
        }
    }

    fn welcomed(&mut self, now: Duration, welcome: Welcome) {
        if self.phase != HostPhase::Greeting || welcome.digest != self.digest {
            return;
        }
        self.board.heard = now;
        if welcome.likeness != self.wanted {
            self.end(Ending::Unlike {
                wanted: self.wanted,
                found: welcome.likeness,
            });
        } else if welcome.accepted {
            self.board.room = usize::from(welcome.queue);
            self.board.welcome = Some(welcome);
            self.talk.window.greeted();
            self.phase = HostPhase::Playing;
        } else {
            self.board.busy = true;
        }
    }

    fn reported(&mut self, now: Duration, report: BoardReport) {
        if !matches!(self.phase, HostPhase::Playing | HostPhase::Stopping) {
            return;
        }
        self.board.heard = now;
        self.board.progress(&report);
        self.marks.pass(report.mark);
        if report.state == BoardState::Slowing && self.phase == HostPhase::Playing {
            // It takes no more data.
            self.forget();
            self.supply.complete = true;
        }
        // Asked to stop before it was told to start, the board stands by again.
        let never_began = !self.board.moved && self.phase == HostPhase::Stopping;
        let ending = match report.state {
            BoardState::Idle if !never_began => Ending::Reset(report),
            state if !state.is_end() && state != BoardState::Idle => {
                if self
                    .talk
                    .window
                    .reported(now, report.expected, report.heard)
                {
                    self.board.room = usize::from(report.room);
                }
                self.board.report = Some(report);
                return;
            }
            _ if self.supply.broken => Ending::Broken(report),
            _ => Ending::Reported(report),
        };
        self.end(ending);
    }

    /// The bytes to send now. Call it again after a few milliseconds at most.
    pub(crate) fn transmit(&mut self, now: Duration) -> Vec<u8> {
        let mut line = Vec::new();
        match self.phase {
            HostPhase::Greeting => self.greet(now, &mut line),
            HostPhase::Playing => self.send(now, &mut line),
            HostPhase::Stopping => {
                if self.talk.may_speak(now, STOP_EVERY) {
                    self.talk.say(now, &FromHost::Stop, &mut line);
                }
            }
            HostPhase::Ended => {}
        }
        if matches!(self.phase, HostPhase::Playing | HostPhase::Stopping)
            && now.saturating_sub(self.board.heard) > SILENCE
        {
            let report = self.board.report.take();
            self.end(Ending::Silent(report));
        } else if self.phase == HostPhase::Playing
            && !self.board.moved
            && self.talk.window.unheard_for(now) > SILENCE
        {
            self.end(Ending::Deaf);
        }
        line
    }

    fn greet(&mut self, now: Duration, line: &mut Vec<u8>) {
        let began = *self.talk.began.get_or_insert(now);
        if now.saturating_sub(began) > PATIENCE {
            self.end(if self.board.busy {
                Ending::Busy
            } else {
                Ending::NoAnswer
            });
        } else if self.talk.may_speak(now, GREET_EVERY) {
            self.talk
                .say(now, &FromHost::Greeting(self.wanted, self.digest), line);
        }
    }

    fn send(&mut self, now: Duration, line: &mut Vec<u8>) {
        self.take_frames();
        if self.talk.window.transmit(now, self.board.room, line) {
            self.talk.spoken = Some(now);
        } else if self.talk.may_speak(now, ASK_AFTER) {
            // It takes a host that says nothing at all for gone.
            self.talk.window.ask(now, line);
            self.talk.spoken = Some(now);
        }
    }

    /// Makes data of the frames that may be sent.
    fn take_frames(&mut self) {
        let ahead = (AHEAD * f64::from(self.wanted.tick_rate)) as u64;
        while !self.talk.window.is_full() {
            let Some(frame) = self.supply.held.take().or_else(|| self.draw()) else {
                return;
            };
            if frame.from > self.board.played + ahead || !self.fit([&frame]) {
                self.supply.held = Some(frame);
                return;
            }
            // Everything may move once the queue is full, or holds all there is for now.
            let mut start = false;
            if !self.supply.filled {
                self.supply.held = self.draw();
                start = match &self.supply.held {
                    Some(next) => next.from > ahead || !self.fit([&frame, next]),
                    None => frame.last,
                };
                self.supply.filled = start;
            }
            self.push(frame, start);
        }
    }

    /// The next frame. Where there is none although the program is not over, the axes
    /// are slowed down.
    fn draw(&mut self) -> Option<Frame> {
        let frame = self.supply.draw();
        if frame.is_none() && self.supply.broken {
            self.stop();
        }
        frame
    }

    /// Has a frame sent, in pieces.
    fn push(&mut self, frame: Frame, start: bool) {
        for piece in supply::pieces(&frame, start) {
            self.talk.window.push(piece);
        }
        self.marks.send(frame.marks);
    }

    /// Whether frames fit behind everything that is under way.
    fn fit<const N: usize>(&self, frames: [&Frame; N]) -> bool {
        let records: usize = frames.iter().map(|frame| frame.records.len()).sum();
        let marks: usize = frames.iter().map(|frame| frame.marks.len()).sum();
        self.talk.window.taken() + records + CRC_BYTES <= self.board.room
            && self.marks.have_room_for(marks)
    }
}
