//! How well a rig is known: ranges of the motor's values, and tolerances of what surrounds it.
//!
//! A value v with the tolerance t lies between v/(1 + t) and v (1 + t) in 95 of 100 cases, as
//! what is measured is off by a factor rather than by a difference; for a small t that is
//! ±t. Supply, friction and inertia of the load lie within ± their tolerance.

use super::fields::{self, Bounds, Fields};
use super::problems::Problems;
use super::yaml::{Entry, Node, NodeKind};
use crate::units::Fraction;

/// Temperature (°C) to which the resistance of a profile refers.
pub const COLD: f64 = 25.0;
/// Warmest temperature (°C) of a winding where the rig does not say: 80 K above [`COLD`],
/// common practice for an insulation of class B.
const WARMEST: f64 = 105.0;
/// Temperatures (°C) that a copper winding survives.
const TEMPERATURES: std::ops::RangeInclusive<f64> = COLD..=250.0;
/// A value that is off by a factor of more than eleven is not known at all: chosen.
const MOST: f64 = 10.0;

/// A value of a motor that may have a tolerance.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum ToleratedValue {
    /// Resistance of a phase.
    PhaseResistance,
    /// Inductance of a phase.
    PhaseInductance,
    /// Torque constant, and with it the holding torque at the rated current.
    TorqueConstant,
    /// Detent torque.
    DetentTorque,
    /// Inertia of the rotor.
    RotorInertia,
    /// Drag in proportion to speed.
    ViscousDamping,
    /// Constant torque that the rotor loses.
    FrictionTorque,
}

impl ToleratedValue {
    /// All of them, in the order of a profile.
    pub const ALL: [Self; 7] = [
        Self::PhaseResistance,
        Self::PhaseInductance,
        Self::TorqueConstant,
        Self::DetentTorque,
        Self::RotorInertia,
        Self::ViscousDamping,
        Self::FrictionTorque,
    ];

    /// Its key among a motor's tolerances.
    pub const fn key(self) -> &'static str {
        match self {
            Self::PhaseResistance => "phase_resistance",
            Self::PhaseInductance => "phase_inductance",
            Self::TorqueConstant => "torque_constant",
            Self::DetentTorque => "detent_torque",
            Self::RotorInertia => "rotor_inertia",
            Self::ViscousDamping => "viscous_damping",
            Self::FrictionTorque => "friction_torque",
        }
    }
}

/// How far a motor's values may be off; none where the motor does not say.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct MotorTolerances([Option<f64>; ToleratedValue::ALL.len()]);

impl MotorTolerances {
    /// A motor of which everything is known.
    pub const EXACT: Self = Self([Some(0.0); ToleratedValue::ALL.len()]);

    /// The tolerance of a value (a share).
    pub const fn of(&self, value: ToleratedValue) -> Option<f64> {
        self.0[value as usize]
    }

    /// Reads `tolerances` of a motor. Of what a motor can leave out, only a value that is
    /// `given` has a tolerance.
    pub(super) fn read(entry: Entry, given: &[ToleratedValue], problems: &mut Problems) -> Self {
        let mut read = Self::default();
        let place = entry.key_place.clone();
        let Some(mut fields) = Fields::of("`tolerances`", place, entry.value, problems) else {
            return read;
        };
        for value in ToleratedValue::ALL {
            let Some(entry) = fields.take(value.key()) else {
                continue;
            };
            if !given.contains(&value) {
                fields.problem(
                    entry
                        .key_place
                        .error(
                            "tolerance-without-value",
                            format!("`{}` has a tolerance and no value", value.key()),
                            "the motor does not give it",
                        )
                        .help("give the value too, or leave its tolerance out: a range is then assumed"),
                );
                continue;
            }
            let share =
                fields::quantity::<Fraction>(value.key(), &entry.value, Bounds::up_to(MOST));
            read.0[value as usize] = fields.keep(share).map(Fraction::si);
        }
        fields.finish();
        read
    }
}

/// Values of a motor that are guesses, by their keys.
pub(super) fn read_guessed(
    node: Node,
    known: &[&'static str],
    problems: &mut Problems,
) -> Vec<&'static str> {
    let NodeKind::List(items) = node.kind else {
        problems.add(
            node.place
                .error("not-a-list", "`guessed` is a list of keys of the motor", "")
                .help("write for instance `guessed: [rotor_inertia]`"),
        );
        return Vec::new();
    };
    let mut guessed = Vec::new();
    for item in items {
        let found = fields::text("guessed", &item).and_then(|word| {
            known.iter().find(|key| **key == word).ok_or_else(|| {
                item.place
                    .error(
                        "unknown-word",
                        format!("the motor gives no value “{word}”"),
                        "not one of its keys",
                    )
                    .help(format!("its keys are {}", fields::list(known)))
            })
        });
        match found {
            Ok(key) => guessed.push(*key),
            Err(problem) => problems.add(problem),
        }
    }
    guessed
}

/// How far what surrounds a motor may be off.
#[derive(Debug, Clone, PartialEq)]
pub struct AxisTolerances {
    /// Share by which the supply may differ, either way.
    pub supply: f64,
    /// Share by which friction and drag of the load may differ, either way.
    pub friction: f64,
    /// Share by which inertia or mass of the load may differ, either way.
    pub inertia: f64,
    /// Warmest temperature of the windings (°C).
    pub warmest: f64,
    /// How much earlier a regulator that runs out of voltage may saturate: from 0, at a square
    /// wave of the supply, to 1, at a sine. No key of a rig; it is not known.
    pub early_saturation: f64,
}

impl AxisTolerances {
    /// Where a rig says nothing: what it gives is exact, and windings may be warm.
    pub const NONE: Self = Self {
        supply: 0.0,
        friction: 0.0,
        inertia: 0.0,
        warmest: WARMEST,
        early_saturation: 1.0,
    };

    /// Nothing is off.
    pub const EXACT: Self = Self {
        warmest: COLD,
        early_saturation: 0.0,
        ..Self::NONE
    };

    /// Reads `tolerances` of an axis.
    pub(super) fn read(entry: Entry, problems: &mut Problems) -> Self {
        let place = entry.key_place.clone();
        let Some(mut fields) = Fields::of("`tolerances`", place, entry.value, problems) else {
            return Self::NONE;
        };
        let none = Fraction::new(0.0);
        let mut share = |key| fields.or(key, Bounds::below(1.0), none).si();
        let (supply, friction, inertia) = (share("supply"), share("friction"), share("inertia"));
        let warmest = fields
            .take("temperature")
            .and_then(|entry| fields.keep(read_temperature(&entry)));
        fields.finish();
        Self {
            supply,
            friction,
            inertia,
            warmest: warmest.unwrap_or(WARMEST),
            ..Self::NONE
        }
    }
}

/// The warmest temperature of a winding (°C), such as `95 degC`.
fn read_temperature(entry: &Entry) -> Result<f64, crate::diagnostic::Diagnostic> {
    let text = fields::text("temperature", &entry.value)?;
    let celsius = ["degC", "°C"]
        .iter()
        .find_map(|unit| text.strip_suffix(unit)?.trim().parse::<f64>().ok());
    celsius
        .filter(|celsius| TEMPERATURES.contains(celsius))
        .ok_or_else(|| {
            entry
                .value
                .place
                .error(
                    "not-a-temperature",
                    "`temperature` is the warmest temperature of the windings",
                    "from 25 to 250 degrees Celsius",
                )
                .help("write for instance `temperature: 95 degC`")
        })
}
