//! From a planned program to a packed one.
//!
//! The schedule is played once, and each stream takes note of what falls to it, with
//! its tick and its ideal time; `place.rs` makes operations of them. Of equal periods of a
//! long program one is played, and each stream takes note of how often it comes again.

use std::cmp::Reverse;
use std::collections::HashMap;
use std::sync::Arc;

use super::error::{MOST_STEPS, PackError};
use super::motion::{self, FitError, PackedMotion};
use super::op::{INPUT_BITS, OpKind};
use super::place::{Fitted, Placed, PlacedKind as Placement, clock_at, length_of, operations};
use super::{Packed, PackedRamp};
use crate::plan::{self, AxisMotion, Passages, PlannedMove};
use crate::rig::Rig;
use crate::schedule::event::{Event, EventKind};
use crate::schedule::invert::{Inverse, TimeScale};
use crate::schedule::periodic::{PeriodicSchedule, Repeated, SchedulePart};
use crate::schedule::timeline::{ScheduleRun, UnderWay};

/// Numbers of outputs have 8 bits, and those of inputs 6 beside what is waited for.
const MOST_OUTPUTS: usize = 255;
const MOST_INPUTS: usize = 1 << INPUT_BITS;

/// Packs a planned program for a rig.
///
/// Holds the ideal step times of one motion at a time (8 bytes a step) while it works.
///
/// # Errors
///
/// Where the program does not fit the layout's numbers; see [`PackError`].
pub(crate) fn pack(passages: impl Passages, rig: &Rig) -> Result<Packed, PackError> {
    if rig.outputs.len() > MOST_OUTPUTS || rig.inputs.len() > MOST_INPUTS {
        return Err(PackError::TooManyPins);
    }
    let mut schedule = PeriodicSchedule::new(passages, rig);
    let mut builder = Builder::new(rig);
    while let Some(part) = schedule.next_part() {
        match part {
            SchedulePart::Run(ScheduleRun::Steps {
                axis, ticks, of, ..
            }) => builder.steps(axis, ticks, of)?,
            SchedulePart::Run(ScheduleRun::Event(event)) => {
                let now = clock_at(schedule.now());
                builder.event(event, now)?;
            }
            SchedulePart::Begins => builder.begins(),
            SchedulePart::Ends(repeated) => {
                builder.ends(repeated);
                schedule.leap();
            }
        }
    }
    builder.finish()
}

/// One axis of a motion, and what finding its starts takes.
#[derive(Debug)]
struct KnownAxis {
    /// Number of the first move that needs it.
    index: u64,
    /// The motion, whose address is not used again because of this.
    motion: Arc<plan::Motion>,
    /// Which of its axes.
    number: usize,
    steps: usize,
    /// Steps of its ramp.
    ramp: usize,
}

/// A motion whose steps are coming in.
#[derive(Debug)]
struct OpenMotion {
    index: u64,
    known: usize,
    /// Steps seen.
    done: usize,
}

struct Builder {
    rate: f64,
    packed: Packed,
    streams: Vec<Vec<Placed>>,
    known: Vec<KnownAxis>,
    /// By address of the motion and number of its axis.
    known_by_address: HashMap<(*const plan::Motion, usize), usize>,
    marks: HashMap<Arc<str>, u16>,
    open: Vec<Option<OpenMotion>>,
    /// Where in each stream the open periods begin.
    periods: Vec<Vec<usize>>,
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
            periods: Vec::new(),
        }
    }

    fn begins(&mut self) {
        let lengths = self.streams.iter().map(Vec::len);
        self.periods.push(lengths.collect());
    }

    fn ends(&mut self, repeated: Repeated) {
        let begins = self.periods.pop().unwrap_or_default();
        if repeated.times == 0 {
            return;
        }
        for (stream, begin) in self.streams.iter_mut().zip(begins) {
            let body = stream[begin..].to_vec();
            let Some(first) = body.first() else { continue };
            stream.push(Placed {
                ideal: first.ideal + length_of(repeated.span),
                what: Placement::Again { body, repeated },
            });
        }
    }

    fn event(&mut self, event: Event, now: u128) -> Result<(), PackError> {
        let others = self.streams.len() - 1;
        let (stream, act) = match event.what {
            EventKind::Direction { axis, direction } => (axis, OpKind::Direction(direction)),
            EventKind::Output { output, on } => (others, OpKind::Output(output as u8, on)),
            EventKind::Mark(text) => (others, OpKind::Mark(self.mark(text)?)),
            EventKind::Await {
                input,
                until,
                timeout,
            } => {
                self.meet(now, event.tick);
                (others, OpKind::Await(input as u8, until, timeout))
            }
            EventKind::Seek { axis, input, until } => {
                self.meet(now, event.tick);
                (others, OpKind::Seek(input as u8, until, axis as u8))
            }
            EventKind::Sought { .. } => {
                self.meet(now, event.tick);
                (others, OpKind::Sought)
            }
            EventKind::Zero { axis, steps } => {
                self.meet(now, event.tick);
                (others, OpKind::Zero(axis as u8, steps))
            }
            // Steps come in runs.
            EventKind::Step { .. } => return Ok(()),
        };
        self.place(stream, now, event.tick, act);
        Ok(())
    }

    /// Every axis waits for what the stream of everything else does.
    fn meet(&mut self, ideal: u128, tick: u64) {
        for stream in 0..self.streams.len() - 1 {
            self.place(stream, ideal, tick, OpKind::Meet);
        }
    }

    fn place(&mut self, stream: usize, ideal: u128, tick: u64, act: OpKind) {
        let what = Placement::Act(tick, act);
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

    /// Steps of a move, all of them on one axis.
    fn steps(&mut self, axis: usize, ticks: &[u64], of: &UnderWay) -> Result<(), PackError> {
        let index = of.planned.index;
        let mut open = match self.open[axis].take() {
            Some(open) => open,
            None => OpenMotion {
                index,
                known: self.known(axis, &of.planned)?,
                done: 0,
            },
        };
        let steps = self.known[open.known].steps;
        open.done += ticks.len();
        if open.index != index || open.done > steps {
            return Err(PackError::Inconsistent { index });
        }
        if open.done < steps {
            self.open[axis] = Some(open);
            return Ok(());
        }
        let what = Placement::Play {
            index,
            known: open.known,
            last: ticks.last().copied().unwrap_or_default(),
        };
        let ideal = clock_at(of.start);
        self.streams[axis].push(Placed { ideal, what });
        Ok(())
    }

    /// The number in `known` of one axis of a motion.
    fn known(&mut self, axis: usize, planned: &PlannedMove) -> Result<usize, PackError> {
        let PlannedMove { index, motion, .. } = planned;
        let place = motion.axes.iter().position(|moved| moved.axis == axis);
        let place = place.ok_or(PackError::Inconsistent { index: *index })?;
        let next = self.known.len();
        let key = (Arc::as_ptr(motion), place);
        let number = *self.known_by_address.entry(key).or_insert(next);
        if number == next {
            let axis = &motion.axes[place];
            let steps = axis.steps;
            if steps > MOST_STEPS {
                let index = *index;
                return Err(PackError::TooManySteps { index, steps });
            }
            let times = ideal_times(axis, self.rate);
            self.known.push(KnownAxis {
                index: *index,
                steps: times.len(),
                ramp: motion::ramp_length(&times),
                number: place,
                motion: Arc::clone(motion),
            });
        }
        Ok(number)
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
        order.sort_by_key(|&known| Reverse(self.known[known].ramp));
        let mut fitted = vec![
            Fitted {
                number: 0,
                length: 0,
                error: FitError::default(),
            };
            order.len()
        ];
        let mut numbers: HashMap<PackedMotion, u16> = HashMap::new();
        let Packed { ramps, motions, .. } = &mut self.packed;
        for number in order {
            let KnownAxis {
                index,
                motion,
                number: axis,
                ..
            } = &self.known[number];
            let axis = &motion.axes[*axis];
            // Worked out again rather than kept: a program may have very many motions.
            let times = ideal_times(axis, self.rate);
            let packed = motion::pack(&times, axis.duration() * self.rate, ramps);
            let (motion, error) = packed.ok_or(PackError::TooSlow { index: *index })?;
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
                error,
            };
        }
        Ok(fitted)
    }
}

/// Ramps that no motion plays leave nothing behind: packing tries some in vain.
fn drop_unused_ramps(packed: &mut Packed) {
    let mut used = vec![false; packed.ramps.len()];
    let parts = |motion: &mut PackedMotion, act: &mut dyn FnMut(&mut usize)| {
        for part in &mut motion.parts {
            if let motion::MotionPart::Forward { ramp, .. } = part {
                act(ramp);
            }
        }
    };
    for motion in &mut packed.motions {
        parts(motion, &mut |ramp| used[*ramp] = true);
    }
    let mut numbers = vec![0; used.len()];
    let mut kept: Vec<PackedRamp> = Vec::new();
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

/// Ideal times of the steps of one axis (ticks since the start of the motion): step k
/// falls where the position passes k − ½.
fn ideal_times(axis: &AxisMotion, rate: f64) -> Vec<f64> {
    // At most MOST_STEPS.
    let steps = axis.steps as usize;
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
            Inverse::new(segment).moments(done as f64 + 0.5, &TimeScale::SECONDS, part, in_ticks);
            done = last;
        }
        elapsed += segment.duration;
    }
    times
}
