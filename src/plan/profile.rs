//! The fastest way over a distance: up to a peak speed, along it, and down again.
//!
//! A [`Ramp`] knows how a speed is reached from a lower one; a falling ramp is a
//! rising one run backwards in time. With d↑(v) and d↓(v) the distances of the ramps
//! from the first speed to v and from v to the last speed, the peak speed of the
//! fastest motion over n microsteps is the largest v ≤ v_max with
//!
//! ```text
//! d↑(v) + d↓(v) ≤ n
//! ```
//!
//! and what is left of n is travelled at v. Both distances rise with v, so v is found
//! by bracketing. The way is the true optimum for ramps that are each the fastest
//! between their speeds: going faster anywhere would need more room to slow down.
//!
//! Positions of the rising ramp are counted from the start and those of the falling
//! ramp from the end, so that a move run backwards has the mirrored segments and the
//! last microstep is met exactly.

use std::fmt::Debug;
use std::sync::Arc;

use crate::plan::Segment;
use crate::plan::root::rising_root;

/// A stretch of constant jerk with rising speed. Units: s, microsteps, microsteps/s,
/// /s², /s³.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct RampPiece {
    /// How long it lasts.
    pub duration: f64,
    /// How far it goes.
    pub distance: f64,
    /// Speed at its start and end.
    pub speed: [f64; 2],
    /// Acceleration at its start and end, never negative.
    pub acceleration: [f64; 2],
    /// Jerk throughout.
    pub jerk: f64,
}

/// How a speed is reached from a lower one, as fast as some limits allow.
pub(crate) trait Ramp: Debug + Send + Sync {
    /// Microsteps from speed `low` to speed `high`; rises with `high`.
    fn distance(&self, low: f64, high: f64) -> f64;

    /// Seconds from speed `low` to speed `high`.
    fn duration(&self, low: f64, high: f64) -> f64;

    /// Gives the pieces from `low` to `high`, in order.
    fn pieces(&self, low: f64, high: f64, give: &mut dyn FnMut(RampPiece));

    /// The highest speed that a ramp of this kind reaches at all.
    fn top(&self) -> f64 {
        f64::INFINITY
    }

    /// The highest acceleration anywhere on such a ramp.
    fn steepest(&self) -> f64;

    /// The same ramp stretched in time: the accelerations times `share`, up to 1, and
    /// with them the jerk times its square. Every ramp then takes 1/`share` times as
    /// long and as far.
    fn slower(&self, share: f64) -> Arc<dyn Ramp>;

    /// The same ramp with its acceleration rising from zero, and falling back to it, over
    /// `seconds` at least.
    fn rising_over(&self, seconds: f64) -> Arc<dyn Ramp>;

    /// The highest speed, up to `ceiling`, that is reached within `distance` from
    /// `low` *and from every lower speed*. Limited jerk makes the second condition
    /// matter: from a lower speed less ground is lost while the acceleration builds
    /// up, and a look-ahead that lowers `low` later must not break its plan.
    fn reach(&self, low: f64, distance: f64, ceiling: f64) -> f64 {
        rising_root(low, ceiling.max(low), |high| {
            self.distance(low, high) - distance
        })
    }
}

/// What a profile has to do.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Task {
    /// Microsteps to go; above zero.
    pub distance: f64,
    /// Speed at the start (microsteps/s).
    pub start: f64,
    /// Speed at the end (microsteps/s).
    pub end: f64,
    /// Highest speed (microsteps/s); at least `start` and `end`.
    pub speed: f64,
}

/// A planned profile.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Profile {
    /// Its segments, from position 0 to the distance.
    pub segments: Vec<Segment>,
    /// From start to end (s).
    pub duration: f64,
    /// The peak speed (microsteps/s).
    pub peak: f64,
    /// How long it cruises at the peak speed (s); zero where it only touches it.
    pub cruise: f64,
}

/// Why there is no profile.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Impossible {
    /// The distance is too short to get from the one end speed to the other.
    TooShort,
    /// It cannot be done faster than in so many seconds.
    TooSoon {
        /// The shortest time (s).
        shortest: f64,
    },
}

/// A cruise shorter than this share of the distance is rounding, not motion.
const ROUNDING: f64 = 1e-15;

/// The fastest profile, with `up` and `down` as the ways to gain and (run backwards)
/// to lose speed.
///
/// # Errors
/// [`Impossible::TooShort`] where `start` and `end` cannot be joined within the
/// distance.
pub(crate) fn fastest(task: Task, up: &dyn Ramp, down: &dyn Ramp) -> Result<Profile, Impossible> {
    let peak = peak_speed(task, up, down)?;
    Ok(assemble(task, peak, up, down))
}

/// The highest speed that leaves room for both ramps.
pub(crate) fn peak_speed(task: Task, up: &dyn Ramp, down: &dyn Ramp) -> Result<f64, Impossible> {
    let ramps = |peak: f64| up.distance(task.start, peak) + down.distance(task.end, peak);
    let low = task.start.max(task.end);
    let high = task.speed.min(up.top()).min(down.top()).max(low);
    if ramps(low) > task.distance * (1.0 + ROUNDING) {
        return Err(Impossible::TooShort);
    }
    // Ramps that would end beyond the largest number do not fit either.
    Ok(rising_root(low, high, |peak| {
        let left = ramps(peak) - task.distance;
        if left.is_nan() {
            f64::MAX
        } else {
            left.min(f64::MAX)
        }
    }))
}

/// How long the profile with that peak speed takes.
pub(crate) fn duration(task: Task, peak: f64, up: &dyn Ramp, down: &dyn Ramp) -> f64 {
    up.duration(task.start, peak)
        + down.duration(task.end, peak)
        + cruise_distance(task, peak, up, down) / peak
}

fn cruise_distance(task: Task, peak: f64, up: &dyn Ramp, down: &dyn Ramp) -> f64 {
    let left = task.distance - up.distance(task.start, peak) - down.distance(task.end, peak);
    if left <= ROUNDING * task.distance {
        0.0
    } else {
        left
    }
}

/// The profile with that peak speed.
pub(crate) fn assemble(task: Task, peak: f64, up: &dyn Ramp, down: &dyn Ramp) -> Profile {
    let mut segments = Vec::with_capacity(7);
    let (mut position, mut duration) = (0.0, 0.0);
    up.pieces(task.start, peak, &mut |piece| {
        segments.push(Segment {
            duration: piece.duration,
            position,
            velocity: piece.speed[0],
            acceleration: piece.acceleration[0],
            jerk: piece.jerk,
        });
        position += piece.distance;
        duration += piece.duration;
    });
    let cruise = cruise_distance(task, peak, up, down) / peak;
    if cruise > 0.0 {
        segments.push(Segment {
            duration: cruise,
            position,
            velocity: peak,
            ..Segment::default()
        });
        duration += cruise;
    }
    let falling = segments.len();
    let mut position = task.distance;
    down.pieces(task.end, peak, &mut |piece| {
        position -= piece.distance;
        segments.push(Segment {
            duration: piece.duration,
            position,
            velocity: piece.speed[1],
            acceleration: -piece.acceleration[1],
            jerk: piece.jerk,
        });
        duration += piece.duration;
    });
    segments[falling..].reverse();
    // Counted from the end, rounding may have missed the start.
    if let Some(first) = segments.first_mut() {
        first.position = 0.0;
    }
    Profile {
        segments,
        duration,
        peak,
        cruise,
    }
}
