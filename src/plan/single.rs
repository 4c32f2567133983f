//! A move of one axis: its limits and length become a motion.

use crate::plan::profile::{self, Impossible, Profile, Ramp, Task};
use crate::plan::s_curve::LimitedJerk;
use crate::plan::trapezoid::ConstantAcceleration;
use crate::plan::{AxisLimits, AxisMotion, Direction, Motion, Segment};
use crate::script::Shape;

/// A move of one axis, in microsteps.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Job {
    /// Which axis of the rig.
    pub axis: usize,
    /// How far, with its sign.
    pub steps: i64,
    /// The shape of its profile.
    pub shape: Shape,
    /// What it has to keep.
    pub limits: AxisLimits,
    /// How long it has to take exactly (s), where it matters.
    pub time: Option<f64>,
}

/// What tells one job from another: its numbers bit by bit.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub(crate) struct Key {
    axis: usize,
    steps: i64,
    shape: Shape,
    numbers: [u64; 4],
    options: [Option<u64>; 2],
}

impl Job {
    pub(crate) fn key(&self) -> Key {
        let AxisLimits {
            speed,
            accel,
            decel,
            jerk,
            start,
        } = self.limits;
        Key {
            axis: self.axis,
            steps: self.steps,
            shape: self.shape,
            numbers: [speed, accel, decel, start].map(f64::to_bits),
            options: [jerk, self.time].map(|option| option.map(f64::to_bits)),
        }
    }

    /// The motion of the job.
    ///
    /// # Errors
    /// [`Impossible::TooSoon`] where the limits do not allow its time.
    pub fn motion(&self) -> Result<Motion, Impossible> {
        if self.steps == 0 {
            return Ok(self.wrap(Vec::new(), self.time.unwrap_or(0.0)));
        }
        let limits = &self.limits;
        let task = Task {
            distance: self.steps.unsigned_abs() as f64,
            start: limits.start,
            end: limits.start,
            speed: limits.speed,
        };
        let profile = match limits.jerk {
            None => self.profile(
                task,
                &ConstantAcceleration(limits.accel),
                &ConstantAcceleration(limits.decel),
            ),
            Some(jerk) => {
                let ramp = |acceleration| LimitedJerk { acceleration, jerk };
                self.profile(task, &ramp(limits.accel), &ramp(limits.decel))
            }
        }?;
        Ok(self.wrap(profile.segments, profile.duration))
    }

    fn wrap(&self, segments: Vec<Segment>, duration: f64) -> Motion {
        Motion {
            shape: self.shape,
            duration,
            axes: vec![AxisMotion {
                axis: self.axis,
                direction: Direction::of(self.steps),
                steps: self.steps.unsigned_abs(),
                segments,
                limits: self.limits,
            }],
        }
    }

    fn profile(&self, task: Task, up: &dyn Ramp, down: &dyn Ramp) -> Result<Profile, Impossible> {
        match self.time {
            None => profile::fastest(task, up, down),
            Some(time) => profile::in_time(task, time, up, down),
        }
    }
}
