//! Whether the motor follows a board that slows down because its line has died.
//!
//! A streaming board brings the axes to a standstill on their path with a deceleration d that it
//! takes from the plan ([`slow_down`](crate::stream::slow_down)). The plan asks for d at some
//! speeds alone, a slow-down at any: an S-curve asks for none at its top speed. And runs of steps
//! ask for up to ε more where the path has no slack. So with a the plan's acceleration, which
//! may be harder than d,
//!
//! ```text
//! α = −(1 + ε) max(d, −a)     at every speed of the motion, with M(ω, α) ≤ T(ω)
//! ```
//!
//! The margin that the rig asks for is for what is not known of the motor; a slow-down, which
//! is rare, may use it up.

use super::cure::{GENTLEST, bisect, lower_decel};
use super::finding::{Finding, Severity};
use super::torque::{MotionInstant, TorqueMargin, TorqueRule};
use crate::plan::AxisMotion;
use crate::rig::{Axis, TravelUnit};
use crate::script::Shape;
use crate::stream::slow_down::{EXCESS, trusted_decel};
use crate::units::{Rounded, Torque};

/// The code of the finding.
pub(super) const CODE: &str = "slow-down-torque";

/// The slow-downs of a motion, from whatever speed it has.
#[derive(Debug)]
pub(super) struct SlowDowns<'a> {
    pub(super) rule: &'a TorqueRule<'a>,
    pub(super) motion: &'a AxisMotion,
    pub(super) shape: Shape,
}

impl SlowDowns<'_> {
    /// The least margin, if every deceleration is `share` of what is planned; none where the
    /// motion does not move.
    fn least(&self, share: f64) -> Option<TorqueMargin> {
        let rule = self.rule;
        let [(_, excess), ..] = EXCESS;
        let decel = trusted_decel(self.motion, self.shape) * rule.microstep * rule.clock.powi(2);
        rule.instants(self.motion)
            .map(|at| {
                let alpha = -(1.0 + excess) * share * decel.max(-at.alpha);
                rule.margin(MotionInstant { alpha, ..at }, self.motion.direction)
            })
            .min_by(|a, b| a.least.total_cmp(&b.least))
    }

    /// A slow-down that takes more than the pull-out torque, where there is one.
    pub(super) fn too_hard(&self, axis: &Axis) -> Option<Finding> {
        let worst = self.least(1.0).filter(|worst| worst.least < 0.0)?;
        let unit = TravelUnit::of(axis);
        let to_unit = |shaft: f64| Rounded(axis.travel_speed(shaft) * unit.per_si);
        let message = format!(
            "if the serial line fails, a streaming board decelerates from {} {unit}/s at up to \
             {} {unit}/s^2: needs {} of pull-out torque; {} available",
            to_unit(worst.at.omega),
            to_unit(-worst.at.alpha),
            Torque::new(worst.required),
            Torque::new(worst.available),
            unit = unit.name,
        );
        let mut cures = vec!["play it from the board's memory".to_owned()];
        cures.extend(self.gentler(axis));
        Some(
            Finding::new(CODE, Severity::Note, message)
                .cures(cures)
                .axis(&axis.name),
        )
    }

    /// The deceleration at which the torque does, as a cure. Full-torque ramps take none from
    /// the script.
    fn gentler(&self, axis: &Axis) -> Option<String> {
        if self.shape == Shape::FullTorque {
            return None;
        }
        let passes = |share| self.least(share).is_none_or(|margin| margin.least >= 0.0);
        let share = bisect(GENTLEST, 1.0, passes)?;
        let trusted = trusted_decel(self.motion, self.shape);
        Some(lower_decel(axis, self.motion, share * trusted))
    }
}
