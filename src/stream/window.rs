//! What is on its way to the board: pieces of data that it has not acknowledged, and when
//! one of them must be sent again.
//!
//! Pieces are numbered, and the board takes them in their order only. Besides, everything
//! that is said has a tag, which counts up each time, also where a piece is sent again;
//! the board repeats the tag that it heard last. A line keeps the order of what goes over
//! it. So once a tag comes back, everything that was said up to there has been heard or
//! lost, and if the board still waits for a piece from before, that piece is lost: it is
//! sent again at once, twice to be on the safe side, and those behind it, which the board
//! could not take. Nothing of that depends on how long anything takes. Behind the last piece goes a question, so
//! that its loss shows in the same way.
//!
//! Time counts only where no tag comes back, because the last thing that was said got
//! lost, or the answer: then the board is asked again.

use std::collections::VecDeque;
use std::time::Duration;

use super::frame;
use super::message::{DataPart, FromHost};

/// How long an answer takes at first guess: adapters between USB and serial lines keep
/// bytes back for up to 16 ms (common practice).
const LATENCY: Duration = Duration::from_millis(25);
/// What an answer may be late by anyway: chosen, some rounds of an ordinary scheduler.
const SLACK: Duration = Duration::from_millis(3);
/// Bytes wait in the computer for no longer than that before they leave: what is sent
/// again has to wait behind them. Chosen.
const BACKLOG: Duration = Duration::from_millis(5);
/// Pieces under way at most: chosen, below half of the 256 numbers that tell them apart.
const MOST: usize = 100;

/// A piece of data.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Piece {
    /// What it is a piece of.
    pub part: DataPart,
    /// What it says.
    pub bytes: Vec<u8>,
    /// Whether what has come counts from now on.
    pub last: bool,
    /// Whether everything may move once it is there.
    pub start: bool,
}

impl Piece {
    /// Bytes of the board's queue that it takes, and how many it needs until it has been
    /// looked through: its checksum stands there for a moment.
    fn room(&self) -> (usize, usize) {
        match self.part {
            DataPart::Records => (self.bytes.len(), self.bytes.len() + frame::CRC_BYTES),
            DataPart::SlowDown => (0, 0),
        }
    }
}

#[derive(Debug)]
struct PieceUnderWay {
    number: u8,
    piece: Piece,
    /// What was being said when it was sent last; 0: it has not been sent.
    said: u64,
}

/// Pieces under way.
#[derive(Debug)]
pub(crate) struct Window {
    pieces: VecDeque<PieceUnderWay>,
    /// Those from here on must be sent.
    next: usize,
    number: u8,
    /// How many things have been said, with a tag each; of those the board has heard so
    /// many, and the others are lost or still on their way.
    said: u64,
    heard: u64,
    /// Since when the board has heard none of what was said.
    unheard_since: Option<Duration>,
    /// Whether the last of them was a question.
    asked: bool,
    /// Time that a byte takes on the line, when everything that was said will have left,
    /// and how long an answer takes from then on.
    byte_time: Duration,
    free: Duration,
    latency: Duration,
    counts: Counts,
}

/// What it took.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Counts {
    /// Pieces sent, those that were sent again not counted.
    pub sent: u64,
    /// Pieces sent again.
    pub again: u64,
    /// Bytes of all pieces, framing included, those that were sent again not counted.
    pub bytes: u64,
}

impl Window {
    /// On a line that carries `baud` bits a second.
    pub(crate) fn new(baud: u32) -> Self {
        Self {
            pieces: VecDeque::new(),
            next: 0,
            number: 0,
            said: 0,
            heard: 0,
            unheard_since: None,
            asked: false,
            byte_time: Duration::from_secs(10) / baud.max(1),
            free: Duration::ZERO,
            latency: LATENCY,
            counts: Counts::default(),
        }
    }

    /// What it took so far.
    pub(crate) const fn counts(&self) -> Counts {
        self.counts
    }

    /// Whether no more pieces should be given for now.
    pub(crate) fn is_full(&self) -> bool {
        self.pieces.len() >= MOST
    }

    /// Bytes of the board's queue that everything under way will take.
    pub(crate) fn taken(&self) -> usize {
        self.pieces.iter().map(|one| one.piece.room().0).sum()
    }

    /// Adds a piece behind the others.
    pub(crate) fn push(&mut self, piece: Piece) {
        self.pieces.push_back(PieceUnderWay {
            number: self.number,
            piece,
            said: 0,
        });
        self.number = self.number.wrapping_add(1);
    }

    /// Everything under way may arrive or not; nothing is sent again.
    pub(crate) fn forget(&mut self) {
        self.pieces.clear();
        self.next = 0;
    }

    /// Takes note of the piece that the board expects next and of the tag that it heard
    /// last. Whether that can be so; a report from before the greeting was taken knows
    /// nothing of these pieces.
    pub(crate) fn reported(&mut self, now: Duration, expected: u8, tag: u8) -> bool {
        let oldest = self.pieces.front().map_or(self.number, |one| one.number);
        let taken = usize::from(expected.wrapping_sub(oldest));
        let sent = self.pieces.iter().take_while(|one| one.said > 0).count();
        let unheard = u64::from((self.said as u8).wrapping_sub(tag));
        let (true, Some(heard)) = (taken <= sent, self.said.checked_sub(unheard)) else {
            return false;
        };
        self.pieces.drain(..taken);
        self.next = self.next.saturating_sub(taken);
        if heard == self.said && self.heard < heard {
            // A mean that forgets; one answer that got lost does not count much.
            let took = now.saturating_sub(self.free);
            self.latency = (self.latency * 7 + took.min(self.latency * 2 + SLACK)) / 8;
        }
        if self.heard < heard {
            self.heard = heard;
            self.unheard_since = (heard < self.said).then_some(now);
        }
        if self.next > 0 && self.pieces[0].said <= self.heard {
            self.next = 0;
        }
        true
    }

    /// The bytes to send now to a board with that many free bytes in its queue, apart
    /// from what is under way. Whether anything was.
    pub(crate) fn transmit(&mut self, now: Duration, room: usize, line: &mut Vec<u8>) -> bool {
        let before = line.len();
        let (mut taken, mut blocked) = (0, false);
        for at in 0..self.pieces.len() {
            let (takes, needs) = self.pieces[at].piece.room();
            if at >= self.next {
                blocked = taken + needs > room;
                if blocked || self.free > now + BACKLOG {
                    break;
                }
                // Everything waits for it: another loss would cost more than its bytes.
                if at == 0 && self.pieces[at].said > 0 {
                    self.send(now, at, line);
                }
                self.send(now, at, line);
                self.next = at + 1;
            }
            taken += takes;
        }
        let all = blocked || self.next == self.pieces.len();
        let unanswered = self.said > self.heard;
        let late = now.saturating_sub(self.free) > self.latency * 3 / 2 + SLACK;
        if all && unanswered && (!self.asked || late) {
            self.ask(now, line);
        }
        line.len() > before
    }

    fn send(&mut self, now: Duration, at: usize, line: &mut Vec<u8>) {
        self.said += 1;
        let PieceUnderWay {
            number,
            piece,
            said,
        } = &mut self.pieces[at];
        let first = *said == 0;
        *said = self.said;
        let message = FromHost::Data {
            tag: self.said as u8,
            number: *number,
            start: piece.start,
            last: piece.last,
            part: piece.part,
            bytes: &piece.bytes,
        };
        let start = line.len();
        frame::write(&message.payload(), line);
        let bytes = line.len() - start;
        if first {
            self.counts.sent += 1;
            self.counts.bytes += bytes as u64;
        } else {
            self.counts.again += 1;
        }
        self.asked = false;
        self.leave(now, bytes);
    }

    /// Asks the board where it stands.
    pub(crate) fn ask(&mut self, now: Duration, line: &mut Vec<u8>) {
        self.said += 1;
        self.asked = true;
        self.say(now, &FromHost::Question(self.said as u8), line);
    }

    /// Says something that waits for no room.
    pub(crate) fn say(&mut self, now: Duration, message: &FromHost<'_>, line: &mut Vec<u8>) {
        let start = line.len();
        // A zero byte ends whatever stood on the line before.
        line.push(0);
        frame::write(&message.payload(), line);
        self.leave(now, line.len() - start);
    }

    /// The board has heard the greeting.
    pub(crate) fn greeted(&mut self) {
        self.unheard_since = None;
    }

    /// How long the board has heard nothing of what was said to it.
    pub(crate) fn unheard_for(&self, now: Duration) -> Duration {
        let since = self.unheard_since.unwrap_or(now);
        now.saturating_sub(since)
    }

    fn leave(&mut self, now: Duration, bytes: usize) {
        self.unheard_since.get_or_insert(now);
        self.free = self.free.max(now) + self.byte_time * bytes as u32;
    }
}

#[cfg(test)]
mod tests {
    use super::super::frame::{Arrival, Picker};
    use super::*;

    // Time is told to a window; these tests look at no clock.
    const MILLISECOND: Duration = Duration::from_millis(1);
    const ROOM: usize = 512;

    fn piece(bytes: usize) -> Piece {
        Piece {
            part: DataPart::Records,
            bytes: vec![1; bytes],
            last: true,
            start: false,
        }
    }

    fn window(pieces: usize) -> Window {
        let mut window = Window::new(1_000_000);
        (0..pieces).for_each(|_| window.push(piece(20)));
        window
    }

    /// What is said: numbers of data, none for questions, and the last tag.
    fn said(window: &mut Window, now: Duration, room: usize) -> (Vec<Option<u8>>, u8) {
        let (mut line, mut picker) = (Vec::new(), Picker::default());
        window.transmit(now, room, &mut line);
        let (mut numbers, mut last) = (Vec::new(), 0);
        for byte in line {
            let Some(Arrival::Whole(payload)) = picker.take(byte) else {
                continue;
            };
            match FromHost::read(&payload).expect("a message") {
                FromHost::Data { number, tag, .. } => {
                    numbers.push(Some(number));
                    last = tag;
                }
                FromHost::Question(tag) => {
                    numbers.push(None);
                    last = tag;
                }
                other => panic!("{other:?}"),
            }
        }
        (numbers, last)
    }

    #[test]
    fn a_question_follows_the_last_piece_and_an_answer_ends_it() {
        let mut window = window(2);
        let (numbers, tag) = said(&mut window, MILLISECOND, ROOM);
        assert_eq!(numbers, [Some(0), Some(1), None]);
        assert!(window.reported(2 * MILLISECOND, 2, tag));
        assert_eq!(said(&mut window, MILLISECOND * 500, ROOM).0, []);
        assert_eq!(window.counts().again, 0);
    }

    #[test]
    fn a_lost_piece_is_sent_again_at_once_with_those_behind_it() {
        let mut window = window(3);
        let (_, tag) = said(&mut window, MILLISECOND, ROOM);
        assert!(window.reported(2 * MILLISECOND, 1, tag));
        let (numbers, tag) = said(&mut window, 2 * MILLISECOND, ROOM);
        assert_eq!(numbers, [Some(1), Some(1), Some(2), None]);
        // And once more.
        assert!(window.reported(3 * MILLISECOND, 1, tag));
        let (numbers, _) = said(&mut window, 3 * MILLISECOND, ROOM);
        assert_eq!(numbers, [Some(1), Some(1), Some(2), None]);
        assert_eq!(window.counts().again, 6);
    }

    #[test]
    fn a_report_from_before_a_piece_arrived_repeats_nothing() {
        let mut window = window(2);
        let (_, tag) = said(&mut window, MILLISECOND, ROOM);
        // The board has heard nothing yet, or the first piece only.
        assert!(window.reported(2 * MILLISECOND, 0, tag - 3));
        assert!(window.reported(2 * MILLISECOND, 1, tag - 2));
        assert_eq!(said(&mut window, 2 * MILLISECOND, ROOM).0, []);
        // The second was sent again, and the report is from before.
        assert!(window.reported(3 * MILLISECOND, 1, tag));
        assert_eq!(
            said(&mut window, 3 * MILLISECOND, ROOM).0,
            [Some(1), Some(1), None]
        );
        assert!(window.reported(3 * MILLISECOND, 1, tag));
        assert_eq!(said(&mut window, 3 * MILLISECOND, ROOM).0, []);
    }

    #[test]
    fn where_no_answer_comes_the_board_is_asked_again() {
        let mut window = window(1);
        said(&mut window, MILLISECOND, ROOM);
        assert_eq!(said(&mut window, 10 * MILLISECOND, ROOM).0, []);
        assert_eq!(said(&mut window, 60 * MILLISECOND, ROOM).0, [None]);
        assert_eq!(said(&mut window, 61 * MILLISECOND, ROOM).0, []);
        assert_eq!(said(&mut window, 120 * MILLISECOND, ROOM).0, [None]);
    }

    #[test]
    fn what_cannot_be_is_passed_over() {
        let mut window = window(1);
        // Nothing has been said, so nothing can have been heard or taken.
        assert!(!window.reported(MILLISECOND, 1, 0));
        assert!(!window.reported(MILLISECOND, 0, 9));
        assert!(!window.reported(MILLISECOND, 77, 0));
        assert_eq!(said(&mut window, MILLISECOND, ROOM).0, [Some(0), None]);
    }

    #[test]
    fn no_more_is_under_way_than_the_board_has_room_for() {
        let mut window = window(3);
        // Two pieces of 20 bytes and a checksum of 4.
        assert_eq!(
            said(&mut window, MILLISECOND, 44).0,
            [Some(0), Some(1), None]
        );
        assert!(window.reported(2 * MILLISECOND, 2, 3));
        assert_eq!(said(&mut window, 2 * MILLISECOND, 23).0, []);
        assert_eq!(said(&mut window, 2 * MILLISECOND, 24).0, [Some(2), None]);
    }

    #[test]
    fn tags_and_numbers_go_round() {
        let mut window = window(0);
        for round in 0..2000u32 {
            window.push(piece(5));
            let now = MILLISECOND * round;
            let (numbers, tag) = said(&mut window, now, ROOM);
            assert_eq!(numbers, [Some(round as u8), None]);
            assert!(window.reported(now, (round + 1) as u8, tag));
        }
        assert_eq!(window.counts().again, 0);
        assert_eq!(window.counts().sent, 2000);
    }
}
