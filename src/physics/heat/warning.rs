//! Warnings about heat, current and hanging loads, in words.

use std::fmt;

use crate::units::{Current, Power, Torque, Voltage};

/// A warning about heat, current or a hanging load.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum HeatWarning {
    /// A stage of a linear source gets hotter than a bare transistor stands.
    HotTransistors {
        /// The most that one stage takes (W).
        stage: f64,
        /// All stages together while the axis stands (W).
        standing: f64,
    },
    /// The windings get more than at the rated current.
    HotWindings {
        /// The most that the windings take (W).
        copper: f64,
        /// What they take at the rated current (W).
        rated: f64,
    },
    /// A phase's current is above what the motor is rated for.
    CurrentAboveRated {
        /// The largest effective current of a phase (A).
        current: f64,
        /// The rated current (A).
        rated: f64,
    },
    /// A sense resistor takes more than a small one stands.
    HotSenseResistor {
        /// The most that one takes (W).
        power: f64,
    },
    /// The supply cannot drive the peak current through the windings.
    SupplyTooLow {
        /// The least that could (V).
        needed: f64,
        /// What there is (V).
        supply: f64,
        /// The peak current that the rig asks for (A).
        asked: f64,
        /// The one that is reached (A).
        reached: f64,
    },
    /// The converter cannot set the peak current.
    ConverterTooSmall {
        /// The most that it can set (A).
        full_scale: f64,
        /// The peak current that the rig asks for (A).
        asked: f64,
        /// The one that is reached (A).
        reached: f64,
    },
    /// The load turns the shaft by itself when the current is removed.
    LoadDrops {
        /// Torque that the load puts on the motor's shaft (N·m).
        torque: f64,
    },
    /// The hold current does not hold the load with the margin.
    HoldTooWeak {
        /// Torque that the hold current gives, the margin taken off (N·m).
        holding: f64,
        /// Torque that the load puts on the motor's shaft (N·m).
        needed: f64,
    },
}

impl HeatWarning {
    /// The kind of warning in one hyphenated word.
    pub const fn code(&self) -> &'static str {
        match self {
            Self::HotTransistors { .. } => "hot-transistors",
            Self::HotWindings { .. } => "hot-windings",
            Self::CurrentAboveRated { .. } => "current-above-rated",
            Self::HotSenseResistor { .. } => "hot-sense-resistor",
            Self::SupplyTooLow { .. } => "supply-below-peak-current",
            Self::ConverterTooSmall { .. } => "converter-below-peak-current",
            Self::LoadDrops { .. } => "load-drops",
            Self::HoldTooWeak { .. } => "hold-too-weak",
        }
    }
}

/// What a current that falls short means for everything else.
struct Reached(f64);

impl fmt::Display for Reached {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "torque, bad speeds, heat and coil tables are worked out with the {} that it reaches",
            Current::new(self.0)
        )
    }
}

impl fmt::Display for HeatWarning {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Self::HotTransistors { stage, standing } => write!(
                f,
                "hot parts: a stage of the linear source turns up to {} into heat, {} in all at standstill",
                Power::new(stage),
                Power::new(standing)
            ),
            Self::HotWindings { copper, rated } => write!(
                f,
                "hot parts: the windings take {}, and at rated current {}",
                Power::new(copper),
                Power::new(rated)
            ),
            Self::CurrentAboveRated { current, rated } => write!(
                f,
                "a phase carries {} (effective), and {} is rated",
                Current::new(current),
                Current::new(rated)
            ),
            Self::HotSenseResistor { power } => write!(
                f,
                "hot parts: a sense resistor takes up to {}",
                Power::new(power)
            ),
            Self::SupplyTooLow {
                needed,
                supply,
                asked,
                reached,
            } => write!(
                f,
                "`peak_current` {} takes {} through the windings and switches at standstill, and the supply gives {}; {}",
                Current::new(asked),
                Voltage::new(needed),
                Voltage::new(supply),
                Reached(reached)
            ),
            Self::ConverterTooSmall {
                full_scale,
                asked,
                reached,
            } => write!(
                f,
                "the converter sets {} at the most, and `peak_current` is {}; {}",
                Current::new(full_scale),
                Current::new(asked),
                Reached(reached)
            ),
            Self::LoadDrops { torque } => write!(
                f,
                "danger: the load pulls on the shaft with {}; it drops when the current is removed or a step is lost: \
                 keep hands away",
                Torque::new(torque)
            ),
            Self::HoldTooWeak { holding, needed } => write!(
                f,
                "the hold current holds {} with the margin taken off, and the load needs {}",
                Torque::new(holding),
                Torque::new(needed)
            ),
        }
    }
}
