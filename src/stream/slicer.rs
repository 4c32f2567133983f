//! The schedule, cut into frames of records, each with its slow-down.
//!
//! A frame takes every stream from where the one before left it to a common tick or just
//! beyond: a stream whose next event is near goes on to that, one that waits gets a
//! part of the wait. So no stream of the board is ever without an event while others
//! still have some, and at the end of a frame the streams stand so close to each other
//! that one slow-down fits them all.

use std::sync::Arc;

use super::ahead::Ahead;
use super::cut::Cut;
use super::fit::{self, Accuracy};
use super::record::{self, Act, RecordKind};
use super::standstill::Standstill;
use crate::plan::Item;
use crate::rig::{Rig, Timer};
use crate::schedule::timer::TickRules;

/// Bytes that the records of a frame may take.
pub const MOST_RECORDS: usize = 112;
/// How long a frame lasts, at most (s): chosen, a sixth of what data run ahead.
const SLICE: f64 = 0.05;

/// A part of the schedule.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Frame {
    /// The tick at which its first record begins, or before.
    pub from: u64,
    /// The records of all streams, in the order of the ticks at which they begin.
    pub records: Vec<u8>,
    /// For each axis the bytes of its records and the records themselves that bring it
    /// to a standstill from where `records` end; none where those of the frame before
    /// hold on.
    pub slow_down: Option<Vec<u8>>,
    /// The texts of the marks among its records, in their order.
    pub marks: Vec<Arc<str>>,
    /// Whether the program ends with it.
    pub last: bool,
}

/// Why a program cannot be streamed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Unsendable {
    /// More happens on one tick than one frame holds.
    #[error("more happens on tick {0} than one frame holds")]
    Crowded(u64),
    /// A slow-down takes more room than the board has.
    #[error("the slow-down at tick {tick} takes {bytes} bytes, and the board has room for {room}")]
    SlowDown {
        /// Where.
        tick: u64,
        /// How many.
        bytes: usize,
        /// How many there may be.
        room: usize,
    },
    /// More axes than records can tell apart.
    #[error("{0} axes are more than a board's link can drive")]
    Axes(usize),
}

/// What the ticks of a timer ask of records.
#[derive(Debug, Clone, Copy)]
pub(super) struct RecordTiming {
    /// Ticks a second.
    pub(super) rate: f64,
    /// Ticks between two steps, at least.
    between_steps: u64,
    /// What a board waits for in one piece (ticks).
    long: u64,
}

impl RecordTiming {
    fn new(timer: &Timer) -> Self {
        let rate = timer.tick_rate();
        Self {
            rate,
            between_steps: TickRules::new(timer).between_steps,
            long: fit::long(rate),
        }
    }

    /// Half of what a board waits for in one piece (ticks).
    const fn gap(&self) -> u64 {
        self.long / 2
    }

    /// How long a frame lasts, at most (ticks).
    fn slice(&self) -> u64 {
        (SLICE * self.rate) as u64
    }

    pub(super) const fn accuracy(&self, share: Option<f64>) -> Accuracy {
        Accuracy {
            share,
            least: self.between_steps,
            long: self.long,
        }
    }
}

/// Cuts a schedule into frames.
#[derive(Debug)]
pub struct Slicer<I> {
    ahead: Ahead<I>,
    standstill: Standstill,
    timing: RecordTiming,
    /// Where the next frame begins, and how long it shall be.
    from: u64,
    slice: u64,
    /// Everything has been given out.
    done: bool,
    unfit: Option<Unsendable>,
}

impl<I: Iterator<Item = Item>> Slicer<I> {
    /// The frames of a planned program on a rig, for a board that keeps slow-downs of
    /// `room_to_slow` bytes.
    ///
    /// # Errors
    /// [`Unsendable::Axes`] where the rig has too many.
    pub fn new(
        items: impl IntoIterator<Item = Item, IntoIter = I>,
        rig: &Rig,
        room_to_slow: usize,
    ) -> Result<Self, Unsendable> {
        if rig.axes.len() > record::MOST_AXES {
            return Err(Unsendable::Axes(rig.axes.len()));
        }
        let timing = RecordTiming::new(&rig.timer);
        Ok(Self {
            ahead: Ahead::new(items, rig),
            standstill: Standstill::new(timing, room_to_slow),
            timing,
            from: 0,
            slice: timing.slice(),
            done: false,
            unfit: None,
        })
    }

    /// Why the frames ended too early, if they did.
    pub const fn unfit(&self) -> Option<Unsendable> {
        self.unfit
    }

    /// The frame that ends at a tick or just behind it; none where it would be too big.
    fn attempt(&self, to: u64) -> Option<(Vec<u8>, Vec<Cut>)> {
        // Streams meet in one frame, which must also hold something to go on with once
        // the input has come.
        let meeting = self.ahead.streams().last().and_then(|others| {
            let before = others.pending.partition_point(|pending| pending.tick < to);
            let mut acts = others.pending.range(..before).rev();
            acts.find(|pending| matches!(pending.act, Act::Await(..)))
        });
        let to = meeting.map_or(to, |meeting| to.max(meeting.tick + self.timing.gap()));
        let mut cuts = Vec::new();
        let mut all: Vec<(usize, u64, usize, usize)> = Vec::new();
        let mut bytes = 0;
        for (number, stream) in self.ahead.streams().iter().enumerate() {
            let cut = stream.cut(
                number,
                to,
                self.timing.gap(),
                self.timing.accuracy(None),
                MOST_RECORDS - bytes,
            )?;
            bytes += cut.bytes;
            // What comes behind a meeting of the streams waits for all of them.
            let mut meetings = 0;
            for (at, (begins, what, _)) in cut.records.iter().enumerate() {
                all.push((meetings, *begins, number, at));
                meetings += usize::from(what.is_meeting());
            }
            cuts.push(cut);
        }
        all.sort_unstable();
        let mut records = Vec::with_capacity(bytes);
        for (.., stream, at) in all {
            records.extend_from_slice(&cuts[stream].records[at].2);
        }
        Some((records, cuts))
    }

    fn cut(&mut self) -> Result<Frame, Unsendable> {
        let (records, cuts, to) = loop {
            let to = self.from + self.slice;
            self.ahead.know(to + 5 * self.timing.gap());
            if let Some((records, cuts)) = self.attempt(to) {
                break (records, cuts, to);
            }
            if self.slice <= 1 {
                return Err(Unsendable::Crowded(self.from));
            }
            self.slice /= 2;
        };
        let is_mark = |what: &RecordKind| {
            matches!(
                what,
                RecordKind::Event {
                    act: Act::Mark(_),
                    ..
                }
            )
        };
        let of_all = cuts.iter().flat_map(|cut| &cut.records);
        let marks = of_all.filter(|(_, what, _)| is_mark(what)).count();
        self.ahead.take(cuts);
        let from = std::mem::replace(&mut self.from, to);
        self.slice = (2 * self.slice).min(self.timing.slice());
        self.done = self.ahead.is_done();
        Ok(Frame {
            from,
            records,
            slow_down: self.standstill.next(&mut self.ahead)?,
            marks: self.ahead.take_marks(marks).collect(),
            last: self.done,
        })
    }
}

impl<I: Iterator<Item = Item>> Iterator for Slicer<I> {
    type Item = Frame;

    fn next(&mut self) -> Option<Frame> {
        if self.done {
            return None;
        }
        match self.cut() {
            Ok(frame) => Some(frame),
            Err(unfit) => {
                self.unfit = Some(unfit);
                self.done = true;
                None
            }
        }
    }
}
