//! The frames of a program as they are drawn and cut into pieces for the line.

use super::message::DataPart;
use super::slicer::Frame;
use super::window::Piece;

/// Bytes of a frame that go over the line in one piece, at most: short enough for most
/// pieces to come through a line that spoils one byte in hundreds, and long beside the 10
/// bytes of framing that each has.
const PIECE: usize = 32;

/// Where the frames come from.
#[derive(Debug)]
pub(super) struct Supply<F> {
    /// Given once the board has answered.
    pub(super) frames: Option<F>,
    /// The next frame, held back so that the one before it may know that it was the
    /// last of the first filling.
    pub(super) held: Option<Frame>,
    /// The board's queue was full once.
    pub(super) filled: bool,
    /// The last frame has been drawn, or no more are taken.
    pub(super) complete: bool,
    /// There was no frame where there should have been one.
    pub(super) broken: bool,
}

impl<F> Default for Supply<F> {
    fn default() -> Self {
        Self {
            frames: None,
            held: None,
            filled: false,
            complete: false,
            broken: false,
        }
    }
}

impl<F: Iterator<Item = Frame>> Supply<F> {
    /// The next frame, unless the program is over.
    pub(super) fn draw(&mut self) -> Option<Frame> {
        let frames = self.frames.as_mut().filter(|_| !self.complete)?;
        let frame = frames.next();
        match &frame {
            Some(frame) => self.complete = frame.last,
            None => self.broken = true,
        }
        frame
    }
}

/// A frame in pieces; everything may `start` to move behind the last of them.
pub(super) fn pieces(frame: &Frame, start: bool) -> Vec<Piece> {
    let mut pieces = equal(DataPart::Records, &frame.records);
    if let Some(slow_down) = &frame.slow_down {
        pieces.extend(equal(DataPart::SlowDown, slow_down));
    }
    if let Some(last) = pieces.last_mut() {
        (last.last, last.start) = (true, start);
    }
    pieces
}

/// The bytes of one part, in as few pieces as possible, all of about the same length.
fn equal(part: DataPart, bytes: &[u8]) -> Vec<Piece> {
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
