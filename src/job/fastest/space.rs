//! The choices that a search begins with.
//!
//! With v the end of the motor's useful range at the load, or the rig's limit or the speed
//! that the move is written with where that is lower; a what the low edge of the pull-out torque at
//! standstill, less the reserve, gives motor and load, or the rig's limit where that is lower;
//! and f the natural frequency:
//!
//! ```text
//! speeds           v · 30^(−i/11)                      i = 0 … 11
//! accelerations    a · 100^(−k/11)                     k = 0 … 11
//! jerks            f · acceleration · (4, 2, 1, 1/2)   a ramp of acceleration takes ¼ … 2 periods
//! ```
//!
//! trapezoids and S-curves over all of them, full-torque ramps over the speeds: 12 · 12 + 12 · 12 · 4
//! + 12 = 732. Every value is rounded to three digits.

use std::f64::consts::TAU;

use super::{Choice, MoveStatement};
use crate::job::Job;
use crate::physics::Machine;
use crate::rig::TravelUnit;
use crate::script::Shape;
use crate::units::to_digits;

/// Values of speed and of acceleration.
const VALUES: i32 = 12;
/// The highest speed over the lowest, and the same of the acceleration.
const SPEEDS: f64 = 30.0;
const ACCELERATIONS: f64 = 100.0;
/// Jerks over natural frequency times acceleration.
const JERKS: [f64; 4] = [4.0, 2.0, 1.0, 0.5];

/// What is searched.
#[derive(Debug, Clone, Copy)]
pub(super) struct Space {
    /// The highest speed, acceleration and jerk (in the unit that the script is written in).
    speed: f64,
    accel: f64,
    jerk: f64,
    frequency: f64,
    /// From that unit to rad or m.
    unit: f64,
}

/// To three significant digits, of a value above zero.
pub(super) fn round(value: f64) -> f64 {
    to_digits(value, 3, f64::round)
}

impl Space {
    /// Of the moves of these statements, all of one axis.
    pub(super) fn of(job: &Job, statements: &[&MoveStatement]) -> Self {
        let number = statements[0].axis;
        let axis = &job.rig.axes[number];
        let ability = &job.abilities()[number];
        let unit = TravelUnit::of(axis).per_si;
        let useful = ability.useful_range(axis).to_step_rate_hz * axis.travel_per_full_step();
        let asked = statements.iter().filter_map(|one| one.at);
        let speed = axis
            .limits
            .speed
            .into_iter()
            .chain(asked)
            .fold(useful, f64::min);
        let torque = ability.pull_out.sample(0.0).low * (1.0 - axis.limits.torque_margin);
        let possible = axis.travel_speed(torque / ability.load.inertia());
        let accel = axis
            .limits
            .acceleration
            .unwrap_or(f64::INFINITY)
            .min(possible);
        Self {
            speed: speed * unit,
            accel: accel * unit,
            jerk: axis.limits.jerk.map_or(f64::INFINITY, |jerk| jerk * unit),
            frequency: Machine::of(axis).ringing_frequency() / TAU,
            unit,
        }
    }

    /// A choice within the limits, in rounded values of the script's unit, converted.
    pub(super) fn choice(&self, shape: Shape, speed: f64, accel: f64, jerk: Option<f64>) -> Choice {
        // Never above a limit by rounding.
        let within = |value: f64, most: f64| {
            let rounded = round(value.min(most));
            if rounded <= most {
                rounded
            } else {
                round(most * 0.995)
            }
        };
        Choice {
            shape,
            speed: within(speed, self.speed) / self.unit,
            accel: within(accel, self.accel) / self.unit,
            jerk: jerk.map(|jerk| within(jerk, self.jerk) / self.unit),
        }
    }

    /// Every choice of the grid; what asks for least comes first.
    pub(super) fn grid(&self) -> Vec<Choice> {
        let falling = |most: f64, ratio: f64| {
            (0..VALUES)
                .rev()
                .map(move |k| most * ratio.powf(-f64::from(k) / f64::from(VALUES - 1)))
        };
        let mut all = Vec::new();
        for speed in falling(self.speed, SPEEDS) {
            for accel in falling(self.accel, ACCELERATIONS) {
                all.push(self.choice(Shape::Trapezoid, speed, accel, None));
                for times in JERKS.into_iter().rev() {
                    let jerk = Some(times * self.frequency * accel);
                    all.push(self.choice(Shape::SCurve, speed, accel, jerk));
                }
            }
            all.push(self.choice(Shape::FullTorque, speed, self.accel, None));
        }
        all
    }

    /// The unit of the script over rad or m.
    pub(super) const fn unit(&self) -> f64 {
        self.unit
    }
}

#[cfg(test)]
mod tests {
    use super::round;

    #[test]
    fn three_digits_are_left() {
        assert_eq!(round(123.456), 123.0);
        assert_eq!(round(99.96), 100.0);
        assert_eq!(round(0.012_345), 0.0123);
        assert_eq!(round(9_876_543.0), 9_880_000.0);
    }
}
