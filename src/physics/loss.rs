//! What a rotor loses on its way to the shaft, and how well that is known.
//!
//! ```text
//! T_shaft = T_electrical − T_f − B ω        B = B_v + K²/R_m
//! ```
//!
//! | symbol | meaning | unit |
//! | --- | --- | --- |
//! | B_v | viscous damping of the rotor, `viscous_damping` | N·m·s/rad |
//! | R_m | core-loss resistance of a phase, `core_loss_resistance` | Ω |
//! | K | torque constant of a phase | N·m/A, V·s/rad |
//! | T_f | hysteresis of the iron and friction of the bearings, `friction_torque` | N·m |
//!
//! **Eddy currents** in the iron are a resistance R_m across the back-EMF e of each phase: of
//! the current i of a phase only i − e/R_m makes torque (the core-loss branch of published
//! motor models). With e_A = −K ω sin θe and e_B = K ω cos θe the two phases lose
//! Σ e²/R_m = K² ω²/R_m of power, so K² ω/R_m of torque at every angle: a drag in proportion
//! to speed. It adds to the viscous one, and a spin-down or a ring-down shows both together.
//!
//! **Hysteresis** is the share of the detent torque that does not average out over a step; a
//! bearing adds to it. Both are constant and against the motion.
//!
//! **What a rig leaves out is a range**, of which the ends are the 5th and 95th percentile:
//!
//! | what | low | typical | high | where from |
//! | --- | --- | --- | --- | --- |
//! | damping ratio ζ of B = 2 ζ √(N Th J) | 0.01 | 0.03 | 0.05 | typical: fitted to makers' measured pull-out curves (`tests/reference/measured.json`); ends: chosen |
//! | detent torque over holding torque | 2 % | 5 % | 8 % | common practice for hybrid motors |
//! | T_f over detent torque | 0.5 | 1 | 1.5 | typical: as fits the same curves; ends: chosen |
//!
//! **Which points chose.** All nine points in the tree chose ζ. Chosen on two of their three curves it
//! is 0.026, 0.040 and 0.032; the curve left out then lies within 10, 19 and 8 % rms of the typical
//! one and with all its points above the low edge, by 7 % of the torque or more. So the range of ζ
//! is as wide as these data ask for.
//!
//! **The ranges are the same for every size.** B, and with it K²/R_m, grows with the motor, as ζ is
//! a ratio. Whether ζ itself does the measured curves cannot tell: three of them, of one motor of
//! one size, ask for 0.041, 0.013 and 0.044, which is the width of the range. Nor do they say
//! detent torque or inductance at working current.
//!
//! A value that the rig gives with a tolerance is a range too, however narrow or wide.
//!
//! A loss that is only assumed is charged where it costs torque. Where it would help, in
//! the swings of the rotor, only its low end counts, and T_f not at all: it must never hide a
//! critical speed.

use crate::rig::{Motor, ToleratedValue};

/// A quantity that is known to lie in a range: 5th percentile, typical value, 95th percentile.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spread {
    /// Less than this in one case of twenty.
    pub low: f64,
    /// What is most likely.
    pub typical: f64,
    /// More than this in one case of twenty.
    pub high: f64,
}

impl Spread {
    /// A quantity that is given.
    pub const fn exactly(value: f64) -> Self {
        Self {
            low: value,
            typical: value,
            high: value,
        }
    }

    /// One, less and more by `share`.
    pub const fn within(share: f64) -> Self {
        Self {
            low: 1.0 - share,
            typical: 1.0,
            high: 1.0 + share,
        }
    }

    /// Anything within `off` of a value, either way.
    pub fn even(value: f64, off: f64) -> Self {
        Self {
            low: value - off,
            typical: value,
            high: value + off,
        }
    }

    /// A value that is given with a [tolerance](crate::rig::MotorTolerances): its logarithm is
    /// normal, and 95 of 100 cases lie within a factor of 1 + `tolerance`.
    pub fn around(value: f64, tolerance: f64) -> Self {
        let end = (1.0 + tolerance).powf(NINETY_IN_95);
        Self {
            low: value / end,
            typical: value,
            high: value * end,
        }
    }

    /// The product with an independent quantity: relative ends add up by the root of their
    /// squares.
    fn times(self, other: Self) -> Self {
        let typical = self.typical * other.typical;
        let end = |of: fn(&Self) -> f64| {
            let off = |spread: &Self| match spread.is_exact() {
                true => 0.0,
                false => of(spread) / spread.typical - 1.0,
            };
            off(&self).hypot(off(&other))
        };
        Self {
            low: typical * (1.0 - end(|spread| spread.low)).max(0.0),
            typical,
            high: typical * (1.0 + end(|spread| spread.high)),
        }
    }

    /// With something that is known added.
    fn plus(self, known: f64) -> Self {
        Self {
            low: self.low + known,
            typical: self.typical + known,
            high: self.high + known,
        }
    }

    /// Whether there is no range.
    pub fn is_exact(&self) -> bool {
        self.low == self.high
    }
}

/// Half a 90 % range of a normal quantity over half its 95 % range: 1.645/1.960.
const NINETY_IN_95: f64 = 1.644_854 / 1.959_964;

/// Damping ratio of a rotor by itself at the rated current, where the rig gives no damping.
pub(crate) const DAMPING_RATIO: Spread = Spread {
    low: 0.01,
    typical: 0.03,
    high: 0.05,
};

/// Detent torque over holding torque, where the rig gives no detent torque.
const DETENT_SHARE: Spread = Spread {
    low: 0.02,
    typical: 0.05,
    high: 0.08,
};

/// Friction over detent torque, where the rig gives no friction.
const FRICTION_SHARE: Spread = Spread {
    low: 0.5,
    typical: 1.0,
    high: 1.5,
};

/// The losses of a rotor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RotorLoss {
    /// Drag over speed B (N·m·s/rad).
    pub viscous: Spread,
    /// Torque T_f that is always against the motion (N·m).
    pub friction: Spread,
    /// Detent torque (N·m).
    pub detent: Spread,
}

impl RotorLoss {
    /// The losses of a motor's rotor.
    pub fn of(motor: &Motor) -> Self {
        let holding = motor.holding_torque.si();
        let given = |value, si| Spread::around(si, motor.tolerances.of(value).unwrap_or(0.0));
        let core = motor.core_loss_resistance.map(|resistance| {
            let k = motor.torque_constant();
            k * k / resistance.si()
        });
        let viscous = match (motor.viscous_damping, core) {
            (None, None) => {
                let teeth = f64::from(motor.rotor_teeth);
                let critical = 2.0 * (teeth * holding * motor.rotor_inertia.si()).sqrt();
                DAMPING_RATIO.times(Spread::exactly(critical))
            }
            (damping, core) => {
                let damping = damping.map_or(0.0, |damping| damping.si());
                given(ToleratedValue::ViscousDamping, damping).plus(core.unwrap_or(0.0))
            }
        };
        let detent = motor.detent_torque.map_or_else(
            || DETENT_SHARE.times(Spread::exactly(holding)),
            |detent| given(ToleratedValue::DetentTorque, detent.si()),
        );
        let friction = motor.friction_torque.map_or_else(
            || FRICTION_SHARE.times(detent),
            |friction| given(ToleratedValue::FrictionTorque, friction.si()),
        );
        Self {
            viscous,
            friction,
            detent,
        }
    }

    /// What is typically lost at the speed `omega` (rad/s, not negative; N·m).
    pub fn torque(&self, omega: f64) -> f64 {
        self.friction.typical + self.viscous.typical * omega
    }

    /// Whether the rig declares the machine of the equations, without any loss. No motor is
    /// like that; what is computed of it has no uncertainty.
    pub fn is_ideal(&self) -> bool {
        self.viscous == Spread::exactly(0.0) && self.friction == Spread::exactly(0.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::diagnostic::Source;
    use crate::testing::motors::MEDIUM;

    fn loss(more: &str) -> RotorLoss {
        let text = format!("{}\n{more}", MEDIUM.replace(", ", "\n"));
        RotorLoss::of(&Motor::parse(&Source::new("motor.yaml", text)).unwrap())
    }

    #[test]
    fn what_is_left_out_is_a_range_and_what_is_given_is_not() {
        let unknown = loss("");
        let spreads = [unknown.viscous, unknown.friction, unknown.detent];
        assert!(spreads.iter().all(|spread| spread.low > 0.0
            && spread.low < spread.typical
            && spread.typical < spread.high));
        let known = loss("viscous_damping: 0.4 mN.m.s/rad\ndetent_torque: 17 mN.m\n");
        approx::assert_relative_eq!(known.viscous.typical, 4e-4, max_relative = 1e-12);
        assert!(known.viscous.is_exact());
        approx::assert_relative_eq!(known.detent.typical, 0.017, max_relative = 1e-12);
        assert!(!known.friction.is_exact() && !known.is_ideal());
        let friction = loss("friction_torque: 12 mN.m\n").friction;
        approx::assert_relative_eq!(friction.typical, 0.012, max_relative = 1e-12);
    }

    #[test]
    fn zero_damping_with_zero_detent_is_the_lossless_machine() {
        assert!(loss("viscous_damping: 0 mN.m.s/rad\ndetent_torque: 0 mN.m\n").is_ideal());
        assert!(!loss("viscous_damping: 0 mN.m.s/rad\n").is_ideal());
        assert!(!loss("detent_torque: 0 mN.m\n").is_ideal());
    }

    /// 0.42 N·m over √2 · 1.5 A is 0.198 N·m/A; its square over 70 Ω is 0.56 mN·m·s/rad.
    #[test]
    fn a_core_loss_resistance_is_a_drag_of_k_squared_over_it() {
        let k = 0.42 / (2_f64.sqrt() * 1.5);
        let alone = loss("core_loss_resistance: 70 ohm\n").viscous;
        approx::assert_relative_eq!(alone.typical, k * k / 70.0, max_relative = 1e-12);
        assert!(alone.is_exact());
        let both = loss("core_loss_resistance: 70 ohm\nviscous_damping: 0.1 mN.m.s/rad\n").viscous;
        approx::assert_relative_eq!(both.typical, k * k / 70.0 + 1e-4, max_relative = 1e-12);
    }
}
