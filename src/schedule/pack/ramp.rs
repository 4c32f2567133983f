//! Ramps: runs one after the other, playable forwards and backwards.
//!
//! A run stores how interval and differences change where it begins, so the state
//! at the end of one run leads to the next, and taking the same changes off again
//! leads back: a slow-down that mirrors a speed-up needs no bytes of its own.
//!
//! An interval of a run is shorter than [`LONGEST_INTERVAL`]; longer ones, and always
//! the first one (from the start of a motion to its first step), are no part of a ramp.

use super::Malformed;
use super::bytes::{Reader, write_number};
use super::fit::{self, FittedRun, LONGEST_RUN, ONE, RampState, SHORT_COUNT};

/// No interval of a run is longer (ticks), so that a player adds up to as much to it
/// within 16 bits.
pub(crate) const LONGEST_INTERVAL: f64 = 32_767.0;

/// Intervals that follow each other.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(crate) struct PackedRamp {
    /// In runs.
    pub(crate) runs: Vec<FittedRun>,
}

impl PackedRamp {
    /// The ramp from `passed` (2⁻¹⁶ ticks since the start of the motion, `done` steps)
    /// through `times` (ticks since the start, rising) within `tolerance`; none where
    /// an interval is out of range.
    pub(crate) fn through(times: &[f64], passed: u64, done: usize, tolerance: f64) -> Option<Self> {
        let mut ramp = Self::default();
        let mut passed = passed;
        let mut fitted = 0;
        let mut state = RampState::default();
        let mut ahead = Vec::new();
        while fitted < times.len() {
            let start = passed as f64 / ONE;
            ahead.clear();
            ahead.extend(
                times[fitted..]
                    .iter()
                    .take(LONGEST_RUN)
                    .map(|time| time - start),
            );
            let (run, length) = fit::best_run(&ahead, &state, tolerance, done + fitted)?;
            state = run.enter(&state);
            for _ in 0..run.count {
                fit::advance(&mut state);
            }
            ramp.runs.push(run);
            passed += length;
            fitted += run.count;
        }
        Some(ramp)
    }

    /// How many intervals it holds.
    pub(crate) fn len(&self) -> usize {
        self.runs.iter().map(|run| run.count).sum()
    }

    /// Appends its bytes.
    pub(crate) fn write(&self, out: &mut Vec<u8>) {
        write_number(self.runs.len() as u64, out);
        for run in &self.runs {
            write_run(run, out);
        }
    }

    /// Reads a ramp.
    pub(crate) fn read(reader: &mut Reader<'_>) -> Result<Self, Malformed> {
        let mut ramp = Self::default();
        for _ in 0..reader.number()? {
            ramp.runs.push(read_run(reader)?);
        }
        Ok(ramp)
    }
}

/// A run: the widths of the four changes (two bits each, interval lowest), the
/// count, the changes, and the size of all that for whoever comes from behind.
fn write_run(run: &FittedRun, out: &mut Vec<u8>) {
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

fn read_run(reader: &mut Reader<'_>) -> Result<FittedRun, Malformed> {
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
    Ok(FittedRun {
        count,
        change,
        coarse: head & 0x80 != 0,
    })
}

/// A place in a ramp, from which it is played either way.
#[derive(Debug, Clone, Default)]
pub(crate) struct Cursor {
    /// Runs entered.
    runs: usize,
    /// Intervals passed in the last run entered.
    within: usize,
    state: RampState,
}

impl Cursor {
    /// The next interval, in 2⁻¹⁶ ticks; none at the end.
    pub(crate) fn forward(&mut self, ramp: &PackedRamp) -> Option<u64> {
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
    pub(crate) fn backward(&mut self, ramp: &PackedRamp) -> Option<u64> {
        if self.runs > 0 && self.within == 0 {
            self.runs -= 1;
            self.state = ramp.runs[self.runs].leave(&self.state);
            self.within = match self.runs.checked_sub(1) {
                Some(before) => ramp.runs[before].count,
                None => return None,
            };
        }
        self.within = self.within.checked_sub(1)?;
        fit::retreat(&mut self.state);
        Some(u64::from(self.state[0]))
    }
}
