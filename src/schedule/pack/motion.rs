//! Motions: ramps and even stretches, from the start of a move to its end.
//!
//! A motion is played from the instant at which the move starts to its last step. A
//! mirrored one is a first interval, which leads from the start to the first step, a
//! ramp, an even stretch and the same ramp backwards; the even stretch is given in
//! whole 2⁻¹⁶ ticks so that the last step falls exactly where it should.

use super::bytes::{Reader, write_number};
use super::fit::ONE;
use super::ramp::{Cursor, LONGEST_INTERVAL, PackedRamp};
use super::{LONGEST_WAIT, Malformed};

/// How far a packed step may lie from its ideal time before it is rounded to a
/// tick; with that rounding it stays within one tick.
pub(crate) const TOLERANCE: f64 = 0.47;
/// How far the last step may lie from its ideal time before rounding (ticks): chosen,
/// since motions that follow each other add up what it leaves.
pub(crate) const END_TOLERANCE: f64 = 1.0 / 64.0;
/// Intervals that differ by less than this share belong to one even stretch: chosen, above
/// the rounding of the ideal times.
const SAME: f64 = 1e-7;

const END: u8 = 0;
const FORWARD: u8 = 1;
const EVEN: u8 = 2;
const BACKWARD: u8 = 3;
/// A first interval, a ramp, an even stretch and the ramp back in one.
const MIRROR: u8 = 4;

const BEHIND_START: Malformed = Malformed("a motion goes back beyond its start");

/// A part of a motion.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(crate) enum MotionPart {
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
    /// Back along the ramp of the last [`MotionPart::Forward`], from where it ended.
    Backward {
        /// How many intervals.
        count: u32,
    },
}

/// How far the steps of a motion are from their ideal times (ticks, before they fall on
/// whole ones).
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct FitError {
    /// Of any step, without a sign.
    pub(crate) largest: f64,
    /// By how much the last one is late.
    pub(crate) last: f64,
}

/// One motion of one axis.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Default)]
pub(crate) struct PackedMotion {
    pub(crate) parts: Vec<MotionPart>,
}

impl PackedMotion {
    /// Appends its bytes; `ramp_starts` tells where each ramp begins.
    pub(crate) fn write(&self, ramp_starts: &[usize], out: &mut Vec<u8>) {
        if let [
            MotionPart::Even {
                count: 1,
                interval: first,
            },
            MotionPart::Forward { ramp, count },
            MotionPart::Even {
                count: even,
                interval,
            },
            MotionPart::Backward { count: back },
        ] = self.parts[..]
            && back == count
        {
            out.push(MIRROR);
            write_interval(first, out);
            for number in [ramp_starts[ramp] as u64, count.into(), even.into()] {
                write_number(number, out);
            }
            write_interval(interval, out);
            return;
        }
        for part in &self.parts {
            match *part {
                MotionPart::Forward { ramp, count } => {
                    out.push(FORWARD);
                    write_number(ramp_starts[ramp] as u64, out);
                    write_number(count.into(), out);
                }
                MotionPart::Even { count, interval } => {
                    out.push(EVEN);
                    write_number(count.into(), out);
                    write_interval(interval, out);
                }
                MotionPart::Backward { count } => {
                    out.push(BACKWARD);
                    write_number(count.into(), out);
                }
            }
        }
        out.push(END);
    }

    /// Reads one motion; `ramp_starts` tells where each ramp begins.
    pub(crate) fn read(
        reader: &mut Reader<'_>,
        ramps: &[PackedRamp],
        ramp_starts: &[usize],
    ) -> Result<Self, Malformed> {
        let mut motion = Self::default();
        // Intervals of the last ramp that can still be gone back.
        let mut climbed = 0;
        let forward = |reader: &mut Reader<'_>| {
            let start = reader.number()?;
            let ramp = ramp_starts.iter().position(|&known| known as u64 == start);
            let ramp = ramp.ok_or(Malformed("a motion needs a ramp that does not exist"))?;
            let count = reader.u32()?;
            if count as usize > ramps[ramp].len() {
                return Err(Malformed("a motion needs more of a ramp than there is"));
            }
            Ok((MotionPart::Forward { ramp, count }, count))
        };
        loop {
            let part = match reader.u8()? {
                END => return Ok(motion),
                FORWARD => {
                    let (part, count) = forward(reader)?;
                    climbed = count;
                    part
                }
                EVEN => {
                    let count = reader.u32()?;
                    let interval = read_interval(reader)?;
                    MotionPart::Even { count, interval }
                }
                BACKWARD => {
                    let count = reader.u32()?;
                    climbed = climbed.checked_sub(count).ok_or(BEHIND_START)?;
                    MotionPart::Backward { count }
                }
                MIRROR => {
                    let first = MotionPart::Even {
                        count: 1,
                        interval: read_interval(reader)?,
                    };
                    let (ramp, count) = forward(reader)?;
                    let even = MotionPart::Even {
                        count: reader.u32()?,
                        interval: read_interval(reader)?,
                    };
                    motion
                        .parts
                        .extend([first, ramp, even, MotionPart::Backward { count }]);
                    return Ok(motion);
                }
                _ => return Err(Malformed("a motion has a part of unknown kind")),
            };
            motion.parts.push(part);
        }
    }

    /// Its intervals.
    pub(crate) fn play<'a>(&'a self, ramps: &'a [PackedRamp]) -> Intervals<'a> {
        Intervals {
            ramps,
            parts: self.parts.iter(),
            part: None,
            ramp: None,
            cursor: Cursor::default(),
        }
    }

    /// How far the last step falls behind the start, in 2⁻¹⁶ ticks.
    pub(crate) fn length(&self, ramps: &[PackedRamp]) -> u64 {
        self.play(ramps).sum()
    }

    /// How far from `times` its steps fall, where that is close enough.
    fn error(&self, ramps: &[PackedRamp], times: &[f64]) -> Option<FitError> {
        let mut passed = 0u64;
        let mut steps = times.iter();
        let (mut last, mut largest) = (0.0_f64, 0.0_f64);
        for interval in self.play(ramps) {
            passed += interval;
            last = passed as f64 / ONE - steps.next()?;
            largest = largest.max(last.abs());
        }
        let close = steps.next().is_none() && largest <= TOLERANCE && last.abs() <= END_TOLERANCE;
        close.then_some(FitError { largest, last })
    }

    /// Itself, and its error, where that is small enough and no interval is too long for the
    /// layout.
    fn with_error(self, ramps: &[PackedRamp], times: &[f64]) -> Option<(Self, FitError)> {
        let too_long = |part: &MotionPart| matches!(part, MotionPart::Even { interval, .. } if interval >> FRACTION_BITS >= LONGEST_WAIT);
        if self.parts.iter().any(too_long) {
            return None;
        }
        let error = self.error(ramps, times)?;
        Some((self, error))
    }
}

/// Bits behind the point of an interval.
const FRACTION_BITS: u32 = 16;

/// Appends an interval: its fraction of a tick in 2⁻¹⁶, then whole ticks.
fn write_interval(interval: u64, out: &mut Vec<u8>) {
    out.extend((interval as u16).to_le_bytes());
    write_number(interval >> FRACTION_BITS, out);
}

fn read_interval(reader: &mut Reader<'_>) -> Result<u64, Malformed> {
    let fraction = reader.little_endian(2)?;
    Ok(u64::from(reader.u32()?) << FRACTION_BITS | fraction)
}

/// The intervals of a motion in 2⁻¹⁶ ticks, one after the other; each ends in a step.
#[derive(Debug, Clone)]
pub(crate) struct Intervals<'a> {
    ramps: &'a [PackedRamp],
    parts: std::slice::Iter<'a, MotionPart>,
    part: Option<MotionPart>,
    ramp: Option<usize>,
    cursor: Cursor,
}

impl Iterator for Intervals<'_> {
    type Item = u64;

    fn next(&mut self) -> Option<u64> {
        loop {
            let length = match &mut self.part {
                Some(MotionPart::Forward { ramp, count }) if *count > 0 => {
                    *count -= 1;
                    self.cursor.forward(&self.ramps[*ramp])?
                }
                Some(MotionPart::Even { count, interval }) if *count > 0 => {
                    *count -= 1;
                    *interval
                }
                Some(MotionPart::Backward { count }) if *count > 0 => {
                    *count -= 1;
                    self.cursor.backward(&self.ramps[self.ramp?])?
                }
                _ => {
                    self.part = Some(*self.parts.next()?);
                    if let Some(MotionPart::Forward { ramp, .. }) = self.part {
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
/// end (ticks from its start). A ramp that it needs and `ramps` does not yet hold is
/// added. Gives how far its steps fall from their times, too; none where it
/// cannot be packed.
pub(crate) fn pack(
    times: &[f64],
    end: f64,
    ramps: &mut Vec<PackedRamp>,
) -> Option<(PackedMotion, FitError)> {
    if times.is_empty() {
        return Some((PackedMotion::default(), FitError::default()));
    }
    let single = Singles::before(times)?;
    let up = ramp_length(times).max(single.count());
    // The ramp ends at or before the middle, so that the stretch between the two ramps
    // can make the whole exact.
    if times.len() > 1 && mirrored(times, end) {
        let wanted = up - single.count();
        let known = (0..ramps.len()).rev();
        for ramp in known.filter(|&ramp| single.lead_to(&ramps[ramp], &times[..up])) {
            let count = wanted.min(ramps[ramp].len());
            let motion = mirror(&single, Some((ramp, count)), ramps, times, end);
            if motion.is_some() {
                return motion;
            }
        }
        let before = ramps.len();
        let mut ramp = None;
        if wanted > 0 {
            ramps.push(single.ramp_through(&times[..up])?);
            ramp = Some((before, wanted));
        }
        let motion = mirror(&single, ramp, ramps, times, end);
        if motion.is_some() {
            return motion;
        }
        ramps.truncate(before);
    }
    one_way(&single, times, ramps)
}

/// The intervals in front of a ramp, each on its own: the first one, and those that are
/// too long for a run.
struct Singles {
    intervals: Vec<u64>,
    /// Their sum, in 2⁻¹⁶ ticks.
    passed: u64,
}

impl Singles {
    fn before(times: &[f64]) -> Option<Self> {
        let mut single = Self {
            intervals: Vec::new(),
            passed: 0,
        };
        let mut previous = f64::NEG_INFINITY;
        for &time in times {
            // What a fit may add keeps below the limit too.
            if time - previous < LONGEST_INTERVAL - 2.0 * TOLERANCE {
                break;
            }
            let interval = (time * ONE).round() as u64 - single.passed;
            single.intervals.push(interval);
            single.passed += interval;
            previous = time;
        }
        Some(single)
    }

    fn count(&self) -> usize {
        self.intervals.len()
    }

    fn parts(&self) -> impl ExactSizeIterator<Item = MotionPart> + DoubleEndedIterator {
        let part = |&interval| MotionPart::Even { count: 1, interval };
        self.intervals.iter().map(part)
    }

    fn ramp_through(&self, times: &[f64]) -> Option<PackedRamp> {
        let rest = &times[self.count()..];
        PackedRamp::through(rest, self.passed, self.count(), TOLERANCE)
    }

    /// Whether a ramp passes the times behind them, as far as it goes.
    fn lead_to(&self, ramp: &PackedRamp, times: &[f64]) -> bool {
        let mut cursor = Cursor::default();
        let mut passed = self.passed;
        let rest = &times[self.count()..];
        !rest.is_empty()
            && rest.iter().take(ramp.len()).all(|time| {
                passed += cursor.forward(ramp).unwrap_or_default();
                (passed as f64 / ONE - time).abs() <= TOLERANCE
            })
    }
}

/// The motion of a ramp up so many intervals, an even stretch and the ramp down.
fn mirror(
    single: &Singles,
    ramp: Option<(usize, usize)>,
    ramps: &[PackedRamp],
    times: &[f64],
    end: f64,
) -> Option<(PackedMotion, FitError)> {
    let mut parts: Vec<MotionPart> = single.parts().collect();
    let mut length = single.passed;
    let mut up = single.count();
    if let Some((ramp, count)) = ramp {
        let mut cursor = Cursor::default();
        for _ in 0..count {
            length += cursor.forward(&ramps[ramp])?;
        }
        up += count;
        let count = u32::try_from(count).ok()?;
        parts.push(MotionPart::Forward { ramp, count });
    }
    let even = (times.len() + 1).checked_sub(2 * up)?;
    let middle = ((end * ONE).round() as u64).checked_sub(2 * length)?;
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
                parts.push(MotionPart::Even { count, interval });
            }
        }
    }
    if let Some((_, count)) = ramp {
        let count = u32::try_from(count).ok()?;
        parts.push(MotionPart::Backward { count });
    }
    // The first interval leads up to the first step, so nothing mirrors it.
    parts.extend(single.parts().skip(1).rev());
    PackedMotion { parts }.with_error(ramps, times)
}

/// The motion whose intervals are all stored, the last one as it is.
fn one_way(
    single: &Singles,
    times: &[f64],
    ramps: &mut Vec<PackedRamp>,
) -> Option<(PackedMotion, FitError)> {
    let (last, others) = times.split_last()?;
    let mut parts: Vec<MotionPart> = single.parts().collect();
    if single.count() < others.len() {
        let wanted = others.len() - single.count();
        let known = ramps
            .iter()
            .position(|ramp| ramp.len() >= wanted && single.lead_to(ramp, others));
        let ramp = match known {
            Some(ramp) => ramp,
            None => {
                ramps.push(single.ramp_through(others)?);
                ramps.len() - 1
            }
        };
        let count = u32::try_from(wanted).ok()?;
        parts.push(MotionPart::Forward { ramp, count });
    }
    if single.count() == times.len() {
        parts.pop();
    }
    let so_far = PackedMotion {
        parts: parts.clone(),
    };
    let interval = ((last * ONE).round() as u64).checked_sub(so_far.length(ramps))?;
    parts.push(MotionPart::Even { count: 1, interval });
    PackedMotion { parts }.with_error(ramps, times)
}
