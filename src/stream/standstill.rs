//! The slow-down that goes with each frame: how the axes come to a standstill from where its
//! records end.

use super::ahead::{Ahead, Begun};
use super::cut::EventStream;
use super::slow_down;
use super::timing::RecordTiming;
use super::unsendable::Unsendable;
use crate::plan::Item;

/// By which share the intervals of a slow-down may be off: the first that fits is taken.
const SHARES: [f64; 4] = [0.03, 0.06, 0.12, 0.24];

/// The slow-downs of the frames of one program.
#[derive(Debug)]
pub(super) struct Standstill {
    timing: RecordTiming,
    /// Bytes that the board has for one.
    room: usize,
    /// The ticks of each axis's steps in the slow-down that was given last, since its
    /// records ended; none where there is more to it.
    given: Option<Vec<Vec<u64>>>,
}

impl Standstill {
    pub(super) const fn new(timing: RecordTiming, room: usize) -> Self {
        Self {
            timing,
            room,
            given: None,
        }
    }

    /// How the axes come to a standstill from where the streams stand; none where the
    /// slow-down that was given last does so, as it does on even stretches.
    pub(super) fn next<I: Iterator<Item = Item>>(
        &mut self,
        ahead: &mut Ahead<I>,
    ) -> Result<Option<Vec<u8>>, Unsendable> {
        let under_way = ahead.under_way();
        let axes = ahead.axes();
        match under_way.and_then(|begun| Halting::of(begun, axes, self.timing.rate)) {
            Some(halting) => self.brake(&halting, axes),
            None => Ok(self.stand_still(axes.len())),
        }
    }

    fn brake(
        &mut self,
        halting: &Halting,
        axes: &[EventStream],
    ) -> Result<Option<Vec<u8>>, Unsendable> {
        let ways = halting.ways(axes, self.timing.rate);
        if let (Some(ways), Some(given)) = (&ways, &self.given)
            && ways.iter().zip(given).all(|(way, given)| agree(way, given))
        {
            return Ok(None);
        }
        let mut bytes = Vec::new();
        for share in SHARES {
            let accuracy = self.timing.accuracy(Some(share));
            bytes.clear();
            for (number, stream) in axes.iter().enumerate() {
                let times = halting.times_of(number);
                let start = halting.begun.start;
                let records = stream.slowing(number, start, times, self.timing.rate, accuracy);
                // What is longer does not fit anyway.
                bytes.push(u8::try_from(records.len()).unwrap_or(u8::MAX));
                bytes.extend(records);
            }
            if bytes.len() <= self.room {
                self.given = ways;
                return Ok(Some(bytes));
            }
        }
        Err(Unsendable::SlowDown {
            tick: halting.at,
            bytes: bytes.len(),
            room: self.room,
        })
    }

    /// The slow-down of axes that stand still.
    fn stand_still(&mut self, axes: usize) -> Option<Vec<u8>> {
        let still = vec![Vec::new(); axes];
        let given = self.given.replace(still.clone());
        (given != Some(still)).then(Vec::new)
    }
}

/// A motion that comes to a standstill from its midst.
struct Halting {
    begun: Begun,
    /// The tick from which on it slows down.
    at: u64,
    /// When the steps of each of its axes fall (s since its start).
    times: Vec<Vec<f64>>,
}

impl Halting {
    /// None where no step of the motion is left.
    fn of(begun: Begun, axes: &[EventStream], rate: f64) -> Option<Self> {
        let motion = &begun.motion;
        let stream_of = |axis: usize| &axes[axis];
        let done: Vec<u64> = motion
            .axes
            .iter()
            .map(|axis| stream_of(axis.axis).done_of(begun.number))
            .collect();
        let mut steps_left = motion.axes.iter().zip(&done);
        if steps_left.all(|(axis, done)| axis.steps == *done) {
            return None;
        }
        let clocks = motion.axes.iter().map(|axis| stream_of(axis.axis).clock);
        let at = clocks.max()?;
        let since = at.saturating_sub(begun.start) as f64 / rate;
        let times = slow_down::standstill(motion, &done, since);
        Some(Self { begun, at, times })
    }

    fn times_of(&self, number: usize) -> &[f64] {
        let mut axes = self.begun.motion.axes.iter();
        let moving = axes.position(|axis| axis.axis == number);
        moving.map_or(&[], |place| &self.times[place])
    }

    /// The ticks of each axis's steps since its records ended; none where an axis still has
    /// to turn its line, so that there is more to it than steps.
    fn ways(&self, axes: &[EventStream], rate: f64) -> Option<Vec<Vec<u64>>> {
        let turns = |(number, stream): (usize, &EventStream)| {
            stream.turns().is_some() && !self.times_of(number).is_empty()
        };
        if axes.iter().enumerate().any(turns) {
            return None;
        }
        let way = |(number, stream): (usize, &EventStream)| {
            let tick = |time: &f64| self.begun.start + (time * rate).round() as u64;
            let since = |time| tick(time).saturating_sub(stream.clock);
            self.times_of(number).iter().map(since).collect()
        };
        Some(axes.iter().enumerate().map(way).collect())
    }
}

/// Whether the slow-down of an axis that was given does for another one: they are the
/// same but for rounding, which tells most where the axis hardly moves any more. The
/// other may have one step more, never less, so that no target is overrun.
fn agree(ticks: &[u64], given: &[u64]) -> bool {
    let near = |(one, other): (&u64, &u64)| one.abs_diff(*other) <= 2 + one / 200;
    let more = ticks.len().checked_sub(given.len());
    ticks.is_empty() == given.is_empty()
        && more.is_some_and(|more| more <= 1)
        && ticks.iter().zip(given).all(near)
}
