//! Ballast: resistors between the supply and the phases of a drive.
//!
//! ```text
//! in each phase         R
//! common to both        R · phases on at once
//! ```
//!
//! is what each phase has in series. A common ballast serves sequences with the same number of
//! phases on all the time, wave (1) and two-phase (2): the current that it lets through would
//! otherwise change from step to step. While a current reverses, the sum of both is smaller
//! than at rest and so is the drop; that is not modelled.

use super::drive::{DriveKind, Sequence, is_single};
use super::fields::{self, Bounds, Fields};
use super::problems::Place;
use super::yaml::Entry;
use crate::units::{Power, Resistance};

/// Where a ballast sits.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BallastPlace {
    /// In series with each phase.
    Phase,
    /// In the supply line, common to both phases.
    Common,
}

/// Ballast resistors.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ballast {
    /// Resistance at each place.
    pub resistance: Resistance,
    /// Where it sits.
    pub place: BallastPlace,
    /// Equal resistors that make it up at each place and share its power.
    pub count: u32,
    /// Power that one resistor is rated for, where it is given.
    pub rating: Option<Power>,
}

/// The places as a rig writes them.
const PLACES: [(&str, BallastPlace); 2] = [
    ("phase", BallastPlace::Phase),
    ("common", BallastPlace::Common),
];

impl Ballast {
    /// What each phase of a drive of the kind `kind` has in series (Ω).
    pub(super) fn in_series(&self, kind: DriveKind) -> f64 {
        let phases = match self.place {
            BallastPlace::Phase => 1.0,
            BallastPlace::Common => phases_on(kind).unwrap_or(1.0),
        };
        phases * self.resistance.si()
    }

    pub(super) fn read(drive: &mut Fields<'_>) -> Option<(Self, Place)> {
        let entry = drive.take("ballast")?;
        let write = |value: &str| format!("resistance: {value}, rating: … W");
        if is_single(drive, &entry, write) {
            return None;
        }
        let place = entry.key_place.clone();
        let mut fields = Fields::of(
            "the ballast",
            entry.key_place,
            entry.value,
            drive.problems(),
        )?;
        let resistance = fields.required("resistance", Bounds::positive(1e-3, 1e5));
        let rating = fields.optional("rating", Bounds::positive(1e-3, 1e4));
        let count = fields.whole("count", 1..=100).unwrap_or(1);
        let at = fields
            .take("place")
            .map(|entry| read_place(&mut fields, &entry));
        fields.finish();
        let ballast = Self {
            resistance: resistance?,
            place: at.unwrap_or(Some(BallastPlace::Phase))?,
            count,
            rating,
        };
        Some((ballast, place))
    }

    /// Refuses a ballast that the sequence of its drive does not suit.
    pub(super) fn suits(&self, place: &Place, kind: DriveKind, drive: &mut Fields<'_>) {
        if self.place == BallastPlace::Common && phases_on(kind).is_none() {
            let problem = place.error(
                "not-for-this-drive",
                "a common ballast serves the sequences `wave` and `two-phase`",
                "here the current in it changes from step to step",
            );
            drive.problem(problem.help("fit one in each phase: `place: phase`"));
        }
    }
}

/// How many phases are on at once, where it is always the same number.
const fn phases_on(kind: DriveKind) -> Option<f64> {
    match kind {
        DriveKind::FixedVoltage { sequence } => match sequence {
            Sequence::Wave => Some(1.0),
            Sequence::TwoPhase => Some(2.0),
            Sequence::HalfStep => None,
        },
        DriveKind::LinearCurrent { .. } | DriveKind::Chopper { .. } => None,
    }
}

fn read_place(fields: &mut Fields<'_>, entry: &Entry) -> Option<BallastPlace> {
    let names = PLACES.map(|(name, _)| name);
    let chosen = fields.keep(fields::choice("place", entry, &names))?;
    let found = PLACES.iter().find(|(name, _)| *name == chosen);
    found.map(|(_, place)| *place)
}
