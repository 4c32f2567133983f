//! From a planned program to a packed one.
//!
//! The schedule is played once, and each stream takes note of what falls to it, with
//! its tick and its ideal time. The start of a motion need not be a whole tick. It may
//! be moved within bounds that the ticks of its steps set: with t(k) the ideal times
//! since the start, every round(start + t(k)) is the tick of step k.

use std::cell::RefCell;
use std::cmp::Reverse;
use std::collections::{HashMap, VecDeque};
use std::sync::Arc;

use super::error::PackError;
use super::fit::ONE;
use super::motion::{self, END_TOLERANCE, Motion};
use super::op::{self, Act, GAP_BITS, Op};
use super::{Packed, Ramp};
use crate::plan::{self, AxisMotion, Item, PlannedMove};
use crate::rig::Rig;
use crate::schedule::clock::Instant;
use crate::schedule::event::{Event, What};
use crate::schedule::invert::{Inverse, Scale};
use crate::schedule::timeline::{Run, Schedule};

/// Ticks of 2⁻³² each in one tick.
const GAP_ONE: f64 = (1u64 << GAP_BITS) as f64;
/// How far a last step keeps from the middle between two ticks (ticks).
const MARGIN: f64 = 1.0 / 2048.0;
/// By how much a start may miss its bounds where they leave no room (ticks).
const SLACK: f64 = 1.5 * END_TOLERANCE;

/// Packs a planned program for a rig.
///
/// Holds the ideal step times of every distinct motion (8 bytes a step) while it
/// works.
///
/// # Errors
///
/// Where the program does not fit the layout's numbers; see [`PackError`].
pub fn pack(items: impl IntoIterator<Item = Item>, rig: &Rig) -> Result<Packed, PackError> {
    if rig.outputs.len() > 255 || rig.inputs.len() > 255 {
        return Err(PackError::TooManyPins);
    }
    // The moves that the schedule has begun, for each axis that they turn.
    let begun: RefCell<Vec<VecDeque<Begun>>> = RefCell::new(vec![VecDeque::new(); rig.axes.len()]);
    let items = items.into_iter().inspect(|item| {
        if let Item::Move(PlannedMove { index, motion, .. }) = item {
            for (number, axis) in motion.axes.iter().enumerate() {
                if axis.steps > 0 {
                    begun.borrow_mut()[axis.axis].push_back(Begun {
                        index: *index,
                        motion: Arc::clone(motion),
                        number,
                    });
                }
            }
        }
    });
    let mut schedule = Schedule::new(items, rig);
    let mut builder = Builder::new(rig);
    let mut ticks = Vec::new();
    loop {
        let run = match schedule.next_run() {
            None => break,
            Some(Run::Event(event)) => Err(event),
            Some(Run::Steps {
                axis, ticks: steps, ..
            }) => {
                ticks.clear();
                ticks.extend_from_slice(steps);
                Ok(axis)
            }
        };
        let now = clock_at(schedule.now());
        match run {
            Err(event) => builder.event(event, now)?,
            Ok(axis) => {
                let start = clock_at(schedule.motion_start().unwrap_or_default());
                builder.steps(axis, &ticks, start, &mut begun.borrow_mut()[axis])?;
            }
        }
    }
    builder.finish()
}

/// What the clock of a stream shows at an instant: half a tick more.
fn clock_at(instant: Instant) -> u128 {
    instant.in_parts(GAP_BITS) + HALF
}

/// A move that the schedule has begun, and the axis that is meant.
#[derive(Debug, Clone)]
struct Begun {
    index: u64,
    motion: Arc<plan::Motion>,
    number: usize,
}

/// An operation and where in time it falls, by the clock of its stream.
#[derive(Debug, Clone, PartialEq)]
struct Placed {
    /// Where the clock should stand.
    ideal: u128,
    what: PlacedWhat,
}

#[derive(Debug, Clone, PartialEq)]
enum PlacedWhat {
    /// Anything but a motion, and the tick that it falls on.
    Act(u64, Act),
    /// A motion.
    Play {
        /// Number of the move in the program.
        index: u64,
        /// Which of the known motions.
        known: usize,
        /// Ticks of its first and last step.
        first: u64,
        last: u64,
        /// Bounds of its start, in ticks since the first step.
        lowest: f64,
        highest: f64,
    },
}

/// One axis of a motion, and what finding its starts takes.
#[derive(Debug)]
struct Known {
    /// Number of the first move that needs it.
    index: u64,
    /// Ideal step times (ticks since the start) …
    times: Vec<f64>,
    /// … and that of the end.
    end: f64,
    /// Keeps the address of the motion from being used again.
    _motion: Arc<plan::Motion>,
}

/// A motion whose steps are coming in.
#[derive(Debug)]
struct Open {
    index: u64,
    known: usize,
    /// Steps seen.
    done: usize,
    /// Where the clock should stand at the start.
    start: u128,
    first: u64,
    lowest: f64,
    highest: f64,
}

/// A motion once it is packed.
#[derive(Debug, Clone, Copy)]
struct Fitted {
    number: u16,
    /// When the last step falls (2⁻¹⁶ ticks since the start).
    length: u64,
}

struct Builder {
    rate: f64,
    packed: Packed,
    streams: Vec<Vec<Placed>>,
    known: Vec<Known>,
    /// By address of the motion and number of its axis.
    known_by_address: HashMap<(*const plan::Motion, usize), usize>,
    marks: HashMap<Arc<str>, u16>,
    open: Vec<Option<Open>>,
}

impl Builder {
    fn new(rig: &Rig) -> Self {
        Self {
            rate: rig.timer.tick_rate(),
            packed: Packed::default(),
            streams: vec![Vec::new(); rig.axes.len() + 1],
            known: Vec::new(),
            known_by_address: HashMap::new(),
            marks: HashMap::new(),
            open: rig.axes.iter().map(|_| None).collect(),
        }
    }

    fn event(&mut self, event: Event, now: u128) -> Result<(), PackError> {
        let others = self.streams.len() - 1;
        let (stream, act) = match event.what {
            What::Direction { axis, direction } => (axis, Act::Direction(direction)),
            What::Output { output, on } => (others, Act::Output(output as u8, on)),
            What::Mark(text) => (others, Act::Mark(self.mark(text)?)),
            What::Await { input, timeout } => {
                for stream in 0..others {
                    self.place(stream, now, event.tick, Act::Meet);
                }
                (others, Act::Await(input as u8, timeout))
            }
            // Steps come in runs.
            What::Step { .. } => return Ok(()),
        };
        self.place(stream, now, event.tick, act);
        Ok(())
    }

    fn place(&mut self, stream: usize, ideal: u128, tick: u64, act: Act) {
        let what = PlacedWhat::Act(tick, act);
        self.streams[stream].push(Placed { ideal, what });
    }

    fn mark(&mut self, text: Arc<str>) -> Result<u16, PackError> {
        if let Some(&number) = self.marks.get(&text) {
            return Ok(number);
        }
        let number = u16::try_from(self.marks.len()).map_err(|_| PackError::TooManyMarks)?;
        self.packed.marks.push(text.to_string());
        self.marks.insert(text, number);
        Ok(number)
    }

    fn steps(
        &mut self,
        axis: usize,
        mut ticks: &[u64],
        start: u128,
        begun: &mut VecDeque<Begun>,
    ) -> Result<(), PackError> {
        while !ticks.is_empty() {
            let mut open = match self.open[axis].take() {
                Some(open) => open,
                None => {
                    let Some(next) = begun.pop_front() else {
                        return Err(PackError::Inconsistent { index: 0 });
                    };
                    Open {
                        index: next.index,
                        known: self.known(next),
                        done: 0,
                        start,
                        first: ticks[0],
                        lowest: f64::NEG_INFINITY,
                        highest: f64::INFINITY,
                    }
                }
            };
            let times = &self.known[open.known].times;
            let (now, later) = ticks.split_at(ticks.len().min(times.len() - open.done));
            for (tick, time) in now.iter().zip(&times[open.done..]) {
                let middle = (tick - open.first) as f64 - time;
                open.lowest = open.lowest.max(middle - 0.5);
                open.highest = open.highest.min(middle + 0.5);
            }
            open.done += now.len();
            ticks = later;
            if open.done < times.len() {
                self.open[axis] = Some(open);
                continue;
            }
            let what = PlacedWhat::Play {
                index: open.index,
                known: open.known,
                first: open.first,
                last: now.last().copied().unwrap_or(open.first),
                lowest: open.lowest,
                highest: open.highest,
            };
            let ideal = open.start;
            self.streams[axis].push(Placed { ideal, what });
        }
        Ok(())
    }

    /// The number in `known` of one axis of a motion.
    fn known(&mut self, begun: Begun) -> usize {
        let next = self.known.len();
        let key = (Arc::as_ptr(&begun.motion), begun.number);
        let number = *self.known_by_address.entry(key).or_insert(next);
        if number == next {
            let axis = &begun.motion.axes[begun.number];
            self.known.push(Known {
                index: begun.index,
                times: ideal_times(axis, self.rate),
                end: axis.duration() * self.rate,
                _motion: begun.motion,
            });
        }
        number
    }

    fn finish(mut self) -> Result<Packed, PackError> {
        let fitted = self.fit()?;
        drop_unused_ramps(&mut self.packed);
        for placed in &self.streams {
            let ops = operations(placed, &fitted)?;
            self.packed.streams.push(ops);
        }
        Ok(self.packed)
    }

    /// Packs the motions, those with the longest ramps first: the others may find
    /// their own ramps in them.
    fn fit(&mut self) -> Result<Vec<Fitted>, PackError> {
        let mut order: Vec<usize> = (0..self.known.len()).collect();
        order.sort_by_key(|&known| Reverse(motion::ramp_length(&self.known[known].times)));
        let mut fitted = vec![
            Fitted {
                number: 0,
                length: 0
            };
            order.len()
        ];
        let mut numbers: HashMap<Motion, u16> = HashMap::new();
        let Packed { ramps, motions, .. } = &mut self.packed;
        for number in order {
            let Known {
                index, times, end, ..
            } = &self.known[number];
            let motion = motion::pack(times, *end, ramps);
            let motion = motion.ok_or(PackError::TooSlow { index: *index })?;
            let length = motion.length(ramps);
            let next = motions.len();
            let known = numbers.get(&motion).copied();
            let number_of_motion = match known {
                Some(known) => known,
                None => u16::try_from(next).map_err(|_| PackError::TooManyMotions)?,
            };
            if known.is_none() {
                motions.push(motion.clone());
                numbers.insert(motion, number_of_motion);
            }
            fitted[number] = Fitted {
                number: number_of_motion,
                length,
            };
        }
        Ok(fitted)
    }
}

/// Ramps that no motion plays leave nothing behind: packing tries some in vain.
fn drop_unused_ramps(packed: &mut Packed) {
    let mut used = vec![false; packed.ramps.len()];
    let parts = |motion: &mut Motion, act: &mut dyn FnMut(&mut usize)| {
        for part in &mut motion.parts {
            if let motion::Part::Forward { ramp, .. } = part {
                act(ramp);
            }
        }
    };
    for motion in &mut packed.motions {
        parts(motion, &mut |ramp| used[*ramp] = true);
    }
    let mut numbers = vec![0; used.len()];
    let mut kept: Vec<Ramp> = Vec::new();
    for (number, ramp) in packed.ramps.drain(..).enumerate() {
        numbers[number] = kept.len();
        if used[number] {
            kept.push(ramp);
        }
    }
    for motion in &mut packed.motions {
        parts(motion, &mut |ramp| *ramp = numbers[*ramp]);
    }
    packed.ramps = kept;
}

/// One operation, how long it moves the clock on, and where that may stand before.
struct Bounded {
    act: Act,
    lasts: u128,
    ideal: u128,
    from: u128,
    to: u128,
    /// Number of the move that it belongs to.
    index: u64,
}

/// Where the clock may stand at each operation of a stream, so that those behind it
/// can still be reached.
fn bounded(placed: &[Placed], fitted: &[Fitted]) -> Result<Vec<Bounded>, PackError> {
    let mut all = Vec::with_capacity(placed.len());
    for Placed { ideal, what } in placed {
        let (act, lasts, bounds, index) = match what {
            PlacedWhat::Act(tick, act) => {
                let from = u128::from(*tick) << GAP_BITS;
                (act.clone(), 0, Some((from, from + 2 * HALF - 1)), 0)
            }
            PlacedWhat::Play { known, index, .. } => {
                let Fitted { number, length } = fitted[*known];
                let lasts = u128::from(length) << (GAP_BITS - 16);
                (Act::Play(number), lasts, starts(what, length), *index)
            }
        };
        let (from, to) = bounds.ok_or(PackError::Inconsistent { index })?;
        all.push(Bounded {
            act,
            lasts,
            ideal: *ideal,
            from,
            to,
            index,
        });
    }
    let mut latest = u128::MAX;
    for operation in all.iter_mut().rev() {
        operation.to = operation.to.min(latest.saturating_sub(operation.lasts));
        latest = operation.to;
    }
    Ok(all)
}

/// The operations of a stream, folded. The clock that they move is half a tick ahead,
/// so that whatever happens falls on its whole part.
fn operations(placed: &[Placed], fitted: &[Fitted]) -> Result<Vec<Op>, PackError> {
    const LONGEST_GAP: u128 = u64::MAX as u128;
    let mut ops = Vec::with_capacity(placed.len());
    let mut clock = 0u128;
    let mut last_gaps: HashMap<(Option<Act>, Act), u128> = HashMap::new();
    let mut before = None;
    for operation in bounded(placed, fitted)? {
        let Bounded {
            act,
            lasts,
            ideal,
            from,
            to,
            index,
        } = operation;
        if to < clock.max(from) {
            return Err(PackError::Inconsistent { index });
        }
        let (least, most) = (from.saturating_sub(clock), to - clock);
        // The gap that came last between two like operations keeps repeats alike.
        let last = last_gaps.get(&(before.clone(), act.clone())).copied();
        let candidates = [last, ideal.checked_sub(clock)].into_iter().flatten();
        let mut gap = candidates
            .into_iter()
            .find(|gap| (least..=most).contains(gap))
            .unwrap_or_else(|| roundest(least, most));
        last_gaps.insert((before.take(), act.clone()), gap);
        before = Some(act.clone());
        clock += gap + lasts;
        while gap > LONGEST_GAP {
            ops.push(Op {
                gap: u64::MAX,
                act: Act::Wait,
            });
            gap -= LONGEST_GAP;
        }
        ops.push(Op {
            gap: gap as u64,
            act,
        });
    }
    Ok(op::folded(ops))
}

/// Half a tick.
const HALF: u128 = 1 << (GAP_BITS - 1);

/// Where the clock may stand when a motion starts, so that its last step falls on its
/// tick exactly and the others come as close as they can; none where that is far off.
fn starts(what: &PlacedWhat, length: u64) -> Option<(u128, u128)> {
    let PlacedWhat::Play {
        first,
        last,
        lowest,
        highest,
        ..
    } = what
    else {
        return None;
    };
    let end = (last - first) as f64 - length as f64 / ONE;
    let (least, most) = (end - 0.5 + MARGIN, end + 0.5 - MARGIN);
    let (low, high) = (
        lowest.min(*highest).max(least),
        highest.max(*lowest).min(most),
    );
    let (low, high) = if low <= high {
        (low, high)
    } else {
        let nearest = f64::midpoint(low, high).clamp(least, most);
        (nearest, nearest)
    };
    if lowest - highest > SLACK || lowest - high > SLACK || low - highest > SLACK {
        return None;
    }
    let instant = |ticks: f64| {
        let since_first = ((ticks + 0.5) * GAP_ONE).round() as i128;
        // Nothing starts before the program does.
        u128::try_from((since_first + (i128::from(*first) << GAP_BITS)).max(0)).ok()
    };
    Some((instant(low)?, instant(high)?))
}

/// The number from `least` to `most` that ends in the most zero bits.
fn roundest(least: u128, most: u128) -> u128 {
    let differ = (least.wrapping_sub(1) ^ most).checked_ilog2().unwrap_or(0);
    if least == 0 {
        0
    } else {
        most >> differ << differ
    }
}

/// Ideal times of the steps of one axis (ticks since the start of the motion): step k
/// falls where the position passes k − ½.
fn ideal_times(axis: &AxisMotion, rate: f64) -> Vec<f64> {
    let steps = usize::try_from(axis.steps).unwrap_or(usize::MAX);
    let mut times = vec![0.0; steps];
    let (mut done, mut elapsed) = (0, 0.0);
    for (number, segment) in axis.segments.iter().enumerate() {
        let last = match axis.segments.get(number + 1) {
            Some(next) => ((next.position + 0.5).floor().max(0.0) as usize).min(steps),
            None => steps,
        };
        if last > done {
            let part = &mut times[done..last];
            let in_ticks = |time: f64| (time + elapsed) * rate;
            Inverse::new(segment).moments(done as f64 + 0.5, &Scale::SECONDS, part, in_ticks);
            done = last;
        }
        elapsed += segment.duration;
    }
    times
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::Direction;

    #[test]
    fn the_roundest_number_is_taken() {
        assert_eq!(roundest(0, 9), 0);
        assert_eq!(roundest(9, 9), 9);
        assert_eq!(roundest(9, 15), 12);
        assert_eq!(roundest(17, 35), 32);
        assert_eq!(roundest(3, 4), 4);
    }

    #[test]
    fn longer_gaps_than_fit_are_split() {
        let tick = 3 << 32;
        let act = Act::Direction(Direction::Negative);
        let ideal = (u128::from(tick) << GAP_BITS) + HALF;
        let what = PlacedWhat::Act(tick, act);
        let ops = operations(&[Placed { ideal, what }], &[]).expect("operations");
        let total: u128 = op::Unrolled::new(&ops).map(|op| u128::from(op.gap)).sum();
        assert_eq!(total, ideal);
    }
}
