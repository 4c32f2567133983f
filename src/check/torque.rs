//! Torque along a motion against what the motor can give.
//!
//! With ω and α the speed and acceleration of the motor's shaft, M(ω, α) the torque
//! that the load asks for and T(ω) the low edge of the pull-out torque, the margin of a motion is
//!
//! ```text
//! least = min over the motion of 1 − |M(ω, α)| / T(ω)
//! ```
//!
//! The clock may run fast by its tolerance ε; then the shaft turns at (1 + ε) ω and
//! accelerates by (1 + ε)² α, which is what counts here.

use crate::physics::load::ShaftLoad;
use crate::physics::torque::PullOut;
use crate::plan::{AxisMotion, Direction, Segment};
use crate::rig::Axis;

/// Points examined in each segment of a short list of segments: chosen, so that a speed
/// between two of them differs from both by 2 % of the ramp at most.
const POINTS: usize = 24;
/// Points examined in each segment of a long list, such as a full-torque ramp, whose segments
/// are short: chosen.
const POINTS_IN_SHORT: usize = 3;
/// Share of its speed by which a segment may change it and be examined only at its ends,
/// in a long list: chosen, as the pull-out torque bends little over a tenth of the speed.
const EVEN: f64 = 0.1;
/// Lists longer than this are long: chosen, above the seven segments of an S-curve and twice
/// that.
pub(super) const LONG_LIST: usize = 16;
/// Margins below this are given as this, as there is next to no torque to compare with: chosen.
const WORST: f64 = -99.0;

/// An instant of a motion, at the motor's shaft.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MotionInstant {
    /// Seconds since the motion's start.
    pub time: f64,
    /// Speed (rad/s).
    pub omega: f64,
    /// Acceleration along the motion (rad/s²).
    pub alpha: f64,
}

/// The least margin of a motion and where it is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TorqueMargin {
    /// Share of the pull-out torque that is left over; negative: too much is asked.
    pub least: f64,
    /// Where.
    pub at: MotionInstant,
    /// Torque asked for there (N·m at the motor's shaft, its size).
    pub required: f64,
    /// Low edge of the pull-out torque there (N·m).
    pub available: f64,
}

/// What the torque check knows of an axis.
#[derive(Debug)]
pub(crate) struct TorqueRule<'a> {
    /// The load at the motor's shaft.
    pub load: &'a ShaftLoad,
    /// What the motor can give.
    pub pull_out: &'a PullOut,
    /// Angle of a microstep at the motor's shaft (rad).
    pub microstep: f64,
    /// How much faster than nominal the clock may run: 1 + ε.
    pub clock: f64,
}

impl<'a> TorqueRule<'a> {
    /// The rule for an axis whose clock may run fast by `tolerance`.
    pub(crate) fn new(
        axis: &Axis,
        load: &'a ShaftLoad,
        pull_out: &'a PullOut,
        tolerance: f64,
    ) -> Self {
        Self {
            load,
            pull_out,
            microstep: axis.microstep_angle(),
            clock: 1.0 + tolerance,
        }
    }

    /// The rule for a changed axis on the same clock.
    pub(super) fn on(&self, axis: &Axis, load: &'a ShaftLoad, pull_out: &'a PullOut) -> Self {
        Self {
            load,
            pull_out,
            microstep: axis.microstep_angle(),
            clock: self.clock,
        }
    }

    /// The margin at one instant.
    pub(crate) fn margin(&self, at: MotionInstant, direction: Direction) -> TorqueMargin {
        let required = self
            .load
            .required_torque(at.omega, at.alpha, direction)
            .abs();
        let available = self.pull_out.low_at(at.omega);
        let least = if required <= 0.0 {
            1.0
        } else {
            (1.0 - required / available).max(WORST)
        };
        TorqueMargin {
            least,
            at,
            required,
            available,
        }
    }

    /// The least margin along a motion; none where it does not move.
    pub(crate) fn least(&self, motion: &AxisMotion) -> Option<TorqueMargin> {
        self.instants(motion)
            .map(|at| self.margin(at, motion.direction))
            .min_by(|a, b| a.least.total_cmp(&b.least))
    }

    /// Instants close enough together to represent the whole motion: the ends of
    /// every segment and points between.
    pub(crate) fn instants(&self, motion: &AxisMotion) -> impl Iterator<Item = MotionInstant> {
        let long = motion.segments.len() > LONG_LIST;
        let within = move |segment: &Segment| {
            let speeds = [0.0, segment.duration].map(|t| segment.velocity_at(t));
            let most = speeds[0].max(speeds[1]);
            match long {
                false => POINTS,
                // The pull-out torque hardly changes, and the acceleration evenly.
                true if (speeds[1] - speeds[0]).abs() <= EVEN * most => 1,
                true => POINTS_IN_SHORT,
            }
        };
        let mut start = 0.0;
        motion.segments.iter().flat_map(move |segment| {
            let steady = segment.acceleration == 0.0 && segment.jerk == 0.0;
            let last = if steady { 0 } else { within(segment) };
            let begins = start;
            start += segment.duration;
            (0..=last).map(move |point| {
                let share = point as f64 / last.max(1) as f64;
                self.instant(segment, begins, share * segment.duration)
            })
        })
    }

    /// The instant `after` seconds into a segment that begins at `begins` seconds.
    pub(crate) fn instant(&self, segment: &Segment, begins: f64, after: f64) -> MotionInstant {
        let (angle, clock) = (self.microstep, self.clock);
        MotionInstant {
            time: begins + after,
            omega: segment.velocity_at(after).max(0.0) * angle * clock,
            alpha: segment.acceleration_at(after) * angle * clock * clock,
        }
    }
}
