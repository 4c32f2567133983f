//! The motors of the tests: sizes and windings of our own choice, the rest by the scaling rule
//! of [`crate::identify::scaling`], as the profiles have it.

use crate::diagnostic::Source;
use crate::identify::scaling::{
    DAMPING_RATIO, DETENT_SHARE, Size, phase_inductance, viscous_damping,
};
use crate::rig::Motor;
use crate::testing::model;
use crate::units::two_digits;

/// The data of [`medium`] as a rig has them.
pub(crate) const MEDIUM: &str = "rotor_teeth: 50, phase_resistance: 2.1 ohm, phase_inductance: 4.2 mH, \
     rated_current: 1.5 A, holding_torque: 0.42 N.m, rotor_inertia: 65 g.cm^2";

/// What the rule says of a motor (SI units).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Likely {
    /// Resistance of a phase (Ω).
    pub phase_resistance: f64,
    /// Inductance of a phase (H).
    pub phase_inductance: f64,
    /// Rated current of a phase (A).
    pub rated_current: f64,
    /// Holding torque (N·m).
    pub holding_torque: f64,
    /// Detent torque (N·m).
    pub detent_torque: f64,
    /// Moment of inertia of the rotor (kg·m²).
    pub rotor_inertia: f64,
    /// Viscous damping (N·m·s/rad).
    pub viscous_damping: f64,
}

impl Likely {
    /// The motor of a size with `teeth` rotor teeth, wound for `voltage` (V, R·I of a
    /// phase); rounded to two digits.
    pub(crate) fn of(size: Size, teeth: u32, voltage: f64) -> Self {
        let rated_current = two_digits(size.rated_loss() / (2.0 * voltage));
        let holding_torque = two_digits(size.holding_torque());
        let rotor_inertia = two_digits(size.rotor_inertia());
        Self {
            phase_resistance: two_digits(voltage / rated_current),
            phase_inductance: two_digits(phase_inductance(holding_torque, rated_current)),
            rated_current,
            holding_torque,
            detent_torque: two_digits(DETENT_SHARE * holding_torque),
            rotor_inertia,
            viscous_damping: two_digits(viscous_damping(
                DAMPING_RATIO,
                f64::from(teeth),
                holding_torque,
                rotor_inertia,
            )),
        }
    }

    /// A motor of 1.8 degrees by frame and length (mm) and the voltage of its winding.
    pub(crate) fn sized(frame: f64, length: f64, voltage: f64) -> Self {
        let size = Size {
            frame: frame * 1e-3,
            length: length * 1e-3,
        };
        Self::of(size, 50, voltage)
    }
}

/// The motor of most tests, 42 mm long on a frame of 42 mm, wound for 3.2 V: 2.1 Ω, 4.2 mH,
/// 1.5 A, 0.42 N·m, 17 mN·m of detent torque, 65 g·cm².
pub(crate) fn medium() -> Likely {
    Likely::sized(42.0, 42.0, 3.2)
}

#[test]
fn the_medium_motor_of_rigs_is_that_of_the_rule() {
    let source = Source::new("motor.yaml", MEDIUM.replace(", ", "\n"));
    let (read, rule) = (Motor::parse(&source).unwrap(), medium());
    for (read, rule) in [
        (read.phase_resistance.si(), rule.phase_resistance),
        (read.phase_inductance.si(), rule.phase_inductance),
        (read.rated_current.si(), rule.rated_current),
        (read.holding_torque.si(), rule.holding_torque),
        (read.rotor_inertia.si(), rule.rotor_inertia),
    ] {
        approx::assert_relative_eq!(read, rule, max_relative = 1e-9);
    }
}

#[test]
fn the_motors_of_the_reference_integrations_are_those_of_the_rule() {
    for file in [model::scipy(), model::limits()] {
        let motors = file["motors"].as_object().unwrap();
        assert!(motors.len() >= 2);
        for (name, motor) in motors {
            let number = |key: &str| motor[key].as_f64().unwrap();
            let [frame, length] = ["frame", "length"].map(|key| 1e3 * number(key));
            let rule = Likely::sized(frame, length, number("U"));
            for (key, value) in [
                ("R", rule.phase_resistance),
                ("L", rule.phase_inductance),
                ("I", rule.rated_current),
                ("Th", rule.holding_torque),
                ("Td", rule.detent_torque),
                ("J", rule.rotor_inertia),
            ] {
                let near = (number(key) / value - 1.0).abs() < 1e-9;
                assert!(near, "{name}: {key} is {value} by the rule");
            }
        }
    }
}
