//! The schedule, cut into frames of records, each with its slow-down.
//!
//! A frame takes every stream from where the one before left it to a common tick or just
//! beyond: a stream whose next event is near goes on to that, one that waits gets a
//! part of the wait. So no stream of the board is ever without an event while others
//! still have some, and at the end of a frame the streams stand so close to each other
//! that one slow-down fits them all.

use std::collections::VecDeque;
use std::sync::Arc;

use super::cut::{Cut, EventStream, Pending};
use super::fit::{self, Accuracy};
use super::record::{self, Act, RecordKind};
use super::slow_down;
use crate::plan::{Direction, Item, Motion};
use crate::rig::Rig;
use crate::schedule::timer::TickRules;
use crate::schedule::{self, Schedule, ScheduleRun};

/// Bytes that the records of a frame may take.
pub const MOST_RECORDS: usize = 112;
/// How long a frame lasts, at most (s): chosen, a sixth of what data run ahead.
const SLICE: f64 = 0.05;
/// By which part of a full step a run of a slow-down may stray from its path: the first that
/// fits is taken. The first five change the load angle by at most 4.5 electrical degrees, 8 % of
/// the holding torque; only the gentlest slow-downs, of many thousand steps, need more, and
/// their runs are long, so that the rotor follows.
const STRAYS: [f64; 9] = [
    1.0 / 320.0,
    1.0 / 160.0,
    1.0 / 80.0,
    1.0 / 40.0,
    1.0 / 20.0,
    1.0 / 10.0,
    1.0 / 5.0,
    2.0 / 5.0,
    4.0 / 5.0,
];

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

/// Cuts a schedule into frames.
#[derive(Debug)]
pub struct Slicer<I> {
    schedule: Schedule<I>,
    /// The motions that have begun and are not over.
    motions: VecDeque<Begun>,
    rate: f64,
    pace: TickRules,
    /// What a board waits for in one piece, and half of that (ticks).
    long: u64,
    gap: u64,
    streams: Vec<EventStream>,
    /// Marks seen so far, and the texts of those that no frame has yet.
    marks_seen: u64,
    marks: VecDeque<Arc<str>>,
    /// No event before this tick is missing in the streams.
    known_to: u64,
    /// Where the next frame begins, and how long it shall be.
    from: u64,
    slice: u64,
    /// Everything is in the streams; everything has been given out.
    over: bool,
    done: bool,
    room_to_slow: usize,
    /// Microsteps of a full step, by axis.
    microsteps: Vec<f64>,
    /// The ticks of each axis's steps in the slow-down that was given last, since its
    /// records ended; none where there is more to it.
    given: Option<Vec<Vec<u64>>>,
    unfit: Option<Unsendable>,
}

/// A motion and where it starts.
#[derive(Debug)]
struct Begun {
    number: u64,
    motion: Arc<Motion>,
    start: u64,
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
        let rate = rig.timer.tick_rate();
        let long = fit::long(rate);
        Ok(Self {
            schedule: Schedule::new(items, rig),
            motions: VecDeque::new(),
            rate,
            pace: TickRules::new(&rig.timer),
            long,
            gap: long / 2,
            streams: vec![EventStream::default(); rig.axes.len() + 1],
            marks_seen: 0,
            marks: VecDeque::new(),
            known_to: 0,
            from: 0,
            slice: (SLICE * rate) as u64,
            over: false,
            done: false,
            room_to_slow,
            microsteps: rig
                .axes
                .iter()
                .map(|axis| f64::from(axis.drive.microsteps()))
                .collect(),
            given: None,
            unfit: None,
        })
    }

    /// Why the frames ended too early, if they did.
    pub const fn unfit(&self) -> Option<Unsendable> {
        self.unfit
    }

    /// Takes events from the schedule until all before a tick are known.
    fn know(&mut self, tick: u64) {
        while !self.over && self.known_to <= tick {
            match self.schedule.next_run() {
                Some(ScheduleRun::Steps {
                    axis, ticks, of, ..
                }) => {
                    // There is at least one.
                    self.known_to = ticks.last().copied().unwrap_or(self.known_to);
                    let steps = ticks.iter().map(|&tick| Pending {
                        tick,
                        act: Act::Step,
                        of_move: of.number,
                    });
                    self.streams[axis].pending.extend(steps);
                    if self
                        .motions
                        .back()
                        .is_none_or(|begun| begun.number < of.number)
                    {
                        self.motions.push_back(Begun {
                            number: of.number,
                            motion: Arc::clone(&of.planned.motion),
                            start: of.start.tick(),
                        });
                    }
                }
                Some(ScheduleRun::Event(event)) => self.event(event),
                None => {
                    let end = self.schedule.end_tick();
                    for stream in &mut self.streams {
                        stream.put(end, Act::End);
                    }
                    self.over = true;
                }
            }
        }
    }

    fn event(&mut self, event: schedule::Event) {
        let tick = event.tick;
        self.known_to = tick;
        let rest = self.streams.len() - 1;
        match event.what {
            schedule::EventKind::Direction { axis, direction } => {
                let act = match direction {
                    Direction::Positive => Act::Forwards,
                    Direction::Negative => Act::Backwards,
                };
                self.streams[axis].put(tick, act);
            }
            schedule::EventKind::Output { output, on } => {
                self.streams[rest].put(tick, Act::Output(output as u8, on));
            }
            schedule::EventKind::Mark(text) => {
                let number = self.marks_seen % u64::from(record::MARK_NUMBERS) + 1;
                self.streams[rest].put(tick, Act::Mark(number as u8));
                self.marks_seen += 1;
                self.marks.push_back(text);
            }
            schedule::EventKind::Await {
                input,
                until,
                timeout,
            } => {
                for stream in &mut self.streams[..rest] {
                    stream.put(tick, Act::Meet);
                }
                let timeout = timeout.unwrap_or(0);
                self.streams[rest].put(tick, Act::Await(input as u8, until, timeout));
            }
            // Steps come in runs.
            schedule::EventKind::Step { .. } => {}
        }
    }

    /// The frame that ends at a tick or just behind it; none where it would be too big.
    fn attempt(&self, to: u64) -> Option<(Vec<u8>, Vec<Cut>)> {
        // Where the streams meet they have to do so in one frame, and to have something
        // to go on with once the input has come.
        let meeting = self.streams.last().and_then(|others| {
            let before = others.pending.partition_point(|pending| pending.tick < to);
            let mut acts = others.pending.range(..before).rev();
            acts.find(|pending| matches!(pending.act, Act::Await(..)))
        });
        let to = meeting.map_or(to, |meeting| to.max(meeting.tick + self.gap));
        let mut cuts = Vec::new();
        let mut all: Vec<(usize, u64, usize, usize)> = Vec::new();
        let mut bytes = 0;
        for (number, stream) in self.streams.iter().enumerate() {
            let cut = stream.cut(
                number,
                to,
                self.gap,
                self.accuracy(None),
                MOST_RECORDS - bytes,
            )?;
            bytes += cut.bytes;
            // What comes behind a meeting of the streams has to wait for all of them.
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

    const fn accuracy(&self, stray: Option<f64>) -> Accuracy {
        Accuracy {
            stray,
            least: self.pace.between_steps,
            long: self.long,
        }
    }

    /// How the axes come to a standstill from where the streams stand; none where the
    /// slow-down that was given last does so, as it does on even stretches.
    fn slow_down(&mut self) -> Result<Option<Vec<u8>>, Unsendable> {
        let axes = self.streams.len() - 1;
        let under_way = self.streams[..axes]
            .iter()
            .map(|stream| stream.of_move)
            .max();
        while self
            .motions
            .front()
            .is_some_and(|begun| Some(begun.number) < under_way)
        {
            self.motions.pop_front();
        }
        let Some(begun) = self
            .motions
            .front()
            .filter(|begun| Some(begun.number) == under_way)
        else {
            return Ok(self.stand_still());
        };
        let motion = &begun.motion;
        let done: Vec<u64> = motion
            .axes
            .iter()
            .map(|axis| self.streams[axis.axis].done_of(begun.number))
            .collect();
        let over = motion
            .axes
            .iter()
            .zip(&done)
            .all(|(axis, done)| axis.steps == *done);
        let at = motion
            .axes
            .iter()
            .map(|axis| self.streams[axis.axis].clock)
            .max();
        let (false, Some(at)) = (over, at) else {
            return Ok(self.stand_still());
        };
        let since = at.saturating_sub(begun.start) as f64 / self.rate;
        let times = slow_down::standstill(motion, &done, since);
        let times_of = |number: usize| {
            let moving = motion.axes.iter().position(|axis| axis.axis == number);
            moving.map_or(&[][..], |at| &times[at])
        };
        // Where an axis still has to turn its line, there is more to it than steps.
        let turns = |(number, stream): (usize, &EventStream)| {
            stream.turns().is_some() && !times_of(number).is_empty()
        };
        let moving = self.streams[..axes].iter().enumerate();
        let ways: Option<Vec<Vec<u64>>> = (!moving.clone().any(turns)).then(|| {
            let way = |(number, stream): (usize, &EventStream)| {
                let tick = |time: &f64| begun.start + (time * self.rate).round() as u64;
                let since = |time| tick(time).saturating_sub(stream.clock);
                times_of(number).iter().map(since).collect()
            };
            moving.map(way).collect()
        });
        if let (Some(ways), Some(given)) = (&ways, &self.given)
            && ways.iter().zip(given).all(|(way, given)| agree(way, given))
        {
            return Ok(None);
        }
        let mut bytes = Vec::new();
        for stray in STRAYS {
            bytes.clear();
            for (number, stream) in self.streams[..axes].iter().enumerate() {
                let accuracy = self.accuracy(Some(stray * self.microsteps[number]));
                let times = times_of(number);
                let records = stream.slowing(number, begun.start, times, self.rate, accuracy);
                // What is longer does not fit anyway.
                bytes.push(u8::try_from(records.len()).unwrap_or(u8::MAX));
                bytes.extend(records);
            }
            if bytes.len() <= self.room_to_slow {
                self.given = ways;
                return Ok(Some(bytes));
            }
        }
        Err(Unsendable::SlowDown {
            tick: at,
            bytes: bytes.len(),
            room: self.room_to_slow,
        })
    }

    /// The slow-down of axes that stand still.
    fn stand_still(&mut self) -> Option<Vec<u8>> {
        let still = vec![Vec::new(); self.streams.len() - 1];
        let given = self.given.replace(still.clone());
        (given != Some(still)).then(Vec::new)
    }

    fn cut(&mut self) -> Result<Frame, Unsendable> {
        let (records, cuts, to) = loop {
            let to = self.from + self.slice;
            self.know(to + 5 * self.gap);
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
        for (stream, cut) in self.streams.iter_mut().zip(cuts) {
            stream.take(&cut);
        }
        let from = std::mem::replace(&mut self.from, to);
        self.slice = (2 * self.slice).min((SLICE * self.rate) as u64);
        self.done = self.over && self.streams.iter().all(|stream| stream.pending.is_empty());
        Ok(Frame {
            from,
            records,
            slow_down: self.slow_down()?,
            marks: self.marks.drain(..marks).collect(),
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

/// Whether the slow-down of an axis that was given does for another one: they are the
/// same but for rounding, which tells most where the axis hardly moves any more. The
/// other may have one step more, never less, so that no target is overrun.
fn agree(ticks: &[u64], given: &[u64]) -> bool {
    let near = |(one, other): (&u64, &u64)| one.abs_diff(*other) <= 2 + one / 1000;
    let more = ticks.len().checked_sub(given.len());
    ticks.is_empty() == given.is_empty()
        && more.is_some_and(|more| more <= 1)
        && ticks.iter().zip(given).all(near)
}
