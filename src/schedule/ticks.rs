//! The ticks of one axis during one motion, batch by batch.
//!
//! Step k of a motion falls when its ideal position passes k − ½ microsteps; its
//! tick is the nearest to that moment, ties to even. Plain `f64` settles nearly all
//! of them. A moment so close to the middle between two ticks that the error of the
//! arithmetic could decide is worked out again to about 100 bits, so that every step
//! lies within half a tick of its ideal time.

use std::ops::Range;
use std::sync::Arc;

use super::clock::{TickClock, TickInstant};
use super::invert::{Inverse, TimeScale};
use crate::exact::Exact;
use crate::plan::{AxisMotion, Direction, Motion};

/// Steps worked out at a time: chosen.
pub(crate) const BATCH: usize = 256;

/// Added to a smaller number, leaves the nearest whole number, ties to even, in the
/// low bits (1.5 · 2^52).
const TO_WHOLE: f64 = 6_755_399_441_055_744.0;
/// Below this a number keeps at least two bits behind the point (2^50).
const LARGEST: f64 = 1_125_899_906_842_624.0;

/// Tolerated error of a moment (ticks): about one step in ten thousand is
/// worked out again.
const HARMLESS: f64 = 1e-5;
/// A moment this close to the middle between two ticks is looked at more closely: chosen,
/// above [`HARMLESS`], which the moment may be off by.
const WATCHED: f64 = 3e-5;

/// Streams the ticks of one axis.
#[derive(Debug)]
pub(crate) struct StepTicks {
    motion: Arc<Motion>,
    number: usize,
    clock: TickClock,
    start: TickInstant,
    segment: Option<Current>,
    next_segment: usize,
    /// Start of the segment after the current one (s since the motion's start).
    elapsed: Exact,
    /// Step that the next batch begins with, from 1.
    next_step: u64,
    /// Steps that do not come.
    left_out: Range<u64>,
    ticks: Box<[u64; BATCH]>,
    from: usize,
    to: usize,
}

/// The segment that steps are read from.
#[derive(Debug)]
struct Current {
    inverse: Inverse,
    /// How long it lasts (s).
    duration: f64,
    /// Last step that falls in it.
    last_step: u64,
    /// An even tick at or before its start …
    base: u64,
    /// … and how far behind that it starts (ticks).
    part: Exact,
}

impl StepTicks {
    /// The ticks of `motion.axes[number]`, where the motion starts at `start`.
    pub(crate) fn new(
        motion: &Arc<Motion>,
        number: usize,
        clock: TickClock,
        start: TickInstant,
    ) -> Self {
        let mut stream = Self {
            motion: Arc::clone(motion),
            number,
            clock,
            start,
            segment: None,
            next_segment: 0,
            elapsed: Exact::default(),
            next_step: 1,
            left_out: 0..0,
            ticks: Box::new([0; BATCH]),
            from: 0,
            to: 0,
        };
        stream.fill();
        stream
    }

    fn axis_motion(&self) -> &AxisMotion {
        &self.motion.axes[self.number]
    }

    /// Which axis of the rig.
    pub(crate) fn axis(&self) -> usize {
        self.axis_motion().axis
    }

    /// Which way it turns.
    pub(crate) fn direction(&self) -> Direction {
        self.axis_motion().direction
    }

    /// The ticks that are ready; empty only when there are no more.
    pub(crate) fn ready(&self) -> &[u64] {
        &self.ticks[self.from..self.to]
    }

    /// The next tick.
    pub(crate) fn peek(&self) -> Option<u64> {
        self.ready().first().copied()
    }

    /// How many steps come before those that are ready.
    pub(crate) fn done(&self) -> u64 {
        self.next_step - 1 - (self.to - self.from) as u64
    }

    /// Marks `count` of the ready ticks as used.
    pub(crate) fn used(&mut self, count: usize) {
        self.from += count;
        if self.from == self.to {
            self.fill();
        }
    }

    /// Leaves out these steps, which are none of the first [`BATCH`].
    pub(crate) fn leave_out(&mut self, steps: Range<u64>) {
        self.left_out = steps;
    }

    fn fill(&mut self) {
        (self.from, self.to) = (0, 0);
        if self.left_out.contains(&self.next_step) {
            self.next_step = self.left_out.end;
        }
        let first = self.next_step;
        if first > self.axis_motion().steps {
            return;
        }
        self.enter_segment_of(first);
        let Some(current) = &self.segment else {
            return;
        };
        let mut count = (current.last_step - first + 1).min(BATCH as u64);
        if first < self.left_out.start {
            count = count.min(self.left_out.start - first);
        }
        let count = count as usize;
        current.ticks(first, &self.clock, &mut self.ticks[..count]);
        self.next_step += count as u64;
        self.to = count;
    }

    /// Goes on to the segment in which a step falls.
    fn enter_segment_of(&mut self, step: u64) {
        while self
            .segment
            .as_ref()
            .is_none_or(|current| current.last_step < step)
        {
            let motion = &self.motion.axes[self.number];
            let Some(segment) = motion.segments.get(self.next_segment) else {
                self.segment = None;
                return;
            };
            let last_step = match motion.segments.get(self.next_segment + 1) {
                Some(next) => ((next.position + 0.5).floor() as u64).min(motion.steps),
                None => motion.steps,
            };
            if last_step >= step {
                let (base, part) = self
                    .start
                    .after(self.clock.exact_span(self.elapsed))
                    .since_even_tick();
                self.segment = Some(Current {
                    inverse: Inverse::new(segment),
                    duration: segment.duration,
                    last_step,
                    base,
                    part,
                });
            }
            self.elapsed = self.elapsed + Exact::from(segment.duration);
            self.next_segment += 1;
        }
    }
}

impl Current {
    /// The ticks of the steps from `first` on.
    fn ticks(&self, first: u64, clock: &TickClock, ticks: &mut [u64]) {
        let position = first as f64 - 0.5;
        let scale = TimeScale {
            origin: self.part.nearest(),
            rate: clock.rate(),
            harmless: HARMLESS,
        };
        // A sign bit rather than a maximum: the order of `or` does not matter, so that
        // the compiler may take several steps at once.
        let mut signs = 0;
        let base = self.base.wrapping_sub(TO_WHOLE.to_bits());
        let off = self.inverse.moments(position, &scale, ticks, |moment| {
            let shifted = moment + TO_WHOLE;
            let from_whole = (moment - (shifted - TO_WHOLE)).abs();
            signs |= (0.5 - WATCHED - from_whole).to_bits();
            base.wrapping_add(shifted.to_bits())
        });
        let latest = scale.origin + scale.rate * self.duration;
        let doubt = off + f64::EPSILON * (2.0 * latest + 1.0);
        let none_watched = signs >> 63 == 0;
        if none_watched && doubt < WATCHED && latest < LARGEST {
            return;
        }
        let mut moments = [0.0; BATCH];
        let moments = &mut moments[..ticks.len()];
        self.inverse
            .moments(position, &scale, moments, |moment| moment);
        for (k, (moment, tick)) in moments.iter().zip(ticks.iter_mut()).enumerate() {
            let sure = (moment - moment.round()).abs() < 0.5 - doubt && latest < LARGEST;
            if !sure {
                *tick = self.exact_tick(position + k as f64, clock);
            }
        }
    }

    /// The tick of one position, whatever it takes.
    fn exact_tick(&self, position: f64, clock: &TickClock) -> u64 {
        let exact = clock.ticks(self.inverse.exact(position)) + self.part;
        let (whole, rest) = exact.floor();
        let over = (rest - Exact::from(0.5)).nearest();
        // The base is even, so the whole number has the tick's parity.
        let up = over > 0.0 || (over == 0.0 && whole % 2 != 0);
        let ticks = u64::try_from(whole + i128::from(up)).unwrap_or(u64::MAX);
        self.base.saturating_add(ticks)
    }
}
