//! What a motor can do, put together.

use std::f64::consts::TAU;

use crate::check::{AxisAbility, Finding, Severity, UsefulRange};
use crate::physics::{Machine, PullOutSample, StartStop};
use crate::rig::{Axis, Rig, TravelUnit};

/// What a motor can do on its drive with its load.
#[derive(Debug)]
pub struct MotorSheet<'a> {
    /// The axis of the rig.
    pub axis: &'a Axis,
    /// Load, pull-out torque, critical speeds and heat.
    pub ability: AxisAbility,
    /// Natural frequency with the load (Hz).
    pub natural_frequency: f64,
    /// Up to where the motor is of use.
    pub range: UsefulRange,
}

impl<'a> MotorSheet<'a> {
    /// Of that axis.
    pub fn of(axis: &'a Axis) -> Self {
        let ability = AxisAbility::of(axis);
        Self {
            natural_frequency: Machine::of(axis).ringing_frequency() / TAU,
            range: ability.useful_range(axis),
            axis,
            ability,
        }
    }

    /// Of every axis of a rig.
    pub fn all(rig: &'a Rig) -> Vec<Self> {
        rig.axes.iter().map(Self::of).collect()
    }

    /// The start-stop rate, sought in the simulator when it is first asked for.
    pub fn start_stop(&self) -> &StartStop {
        self.ability.start_stop(self.axis)
    }

    /// What can be said of the axis before it moves.
    pub fn findings(&self) -> Vec<Finding> {
        self.ability.findings(self.axis)
    }

    /// Whether nothing that can be said of the axis before it moves is a failure.
    pub fn ok(&self) -> bool {
        let mut findings = self.findings().into_iter();
        findings.all(|finding| finding.severity != Severity::Failure)
    }

    /// The pull-out curve over the useful range, in so many points.
    pub fn curve(&self, points: usize) -> Vec<PullOutSample> {
        let to = self.range.to_step_rate_hz;
        self.ability.pull_out.curve_finer_when_slow(to, points)
    }

    /// From full steps/s to the load's travel a second, in its unit.
    pub fn per_step_rate(&self) -> f64 {
        TravelUnit::of(self.axis).per_si * self.axis.travel_per_full_step()
    }
}
