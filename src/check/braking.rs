//! What a motion returns to the supply, and how much more gently it would have to stop.

use super::cure::{GENTLEST, bisect, lower_decel};
use super::torque::{LONG_LIST, TorqueRule};
use crate::physics::regeneration::{Braking, Regeneration};
use crate::plan::AxisMotion;
use crate::rig::Axis;

/// Points examined in a segment: chosen, as the power is a polynomial of low order in time …
const POINTS: usize = 12;
/// … and in one of a long list, such as a full-torque ramp.
const POINTS_IN_SHORT: usize = 2;

/// The stops of a motion, on a drive that gives power back.
#[derive(Debug)]
pub(super) struct Stops<'a> {
    pub(super) drive: Braking,
    pub(super) rule: &'a TorqueRule<'a>,
    pub(super) motion: &'a AxisMotion,
    /// Drag of the rotor that is certain to help (N·m·s/rad).
    pub(super) rotor_drag: f64,
}

impl Stops<'_> {
    /// What returns where every deceleration is `share` of what is planned and so takes
    /// the longer.
    pub(super) fn regeneration(&self, share: f64) -> Regeneration {
        let points = if self.motion.segments.len() > LONG_LIST {
            POINTS_IN_SHORT
        } else {
            POINTS
        };
        let stretches = self.motion.segments.iter().map(|segment| {
            let slower = if segment.acceleration_at(0.5 * segment.duration) < 0.0 {
                share
            } else {
                1.0
            };
            (0..=points).map(move |point| {
                let after = segment.duration * point as f64 / points as f64;
                let at = self.rule.instant(segment, 0.0, after);
                let torques = self.rule.load.required_torque_range(
                    at.omega,
                    at.alpha * slower,
                    self.motion.direction,
                );
                let taken = -(torques.0 + self.rotor_drag * at.omega) * at.omega;
                (after / slower, taken)
            })
        });
        self.drive.over(stretches)
    }

    /// The deceleration at which an ordinary supply does, as a cure; none where a load
    /// that drives the motor returns too much at any.
    pub(super) fn gentler(&self, axis: &Axis) -> Option<String> {
        let steepest = self
            .rule
            .instants(self.motion)
            .map(|at| -at.alpha)
            .fold(0.0, f64::max);
        let share = bisect(GENTLEST, 1.0, |share| !self.regeneration(share).matters())?;
        let to_microsteps = self.rule.clock.powi(2) * axis.microstep_angle();
        Some(lower_decel(
            axis,
            self.motion,
            share * steepest / to_microsteps,
        ))
    }
}
