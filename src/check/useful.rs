//! Up to which speed it is worth looking at what a motor can do.

use std::fmt;

use super::ability::AxisAbility;
use crate::physics::torque::PullOutSample;
use crate::rig::Axis;

/// Share of the greatest pull-out torque below which a motor is of little use: with the usual
/// reserve a seventh of what it holds is left (chosen).
const SHARE: f64 = 0.2;
/// Beyond this many times the rig's own limit nobody asks (chosen) …
const TIMES_LIMIT: f64 = 2.0;
/// … but a curve goes on until less than this share of the torque is left, so that it shows
/// where the motor gets weak (chosen).
const WEAKER: f64 = 2.0 / 3.0;
/// An unstable edge is shown with so much room behind it (chosen, for the eye).
const BEHIND_EDGE: f64 = 1.25;

/// Where a curve over speed may end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct UsefulRange {
    /// The step rate there (full steps/s).
    pub to_step_rate_hz: f64,
    /// Why there.
    pub end: RangeEnd,
}

/// Why a curve over speed ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RangeEnd {
    /// A fifth of the greatest torque is left.
    LittleTorque,
    /// Twice the speed that the rig allows; the torque has fallen by a third before.
    RigLimit,
    /// A third of the torque is lost, at more than twice the speed that the rig allows.
    Weaker,
    /// From a little below on the motor is unstable, with no end to it.
    Unstable,
}

impl fmt::Display for RangeEnd {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::LittleTorque => "the rate at which 20 % of it is left",
            Self::Weaker => "the rate at which a third of it is lost",
            Self::RigLimit => "twice the rig's speed limit",
            Self::Unstable => "just beyond the edge of the unstable band",
        })
    }
}

impl AxisAbility {
    /// The range of speeds of `axis` in which the motor is of use: it ends where one of
    /// three things is met first: little torque; twice the rig's limit, once the torque has
    /// begun to fall; an unstable band without an upper edge.
    pub fn useful_range(&self, axis: &Axis) -> UsefulRange {
        let weaker = self.pull_out.step_rate_at_share(WEAKER);
        let limit = axis.limits.speed;
        let limit = limit.map(|speed| TIMES_LIMIT * speed / axis.travel_per_full_step());
        let asked = match limit {
            Some(limit) if limit < weaker => (Some(weaker), RangeEnd::Weaker),
            limit => (limit, RangeEnd::RigLimit),
        };
        let endless = self
            .bands
            .iter()
            .find(|band| band.to_step_rate_hz.is_none());
        let edge = endless.map(|band| BEHIND_EDGE * band.from_step_rate_hz);
        let ends = [
            (
                Some(self.pull_out.step_rate_at_share(SHARE)),
                RangeEnd::LittleTorque,
            ),
            asked,
            (edge.filter(|edge| *edge > 0.0), RangeEnd::Unstable),
        ];
        let ends = ends.into_iter().filter_map(|(rate, end)| {
            Some(UsefulRange {
                to_step_rate_hz: rate?,
                end,
            })
        });
        let first = ends.min_by(|a, b| a.to_step_rate_hz.total_cmp(&b.to_step_rate_hz));
        // There always is a torque to fall.
        first.unwrap_or(UsefulRange {
            to_step_rate_hz: 1.0,
            end: RangeEnd::LittleTorque,
        })
    }
}

/// A curve goes on beyond its useful range until less than this share of the holding torque
/// is left (chosen: less than a rotor's own losses).
const NOTHING: f64 = 0.03;

impl AxisAbility {
    /// The step rate (full steps/s) at which the pull-out curve of `axis` ends: no more than
    /// 3 % of the holding torque is left, or the useful range ends there.
    pub fn end_of_curve(&self, axis: &Axis) -> f64 {
        let least = NOTHING * axis.motor.holding_torque.si();
        let useful = self.useful_range(axis).to_step_rate_hz;
        self.pull_out.step_rate_above(least).max(useful)
    }

    /// The pull-out curve of `axis` behind its useful range, at so many `points`, rates evenly
    /// apart; empty where nothing is left there.
    pub fn beyond(&self, axis: &Axis, points: usize) -> Vec<PullOutSample> {
        let (from, to) = (
            self.useful_range(axis).to_step_rate_hz,
            self.end_of_curve(axis),
        );
        if to <= from {
            return Vec::new();
        }
        (0..=points)
            .map(|k| from + (to - from) * k as f64 / points as f64)
            .map(|rate| self.pull_out.sample(rate))
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::diagnostic::Source;
    use crate::physics::PullOut;
    use crate::rig::{NoFiles, Rig};

    /// Of a motor with a damping (mN·m·s/rad).
    fn range(damping: f64, limits: &str) -> UsefulRange {
        let axis = axis(damping, limits);
        AxisAbility::of(&axis).useful_range(&axis)
    }

    fn axis(damping: f64, limits: &str) -> Axis {
        let drive = "kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 16";
        let text = format!(
            "axes: {{ a: {{ motor: {{ rotor_teeth: 50, phase_resistance: 2.1 ohm, phase_inductance: 4.2 mH, \
             rated_current: 1.5 A, holding_torque: 0.42 N.m, rotor_inertia: 65 g.cm^2, detent_torque: 0 mN.m, viscous_damping: {damping} mN.m.s/rad }}, \
             drive: {{ {drive} }}, limits: {{ {limits} }} }} }}\ntimer: {{ clock: 8 MHz }}\n"
        );
        let mut read = Rig::parse(&Source::new("rig.yaml", text), &mut NoFiles).unwrap();
        read.rig.axes.remove(0)
    }

    #[test]
    fn a_damped_motor_is_of_use_down_to_a_fifth_of_its_torque() {
        assert_eq!(range(2.0, "").end, RangeEnd::LittleTorque);
    }

    /// 1000 step/s are 5 turns a second, 1800 deg/s.
    #[test]
    fn twice_the_rigs_limit_ends_the_range_where_the_torque_has_begun_to_fall() {
        let limited = range(2.0, "speed: 1800 deg/s");
        assert_eq!(limited.end, RangeEnd::RigLimit);
        approx::assert_relative_eq!(limited.to_step_rate_hz, 2000.0, max_relative = 1e-9);
        let slow = range(2.0, "speed: 100 deg/s");
        assert_eq!(slow.end, RangeEnd::Weaker);
        assert!(slow.to_step_rate_hz < limited.to_step_rate_hz);
    }

    /// Without friction a drive hunts from some speed above where it runs out of voltage on,
    /// which is where its torque falls.
    #[test]
    fn an_unstable_band_without_an_end_is_shown_by_its_edge() {
        let undamped = range(0.0, "");
        assert_eq!(undamped.end, RangeEnd::Unstable);
        let falls = PullOut::of(&axis(0.0, "")).step_rate_at_share(WEAKER);
        assert!((0.5 * falls..3.0 * falls).contains(&undamped.to_step_rate_hz));
    }
}
