//! The slow-down that goes with each frame: how the axes come to a standstill from where its
//! records end.

use super::ahead::{Ahead, Begun};
use super::cut::EventStream;
use super::slow_down::{self, Gentleness};
use super::timing::RecordTiming;
use super::unsendable::Unsendable;
use crate::plan::Item;
use crate::rig::{Axis, Rig};

/// How gentle a slow-down is: the share of the plan's deceleration that it keeps in reserve, and
/// by which share its runs may exceed that deceleration. The first is taken that fits the room.
/// Where the plan is slowing down already, nothing can be kept, and its path has no slack.
const LADDER: [(f64, f64); 11] = [
    (0.02, 0.0),
    (0.05, 0.0),
    (0.1, 0.0),
    (0.2, 0.0),
    (0.02, 0.005),
    (0.02, 0.01),
    (0.02, 0.02),
    (0.02, 0.04),
    (0.02, 0.08),
    (0.02, 0.16),
    (0.02, f64::INFINITY),
];
/// The deceleration is told by two stretches of so many full steps, and longer ones: within
/// them the load angle follows a run that strays.
const STRETCH: usize = 4;
/// So many steps of the plan before a slow-down are looked at with it.
const BEFORE: u64 = 256;

/// The slow-downs of the frames of one program.
#[derive(Debug)]
pub(super) struct Standstill {
    timing: RecordTiming,
    /// Bytes that the board has for one.
    room: usize,
    /// Microsteps of a full step, by axis.
    microsteps: Vec<f64>,
    /// The ticks of each axis's steps in the slow-down that was given last, since its
    /// records ended; none where there is more to it.
    given: Option<Vec<Vec<u64>>>,
}

impl Standstill {
    pub(super) fn new(timing: RecordTiming, rig: &Rig, room: usize) -> Self {
        let microsteps = |axis: &Axis| f64::from(axis.drive.microsteps());
        Self {
            timing,
            room,
            microsteps: rig.axes.iter().map(microsteps).collect(),
            given: None,
        }
    }

    /// How the axes come to a standstill from where the streams stand; none where the
    /// slow-down that was given last does so, as it does on even stretches.
    pub(super) fn next<I: Iterator<Item = Item>>(
        &mut self,
        ahead: &mut Ahead<I>,
    ) -> Result<Option<Vec<u8>>, Unsendable> {
        let Some(begun) = ahead.under_way() else {
            return Ok(self.stand_still(ahead.axes().len()));
        };
        let axes = ahead.axes();
        let [(reserve, _), ..] = LADDER;
        let Some(halting) = Halting::of(&begun, axes, self.timing.rate, reserve) else {
            return Ok(self.stand_still(axes.len()));
        };
        let ways = halting.ways(axes, self.timing.rate);
        if let (Some(ways), Some(given)) = (&ways, &self.given)
            && ways.iter().zip(given).all(|(way, given)| agree(way, given))
        {
            return Ok(None);
        }
        let (tick, mut taken) = (halting.at, 0);
        for (reserve, excess) in LADDER {
            let Some(halting) = Halting::of(&begun, axes, self.timing.rate, reserve) else {
                break;
            };
            let bytes = self.records(&halting, axes, excess);
            if bytes.len() <= self.room {
                self.given = ways;
                return Ok(Some(bytes));
            }
            taken = bytes.len();
        }
        Err(Unsendable::SlowDown {
            tick,
            bytes: taken,
            room: self.room,
        })
    }

    /// The records of all axes, each behind their length.
    fn records(&self, halting: &Halting<'_>, axes: &[EventStream], excess: f64) -> Vec<u8> {
        let mut bytes = Vec::new();
        for (number, stream) in axes.iter().enumerate() {
            let records = halting.place_of(number).map_or_else(Vec::new, |place| {
                let motion = &halting.begun.motion;
                let gentle = Gentleness {
                    decel: slow_down::deceleration(&motion.axes[place], motion.shape),
                    rate: self.timing.rate,
                    excess,
                    stretch: STRETCH * self.microsteps[number] as usize,
                    microsteps: self.microsteps[number],
                };
                let accuracy = |stray| self.timing.accuracy(Some(stray));
                let times = halting.times_of(place);
                stream.slowing(number, halting.begun.start, times, gentle, accuracy)
            });
            // What is longer does not fit anyway.
            bytes.push(u8::try_from(records.len()).unwrap_or(u8::MAX));
            bytes.extend(records);
        }
        bytes
    }

    /// The slow-down of axes that stand still.
    fn stand_still(&mut self, axes: usize) -> Option<Vec<u8>> {
        let still = vec![Vec::new(); axes];
        let given = self.given.replace(still.clone());
        (given != Some(still)).then(Vec::new)
    }
}

/// A motion that comes to a standstill from its midst.
struct Halting<'a> {
    begun: &'a Begun,
    /// The tick from which on it slows down.
    at: u64,
    /// When the steps of each of its axes fall (s since its start), the last ones before it
    /// slows down first, and how many those are.
    times: Vec<Vec<f64>>,
    before: Vec<usize>,
}

impl<'a> Halting<'a> {
    /// None where no step of the motion is left.
    fn of(begun: &'a Begun, axes: &[EventStream], rate: f64, reserve: f64) -> Option<Self> {
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
        let from: Vec<u64> = done
            .iter()
            .map(|done| done.saturating_sub(BEFORE))
            .collect();
        let before = done
            .iter()
            .zip(&from)
            .map(|(done, from)| (done - from) as usize);
        let before = before.collect();
        let times = slow_down::standstill(motion, &from, since, reserve);
        Some(Self {
            begun,
            at,
            times,
            before,
        })
    }

    fn place_of(&self, number: usize) -> Option<usize> {
        let mut axes = self.begun.motion.axes.iter();
        axes.position(|axis| axis.axis == number)
    }

    /// The times of the last steps before it slows down, and of those behind, of the axis at
    /// that place of the motion.
    fn times_of(&self, place: usize) -> [&[f64]; 2] {
        let times = &self.times[place];
        let (before, behind) = times.split_at(self.before[place].min(times.len()));
        [before, behind]
    }

    /// The times of an axis's steps behind; none where it does not move.
    fn behind(&self, number: usize) -> &[f64] {
        let place = self.place_of(number);
        place.map_or(&[], |place| self.times_of(place)[1])
    }

    /// The ticks of each axis's steps since its records ended; none where an axis still has
    /// to turn its line, so that there is more to it than steps.
    fn ways(&self, axes: &[EventStream], rate: f64) -> Option<Vec<Vec<u64>>> {
        let turns = |(number, stream): (usize, &EventStream)| {
            stream.turns().is_some() && !self.behind(number).is_empty()
        };
        if axes.iter().enumerate().any(turns) {
            return None;
        }
        let way = |(number, stream): (usize, &EventStream)| {
            let tick = |time: &f64| self.begun.start + (time * rate).round() as u64;
            let since = |time| tick(time).saturating_sub(stream.clock);
            self.behind(number).iter().map(since).collect()
        };
        Some(axes.iter().enumerate().map(way).collect())
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
