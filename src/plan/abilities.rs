//! What an axis can do, as the planner needs it: acceleration over speed, critical speeds.
//!
//! Worked out from the rig when the first move asks for it, then kept. Speeds and
//! accelerations go in and out in microsteps of the axis.

use std::fmt;

use crate::physics::band::Band;
use crate::physics::load::ShaftLoad;
use crate::physics::torque::PullOut;
use crate::plan::full_torque::Capability;
use crate::plan::{AxisMotion, Direction};
use crate::rig::Axis;

/// Share of an acceleration that arithmetic may be off by: chosen, above what sums of many
/// segments lose.
const ROUNDING: f64 = 1e-6;

/// The torque of one axis against its load.
pub(crate) struct Abilities {
    pull_out: PullOut,
    load: ShaftLoad,
    margin: f64,
    tolerance: f64,
    microstep_angle: f64,
}

impl fmt::Debug for Abilities {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Abilities")
            .field("load", &self.load)
            .finish_non_exhaustive()
    }
}

impl Abilities {
    /// Of that axis, timed by a clock of that tolerance.
    pub(crate) fn of(axis: &Axis, tolerance: f64) -> Self {
        Self {
            pull_out: PullOut::of(axis),
            load: ShaftLoad::of(axis),
            margin: axis.limits.torque_margin,
            tolerance,
            microstep_angle: axis.microstep_angle(),
        }
    }

    /// The highest acceleration and deceleration (microsteps/s²) at a speed
    /// (microsteps/s); negative where the torque does not even keep the speed.
    pub(crate) fn at(&self, speed: f64, direction: Direction) -> [f64; 2] {
        let capability = Capability {
            available: &|omega| self.pull_out.low_at(omega),
            required: &|omega, alpha| self.load.required_torque_range(omega, alpha, direction),
            margin: self.margin,
            rotor_inertia: self.load.rotor_inertia,
            tolerance: self.tolerance,
        };
        capability
            .at(speed * self.microstep_angle)
            .map(|alpha| alpha / self.microstep_angle)
    }

    /// Whether the torque, less its reserve, suffices at the ends of every segment of a
    /// motion. A motion for which it does not is refused by the check too, which looks at
    /// those ends among others.
    pub(crate) fn bears(&self, motion: &AxisMotion) -> bool {
        motion.segments.iter().all(|segment| {
            [0.0, segment.duration].into_iter().all(|after| {
                let speed = segment.velocity_at(after).max(0.0);
                let [gained, lost] = self.at(speed, motion.direction);
                let asked = segment.acceleration_at(after);
                let rounding = ROUNDING * asked.abs();
                asked <= gained + rounding && -asked <= lost + rounding
            })
        })
    }

    /// The highest speed (microsteps/s), up to `limit`, up to which the axis can both
    /// gain and lose speed; zero where it cannot even at rest.
    pub(crate) fn top(&self, limit: f64, direction: Direction) -> f64 {
        let able = |speed: f64| self.at(speed, direction).into_iter().all(|a| a > 0.0);
        // 95,000 rpm, more than a rig may ask for.
        let limit = limit.min(1e4 / self.microstep_angle);
        // A gap of the curve must not be stepped over: look finely, then halve.
        let looks = 2000;
        let speed = |look: i32| limit * f64::from(look) / f64::from(looks);
        let Some(unable) = (0..=looks).find(|look| !able(speed(*look))) else {
            return limit;
        };
        if unable == 0 {
            return 0.0;
        }
        let (mut low, mut high) = (speed(unable - 1), speed(unable));
        for _ in 0..40 {
            let middle = low / 2.0 + high / 2.0;
            if able(middle) {
                low = middle;
            } else {
                high = middle;
            }
        }
        low
    }
}

/// The bands of an axis as ranges of microsteps/s.
pub(crate) fn ranges(bands: &[Band], microsteps: f64) -> impl Iterator<Item = (f64, f64)> {
    bands.iter().map(move |band| {
        (
            band.from_step_rate_hz * microsteps,
            band.to_step_rate_hz.unwrap_or(f64::INFINITY) * microsteps,
        )
    })
}
