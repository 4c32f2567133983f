//! Warnings about heat, current and hanging loads: when they are due, and their words.

use std::fmt;

use crate::physics::heat::{Heat, SLACK};
use crate::physics::load::ShaftLoad;
use crate::physics::torque::least_holding;
use crate::rig::Axis;
use crate::units::{Current, Power, Torque, Voltage};

/// Power (W) that a bare transistor in a common plastic package sheds without a heat
/// sink (common practice).
const BARE_TRANSISTOR: f64 = 1.5;

/// Power (W) that an ordinary resistor of half a watt takes at half its rating (common
/// practice).
const SMALL_RESISTOR: f64 = 0.25;

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
    /// A ballast resistor takes more than it is rated for, or than a small one stands where
    /// that is not given.
    HotBallast {
        /// The most that one takes (W).
        power: f64,
        /// What it is rated for (W).
        rating: Option<f64>,
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
    /// The warnings about the heat of `axis`.
    pub fn of(axis: &Axis, heat: &Heat) -> Vec<Self> {
        let mut warnings = Vec::new();
        if heat.hottest_transistor > BARE_TRANSISTOR {
            warnings.push(Self::HotTransistors {
                stage: heat.hottest_transistor,
                standing: heat.holding.transistors,
            });
        }
        let rated_current = axis.motor.rated_current.si();
        if heat.windings.hot() {
            warnings.push(Self::HotWindings {
                copper: heat.windings.most(),
                rated: heat.windings.rated,
            });
        }
        if heat.rms_current > rated_current * SLACK {
            warnings.push(Self::CurrentAboveRated {
                current: heat.rms_current,
                rated: rated_current,
            });
        }
        let rating = axis.drive.ballast.and_then(|ballast| ballast.rating);
        let rating = rating.map(Power::si);
        let stands = rating.unwrap_or(SMALL_RESISTOR);
        if let Some(power) = heat.hottest_ballast.filter(|power| *power > stands) {
            warnings.push(Self::HotBallast { power, rating });
        }
        if heat.hottest_sense_resistor > SMALL_RESISTOR {
            warnings.push(Self::HotSenseResistor {
                power: heat.hottest_sense_resistor,
            });
        }
        warnings.extend(axis.amplitude().iter().flat_map(|amplitude| {
            let asked = amplitude.asked;
            let reached = amplitude.reached();
            let supply = amplitude.beyond_supply().then(|| Self::SupplyTooLow {
                needed: axis.drive.supply.si() * amplitude.set() / amplitude.driven,
                supply: axis.drive.supply.si(),
                asked,
                reached,
            });
            let full_scale = amplitude
                .full_scale
                .filter(|_| amplitude.beyond_converter());
            let converter = full_scale.map(|full_scale| Self::ConverterTooSmall {
                full_scale,
                asked,
                reached,
            });
            supply.into_iter().chain(converter)
        }));
        warnings.extend(Self::of_load(axis, heat));
        warnings
    }

    fn of_load(axis: &Axis, heat: &Heat) -> Vec<Self> {
        let needed = ShaftLoad::of(axis).standing_torque();
        if needed <= 0.0 {
            return Vec::new();
        }
        let least = least_holding(&axis.motor) * heat.held_torque;
        let holding = least * (1.0 - axis.limits.torque_margin);
        let weak = (holding < needed).then_some(Self::HoldTooWeak { holding, needed });
        std::iter::once(Self::LoadDrops { torque: needed })
            .chain(weak)
            .collect()
    }

    /// The kind of warning in one hyphenated word.
    pub const fn code(&self) -> &'static str {
        match self {
            Self::HotTransistors { .. } => "hot-transistors",
            Self::HotWindings { .. } => "hot-windings",
            Self::CurrentAboveRated { .. } => "current-above-rated",
            Self::HotBallast { .. } => "hot-ballast",
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
            "torque, critical speeds, heat and coil tables use the {} that it reaches",
            Current::new(self.0)
        )
    }
}

impl fmt::Display for HeatWarning {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Self::HotTransistors { stage, standing } => write!(
                f,
                "hot parts: a stage of the linear source dissipates up to {}, {} in total at standstill",
                Power::new(stage),
                Power::new(standing)
            ),
            Self::HotWindings { copper, rated } => write!(
                f,
                "hot parts: winding loss {}, rated {}",
                Power::new(copper),
                Power::new(rated)
            ),
            Self::CurrentAboveRated { current, rated } => write!(
                f,
                "a phase carries {} rms, rated {}",
                Current::new(current),
                Current::new(rated)
            ),
            Self::HotBallast {
                power,
                rating: Some(rating),
            } => write!(
                f,
                "hot parts: a ballast resistor dissipates up to {}; its rating is {}",
                Power::new(power),
                Power::new(rating)
            ),
            Self::HotBallast {
                power,
                rating: None,
            } => write!(
                f,
                "hot parts: a ballast resistor dissipates up to {}; the rig does not say its `rating`",
                Power::new(power)
            ),
            Self::HotSenseResistor { power } => write!(
                f,
                "hot parts: a sense resistor dissipates up to {}",
                Power::new(power)
            ),
            Self::SupplyTooLow {
                needed,
                supply,
                asked,
                reached,
            } => write!(
                f,
                "`peak_current` {} needs {} across windings and switches at standstill; the supply is {}; {}",
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
                "the converter's full scale is {}, below the `peak_current` {}; {}",
                Current::new(full_scale),
                Current::new(asked),
                Reached(reached)
            ),
            Self::LoadDrops { torque } => write!(
                f,
                "danger: the load pulls on the shaft with {} and drops when the current is removed or a step is lost: \
                 keep hands away",
                Torque::new(torque)
            ),
            Self::HoldTooWeak { holding, needed } => write!(
                f,
                "the hold current holds {} after the margin; the load needs {}",
                Torque::new(holding),
                Torque::new(needed)
            ),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::physics::heat::Overload;
    use crate::testing::rigs::axis_of;

    fn warnings(drive: &str, load: &str) -> Vec<HeatWarning> {
        let axis = axis_of(drive, load);
        HeatWarning::of(&axis, &Heat::of(&axis))
    }

    fn codes(drive: &str, load: &str) -> Vec<&'static str> {
        warnings(drive, load)
            .iter()
            .map(HeatWarning::code)
            .collect()
    }

    #[test]
    fn too_much_current_and_too_little_supply_are_told() {
        let high = "kind: fixed-voltage, supply: 4 V, sequence: two-phase";
        assert_eq!(codes(high, ""), ["hot-windings", "current-above-rated"]);
        let windings = Heat::of(&axis_of(high, "")).windings;
        assert_eq!(windings.overload(None), Some(Overload::Standing));
        let rated = "kind: fixed-voltage, supply: 3.15 V, sequence: two-phase";
        assert!(warnings(rated, "").is_empty());
        for low in [
            "kind: chopper, supply: 2 V, peak_current: 1.5 A, microsteps: 8",
            "kind: chopper, supply: 3.15 V, peak_current: 3 A, microsteps: 256",
        ] {
            assert_eq!(codes(low, ""), ["supply-below-peak-current"]);
        }
        let sense = "kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 8, sense_resistor: 1 ohm";
        assert_eq!(codes(sense, ""), ["hot-sense-resistor"]);
    }

    #[test]
    fn a_ballast_above_its_rating_is_told_and_one_below_is_not() {
        let codes = |ballast: &str| {
            let drive = "kind: fixed-voltage, supply: 12 V, sequence: two-phase, ballast";
            codes(
                &format!("{drive}: {{ resistance: 6.4 ohm, {ballast} }}"),
                "",
            )
        };
        assert!(codes("rating: 15 W").is_empty());
        assert!(codes("rating: 8 W, count: 2").is_empty());
        assert_eq!(codes("rating: 10 W"), ["hot-ballast"]);
        assert_eq!(codes(""), ["hot-ballast"]);
    }

    #[test]
    fn a_linear_source_is_told_to_be_hot() {
        let linear = "kind: linear-current, supply: 15 V, peak_current: 0.9 A, microsteps: 256";
        assert!(codes(linear, "").contains(&"hot-transistors"));
    }

    #[test]
    fn a_hanging_load_drops_and_may_be_too_heavy_to_hold() {
        let drive =
            "kind: chopper, supply: 24 V, peak_current: 1.5 A, microsteps: 8, hold_current: 20 %";
        let light = "constant_torque: 10 mN.m";
        assert_eq!(codes(drive, light), ["load-drops"]);
        let words = warnings(drive, light)[0].to_string();
        assert!(words.contains("drops when the current is removed"));
        let heavy = "constant_torque: 50 mN.m";
        assert_eq!(codes(drive, heavy), ["load-drops", "hold-too-weak"]);
    }
}
