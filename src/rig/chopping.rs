//! How a chopper's bridge switches.

use super::drive::{DriveKind, is_single, refuse};
use super::fields::{Bounds, Fields};
use crate::units::{Frequency, Time};

/// How often the bridge of a chopper switches, and how fast.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Chopping {
    /// How often each phase is switched on and off a second.
    pub frequency: Frequency,
    /// Time that voltage and current take to change places at one edge.
    pub transition: Time,
    /// Time between a switch and the one opposite, in which a diode carries the current (zero where
    /// not given).
    pub dead_time: Time,
}

impl Chopping {
    pub(super) fn read(drive: &mut Fields<'_>, kind: Option<DriveKind>) -> Option<Self> {
        let entry = drive.take("chopping")?;
        match kind? {
            DriveKind::Chopper { .. } => {}
            kind @ (DriveKind::FixedVoltage { .. } | DriveKind::LinearCurrent { .. }) => {
                refuse(drive, kind.name(), [Some(entry), None]);
                return None;
            }
        }
        let write = |value: &str| format!("frequency: {value}, transition: … ns");
        if is_single(drive, &entry, write) {
            return None;
        }
        let place = entry.key_place.clone();
        let mut fields = Fields::of(
            "the chopping",
            entry.key_place,
            entry.value,
            drive.problems(),
        )?;
        let frequency = fields.required("frequency", Bounds::positive(100.0, 1e6));
        let transition = fields.required("transition", Bounds::positive(1e-9, 1e-4));
        let dead_time = fields.or("dead_time", Bounds::up_to(1e-4), Time::default());
        fields.finish();
        let chopping = Self {
            frequency: frequency?,
            transition: transition?,
            dead_time,
        };
        if chopping.edges() > 1.0 {
            let problem = place.error(
                "too-slow-to-chop",
                "two edges of the bridge take longer than a period of the chopping",
                "twice `transition` and `dead_time` must fit in one period",
            );
            drive.problem(problem.help("lower `frequency`"));
            return None;
        }
        Some(chopping)
    }

    /// Share of the time that two edges take.
    fn edges(&self) -> f64 {
        2.0 * (self.transition.si() + self.dead_time.si()) * self.frequency.si()
    }
}
