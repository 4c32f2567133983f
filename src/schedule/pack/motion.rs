//! Motions: ramps and even stretches, from the start of a move to its end.
//!
//! A motion is played from the instant at which the move starts to its last step. A
//! mirrored one is a ramp, an even stretch and the same ramp backwards, but for the
//! first interval, which leads from the start to the first step; the even stretch is
//! given in whole 2⁻¹⁶ ticks so that the last step falls exactly where it should.

use super::Malformed;
use super::bytes::{Reader, write_number};
use super::fit::ONE;
use super::ramp::{Cursor, Ramp};

/// How far a packed step may lie from its ideal time before it is rounded to a
/// tick; with that rounding it stays within one tick.
pub(crate) const TOLERANCE: f64 = 0.47;
/// How far the last step may lie from its ideal time before rounding (ticks).
pub(crate) const END_TOLERANCE: f64 = 1.0 / 64.0;
/// Intervals that differ by less than this share belong to one even stretch.
const SAME: f64 = 1e-7;

const END: u8 = 0;
const FORWARD: u8 = 1;
const EVEN: u8 = 2;
const BACKWARD: u8 = 3;
/// A ramp, an even stretch and the ramp back in one.
const MIRROR: u8 = 4;

const BEHIND_START: Malformed = Malformed("a motion goes back behind its start");

/// A part of a motion.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(crate) enum Part {
    /// So many intervals of a ramp from its start.
    Forward {
        /// Which ramp.
        ramp: usize,
        /// How many.
        count: u32,
    },
    /// So many equal intervals.
    Even {
        /// How many.
        count: u32,
        /// How long each is, in 2⁻¹⁶ ticks.
        interval: u64,
    },
    /// Back along the ramp of the last [`Part::Forward`], from where it ended.
    Backward {
        /// How many intervals.
        count: u32,
    },
}

/// One motion of one axis.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Default)]
pub(crate) struct Motion {
    pub(crate) parts: Vec<Part>,
}

impl Motion {
    /// Appends its bytes; `ramp_starts` tells where each ramp begins.
    pub(crate) fn write(&self, ramp_starts: &[usize], out: &mut Vec<u8>) {
        let mut put = |tag: u8, numbers: &[u64]| {
            out.push(tag);
            for &number in numbers {
                write_number(number, out);
            }
        };
        if let [
            Part::Forward { ramp, count },
            Part::Even {
                count: even,
                interval,
            },
            Part::Backward { count: back },
        ] = self.parts[..]
            && back + 1 == count
        {
            let start = ramp_starts[ramp] as u64;
            put(MIRROR, &[start, count.into(), even.into(), interval]);
            return;
        }
        for part in &self.parts {
            match *part {
                Part::Forward { ramp, count } => {
                    put(FORWARD, &[ramp_starts[ramp] as u64, count.into()]);
                }
                Part::Even { count, interval } => put(EVEN, &[count.into(), interval]),
                Part::Backward { count } => put(BACKWARD, &[count.into()]),
            }
        }
        put(END, &[]);
    }

    /// Reads one motion; `ramp_starts` tells where each ramp begins.
    pub(crate) fn read(
        reader: &mut Reader<'_>,
        ramps: &[Ramp],
        ramp_starts: &[usize],
    ) -> Result<Self, Malformed> {
        let mut motion = Self::default();
        let mut forward = 0;
        loop {
            let tag = reader.u8()?;
            let ramp = match tag {
                FORWARD | MIRROR => {
                    let start = reader.number()?;
                    let ramp = ramp_starts.iter().position(|&known| known as u64 == start);
                    ramp.ok_or(Malformed("a motion needs a ramp that does not exist"))?
                }
                _ => 0,
            };
            let part = match tag {
                END => return Ok(motion),
                FORWARD | MIRROR => {
                    let count = reader.u32()?;
                    if count as usize > ramps[ramp].len() {
                        return Err(Malformed("a motion needs more of a ramp than there is"));
                    }
                    forward = count;
                    Part::Forward { ramp, count }
                }
                EVEN => {
                    let count = reader.u32()?;
                    let interval = reader.number()?;
                    Part::Even { count, interval }
                }
                BACKWARD => {
                    let count = reader.u32()?;
                    forward = forward.checked_sub(count).ok_or(BEHIND_START)?;
                    Part::Backward { count }
                }
                _ => return Err(Malformed("a motion has a part of unknown kind")),
            };
            motion.parts.push(part);
            if tag == MIRROR {
                let (count, interval) = (reader.u32()?, reader.number()?);
                motion.parts.push(Part::Even { count, interval });
                let count = forward.checked_sub(1).ok_or(BEHIND_START)?;
                motion.parts.push(Part::Backward { count });
                return Ok(motion);
            }
        }
    }

    /// Its intervals.
    pub(crate) fn play<'a>(&'a self, ramps: &'a [Ramp]) -> Intervals<'a> {
        Intervals {
            ramps,
            parts: self.parts.iter(),
            part: None,
            ramp: None,
            cursor: Cursor::default(),
        }
    }

    /// How far the last step falls behind the start, in 2⁻¹⁶ ticks.
    pub(crate) fn length(&self, ramps: &[Ramp]) -> u64 {
        self.play(ramps).sum()
    }

    /// Whether it passes `times` as closely as it has to.
    fn keeps(&self, ramps: &[Ramp], times: &[f64]) -> bool {
        let mut passed = 0u64;
        let mut steps = times.iter();
        let mut last_error = f64::INFINITY;
        for interval in self.play(ramps) {
            passed += interval;
            let Some(time) = steps.next() else {
                return false;
            };
            last_error = passed as f64 / ONE - time;
            if last_error.abs() > TOLERANCE {
                return false;
            }
        }
        steps.next().is_none() && last_error.abs() <= END_TOLERANCE
    }
}

/// The intervals of a motion in 2⁻¹⁶ ticks, one after the other; each ends in a step.
#[derive(Debug, Clone)]
pub(crate) struct Intervals<'a> {
    ramps: &'a [Ramp],
    parts: std::slice::Iter<'a, Part>,
    part: Option<Part>,
    ramp: Option<usize>,
    cursor: Cursor,
}

impl Iterator for Intervals<'_> {
    type Item = u64;

    fn next(&mut self) -> Option<u64> {
        loop {
            let length = match &mut self.part {
                Some(Part::Forward { ramp, count }) if *count > 0 => {
                    *count -= 1;
                    self.cursor.forward(&self.ramps[*ramp])?
                }
                Some(Part::Even { count, interval }) if *count > 0 => {
                    *count -= 1;
                    *interval
                }
                Some(Part::Backward { count }) if *count > 0 => {
                    *count -= 1;
                    self.cursor.backward(&self.ramps[self.ramp?])?
                }
                _ => {
                    self.part = Some(*self.parts.next()?);
                    if let Some(Part::Forward { ramp, .. }) = self.part {
                        self.ramp = Some(ramp);
                        self.cursor = Cursor::default();
                    }
                    continue;
                }
            };
            return Some(length);
        }
    }
}

/// How many intervals from the start it takes until they are as short as they get
/// (the length of a ramp), and at most to the middle.
pub(crate) fn ramp_length(times: &[f64]) -> usize {
    let interval = |k: usize| times[k] - times[k - 1];
    let middle = times.len() / 2;
    let shortest = (1..times.len()).map(interval).fold(f64::INFINITY, f64::min);
    (1..middle)
        .find(|&k| interval(k) <= shortest * (1.0 + SAME) && k + 2 < times.len())
        .unwrap_or(middle)
}

/// Whether the second half of `times` mirrors the first between 0 and `end`.
fn mirrored(times: &[f64], end: f64) -> bool {
    let last = times.len() - 1;
    (0..times.len() / 2).all(|k| (times[k] + times[last - k] - end).abs() <= END_TOLERANCE / 16.0)
}

/// Packs one motion: `times` are the ideal times of its steps and `end` that of its
/// end (ticks from its start). Ramps that it needs and `ramps` does not yet hold
/// are added. None where it cannot be packed.
pub(crate) fn pack(times: &[f64], end: f64, ramps: &mut Vec<Ramp>) -> Option<Motion> {
    if times.is_empty() {
        return Some(Motion::default());
    }
    let up = ramp_length(times);
    // The ramp ends at or before the middle, so that the stretch between the two ramps
    // can make the whole exact.
    if times.len() > 1 && mirrored(times, end) {
        let known = (0..ramps.len()).rev();
        for ramp in known.filter(|&ramp| fits(&ramps[ramp], &times[..up.min(ramps[ramp].len())])) {
            let longest = up.min(ramps[ramp].len());
            if let Some(motion) = mirror(ramp, longest, ramps, times, end) {
                return Some(motion);
            }
        }
        let before = ramps.len();
        ramps.push(Ramp::through(&times[..up], TOLERANCE)?);
        if let Some(motion) = mirror(before, up, ramps, times, end) {
            return Some(motion);
        }
        ramps.pop();
    }
    one_way(times, ramps)
}

/// Whether a ramp passes `times`, and their first as exactly as the last step needs.
fn fits(ramp: &Ramp, times: &[f64]) -> bool {
    let mut cursor = Cursor::default();
    let mut passed = 0u64;
    times.iter().enumerate().all(|(k, time)| {
        let Some(interval) = cursor.forward(ramp) else {
            return false;
        };
        passed += interval;
        let error = (passed as f64 / ONE - time).abs();
        error
            <= if k == 0 {
                END_TOLERANCE / 2.0
            } else {
                TOLERANCE
            }
    })
}

/// The motion of a ramp up `count` intervals, an even stretch and the ramp down.
fn mirror(ramp: usize, count: usize, ramps: &[Ramp], times: &[f64], end: f64) -> Option<Motion> {
    let mut cursor = Cursor::default();
    let mut length = 0u64;
    for _ in 0..count {
        length += cursor.forward(&ramps[ramp])?;
    }
    let even = (times.len() + 1).checked_sub(2 * count)?;
    let middle = ((end * ONE).round() as u64).checked_sub(2 * length)?;
    let back = u32::try_from(count).ok()?.checked_sub(1)?;
    let count = u32::try_from(count).ok()?;
    let mut parts = vec![Part::Forward { ramp, count }];
    if even > 0 {
        let even = even as u64;
        // One length for all where that comes close enough to the end.
        let nearest = (middle + even / 2) / even;
        let off = middle.abs_diff(nearest * even) as f64 / ONE;
        let (interval, longer) = (middle / even, middle % even);
        let split = if off <= END_TOLERANCE / 4.0 {
            [(even, nearest), (0, 0)]
        } else {
            [(even - longer, interval), (longer, interval + 1)]
        };
        for (count, interval) in split {
            if count > 0 {
                let count = u32::try_from(count).ok()?;
                parts.push(Part::Even { count, interval });
            }
        }
    }
    parts.push(Part::Backward { count: back });
    let motion = Motion { parts };
    motion.keeps(ramps, times).then_some(motion)
}

/// The motion whose intervals are all stored, the last one as it is.
fn one_way(times: &[f64], ramps: &mut Vec<Ramp>) -> Option<Motion> {
    let (last, others) = times.split_last()?;
    let mut parts = Vec::new();
    let mut passed = 0u64;
    if !others.is_empty() {
        let count = u32::try_from(others.len()).ok()?;
        let known = ramps
            .iter()
            .position(|ramp| ramp.len() >= others.len() && fits(ramp, others));
        let ramp = match known {
            Some(ramp) => ramp,
            None => {
                ramps.push(Ramp::through(others, TOLERANCE)?);
                ramps.len() - 1
            }
        };
        parts.push(Part::Forward { ramp, count });
        let so_far = Motion {
            parts: parts.clone(),
        };
        passed = so_far.length(ramps);
    }
    let interval = ((last * ONE).round() as u64).checked_sub(passed)?;
    parts.push(Part::Even { count: 1, interval });
    let motion = Motion { parts };
    motion.keeps(ramps, times).then_some(motion)
}
