//! Parts: steps without anything else between them, each stored once.

use std::collections::HashMap;
use std::collections::hash_map::DefaultHasher;
use std::hash::{Hash, Hasher};

use super::{HeaderLimit, SEVERAL};

/// More entries than any controller holds (8 MiB).
pub(super) const MOST_INTERVALS: usize = 1 << 22;
/// An entry of the interval table that goes on in the next one.
const GOES_ON: u16 = u16::MAX;

/// Steps in the tables.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct TablePart {
    pub(super) steps: u32,
    /// Where its intervals begin.
    pub(super) first_interval: u32,
    /// Where the axes of its steps begin, if it has several.
    pub(super) first_axis: u32,
    intervals: u32,
    several: bool,
}

/// A part that has just been closed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Played {
    pub(super) first_tick: u64,
    pub(super) last_tick: u64,
    pub(super) part: u32,
    pub(super) axis: u8,
}

/// The tables, and a part that is still growing at their ends.
#[derive(Debug, Default)]
pub(super) struct Parts {
    pub(super) intervals: Vec<u16>,
    pub(super) axes: Vec<u8>,
    pub(super) list: Vec<TablePart>,
    by_hash: HashMap<u64, Vec<u32>>,
    open: Option<Open>,
}

/// The part that is growing.
#[derive(Debug)]
struct Open {
    first_tick: u64,
    last_tick: u64,
    steps: u32,
    first_interval: usize,
    first_axis: usize,
    several: bool,
}

impl Parts {
    /// Adds steps of one axis.
    pub(super) fn add(&mut self, axis: u8, ticks: &[u64]) -> Result<(), HeaderLimit> {
        let mut ticks = ticks;
        if self.open.is_none() {
            let Some((first, rest)) = ticks.split_first() else {
                return Ok(());
            };
            self.open = Some(Open {
                first_tick: *first,
                last_tick: *first,
                steps: 1,
                first_interval: self.intervals.len(),
                first_axis: self.axes.len(),
                several: false,
            });
            self.axes.push(axis);
            ticks = rest;
        }
        let Some(open) = &mut self.open else {
            return Ok(());
        };
        open.several |= self.axes[open.first_axis] != axis;
        for tick in ticks {
            let mut interval = tick - open.last_tick;
            while interval >= u64::from(GOES_ON) {
                interval -= u64::from(GOES_ON);
                self.intervals.push(GOES_ON);
                limit(&self.intervals)?;
            }
            // The loop has left less than 65535.
            self.intervals.push(interval as u16);
            self.axes.push(axis);
            open.last_tick = *tick;
            open.steps += 1;
        }
        limit(&self.intervals)
    }

    /// Ends the part that is growing, if there is one; keeps its tables only where no
    /// earlier part is the same.
    pub(super) fn close(&mut self) -> Option<Played> {
        let open = self.open.take()?;
        let axis = self.axes[open.first_axis];
        if !open.several {
            self.axes.truncate(open.first_axis);
        }
        let (intervals, axes) = (
            &self.intervals[open.first_interval..],
            &self.axes[open.first_axis..],
        );
        let mut hasher = DefaultHasher::new();
        (intervals, axes).hash(&mut hasher);
        let same_hash = self.by_hash.entry(hasher.finish()).or_default();
        let known = same_hash.iter().copied().find(|number| {
            let part = &self.list[*number as usize];
            let from = part.first_interval as usize;
            let from_axis = part.first_axis as usize;
            let steps = if part.several { part.steps as usize } else { 0 };
            self.intervals[from..from + part.intervals as usize] == *intervals
                && self.axes[from_axis..from_axis + steps] == *axes
        });
        let part = match known {
            Some(number) => {
                self.intervals.truncate(open.first_interval);
                self.axes.truncate(open.first_axis);
                number
            }
            None => {
                // All of these are below the limit of the interval table.
                let number = self.list.len() as u32;
                same_hash.push(number);
                self.list.push(TablePart {
                    steps: open.steps,
                    first_interval: open.first_interval as u32,
                    first_axis: open.first_axis as u32,
                    intervals: intervals.len() as u32,
                    several: open.several,
                });
                number
            }
        };
        Some(Played {
            first_tick: open.first_tick,
            last_tick: open.last_tick,
            part,
            axis: if open.several { SEVERAL } else { axis },
        })
    }
}

fn limit(intervals: &[u16]) -> Result<(), HeaderLimit> {
    if intervals.len() > MOST_INTERVALS {
        return Err(HeaderLimit::Intervals);
    }
    Ok(())
}
