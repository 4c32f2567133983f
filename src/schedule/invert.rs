//! Step times: when a segment of constant jerk passes given positions.
//!
//! With Δ the position wanted less the segment's own, τ the time since the
//! segment's start, v the speed there and v₀, a, j the segment's values, the least
//! root of
//!
//! ```text
//! v₀ τ + a τ²/2 + j τ³/6 = Δ
//! ```
//!
//! is, by the kind of segment,
//!
//! ```text
//! a = j = 0   τ = Δ / v₀
//! j = 0       v = √(v₀² + 2 a Δ)
//!             τ = (v − v₀) / a          where v₀/|a| is not long beside the segment
//!             τ = 2 Δ / (v₀ + v)        elsewhere: no difference of like numbers
//! j ≠ 0       Newton steps τ ← τ − (s(τ) − Δ) / v(τ)
//! ```
//!
//! Every root is worked out from its own Δ, never from the step before, so nothing
//! drifts, and a whole batch is independent arithmetic that the processor overlaps.
//! For j ≠ 0 see the module `curve`.
//!
//! Each batch says how far its times may be off; `Inverse::exact` gives a root to about
//! 100 bits where that is not close enough.

mod curve;

use crate::exact::Exact;
use crate::plan::Segment;

/// Relative size of one unit in the last place of an `f64`.
const UNIT: f64 = f64::EPSILON;

/// A scale to read moments on: seconds times `rate`, from `origin` on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct TimeScale {
    /// What the start of the segment reads.
    pub origin: f64,
    /// Units a second.
    pub rate: f64,
    /// Tolerated error (units): a smaller one is not refined.
    pub harmless: f64,
}

impl TimeScale {
    /// Seconds from the segment's start.
    pub(crate) const SECONDS: Self = Self {
        origin: 0.0,
        rate: 1.0,
        harmless: 0.0,
    };
}

/// A segment from which times are read by position.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Inverse {
    segment: Segment,
    kind: RootFormula,
}

/// Which root formula fits.
#[derive(Debug, Clone, Copy, PartialEq)]
enum RootFormula {
    /// It stands still: everything in it is passed at its end.
    Still,
    /// Constant speed.
    Cruise,
    /// Constant acceleration, with v₀/|a| short: (v − v₀) / a.
    Ramp,
    /// Constant acceleration that is small: 2 Δ / (v₀ + v).
    GentleRamp,
    /// Constant jerk.
    Curve,
}

impl Inverse {
    /// Makes a segment ready.
    pub(crate) fn new(segment: &Segment) -> Self {
        let Segment {
            duration,
            velocity,
            acceleration,
            jerk,
            ..
        } = *segment;
        let kind = if jerk != 0.0 {
            RootFormula::Curve
        } else if acceleration == 0.0 {
            if velocity > 0.0 {
                RootFormula::Cruise
            } else {
                RootFormula::Still
            }
        } else if velocity <= 4.0 * duration * acceleration.abs() {
            RootFormula::Ramp
        } else {
            RootFormula::GentleRamp
        };
        Self {
            segment: *segment,
            kind,
        }
    }

    /// Moments at which it passes the positions `first`, `first` + 1, … (microsteps
    /// from the start of the move, where the segment's own position counts from too),
    /// each read on the scale and taken by `take`. They lie within the segment;
    /// positions that it does not reach are passed at its end.
    ///
    /// Returns how far the moments may be off (in units of the scale).
    pub(crate) fn moments<T>(
        &self,
        first: f64,
        scale: &TimeScale,
        out: &mut [T],
        take: impl FnMut(f64) -> T,
    ) -> f64 {
        match self.kind {
            RootFormula::Still => {
                let end = scale.origin + scale.rate * self.segment.duration;
                each(out, |_| end, take);
                2.0 * UNIT * end
            }
            RootFormula::Cruise => self.cruise(first, scale, out, take),
            RootFormula::Ramp => self.ramp(first, scale, out, take),
            RootFormula::GentleRamp => self.gentle_ramp(first, scale, out, take),
            RootFormula::Curve => self.curve(first, scale, out, take),
        }
    }

    /// The time (s from the segment's start) at which it passes one position.
    pub(crate) fn time(&self, position: f64) -> f64 {
        if self.kind == RootFormula::Curve {
            return self.bracketed(position - self.segment.position, None);
        }
        let mut time = [0.0];
        self.moments(position, &TimeScale::SECONDS, &mut time, |time| time);
        time[0]
    }

    /// The time at which it passes one position, to about 100 bits: Newton steps in
    /// double-double arithmetic from the plain root.
    pub(crate) fn exact(&self, position: f64) -> Exact {
        let Segment {
            duration,
            velocity,
            acceleration,
            jerk,
            ..
        } = self.segment;
        let distance = Exact::from(position) - Exact::from(self.segment.position);
        let half = Exact::from(acceleration * 0.5);
        let sixth = Exact::from(jerk).over(6.0);
        let mut time = Exact::from(self.time(position));
        if self.kind == RootFormula::Still {
            return time;
        }
        for _ in 0..4 {
            let travelled = time * (Exact::from(velocity) + time * (half + time * sixth));
            let speed = self.segment.velocity_at(time.nearest());
            let correction = (travelled - distance).over(speed);
            if !correction.nearest().is_finite() {
                break;
            }
            time = time - correction;
        }
        if time.nearest() <= 0.0 {
            return Exact::from(0.0);
        }
        if (time - Exact::from(duration)).nearest() > 0.0 {
            return Exact::from(duration);
        }
        time
    }

    fn cruise<T>(
        &self,
        first: f64,
        scale: &TimeScale,
        out: &mut [T],
        take: impl FnMut(f64) -> T,
    ) -> f64 {
        let Segment {
            duration,
            position,
            velocity,
            ..
        } = self.segment;
        let end = scale.rate * duration;
        let pace = scale.rate / velocity;
        let start = (first - position) * pace;
        let origin = scale.origin;
        if start >= 0.0 && start + out.len() as f64 * pace <= end {
            let start = origin + start;
            each(out, |k| start + k * pace, take);
        } else {
            each(out, |k| origin + (start + k * pace).clamp(0.0, end), take);
        }
        4.0 * UNIT * (end + origin.abs())
    }

    fn ramp<T>(
        &self,
        first: f64,
        scale: &TimeScale,
        out: &mut [T],
        take: impl FnMut(f64) -> T,
    ) -> f64 {
        let Segment {
            duration,
            position,
            velocity,
            acceleration,
            ..
        } = self.segment;
        let twice = 2.0 * acceleration;
        let squared = velocity * velocity + twice * (first - position);
        let slope = scale.rate / acceleration;
        let end = scale.rate * duration;
        let origin = scale.origin;
        let shift = -velocity * slope;
        let last = out.len().saturating_sub(1) as f64;
        let root = |k: f64| (squared + twice * k).sqrt() * slope + shift;
        // Not true where a root is of a negative number.
        if root(0.0) >= 0.0 && root(last) <= end {
            let shift = origin + shift;
            each(out, |k| (squared + twice * k).sqrt() * slope + shift, take);
        } else {
            let root = |k: f64| (squared + twice * k).max(0.0).sqrt() * slope + shift;
            each(out, |k| origin + root(k).clamp(0.0, end), take);
        }
        let (least, most, farthest) = self.speeds(first, out.len());
        let of_square = 2.0 * velocity * velocity + 4.0 * twice.abs() * farthest;
        UNIT * ((of_square / least + 4.0 * (most + velocity)) * slope.abs() + origin.abs())
    }

    fn gentle_ramp<T>(
        &self,
        first: f64,
        scale: &TimeScale,
        out: &mut [T],
        take: impl FnMut(f64) -> T,
    ) -> f64 {
        let Segment {
            duration,
            position,
            velocity,
            acceleration,
            ..
        } = self.segment;
        let squared = velocity * velocity;
        let twice = 2.0 * acceleration;
        let root = |k: f64| {
            let distance = first + k - position;
            let speed = (squared + twice * distance).max(0.0).sqrt();
            scale.origin + scale.rate * (2.0 * distance / (velocity + speed)).clamp(0.0, duration)
        };
        each(out, root, take);
        let (least, _, farthest) = self.speeds(first, out.len());
        let of_square = squared + 4.0 * acceleration.abs() * farthest;
        let off = duration * (of_square / (least * (velocity + least)) + 4.0);
        UNIT * (scale.rate * off + scale.origin.abs())
    }

    /// Of a ramp between two positions: the least and the highest speed at the
    /// positions wanted, and how far the farthest of them lies from the segment's
    /// start.
    fn speeds(&self, first: f64, count: usize) -> (f64, f64, f64) {
        let speed_at = |distance: f64| {
            let squared = self.segment.velocity * self.segment.velocity;
            (squared + 2.0 * self.segment.acceleration * distance)
                .max(0.0)
                .sqrt()
        };
        let near = first - self.segment.position;
        let far = near + count.saturating_sub(1) as f64;
        let (one, other) = (speed_at(near), speed_at(far));
        (one.min(other), one.max(other), near.abs().max(far.abs()))
    }
}

/// Fills `out` with what `take` makes of `moment` at 0, 1, 2, …; small enough to be
/// unrolled where it is called.
#[inline(always)]
fn each<T>(out: &mut [T], moment: impl Fn(f64) -> f64, mut take: impl FnMut(f64) -> T) {
    for (k, out) in out.iter_mut().enumerate() {
        // A batch is far shorter than an i32 counts, which converts fastest.
        *out = take(moment(f64::from(k as i32)));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn segment(duration: f64, velocity: f64, acceleration: f64, jerk: f64) -> Segment {
        Segment {
            duration,
            position: 0.0,
            velocity,
            acceleration,
            jerk,
        }
    }

    /// Every time read from the segment leads back to its position.
    fn leads_back(segment: &Segment) {
        let inverse = Inverse::new(segment);
        let travel = segment.position_at(segment.duration);
        let count = (travel.floor() as usize).min(5000);
        let first = (travel.floor() - count as f64).max(0.0) + 0.5;
        let mut times = vec![0.0; count];
        let off = inverse.moments(first, &TimeScale::SECONDS, &mut times, |time| time);
        for (k, time) in times.iter().enumerate() {
            let position = first + k as f64;
            if position > travel {
                continue;
            }
            let exact = inverse.exact(position).nearest();
            assert!(
                (time - exact).abs() <= off,
                "{segment:?} at {position}: {time} is {:e} from {exact}, allowed {off:e}",
                time - exact
            );
            let size = UNIT * 16.0 * (position + segment.velocity * segment.duration);
            let back = segment.position_at(exact);
            assert!(
                (back - position).abs() <= size,
                "{segment:?}: {back} for {position}"
            );
        }
    }

    #[test]
    fn every_kind_of_segment_leads_back_to_its_positions() {
        for scale in [1e-6, 1e-3, 1.0, 1e3] {
            let (v, a, j) = (
                1000.0 / scale,
                500.0 / (scale * scale),
                200.0 / (scale * scale * scale),
            );
            for segment in [
                segment(3.0 * scale, v, 0.0, 0.0),
                segment(3.0 * scale, 0.0, a, 0.0),
                segment(2.0 * scale, v, -a, 0.0),
                segment(3.0 * scale, v, 1e-9 * a, 0.0),
                segment(3.0 * scale, v, -1e-9 * a, 0.0),
                segment(5.0 * scale, 0.0, 0.0, j),
                segment(3.0 * scale, v, a, -a / (3.0 * scale)),
                segment(2.0 * scale, v, 0.0, -2.0 * v / (4.0 * scale * scale)),
                segment(2.0 * scale, v, -a, a / (2.0 * scale)),
                segment(4.0 * scale, v, -a, 2.0 * a / (4.0 * scale)),
                segment(3.0 * scale, v, 0.0, 1e-12 * j),
            ] {
                leads_back(&segment);
            }
        }
    }

    #[test]
    fn a_segment_that_stands_still_is_passed_at_its_end() {
        let inverse = Inverse::new(&segment(0.25, 0.0, 0.0, 0.0));
        assert_eq!(inverse.time(0.5), 0.25);
    }

    #[test]
    fn a_position_before_or_behind_the_segment_is_passed_at_its_ends() {
        for segment in [
            segment(2.0, 3.0, 0.0, 0.0),
            segment(2.0, 3.0, 1.0, 0.0),
            segment(2.0, 3.0, 1.0, 1.0),
        ] {
            let inverse = Inverse::new(&segment);
            assert_eq!(inverse.time(-1.0), 0.0);
            assert_eq!(inverse.time(1e6), 2.0);
            assert_eq!(inverse.exact(1e6).nearest(), 2.0);
        }
    }
}
