//! Ramps: runs one after the other, playable forwards and backwards.
//!
//! A run stores how interval and differences change where it begins, so the state
//! at the end of one run leads to the next, and taking the same changes off again
//! leads back: a slow-down that mirrors a speed-up needs no bytes of its own.
//!
//! Intervals that do not fit 16 bits before the point, and always the first one
//! (from the start of the motion to its first step), stand in front as they are.

use super::Malformed;
use super::bytes::{Reader, write_number};
use super::fit::{self, LONGEST_RUN, ONE, Run, SHORT_COUNT, State};

/// The most long intervals that a ramp holds.
const MOST_LONG: usize = 255;
/// From here on an interval counts as long (ticks); the headroom is what a fit may
/// add.
const LONG: f64 = 65_000.0;

/// A stretch of intervals from the start of a motion.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(crate) struct Ramp {
    /// Intervals that stand as they are, in 2⁻¹⁶ ticks.
    pub(crate) long: Vec<u64>,
    /// The others, in runs.
    pub(crate) runs: Vec<Run>,
}

impl Ramp {
    /// The ramp through `times` (ticks since the start of the motion, rising) within
    /// `tolerance`; none where an interval is out of range.
    pub(crate) fn through(times: &[f64], tolerance: f64) -> Option<Self> {
        let mut ramp = Self::default();
        let mut passed = 0u64;
        let mut done = 0;
        let mut previous = 0.0;
        for &time in times {
            if done > 0 && time - previous < LONG {
                break;
            }
            let interval = (time * ONE).round() as u64 - passed;
            if ramp.long.len() == MOST_LONG || interval >> 48 != 0 {
                return None;
            }
            ramp.long.push(interval);
            passed += interval;
            previous = time;
            done += 1;
        }
        let mut state = State::default();
        let mut ahead = Vec::new();
        while done < times.len() {
            let start = passed as f64 / ONE;
            ahead.clear();
            ahead.extend(
                times[done..]
                    .iter()
                    .take(LONGEST_RUN)
                    .map(|time| time - start),
            );
            let (run, length) = fit::best_run(&ahead, &state, tolerance, done)?;
            state = run.enter(&state);
            for _ in 0..run.count {
                fit::advance(&mut state);
            }
            ramp.runs.push(run);
            passed += length;
            done += run.count;
        }
        Some(ramp)
    }

    /// How many intervals it holds.
    pub(crate) fn len(&self) -> usize {
        self.long.len() + self.runs.iter().map(|run| run.count).sum::<usize>()
    }

    /// Appends its bytes.
    pub(crate) fn write(&self, out: &mut Vec<u8>) {
        // At most 255 by construction.
        out.push(self.long.len() as u8);
        write_number(self.runs.len() as u64, out);
        for long in &self.long {
            out.extend_from_slice(&long.to_le_bytes()[..6]);
        }
        for run in &self.runs {
            write_run(run, out);
        }
    }

    /// Reads a ramp.
    pub(crate) fn read(reader: &mut Reader<'_>) -> Result<Self, Malformed> {
        let mut ramp = Self::default();
        let (long, runs) = (reader.u8()?, reader.number()?);
        for _ in 0..long {
            ramp.long.push(reader.little_endian(6)?);
        }
        for _ in 0..runs {
            ramp.runs.push(read_run(reader)?);
        }
        Ok(ramp)
    }
}

/// A run: the widths of the four changes (two bits each, interval lowest), the
/// count, the changes, and the size of all that for whoever comes from behind.
fn write_run(run: &Run, out: &mut Vec<u8>) {
    let start = out.len();
    let widths = run.widths();
    out.push((0..4).fold(0, |all, j| all | (widths[j] as u8) << (2 * j)));
    let coarse = u8::from(run.coarse) << 7;
    let count = run.count - 1;
    if count < SHORT_COUNT {
        out.push(coarse | count as u8);
    } else {
        out.push(coarse | (SHORT_COUNT + (count >> 8)) as u8);
        out.push(count as u8);
    }
    for (change, width) in run.change.iter().zip(widths) {
        out.extend_from_slice(&change.to_le_bytes()[..width]);
    }
    out.push((out.len() - start + 1) as u8);
}

fn read_run(reader: &mut Reader<'_>) -> Result<Run, Malformed> {
    let start = reader.position();
    let widths = reader.u8()?;
    let head = reader.u8()?;
    let short = usize::from(head & 0x7f);
    let count = match short.checked_sub(SHORT_COUNT) {
        None => short,
        Some(upper) => upper << 8 | usize::from(reader.u8()?),
    } + 1;
    let mut change = [0; 4];
    for (j, change) in change.iter_mut().enumerate() {
        let width = usize::from(widths >> (2 * j) & 3);
        let value = reader.little_endian(width)?;
        let unused = 64 - 8 * width as u32;
        *change = if width == 0 {
            0
        } else {
            ((value << unused) as i64 >> unused) as i32
        };
    }
    let size = reader.position() - start + 1;
    if usize::from(reader.u8()?) != size {
        return Err(Malformed("a run does not end where it should"));
    }
    Ok(Run {
        count,
        change,
        coarse: head & 0x80 != 0,
    })
}

/// A place in a ramp, from which it is played either way.
#[derive(Debug, Clone, Default)]
pub(crate) struct Cursor {
    /// Long intervals passed.
    long: usize,
    /// Runs entered.
    runs: usize,
    /// Intervals passed in the last run entered.
    within: usize,
    state: State,
}

impl Cursor {
    /// The next interval, in 2⁻¹⁶ ticks; none at the end.
    pub(crate) fn forward(&mut self, ramp: &Ramp) -> Option<u64> {
        if let Some(&long) = ramp.long.get(self.long) {
            self.long += 1;
            return Some(long);
        }
        if self.runs == 0 || self.within == ramp.runs[self.runs - 1].count {
            self.state = ramp.runs.get(self.runs)?.enter(&self.state);
            self.runs += 1;
            self.within = 0;
        }
        let interval = u64::from(self.state[0]);
        fit::advance(&mut self.state);
        self.within += 1;
        Some(interval)
    }

    /// The interval that [`forward`](Self::forward) gave last; none at the start.
    pub(crate) fn backward(&mut self, ramp: &Ramp) -> Option<u64> {
        if self.runs > 0 {
            if self.within == 0 {
                self.state = ramp.runs[self.runs - 1].leave(&self.state);
                self.runs -= 1;
                self.within = self
                    .runs
                    .checked_sub(1)
                    .map_or(0, |run| ramp.runs[run].count);
                return self.backward(ramp);
            }
            fit::retreat(&mut self.state);
            self.within -= 1;
            return Some(u64::from(self.state[0]));
        }
        self.long = self.long.checked_sub(1)?;
        Some(ramp.long[self.long])
    }
}
