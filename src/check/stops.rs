//! How far the stops of a program lie from what the script asked for, and what the load does
//! there in the motor model.
//!
//! A stop is a whole number of microsteps, and its error is at most half of one. A bridge that
//! takes full steps could take half steps, whose error would be |e − round(2e/s) s/2| with the
//! error e and the full step s.

use super::outcome::{AxisPlayed, AxisStops, MoveCheck};
use crate::plan::MovePart;
use crate::rig::{Axis, DriveKind, Rig, Sequence, TravelUnit};
use crate::units::{Rounded, Time};

/// What arithmetic leaves of an error of zero, as a share of a microstep.
const NOTHING: f64 = 1e-6;

impl AxisStops {
    /// Of a program that has none yet.
    pub(super) fn of(axis: &Axis) -> Self {
        let full_steps_only = match axis.drive.kind {
            DriveKind::FixedVoltage { sequence } => match sequence {
                Sequence::Wave | Sequence::TwoPhase => true,
                Sequence::HalfStep => false,
            },
            DriveKind::LinearCurrent { .. } | DriveKind::Chopper { .. } => false,
        };
        Self {
            most_off_on_half_steps: full_steps_only.then_some(0.0),
            ..Self::default()
        }
    }

    fn add(&mut self, axis: &Axis, error: f64, played: Option<&AxisPlayed>, times: u64) {
        self.count = self.count.saturating_add(times);
        self.most_off = self.most_off.max(error.abs());
        if let Some(most) = &mut self.most_off_on_half_steps {
            let half = 0.5 / axis.microsteps_per_travel();
            *most = most.max((error - (error / half).round() * half).abs());
        }
        if let Some(outcome) = played.and_then(|played| played.outcome.as_ref()) {
            let overshoot = self.overshoot.get_or_insert(0.0);
            *overshoot = overshoot.max(outcome.overshoot);
            let longest = self.settle.into_iter().chain(outcome.settle_s);
            self.settle = longest.reduce(f64::max);
        }
    }

    /// As a builder reads it; none where the axis does not stop anywhere.
    pub fn text(&self, axis: &Axis) -> Option<String> {
        let unit = TravelUnit::of(axis);
        let travel = |si: f64| format!("{} {}", Rounded(si * unit.per_si), unit.name);
        let mut text = match self.count {
            0 => return None,
            1 => "1 stop".to_owned(),
            count => format!("{count} stops"),
        };
        if self.most_off * axis.microsteps_per_travel() <= NOTHING {
            text.push_str(", as asked");
        } else {
            text.push_str(&format!(", off by up to {}", travel(self.most_off)));
            if let (Some(half), Some(sequence)) = (self.most_off_on_half_steps, sequence(axis)) {
                text.push_str(&format!(
                    ": {sequence} drive has only full steps; half steps: {}",
                    travel(half)
                ));
            }
        }
        if let Some(overshoot) = self.overshoot {
            text.push_str(&format!(
                "; overshoot up to {} {}",
                Rounded(overshoot),
                unit.name
            ));
            match self.settle {
                None => {}
                Some(0.0) => text.push_str(", within `settle` from the last step on"),
                Some(settle) => {
                    text.push_str(&format!(", settled within {}", Time::new(settle)));
                }
            }
        }
        Some(text)
    }
}

fn sequence(axis: &Axis) -> Option<&'static str> {
    match axis.drive.kind {
        DriveKind::FixedVoltage { sequence } => Some(match sequence {
            Sequence::Wave => "wave",
            Sequence::TwoPhase => "two-phase",
            Sequence::HalfStep => return None,
        }),
        DriveKind::LinearCurrent { .. } | DriveKind::Chopper { .. } => None,
    }
}

/// Takes the stops of a move in, by the axes of the rig.
pub(super) fn add(stops: &mut [AxisStops], rig: &Rig, checked: &MoveCheck) {
    let planned = &checked.planned;
    // Where a seek stops is no target.
    if planned.seeks.is_some() {
        return;
    }
    match planned.part {
        MovePart::Whole | MovePart::Approach => {}
        MovePart::Beyond => return,
    }
    let axes = planned.motion.axes.iter().zip(&planned.travel).enumerate();
    for (number, (motion, travel)) in axes {
        let axis = &rig.axes[motion.axis];
        let played = checked.played.get(number);
        stops[motion.axis].add(axis, travel.target_error, played, checked.times);
    }
}
