//! Bands: ranges of step rate at which a motor runs badly.

use serde::Serialize;

/// A range of speeds to keep away from, in full steps a second of the motor.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Band {
    /// What goes wrong there.
    pub kind: BandKind,
    /// Lower edge (full steps/s).
    pub from_step_rate_hz: f64,
    /// Upper edge (full steps/s); none where there is no end to it in the range that
    /// was looked at.
    pub to_step_rate_hz: Option<f64>,
    /// How it was found.
    pub found_by: FoundBy,
}

/// What goes wrong in a band.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum BandKind {
    /// The steps strike the rotor near its natural frequency (or a fraction of it).
    Forced,
    /// Small swings grow by themselves until the rotor drops out.
    Unstable,
}

impl BandKind {
    /// As it is shown and written.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Forced => "forced",
            Self::Unstable => "unstable",
        }
    }
}

/// How a band was found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum FoundBy {
    /// From the eigenvalues of the linearised machine.
    Eigenvalues,
    /// From the linear response to the staircase of steps and to the detent.
    ForcedResponse,
    /// By running the machine at the speed.
    Simulation,
}
