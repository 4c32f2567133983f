//! Bands: ranges of step rate at which a motor runs badly.

use serde::Serialize;

use crate::rig::{Axis, TravelUnit};
use crate::units::Rounded;

/// A range of speeds to keep away from, in full steps a second of the motor.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Band {
    /// What goes wrong there.
    pub kind: BandKind,
    /// Lower edge (full steps/s).
    pub from_step_rate_hz: f64,
    /// Upper edge (full steps/s); none where there is no end to it in the range that
    /// was examined.
    pub to_step_rate_hz: Option<f64>,
    /// How it was found.
    pub found_by: FoundBy,
}

/// How far a planned cruise keeps from the edge of a band, as a share of the edge. An
/// edge is computed to about a per cent from data that are hardly better, and the clock
/// has its tolerance.
pub(crate) const CLEARANCE: f64 = 0.03;

impl Band {
    /// The band with [`CLEARANCE`] on either side.
    #[must_use]
    pub fn with_clearance(&self) -> Self {
        Self {
            from_step_rate_hz: self.from_step_rate_hz * (1.0 - CLEARANCE),
            to_step_rate_hz: self.to_step_rate_hz.map(|to| to * (1.0 + CLEARANCE)),
            ..self.clone()
        }
    }

    /// Whether a rate of full steps a second lies in the band.
    pub fn contains(&self, step_rate_hz: f64) -> bool {
        self.from_step_rate_hz <= step_rate_hz
            && self.to_step_rate_hz.is_none_or(|to| step_rate_hz <= to)
    }

    /// The band's edges as speeds of the load of `axis`: rad/s, or m/s where the axis is
    /// linear.
    pub fn load_speeds(&self, axis: &Axis) -> (f64, Option<f64>) {
        let speed = |rate: f64| rate * axis.travel_per_full_step();
        (
            speed(self.from_step_rate_hz),
            self.to_step_rate_hz.map(speed),
        )
    }

    /// The band's speeds at the load of `axis`, as they are shown.
    pub fn speeds_text(&self, axis: &Axis) -> String {
        let unit = TravelUnit::of(axis);
        let (from, to) = self.load_speeds(axis);
        let shown = |speed: f64| Rounded(speed * unit.per_si);
        match to {
            Some(to) => format!("{} … {} {}/s", shown(from), shown(to), unit.name),
            None => format!("above {} {}/s", shown(from), unit.name),
        }
    }
}

/// What goes wrong in a band.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum BandKind {
    /// The steps strike the rotor near its natural frequency (or a fraction of it).
    Forced,
    /// Small swings grow by themselves until the rotor loses synchronism.
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

impl FoundBy {
    /// As it is shown behind “found”.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Eigenvalues => "from the motor's equations",
            Self::ForcedResponse => "from the response to the steps",
            Self::Simulation => "in the simulator",
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn clearance_widens_a_band_on_either_side() {
        let band = |to| Band {
            kind: BandKind::Forced,
            from_step_rate_hz: 100.0,
            to_step_rate_hz: to,
            found_by: FoundBy::ForcedResponse,
        };
        let wide = band(Some(200.0)).with_clearance();
        for (rate, within) in [(96.9, false), (97.1, true), (205.9, true), (206.1, false)] {
            assert_eq!(wide.contains(rate), within, "{rate}");
        }
        assert!(band(None).with_clearance().contains(1e9));
    }
}
