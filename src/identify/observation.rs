//! One thing that was seen on the bench, or one statement of the scaling rule, as a value
//! with an uncertainty and the value that a motor would show.

use std::f64::consts::SQRT_2;

use super::machine::{self, RingDown, TestSupply};
use super::parameter::{MotorValue, Point, Unknown};
use super::scaling::{self, Size};

/// What was observed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Observed {
    /// An unknown itself.
    Direct(Unknown),
    /// A value of the profile.
    Profile(MotorValue),
    /// Resistance of a phase at a temperature (°C).
    WarmResistance {
        /// Temperature of the winding (°C).
        celsius: f64,
    },
    /// Time constant of a phase with a resistance in series: L/(R + Rs).
    RiseTime {
        /// In series (Ω).
        series: f64,
    },
    /// Impedance of a phase at a frequency: √((R + Rs)² + (2πf L)²).
    Impedance {
        /// Frequency (Hz).
        frequency: f64,
        /// In series (Ω).
        series: f64,
    },
    /// Holding torque at a current.
    Holding {
        /// Current of a phase that is on (A).
        current: f64,
        /// Holding torque over K i: 1 or √2.
        phases: f64,
    },
    /// Frequency of a ring-down.
    RingFrequency(RingDown),
    /// Decay rate of a ring-down.
    RingDecay(RingDown),
    /// Deceleration of a coasting rotor.
    Deceleration {
        /// Speed (rad/s).
        omega: f64,
        /// Fixed to the shaft (kg·m²).
        inertia: f64,
    },
    /// Time in which a coasting rotor falls to half its speed.
    HalfTime {
        /// Speed at first (rad/s).
        omega: f64,
        /// Fixed to the shaft (kg·m²).
        inertia: f64,
    },
    /// Amplitude by which microsteps rest off their even places: Td/(K I).
    RestSwing {
        /// Amplitude of the sine of current (A).
        current: f64,
    },
    /// Start-stop rate.
    StartStop {
        /// Amplitude of the current vector (A).
        current: f64,
        /// Whether full steps are made.
        full_steps: bool,
        /// Fixed to the shaft (kg·m²).
        inertia: f64,
    },
    /// Torque at the highest speed that was reached with it.
    PullOut {
        /// The drive.
        supply: TestSupply,
        /// Full steps a second.
        step_rate: f64,
    },
    /// A statement of the scaling rule: the value over what the rule gives is 1.
    Rule(Rule),
}

/// The statements of the scaling rule. Each carries the standard deviation of its
/// logarithm, which is our estimate of how far motors on benches differ from it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Rule {
    /// The commonest frame has a side of 42 mm.
    Frame,
    /// A body is about as long as its frame is wide.
    Length,
    /// Holding torque from the size.
    Holding,
    /// Inertia from the size.
    Inertia,
    /// Copper loss at rated current from the size.
    Loss,
    /// A phase is wound for about 3 V.
    Voltage,
    /// Inductance from holding torque and current.
    Inductance,
    /// Detent torque from holding torque.
    Detent,
    /// Damping from holding torque and inertia.
    Damping,
    /// Dry friction from holding torque.
    Friction,
}

/// Side of the commonest frame (m).
const COMMON_FRAME: f64 = 42e-3;
/// R·I of a phase as drives with a regulated current want it (V).
const COMMON_VOLTAGE: f64 = 3.0;
/// Dry friction of bearings and iron over holding torque.
const FRICTION_SHARE: f64 = 0.004;

impl Rule {
    /// All of them.
    pub const ALL: [Self; 10] = [
        Self::Frame,
        Self::Length,
        Self::Holding,
        Self::Inertia,
        Self::Loss,
        Self::Voltage,
        Self::Inductance,
        Self::Detent,
        Self::Damping,
        Self::Friction,
    ];

    /// Standard deviation of the logarithm.
    pub const fn sigma(self) -> f64 {
        match self {
            Self::Frame | Self::Loss | Self::Length => 0.4,
            Self::Holding => 0.3,
            Self::Inertia => 0.25,
            Self::Voltage => 0.9,
            Self::Inductance => 0.45,
            Self::Detent | Self::Damping => 0.6,
            Self::Friction => 0.8,
        }
    }

    /// ln of the value over what the rule gives.
    fn deviation(self, point: &Point, teeth: f64) -> f64 {
        let at = |unknown: Unknown| unknown.ln(point);
        let size = Size {
            frame: Unknown::Frame.at(point),
            length: Unknown::Length.at(point),
        };
        let current = Unknown::RatedCurrent.at(point);
        let holding = MotorValue::HoldingTorque.at(point);
        match self {
            Self::Frame => at(Unknown::Frame) - COMMON_FRAME.ln(),
            Self::Length => at(Unknown::Length) - at(Unknown::Frame),
            Self::Holding => (holding / size.holding_torque()).ln(),
            Self::Inertia => at(Unknown::RotorInertia) - size.rotor_inertia().ln(),
            Self::Loss => {
                let loss = 2.0 * current * current * Unknown::Resistance.at(point);
                (loss / size.rated_loss()).ln()
            }
            Self::Voltage => {
                at(Unknown::Resistance) + at(Unknown::RatedCurrent) - COMMON_VOLTAGE.ln()
            }
            Self::Inductance => {
                at(Unknown::Inductance) - scaling::phase_inductance(holding, current).ln()
            }
            Self::Detent => at(Unknown::DetentTorque) - (scaling::DETENT_SHARE * holding).ln(),
            Self::Damping => {
                let inertia = Unknown::RotorInertia.at(point);
                let usual =
                    scaling::viscous_damping(scaling::DAMPING_RATIO, teeth, holding, inertia);
                at(Unknown::Damping) - usual.ln()
            }
            Self::Friction => at(Unknown::Friction) - (FRICTION_SHARE * holding).ln(),
        }
    }
}

/// Something observed, with its value and uncertainty.
#[derive(Debug, Clone, PartialEq)]
pub struct Observation {
    /// What.
    pub observed: Observed,
    /// Its value in SI units; for a rule 1.
    pub value: f64,
    /// Standard deviation of its logarithm.
    pub sigma: f64,
    /// How it was found, to be read behind “from”: “holding torque by lever”.
    pub origin: String,
    /// How it may have been misread.
    pub misreading: Misreading,
}

/// Which slips are likely with a measurement.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Misreading {
    /// None in particular.
    None,
    /// A current that is given as its peak or its effective value.
    Current,
    /// A voltage read as effective value, amplitude or peak to peak; a speed in other units.
    BackEmf,
    /// A resistance or inductance of two coils in series or parallel, or of half of one.
    Coils,
    /// A force or weight read in other units; a lever measured from elsewhere.
    Lever,
    /// A swing with other phases on than noted.
    Swing,
    /// A diameter that is a radius.
    Size,
}

impl Observation {
    /// A measurement.
    pub fn measured(
        observed: Observed,
        value: f64,
        sigma: f64,
        origin: impl Into<String>,
        misreading: Misreading,
    ) -> Self {
        Self {
            observed,
            value,
            sigma,
            origin: origin.into(),
            misreading,
        }
    }

    /// A statement of the scaling rule.
    pub fn rule(rule: Rule) -> Self {
        Self {
            observed: Observed::Rule(rule),
            value: 1.0,
            sigma: rule.sigma(),
            origin: "the scaling rule".to_owned(),
            misreading: Misreading::None,
        }
    }

    /// Whether it is a statement of the scaling rule.
    pub const fn is_rule(&self) -> bool {
        matches!(self.observed, Observed::Rule(_))
    }

    /// The logarithm of the value that the motor at `point` shows.
    pub fn predicted(&self, point: &Point, teeth: f64) -> f64 {
        match &self.observed {
            Observed::Direct(unknown) => unknown.ln(point),
            Observed::Profile(value) => value.at(point).ln(),
            Observed::WarmResistance { celsius } => {
                Unknown::Resistance.ln(point) + machine::warm_copper(*celsius).ln()
            }
            Observed::RiseTime { series } => {
                Unknown::Inductance.ln(point) - (Unknown::Resistance.at(point) + series).ln()
            }
            Observed::Impedance { frequency, series } => {
                let reactance = std::f64::consts::TAU * frequency * Unknown::Inductance.at(point);
                (Unknown::Resistance.at(point) + series)
                    .hypot(reactance)
                    .ln()
            }
            Observed::Holding { current, phases } => {
                Unknown::TorqueConstant.ln(point) + (current * phases).ln()
            }
            Observed::RingFrequency(swing) => swing.ringing(point, teeth).frequency.ln(),
            Observed::RingDecay(swing) => swing.ringing(point, teeth).decay.ln(),
            Observed::Deceleration { omega, inertia } => {
                machine::deceleration(point, *omega, *inertia).ln()
            }
            Observed::HalfTime { omega, inertia } => {
                machine::half_time(point, *omega, *inertia).ln()
            }
            Observed::RestSwing { current } => {
                Unknown::DetentTorque.ln(point) - Unknown::TorqueConstant.ln(point) - current.ln()
            }
            Observed::StartStop {
                current,
                full_steps,
                inertia,
            } => machine::start_stop_rate(point, teeth, *current, *full_steps, *inertia).ln(),
            Observed::PullOut { supply, step_rate } => {
                // A curve that has fallen to nothing still has a slope for the search.
                let least = 1e-3 * Unknown::TorqueConstant.at(point);
                machine::pull_out(point, teeth, supply, *step_rate)
                    .max(least)
                    .ln()
            }
            Observed::Rule(rule) => rule.deviation(point, teeth),
        }
    }
}

/// A first guess: the motor of the commonest size.
pub(super) fn commonest(teeth: f64) -> Point {
    let size = Size {
        frame: COMMON_FRAME,
        length: COMMON_FRAME,
    };
    let current = size.rated_loss() / (2.0 * COMMON_VOLTAGE);
    let (holding, inertia) = (size.holding_torque(), size.rotor_inertia());
    let mut point = Point::zeros();
    let mut set = |unknown: Unknown, si: f64| point[unknown.index()] = si.ln();
    set(Unknown::Frame, size.frame);
    set(Unknown::Length, size.length);
    set(Unknown::Resistance, COMMON_VOLTAGE / current);
    set(
        Unknown::Inductance,
        scaling::phase_inductance(holding, current),
    );
    set(Unknown::RatedCurrent, current);
    set(Unknown::TorqueConstant, holding / SQRT_2 / current);
    set(Unknown::RotorInertia, inertia);
    set(Unknown::DetentTorque, scaling::DETENT_SHARE * holding);
    set(
        Unknown::Damping,
        scaling::viscous_damping(scaling::DAMPING_RATIO, teeth, holding, inertia),
    );
    set(Unknown::Friction, FRICTION_SHARE * holding);
    point
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn the_commonest_motor_obeys_every_statement_of_the_rule() {
        let point = commonest(50.0);
        for rule in Rule::ALL {
            let off = Observation::rule(rule).predicted(&point, 50.0);
            assert!(off.abs() < 1e-9, "{rule:?}: {off}");
        }
    }

    /// By hand: 1.2 V and 0.8 A at 50 Hz are 1.5 Ω; with R = 1.0 Ω the reactance is
    /// √(2.25 − 1) = 1.11803 Ω, L = 1.11803/314.159 = 3.5588 mH.
    #[test]
    fn an_impedance_worked_by_hand_comes_out() {
        let mut point = commonest(50.0);
        point[Unknown::Resistance.index()] = 0.0;
        point[Unknown::Inductance.index()] = 3.5588e-3_f64.ln();
        let observed = Observed::Impedance {
            frequency: 50.0,
            series: 0.0,
        };
        let seen = Observation::measured(observed, 1.5, 0.01, "", Misreading::None);
        assert_relative_eq!(seen.predicted(&point, 50.0).exp(), 1.5, max_relative = 1e-4);
    }

    /// By hand: a force of 4.2 N at 100 mm is 0.42 N·m; at 1.5 A in both phases
    /// K = 0.42/(√2 · 1.5) = 0.19799 N·m/A, and at 20.944 rad/s (200 rpm) the back-EMF has an
    /// amplitude of 4.1466 V.
    #[test]
    fn a_lever_and_a_back_emf_worked_by_hand_agree() {
        let mut point = commonest(50.0);
        point[Unknown::TorqueConstant.index()] = (4.1466_f64 / 20.944).ln();
        let lever = Observed::Holding {
            current: 1.5,
            phases: SQRT_2,
        };
        let seen = Observation::measured(lever, 0.42, 0.01, "", Misreading::None);
        assert_relative_eq!(
            seen.predicted(&point, 50.0).exp(),
            0.42,
            max_relative = 1e-4
        );
    }
}
