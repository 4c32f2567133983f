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
use super::record::{self, Act, RecordKind};
use super::standstill::Standstill;
use super::timing::RecordTiming;
use super::unsendable::Unsendable;
use crate::plan::Item;
use crate::rig::Rig;

/// Bytes that the records of a frame may take.
pub(crate) const MOST_RECORDS: usize = 112;

/// A part of the schedule.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Frame {
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

/// Cuts a schedule into frames.
#[derive(Debug)]
pub(crate) struct Slicer<I> {
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
    pub(crate) fn new(
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
            standstill: Standstill::new(timing, rig, room_to_slow),
            timing,
            from: 0,
            slice: timing.slice(),
            done: false,
            unfit: None,
        })
    }

    /// Why the frames ended too early, if they did.
    pub(crate) const fn unfit(&self) -> Option<Unsendable> {
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
