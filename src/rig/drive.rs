//! The drive: how the phases are fed.

use crate::units::{Current, Resistance, Voltage};

/// What feeds the phases.
#[derive(Debug, Clone, PartialEq)]
pub struct Drive {
    /// Which kind, with what only that kind has.
    pub kind: DriveKind,
    /// Supply voltage.
    pub supply: Voltage,
    /// Resistance of the switches in series with a phase (zero where not given).
    pub switch_resistance: Resistance,
    /// Share of the running current that flows at standstill (1 where not given).
    pub hold_current: f64,
    /// Sense resistor of one phase, where there is one.
    pub sense_resistor: Option<Resistance>,
    /// What turns codes into microstep currents, where the rig describes it.
    pub converter: Option<Converter>,
}

/// The kinds of drive.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum DriveKind {
    /// The supply is switched on and off across the phases; nothing regulates.
    FixedVoltage {
        /// In which order the phases are switched.
        sequence: Sequence,
    },
    /// A linear source regulates each phase's current; its transistors take the rest
    /// of the supply as heat.
    LinearCurrent {
        /// Amplitude of the sine of phase current.
        peak_current: Current,
        /// Microsteps a full step.
        microsteps: u32,
    },
    /// A chopper regulates each phase's current.
    Chopper {
        /// Amplitude of the sine of phase current.
        peak_current: Current,
        /// Microsteps a full step.
        microsteps: u32,
    },
}

/// Sequences of a fixed-voltage drive.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Sequence {
    /// One phase on at a time.
    Wave,
    /// Both phases on all the time.
    TwoPhase,
    /// One and two phases on in turn.
    HalfStep,
}

/// A digital-to-analogue converter that sets the microstep currents through the
/// sense resistor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Converter {
    /// Resolution in bits.
    pub bits: u32,
    /// Full-scale reference.
    pub reference: Voltage,
    /// Gain between the sense resistor and the comparison.
    pub sense_gain: f64,
}

impl Drive {
    /// Microsteps a full step that the drive makes: one for full-step sequences, two
    /// for half-step, what is asked for where the current is regulated.
    pub fn microsteps(&self) -> u32 {
        match self.kind {
            DriveKind::FixedVoltage {
                sequence: Sequence::HalfStep,
            } => 2,
            DriveKind::FixedVoltage { .. } => 1,
            DriveKind::LinearCurrent { microsteps, .. } | DriveKind::Chopper { microsteps, .. } => {
                microsteps
            }
        }
    }

    /// The regulated amplitude, where there is a regulator.
    pub fn peak_current(&self) -> Option<Current> {
        match self.kind {
            DriveKind::FixedVoltage { .. } => None,
            DriveKind::LinearCurrent { peak_current, .. }
            | DriveKind::Chopper { peak_current, .. } => Some(peak_current),
        }
    }
}
