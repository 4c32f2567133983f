//! All of a motor by the scaling rule, as the profiles have it.

use approx::assert_relative_eq;

use crate::identify::scaling::{
    DAMPING_RATIO, DETENT_SHARE, Size, phase_inductance, viscous_damping,
};
use crate::units::two_digits;

/// What the rule says of a motor (SI units).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Likely {
    /// Resistance of a phase (Ω).
    pub(super) phase_resistance: f64,
    /// Inductance of a phase (H).
    pub(super) phase_inductance: f64,
    /// Rated current of a phase (A).
    pub(super) rated_current: f64,
    /// Holding torque (N·m).
    pub(super) holding_torque: f64,
    /// Detent torque (N·m).
    pub(super) detent_torque: f64,
    /// Moment of inertia of the rotor (kg·m²).
    pub(super) rotor_inertia: f64,
    /// Viscous damping (N·m·s/rad).
    pub(super) viscous_damping: f64,
}

impl Likely {
    /// The motor of a size with `teeth` rotor teeth, wound for `voltage` (V, R·I of a
    /// phase); rounded to two digits.
    pub(super) fn of(size: Size, teeth: u32, voltage: f64) -> Self {
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
}

#[test]
fn a_winding_changes_neither_torque_nor_loss_nor_time_constant() {
    let size = Size {
        frame: 57e-3,
        length: 56e-3,
    };
    let (thick, thin) = (Likely::of(size, 50, 2.0), Likely::of(size, 50, 20.0));
    assert_relative_eq!(thick.holding_torque, thin.holding_torque);
    let loss = |m: &Likely| 2.0 * m.rated_current.powi(2) * m.phase_resistance;
    assert_relative_eq!(loss(&thick), loss(&thin), max_relative = 0.1);
    let tau = |m: &Likely| m.phase_inductance / m.phase_resistance;
    assert_relative_eq!(tau(&thick), tau(&thin), max_relative = 0.15);
}

#[test]
fn larger_motors_are_stronger_heavier_and_slower() {
    let of = |mm: f64| {
        Likely::of(
            Size {
                frame: mm * 1e-3,
                length: mm * 1e-3,
            },
            50,
            3.0,
        )
    };
    let (small, large) = (of(28.0), of(56.0));
    // T ∝ a^3.5 and J ∝ a^5 for bodies of one shape, to two digits.
    assert_relative_eq!(
        large.holding_torque / small.holding_torque,
        2f64.powf(3.5),
        max_relative = 0.06
    );
    assert_relative_eq!(
        large.rotor_inertia / small.rotor_inertia,
        2f64.powi(5),
        max_relative = 0.06
    );
}
