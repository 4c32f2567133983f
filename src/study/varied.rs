//! What of a rig varies, within which range, and how it is distributed there.
//!
//! | value | range | distribution |
//! | --- | --- | --- |
//! | torque constant, inductance, resistance, rotor inertia, detent torque, damping, friction with a tolerance | of the motor's `tolerances` | logarithm normal |
//! | torque constant, inductance without one | ±10 %, ±20 %, as in [`torque`](crate::physics::torque) | normal |
//! | detent torque, damping, friction that the motor leaves out | as in [`loss`](crate::physics::loss) | normal to either side of the typical value |
//! | temperature of the windings | cold to the warmest | even |
//! | saturation of a regulator | a square wave of voltage to a sine | half a normal distribution: the square wave is most likely |
//! | supply, friction and inertia of the load; clock | ± their tolerance | even: a tolerance is a limit (JCGM 100:2008, 4.3.7) |
//!
//! Ranges are 5th to 95th percentile, and what lies beyond the 1st and 99th counts as these;
//! even ones are whole. A rotor that is declared without losses has no range but those that
//! the rig gives.

use std::fmt;

use serde::{Deserialize, Serialize};

use crate::physics::torque::{inductance, resistance, torque_constant};
use crate::physics::{RotorLoss, Spread};
use crate::rig::{Axis, COLD, Correction, DriveKind, Motor, Rig, ToleratedValue};
use crate::units::{Damping, Rounded, Torque, two_digits};

/// Standard deviations to the 95th percentile of a normal quantity.
const TO_95: f64 = 1.644_854;
/// Standard deviations to its 99th percentile.
const TO_99: f64 = 2.326_348;

/// A value that varies.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum VariedKind {
    /// Torque constant of the motor, over that of the rig.
    TorqueConstant,
    /// Inductance of a phase, over that of the rig.
    PhaseInductance,
    /// Resistance of a cold phase, over that of the rig.
    PhaseResistance,
    /// Temperature of the windings (°C).
    Temperature,
    /// Inertia of the rotor, over that of the rig.
    RotorInertia,
    /// Detent torque (N·m).
    DetentTorque,
    /// Viscous damping of the rotor (N·m·s/rad).
    ViscousDamping,
    /// Friction torque of the rotor (N·m).
    FrictionTorque,
    /// How early the regulator saturates: 0 at a square wave, 1 at a sine.
    Saturation,
    /// The supply, over that of the rig.
    Supply,
    /// Friction and drag of the load, over those of the rig.
    LoadFriction,
    /// Inertia of the load, over that of the rig.
    LoadInertia,
    /// How much faster the clock is than its nominal rate (a share).
    Clock,
}

impl VariedKind {
    /// All of them, in the order in which they are drawn: detent torque, damping and friction
    /// depend on what is drawn before them.
    pub(super) const ALL: [Self; 13] = [
        Self::TorqueConstant,
        Self::PhaseInductance,
        Self::PhaseResistance,
        Self::Temperature,
        Self::RotorInertia,
        Self::DetentTorque,
        Self::ViscousDamping,
        Self::FrictionTorque,
        Self::Saturation,
        Self::Supply,
        Self::LoadFriction,
        Self::LoadInertia,
        Self::Clock,
    ];

    /// What it is called.
    pub const fn words(self) -> &'static str {
        match self {
            Self::TorqueConstant => "torque constant",
            Self::PhaseInductance => "phase inductance",
            Self::PhaseResistance => "phase resistance",
            Self::Temperature => "winding temperature",
            Self::RotorInertia => "rotor inertia",
            Self::DetentTorque => "detent torque",
            Self::ViscousDamping => "viscous damping",
            Self::FrictionTorque => "rotor friction",
            Self::Saturation => "early saturation",
            Self::Supply => "supply",
            Self::LoadFriction => "load friction",
            Self::LoadInertia => "load inertia",
            Self::Clock => "clock",
        }
    }

    const fn told(self) -> Told {
        match self {
            Self::TorqueConstant
            | Self::PhaseInductance
            | Self::PhaseResistance
            | Self::RotorInertia
            | Self::Supply
            | Self::LoadFriction
            | Self::LoadInertia => Told::Ratio,
            Self::Clock => Told::Share,
            Self::Saturation => Told::Saturation,
            Self::DetentTorque | Self::FrictionTorque => Told::Torque,
            Self::ViscousDamping => Told::Damping,
            Self::Temperature => Told::Celsius,
        }
    }

    /// A value of it as plots show it, in [`unit`](Self::unit).
    pub(crate) fn shown(self, value: f64) -> f64 {
        match self.told() {
            Told::Ratio => 100.0 * (value - 1.0),
            Told::Share | Told::Saturation => 100.0 * value,
            Told::Torque | Told::Damping => 1e3 * value,
            Told::Celsius => value,
        }
    }

    /// The unit of what plots show.
    pub(crate) const fn unit(self) -> &'static str {
        match self.told() {
            Told::Ratio => "% off the rig's",
            Told::Share => "% fast",
            Told::Saturation => "% of the way to a sine",
            Told::Torque => "mN·m",
            Told::Damping => "mN·m·s/rad",
            Told::Celsius => "°C",
        }
    }

    /// A value of it, as a builder reads it.
    fn show(self, value: f64) -> String {
        let percent = |share: f64| {
            let sign = if share < 0.0 { "−" } else { "+" };
            format!("{sign}{} %", Rounded(two_digits(100.0 * share.abs())))
        };
        match self.told() {
            Told::Ratio => percent(value - 1.0),
            Told::Share => percent(value),
            Told::Saturation if value > 0.0 => "sine".to_owned(),
            Told::Saturation => "square wave".to_owned(),
            Told::Torque => Torque::new(two_digits(value)).to_string(),
            Told::Damping => Damping::new(two_digits(value)).to_string(),
            Told::Celsius => format!("{} °C", Rounded(value)),
        }
    }
}

/// How a value is told.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Told {
    /// A ratio to the rig's, by how far it is off.
    Ratio,
    /// A share.
    Share,
    /// Between a square wave and a sine.
    Saturation,
    /// A torque.
    Torque,
    /// A damping.
    Damping,
    /// A temperature.
    Celsius,
}

/// How a value is distributed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Law {
    /// Normal to either side of the typical value, each side with its own width.
    Normal,
    /// Its logarithm is normal.
    Factor,
    /// The same everywhere between its ends.
    Even,
    /// Half a normal distribution, from the typical value upwards.
    Upwards,
}

impl Law {
    /// The value for an even random number from 0 to 1 and a standard normal one.
    pub(super) fn value(self, spread: Spread, even: f64, normal: f64) -> f64 {
        let Spread { low, typical, high } = spread;
        let shares = normal.clamp(-TO_99, TO_99) / TO_95;
        match self {
            Self::Normal if shares < 0.0 => typical + shares * (typical - low),
            Self::Normal => typical + shares * (high - typical),
            Self::Factor if typical == 0.0 => 0.0,
            Self::Factor if shares < 0.0 => typical * libm::pow(typical / low, shares),
            Self::Factor => typical * libm::pow(high / typical, shares),
            Self::Even => low + even * (high - low),
            Self::Upwards => typical + shares.clamp(0.0, 1.0) * (high - typical),
        }
    }
}

/// A value that varies, with its range.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct VariedValue {
    /// The axis; none for the clock.
    pub axis: Option<String>,
    /// Which value.
    pub kind: VariedKind,
    /// The lower end of its range, in the unit of its kind.
    pub low: f64,
    /// Its typical value.
    pub typical: f64,
    /// The upper end.
    pub high: f64,
}

impl VariedValue {
    /// What it is called; with its axis where the rig has several.
    pub fn name(&self, several: bool) -> String {
        match &self.axis {
            Some(axis) if several => format!("{axis}: {}", self.kind.words()),
            Some(_) | None => self.kind.words().to_owned(),
        }
    }
}

impl fmt::Display for VariedValue {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (low, high) = (self.kind.show(self.low), self.kind.show(self.high));
        write!(f, "{low} to {high}")
    }
}

/// What varies of a rig.
pub(super) fn of(rig: &Rig) -> Vec<VariedValue> {
    let axes = rig.axes.iter().flat_map(|axis| {
        VariedKind::ALL.into_iter().filter_map(|kind| {
            let (spread, _) = range(axis, kind)?;
            Some(valued(Some(&axis.name), kind, spread))
        })
    });
    let clock = Spread::even(0.0, rig.timer.tolerance);
    let clock = (!clock.is_exact()).then(|| valued(None, VariedKind::Clock, clock));
    axes.chain(clock).collect()
}

fn valued(axis: Option<&str>, kind: VariedKind, spread: Spread) -> VariedValue {
    VariedValue {
        axis: axis.map(str::to_owned),
        kind,
        low: spread.low,
        typical: spread.typical,
        high: spread.high,
    }
}

/// The range of a value of an axis, and its distribution; none where it does not vary.
pub(super) fn range(axis: &Axis, kind: VariedKind) -> Option<(Spread, Law)> {
    let motor = &axis.motor;
    let loss = RotorLoss::of(motor);
    let ideal = loss.is_ideal();
    let tolerance = |value| motor.tolerances.of(value);
    let assumed = |value: ToleratedValue, spread: Spread| match tolerance(value) {
        Some(_) => Some((spread, Law::Factor)),
        None if ideal => None,
        None => Some((spread, Law::Normal)),
    };
    // What the motor leaves out has an assumed range, what it gives one with a tolerance.
    let lost = |value, given: bool, spread| match given {
        true => tolerance(value).map(|_| (spread, Law::Factor)),
        false => Some((spread, Law::Normal)),
    };
    let around_one = |share: f64| Some((Spread::even(1.0, share), Law::Even));
    let found = match kind {
        VariedKind::TorqueConstant => {
            assumed(ToleratedValue::TorqueConstant, torque_constant(motor))
        }
        VariedKind::PhaseInductance => assumed(ToleratedValue::PhaseInductance, inductance(motor)),
        VariedKind::PhaseResistance => Some((resistance(motor), Law::Factor)),
        VariedKind::Temperature if ideal => None,
        VariedKind::Temperature => {
            let warmest = axis.tolerances.warmest;
            let middle = 0.5 * (COLD + warmest);
            Some((Spread::even(middle, warmest - middle), Law::Even))
        }
        VariedKind::RotorInertia => {
            let share = tolerance(ToleratedValue::RotorInertia);
            share.map(|share| (Spread::around(1.0, share), Law::Factor))
        }
        VariedKind::DetentTorque => match axis.drive.correction {
            // Its currents are made for the detent torque that the rig gives.
            Some(Correction::Detent | Correction::Measured(_)) => None,
            None => {
                let given = motor.detent_torque.is_some();
                lost(ToleratedValue::DetentTorque, given, loss.detent)
            }
        },
        VariedKind::ViscousDamping => damping(motor, loss.viscous),
        VariedKind::FrictionTorque => {
            let given = motor.friction_torque.is_some();
            lost(ToleratedValue::FrictionTorque, given, loss.friction)
        }
        VariedKind::Saturation => match axis.drive.kind {
            DriveKind::FixedVoltage { .. } => None,
            DriveKind::LinearCurrent { .. } | DriveKind::Chopper { .. } => {
                // A measured curve has it in it.
                let curve = motor.pull_out.is_none() && !ideal;
                curve.then_some((
                    Spread {
                        low: 0.0,
                        typical: 0.0,
                        high: 1.0,
                    },
                    Law::Upwards,
                ))
            }
        },
        VariedKind::Supply => around_one(axis.tolerances.supply),
        VariedKind::LoadFriction => around_one(axis.tolerances.friction),
        VariedKind::LoadInertia => around_one(axis.tolerances.inertia),
        // One for all axes.
        VariedKind::Clock => None,
    };
    found.filter(|(spread, _)| !spread.is_exact())
}

/// The range of the viscous damping, eddy currents that are given apart.
fn damping(motor: &Motor, viscous: Spread) -> Option<(Spread, Law)> {
    match (motor.viscous_damping, motor.core_loss_resistance) {
        (Some(damping), _) => {
            let tolerance = motor.tolerances.of(ToleratedValue::ViscousDamping)?;
            Some((Spread::around(damping.si(), tolerance), Law::Factor))
        }
        (None, Some(_)) => None,
        (None, None) => Some((viscous, Law::Normal)),
    }
}
