//! What follows from the scaling rule.

use approx::assert_relative_eq;

use crate::identify::scaling::Size;
use crate::testing::motors::Likely;

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
