//! The current that a regulated drive really reaches.
//!
//! ```text
//! I = min(Ipeak, Vref / (g Rs), V / (c R))
//! ```
//!
//! | symbol | what | unit |
//! | --- | --- | --- |
//! | Ipeak | amplitude that the rig asks for, `peak_current` | A |
//! | Vref, g, Rs | full scale of the converter, gain and sense resistor | V, , Ω |
//! | V | supply | V |
//! | R | winding, switches, ballast and sense resistor of a phase | Ω |
//! | c | largest share of the amplitude in one phase: 1, or cos 45° where full steps rest on both phases | |
//!
//! Everything that is computed of a drive (torque, bands, heat, coil tables) rests on I,
//! never on Ipeak alone. The converter's last code is one step short of its full scale,
//! which counts as part of its rounding.

use std::f64::consts::FRAC_1_SQRT_2;

use super::{Axis, DriveKind};

/// Share that arithmetic may be off by where two currents are meant to be the same.
const ROUNDING: f64 = 1e-9;

/// The amplitude of a regulated current: what is asked for, and what limits it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Amplitude {
    /// What the rig asks for, Ipeak (A).
    pub asked: f64,
    /// Full scale of the converter (A), where the rig describes one.
    pub full_scale: Option<f64>,
    /// What the supply drives through the phases at standstill, V/(c R) (A).
    pub driven: f64,
    /// Half a step of the converter (A): what its rounding may take off unnoticed.
    rounding: f64,
}

impl Amplitude {
    /// What really flows at standstill, I (A).
    pub fn reached(&self) -> f64 {
        self.set().min(self.driven)
    }

    /// What the regulator is set to, whether or not the supply drives it (A).
    pub fn set(&self) -> f64 {
        self.asked.min(self.full_scale.unwrap_or(f64::INFINITY))
    }

    /// Whether the converter ends below what is asked for, by more than its rounding.
    pub fn beyond_converter(&self) -> bool {
        self.asked - self.set() > self.rounding + ROUNDING * self.asked
    }

    /// Whether the supply drives less than the regulator is set to.
    pub fn beyond_supply(&self) -> bool {
        self.set() > self.driven * (1.0 + ROUNDING)
    }
}

impl Axis {
    /// Resistance in series with each phase's winding and supply (Ω): winding, switches
    /// and, where there are any, ballast and sense resistor.
    pub fn loop_resistance(&self) -> f64 {
        let sense = self.drive.sense_resistor.map_or(0.0, |sense| sense.si());
        self.motor.phase_resistance.si()
            + self.drive.switch_resistance.si()
            + self.drive.ballast_in_series()
            + sense
    }

    /// The amplitude of the phase current; none where nothing regulates it.
    pub fn amplitude(&self) -> Option<Amplitude> {
        let (asked, microsteps) = match self.drive.kind {
            DriveKind::FixedVoltage { .. } => return None,
            DriveKind::LinearCurrent {
                peak_current,
                microsteps,
            }
            | DriveKind::Chopper {
                peak_current,
                microsteps,
            } => (peak_current.si(), microsteps),
        };
        let share = if microsteps == 1 { FRAC_1_SQRT_2 } else { 1.0 };
        let set_by = self.drive.current_setter();
        let full_scale = set_by.map(|(converter, sense)| {
            converter.reference.si() / (sense.si() * converter.sense_gain)
        });
        let steps = set_by.map_or(1.0, |(converter, _)| f64::from(1u32 << converter.bits));
        Some(Amplitude {
            asked,
            full_scale,
            driven: self.drive.supply.si() / (share * self.loop_resistance()),
            rounding: 0.5 * full_scale.unwrap_or(0.0) / steps,
        })
    }
}
