//! Moves of one axis in microsteps, and what tells one motion from another.

use crate::plan::AxisLimits;
use crate::script::Shape;

/// A move of one axis, in microsteps: a motion's part or leg.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct AxisJob {
    pub(crate) axis: usize,
    /// How far, with its sign.
    pub(crate) steps: i64,
    pub(crate) shape: Shape,
    pub(crate) limits: AxisLimits,
    pub(crate) bands_allowed: bool,
    /// The highest speed that it could reach at all, where that is known.
    pub(crate) reached: f64,
}

/// What tells one motion from another: its numbers bit by bit.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub(crate) struct Key {
    jobs: Vec<JobKey>,
    through: bool,
    time: Option<u64>,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub(crate) struct JobKey {
    axis: usize,
    steps: i64,
    shape: Shape,
    bands_allowed: bool,
    limits: [u64; 4],
    jerk: Option<u64>,
}

impl JobKey {
    /// Of that job.
    pub(crate) fn of(job: &AxisJob) -> Self {
        let limits = &job.limits;
        Self {
            axis: job.axis,
            steps: job.steps,
            shape: job.shape,
            bands_allowed: job.bands_allowed,
            limits: [limits.speed, limits.accel, limits.decel, limits.start].map(f64::to_bits),
            jerk: limits.jerk.map(f64::to_bits),
        }
    }
}

impl Key {
    /// Of those jobs, done at once or, `through` their targets, one after the other.
    pub(crate) fn new(jobs: &[AxisJob], through: bool, time: Option<f64>) -> Self {
        Self {
            jobs: jobs.iter().map(JobKey::of).collect(),
            through,
            time: time.map(f64::to_bits),
        }
    }
}
