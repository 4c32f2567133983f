//! Step times within a segment of constant jerk.
//!
//! A batch of positions is read from the quintic through the times, speeds and
//! accelerations at its two ends. With h the length of the batch in microsteps, and
//! primes for derivatives of time by position, it is off by at most
//! max |τ⁽⁶⁾| h⁶ / (6! · 2⁶) (the remainder of Hermite interpolation), where
//!
//! ```text
//! τ⁽⁶⁾ = (−945 a⁵ + 1260 a³ j v − 280 a j² v²) / v¹¹
//! ```
//!
//! Where that is too much, Newton steps follow; where the speed changes too much for
//! that (close to standstill) the roots are bracketed one by one.

use super::{Inverse, TimeScale, UNIT, each};
use crate::plan::Segment;

/// Positions of a curve that are read from one quintic, at most: chosen, a batch of
/// [`StepTicks`](crate::schedule::ticks::StepTicks).
const LONGEST_CURVE: usize = 256;
/// Shortest batch that is worth its own quintic: chosen.
const SHORTEST_CURVE: usize = 6;
/// Over a batch the speed changes by this factor at most: chosen, so that a quintic starts
/// close enough for Newton's steps.
const SPEED_RATIO: f64 = 2.0;
/// Newton steps of a batch, before it is solved root by root: chosen; each step doubles
/// the digits.
const MOST_ITERATIONS: usize = 4;

impl Inverse {
    /// Cuts the positions into batches over which the speed changes little.
    pub(super) fn curve<T>(
        &self,
        first: f64,
        scale: &TimeScale,
        out: &mut [T],
        mut take: impl FnMut(f64) -> T,
    ) -> f64 {
        let harmless = scale.harmless / scale.rate;
        let position = self.segment.position;
        let mut times = [0.0; LONGEST_CURVE];
        let mut off = 0.0_f64;
        let mut done = 0;
        let mut latest = None;
        while done < out.len() {
            let start = first + done as f64;
            let begin = self.bracketed(start - position, latest);
            let mut count = (out.len() - done).min(LONGEST_CURVE);
            loop {
                if count < SHORTEST_CURVE {
                    off = off.max(self.one_by_one(start, &mut times[..count]));
                    break;
                }
                let last = (count - 1) as f64;
                let guess = begin + last / self.segment.velocity_at(begin);
                let end = self.bracketed(start + last - position, Some(guess));
                if let Some(batch_off) =
                    self.batch(start, begin, end, &mut times[..count], harmless)
                {
                    off = off.max(batch_off);
                    break;
                }
                count /= 2;
            }
            let times = &times[..count];
            for (time, out) in times.iter().zip(&mut out[done..done + count]) {
                *out = take(scale.origin + scale.rate * time);
            }
            latest = times.last().copied();
            done += count;
        }
        scale.rate * off + UNIT * (scale.rate * self.segment.duration + scale.origin.abs())
    }

    /// The roots of positions from `start` on, the first passed at `begin` and the
    /// last at `end`, and how far they may be off (s); none where the speed changes
    /// too much on the way.
    fn batch(
        &self,
        start: f64,
        begin: f64,
        end: f64,
        times: &mut [f64],
        harmless: f64,
    ) -> Option<f64> {
        let Segment {
            duration,
            position,
            velocity,
            acceleration,
            jerk,
        } = self.segment;
        let speed = [begin, end].map(|time| self.segment.velocity_at(time));
        let least = self.least_speed(begin, end);
        let most = self.most_speed(begin, end);
        if least <= 0.0 || most > SPEED_RATIO * least {
            return None;
        }
        let steepness = [begin, end].map(|time| self.segment.acceleration_at(time));
        let steepest = steepness[0].abs().max(steepness[1].abs());
        let noise = {
            let size = velocity * end
                + acceleration.abs() / 2.0 * end * end
                + jerk.abs() / 6.0 * end * end * end;
            UNIT * (8.0 * size / least + 8.0 * end)
        };

        // The quintic in x = k / h with the right time, slope 1/v and curvature −a/v³
        // at x = 0 and x = 1.
        let h = (times.len() - 1) as f64;
        let slope = speed.map(|v| h / v);
        let bend = |end: usize| -steepness[end] * h * h / (speed[end] * speed[end] * speed[end]);
        let bend = [bend(0), bend(1)];
        let rise = end - begin - slope[0] - bend[0] / 2.0;
        let tilt = slope[1] - slope[0] - bend[0];
        let curl = bend[1] - bend[0];
        let each_h = 1.0 / h;
        let c1 = slope[0] * each_h;
        let c2 = bend[0] / 2.0 * each_h * each_h;
        let c3 = (10.0 * rise - 4.0 * tilt + curl / 2.0) * each_h.powi(3);
        let c4 = (-15.0 * rise + 7.0 * tilt - curl) * each_h.powi(4);
        let c5 = (6.0 * rise - 3.0 * tilt + curl / 2.0) * each_h.powi(5);
        each(
            times,
            |k| begin + k * (c1 + k * (c2 + k * (c3 + k * (c4 + k * c5)))),
            |time| time,
        );
        let sixth = (945.0 * steepest.powi(5)
            + 1260.0 * steepest.powi(3) * jerk.abs() * most
            + 280.0 * steepest * jerk * jerk * most * most)
            / least.powi(11);
        let of_quintic = sixth * h.powi(6) / 46_080.0;
        if of_quintic <= harmless {
            return Some(of_quintic + noise);
        }

        let (half_a, half_j, sixth_j) = (acceleration / 2.0, jerk / 2.0, jerk / 6.0);
        for _ in 0..MOST_ITERATIONS {
            let mut worst = 0.0_f64;
            for (k, time) in times.iter_mut().enumerate() {
                let t = *time;
                let travelled = t * (velocity + t * (half_a + t * sixth_j));
                let speed = velocity + t * (acceleration + t * half_j);
                let correction = (travelled - (start + k as i32 as f64 - position)) / speed;
                worst = if correction.abs() > worst {
                    correction.abs()
                } else {
                    worst
                };
                *time = (t - correction).clamp(0.0, duration);
            }
            // After a Newton step from e off, about e² |a| / 2v is left.
            let left = worst * worst * steepest / least;
            if left <= noise.max(harmless) {
                return Some(left + noise);
            }
        }
        None
    }

    /// The highest speed between two times of the segment.
    fn most_speed(&self, begin: f64, end: f64) -> f64 {
        let turn = -self.segment.acceleration / self.segment.jerk;
        let ends = self
            .segment
            .velocity_at(begin)
            .max(self.segment.velocity_at(end));
        if turn > begin && turn < end {
            ends.max(self.segment.velocity_at(turn))
        } else {
            ends
        }
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
            *time = self.bracketed(distance, None);
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
    /// position never falls, so there is one. A good guess saves steps.
    pub(super) fn bracketed(&self, distance: f64, guess: Option<f64>) -> f64 {
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
        let mut time = high;
        if let Some(guess) = guess.filter(|guess| (low..high).contains(guess)) {
            time = guess;
        } else if acceleration >= 0.0 && jerk >= 0.0 {
            // Each term alone says how late it can be.
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
