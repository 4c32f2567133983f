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
//! For j ≠ 0 a batch begins from the quintic through the times, speeds and
//! accelerations at its two ends; where the speed changes too much for that (close
//! to standstill) the roots are bracketed one by one.
//!
//! Each batch says how far its times may be off; [`Inverse::exact`] gives a root to
//! about 100 bits where that is not close enough.

use super::exact::Exact;
use crate::plan::Segment;

/// Relative size of one unit in the last place of an `f64`.
const UNIT: f64 = f64::EPSILON;
/// Shortest batch that is worth its own interpolation.
const SHORTEST_CURVE: usize = 6;
/// Over a batch the speed changes by this factor at most.
const SPEED_RATIO: f64 = 2.0;
/// Newton steps of a batch, before it is solved root by root.
const MOST_ITERATIONS: usize = 4;

/// A segment from which times are read by position.
#[derive(Debug, Clone, Copy)]
pub struct Inverse {
    segment: Segment,
    kind: Kind,
}

/// Which root formula fits.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Kind {
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
    pub fn new(segment: &Segment) -> Self {
        let Segment {
            duration,
            velocity,
            acceleration,
            jerk,
            ..
        } = *segment;
        let kind = if jerk != 0.0 {
            Kind::Curve
        } else if acceleration == 0.0 {
            if velocity > 0.0 {
                Kind::Cruise
            } else {
                Kind::Still
            }
        } else if velocity <= 4.0 * duration * acceleration.abs() {
            Kind::Ramp
        } else {
            Kind::GentleRamp
        };
        Self {
            segment: *segment,
            kind,
        }
    }

    /// Times (s from the segment's start) at which it passes the positions `first`,
    /// `first` + 1, … (microsteps from the start of the move, where the segment's
    /// own position counts from too). They lie within the segment; positions that it
    /// does not reach are passed at its end.
    ///
    /// Returns how far the times may be off (s).
    pub fn times(&self, first: f64, times: &mut [f64]) -> f64 {
        match self.kind {
            Kind::Still => {
                times.fill(self.segment.duration);
                0.0
            }
            Kind::Cruise => self.cruise(first, times),
            Kind::Ramp => self.ramp(first, times),
            Kind::GentleRamp => self.gentle_ramp(first, times),
            Kind::Curve => self.curve(first, times),
        }
    }

    /// The time (s from the segment's start) at which it passes one position.
    pub fn time(&self, position: f64) -> f64 {
        let mut time = [0.0];
        match self.kind {
            Kind::Curve => time[0] = self.bracketed(position - self.segment.position),
            _ => {
                self.times(position, &mut time);
            }
        }
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
        if self.kind == Kind::Still {
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

    fn cruise(&self, first: f64, times: &mut [f64]) -> f64 {
        let Segment {
            duration,
            position,
            velocity,
            ..
        } = self.segment;
        let each = 1.0 / velocity;
        for (k, time) in times.iter_mut().enumerate() {
            let distance = first + k as i32 as f64 - position;
            *time = (distance * each).clamp(0.0, duration);
        }
        2.0 * UNIT * duration
    }

    fn ramp(&self, first: f64, times: &mut [f64]) -> f64 {
        let Segment {
            duration,
            position,
            velocity,
            acceleration,
            ..
        } = self.segment;
        let squared = velocity * velocity;
        let twice = 2.0 * acceleration;
        let per_acceleration = 1.0 / acceleration;
        for (k, time) in times.iter_mut().enumerate() {
            let distance = first + k as i32 as f64 - position;
            let speed = (squared + twice * distance).max(0.0).sqrt();
            *time = ((speed - velocity) * per_acceleration).clamp(0.0, duration);
        }
        let (least, most, farthest) = self.speeds(first, times.len());
        let size = acceleration.abs();
        let of_square = squared + 4.0 * size * farthest;
        UNIT * (of_square / least + 4.0 * (most + velocity)) / size
    }

    fn gentle_ramp(&self, first: f64, times: &mut [f64]) -> f64 {
        let Segment {
            duration,
            position,
            velocity,
            acceleration,
            ..
        } = self.segment;
        let squared = velocity * velocity;
        let twice = 2.0 * acceleration;
        for (k, time) in times.iter_mut().enumerate() {
            let distance = first + k as i32 as f64 - position;
            let speed = (squared + twice * distance).max(0.0).sqrt();
            *time = (2.0 * distance / (velocity + speed)).clamp(0.0, duration);
        }
        let (least, _, farthest) = self.speeds(first, times.len());
        let of_square = squared + 4.0 * acceleration.abs() * farthest;
        UNIT * duration * (of_square / (least * (velocity + least)) + 4.0)
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

    /// Cuts the positions into batches over which the speed changes little.
    fn curve(&self, first: f64, times: &mut [f64]) -> f64 {
        let mut off = 0.0_f64;
        let mut done = 0;
        while done < times.len() {
            let start = first + done as f64;
            let begin = self.bracketed(start - self.segment.position);
            let mut count = times.len() - done;
            loop {
                if count < SHORTEST_CURVE {
                    off = off.max(self.one_by_one(start, &mut times[done..done + count]));
                    break;
                }
                let end = self.bracketed(start + (count - 1) as f64 - self.segment.position);
                let batch = &mut times[done..done + count];
                if let Some(batch_off) = self.batch(start, begin, end, batch) {
                    off = off.max(batch_off);
                    break;
                }
                count /= 2;
            }
            done += count;
        }
        off
    }

    /// The roots of positions from `start` on, the first passed at `begin` and the
    /// last at `end`; none where the speed changes too much on the way.
    fn batch(&self, start: f64, begin: f64, end: f64, times: &mut [f64]) -> Option<f64> {
        let Segment {
            duration,
            position,
            velocity,
            acceleration,
            jerk,
        } = self.segment;
        let least = self.least_speed(begin, end);
        let (v_begin, v_end) = (
            self.segment.velocity_at(begin),
            self.segment.velocity_at(end),
        );
        let most = v_begin.max(v_end);
        if least <= 0.0 || most > SPEED_RATIO * least {
            return None;
        }
        let (a_begin, a_end) = (
            self.segment.acceleration_at(begin),
            self.segment.acceleration_at(end),
        );
        let steepest = a_begin.abs().max(a_end.abs());

        // The quintic in x = (position − start) / h with the right time, slope 1/v and
        // curvature −a/v³ at x = 0 and x = 1.
        let last = (times.len() - 1) as f64;
        let slope = [last / v_begin, last / v_end];
        let bend = |a: f64, v: f64| -a * last * last / (v * v * v);
        let bends = [bend(a_begin, v_begin), bend(a_end, v_end)];
        let rise = end - begin - slope[0] - bends[0] / 2.0;
        let tilt = slope[1] - slope[0] - bends[0];
        let curl = bends[1] - bends[0];
        let c2 = bends[0] / 2.0;
        let c3 = 10.0 * rise - 4.0 * tilt + curl / 2.0;
        let c4 = -15.0 * rise + 7.0 * tilt - curl;
        let c5 = 6.0 * rise - 3.0 * tilt + curl / 2.0;
        let each = 1.0 / last;

        let (half_a, half_j, sixth_j) = (acceleration / 2.0, jerk / 2.0, jerk / 6.0);
        let newton = |time: f64, distance: f64| {
            let travelled = time * (velocity + time * (half_a + time * sixth_j));
            let speed = velocity + time * (acceleration + time * half_j);
            (travelled - distance) / speed
        };
        let mut worst = 0.0_f64;
        for (k, time) in times.iter_mut().enumerate() {
            let k = k as i32 as f64;
            let x = k * each;
            let guess = begin + x * (slope[0] + x * (c2 + x * (c3 + x * (c4 + x * c5))));
            let correction = newton(guess, start + k - position);
            worst = if correction.abs() > worst {
                correction.abs()
            } else {
                worst
            };
            *time = (guess - correction).clamp(0.0, duration);
        }
        // After a Newton step from e off, about e² |a| / 2v is left.
        let left = |worst: f64| worst * worst * steepest / least;
        let noise = {
            let size = velocity * end
                + acceleration.abs() / 2.0 * end * end
                + jerk.abs() / 6.0 * end * end * end;
            UNIT * (4.0 * size / least + 2.0 * end)
        };
        let mut iterations = 1;
        while left(worst) > noise {
            if iterations == MOST_ITERATIONS {
                return None;
            }
            iterations += 1;
            worst = 0.0;
            for (k, time) in times.iter_mut().enumerate() {
                let correction = newton(*time, start + k as i32 as f64 - position);
                worst = if correction.abs() > worst {
                    correction.abs()
                } else {
                    worst
                };
                *time = (*time - correction).clamp(0.0, duration);
            }
        }
        Some(2.0 * noise)
    }

    /// The least speed between two times of the segment.
    fn least_speed(&self, begin: f64, end: f64) -> f64 {
        let turn = -self.segment.acceleration / self.segment.jerk;
        let ends = self
            .segment
            .velocity_at(begin)
            .min(self.segment.velocity_at(end));
        if turn > begin && turn < end {
            ends.min(self.segment.velocity_at(turn))
        } else {
            ends
        }
    }

    fn one_by_one(&self, start: f64, times: &mut [f64]) -> f64 {
        let mut off = 0.0_f64;
        for (k, time) in times.iter_mut().enumerate() {
            let distance = start + k as f64 - self.segment.position;
            *time = self.bracketed(distance);
            let speed = self.segment.velocity_at(*time);
            let size = self.segment.velocity * *time
                + self.segment.acceleration.abs() / 2.0 * *time * *time
                + self.segment.jerk.abs() / 6.0 * *time * *time * *time
                + distance.abs();
            off = off.max(UNIT * (4.0 * size / speed + 2.0 * *time));
        }
        off
    }

    /// The root of a curve by Newton steps that a bracket keeps in the segment;
    /// position never falls, so there is one.
    fn bracketed(&self, distance: f64) -> f64 {
        let Segment {
            duration,
            velocity,
            acceleration,
            jerk,
            ..
        } = self.segment;
        let travelled =
            |time: f64| time * (velocity + time * (acceleration / 2.0 + time * jerk / 6.0));
        if distance <= 0.0 {
            return 0.0;
        }
        if travelled(duration) <= distance {
            return duration;
        }
        let (mut low, mut high) = (0.0, duration);
        // Where no term is negative, each alone says how late it can be.
        let mut time = high;
        if acceleration >= 0.0 && jerk >= 0.0 {
            if velocity > 0.0 {
                time = time.min(distance / velocity);
            }
            if acceleration > 0.0 {
                time = time.min((2.0 * distance / acceleration).sqrt());
            }
        } else {
            time *= distance / travelled(duration);
        }
        for _ in 0..200 {
            let over = travelled(time) - distance;
            if over > 0.0 {
                high = time;
            } else {
                low = time;
            }
            let mut next = time - over / self.segment.velocity_at(time);
            if !(next > low && next < high) {
                // Newton left the bracket, or landed on an end of it.
                if (next - time).abs() <= UNIT * time {
                    return time;
                }
                next = low + (high - low) / 2.0;
                if next <= low || next >= high {
                    return time;
                }
            }
            if (next - time).abs() <= UNIT * time {
                return next;
            }
            time = next;
        }
        time
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
        let off = inverse.times(first, &mut times);
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
