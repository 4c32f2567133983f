//! Limits: what the builder wants kept, at the load.

use super::fields::{Bounds, Fields};
use crate::units::{
    Angle, AngularAcceleration, AngularJerk, AngularSpeed, Fraction, Length, LinearAcceleration,
    LinearJerk, LinearSpeed, Measure,
};

/// Limits of one axis, in SI units of the load's travel (rad, or m where the axis
/// is linear).
#[derive(Debug, Clone, PartialEq)]
pub struct Limits {
    /// Highest speed (rad/s or m/s), where there is one.
    pub speed: Option<f64>,
    /// Highest acceleration (rad/s² or m/s²), where there is one.
    pub acceleration: Option<f64>,
    /// Highest jerk (rad/s³ or m/s³), where there is one.
    pub jerk: Option<f64>,
    /// Share of the pull-out torque kept in reserve, from 0 to below 1 (0.15
    /// where it is not given).
    pub torque_margin: f64,
    /// How close to the target counts as settled (rad or m), where it is given; see
    /// [`Axis::settle`](super::Axis::settle).
    pub settle: Option<f64>,
    /// Share by which a worse motor makes less torque than this one, from 0 to below 1 …
    pub weaker_motor: f64,
    /// … and by which inertia and friction of a worse load are larger. A program is played in
    /// both together; a tenth each where they are not given.
    pub heavier_load: f64,
}

/// What no axis on a bench exceeds.
struct Ceilings {
    speed: f64,
    acceleration: f64,
    jerk: f64,
    settle: f64,
}

/// In rad: 95,000 rpm and up.
const ROTARY: Ceilings = Ceilings {
    speed: 1e4,
    acceleration: 1e7,
    jerk: 1e12,
    settle: std::f64::consts::TAU,
};

/// In m.
const LINEAR: Ceilings = Ceilings {
    speed: 100.0,
    acceleration: 1e5,
    jerk: 1e10,
    settle: 1.0,
};

/// Share of a load that may come on top of it: chosen, beyond any doubt about a load.
const HEAVIEST: f64 = 10.0;

impl Limits {
    /// Share of the low edge of the pull-out torque kept in reserve where the rig does not say:
    /// chosen so that what is left is below every measured point of the tests.
    pub const TORQUE_MARGIN: f64 = 0.15;

    /// Both shares of a worse axis where the rig does not say: chosen, the usual tolerance of
    /// holding torques in data sheets (common practice).
    pub const WORSE: f64 = 0.1;

    /// No limits but the motor's own.
    pub const NONE: Self = Self {
        speed: None,
        acceleration: None,
        jerk: None,
        torque_margin: Self::TORQUE_MARGIN,
        settle: None,
        weaker_motor: Self::WORSE,
        heavier_load: Self::WORSE,
    };

    /// Reads limits of a rotary or a linear axis.
    pub(super) fn read(fields: Fields<'_>, linear: bool) -> Self {
        if linear {
            Self::read_as::<LinearSpeed, LinearAcceleration, LinearJerk, Length>(fields, &LINEAR)
        } else {
            Self::read_as::<AngularSpeed, AngularAcceleration, AngularJerk, Angle>(fields, &ROTARY)
        }
    }

    fn read_as<S: Measure, A: Measure, J: Measure, T: Measure>(
        mut fields: Fields<'_>,
        ceilings: &Ceilings,
    ) -> Self {
        let speed = fields.optional("speed", Bounds::positive(1e-12, ceilings.speed));
        let acceleration = fields.optional(
            "acceleration",
            Bounds::positive(1e-12, ceilings.acceleration),
        );
        let jerk = fields.optional("jerk", Bounds::positive(1e-12, ceilings.jerk));
        let margin = fields.or(
            "torque_margin",
            Bounds::below(1.0),
            Fraction::new(Self::TORQUE_MARGIN),
        );
        let settle = fields.optional("settle", Bounds::positive(1e-12, ceilings.settle));
        let worse = Fraction::new(Self::WORSE);
        let weaker_motor = fields.or("weaker_motor", Bounds::below(1.0), worse);
        let heavier_load = fields.or("heavier_load", Bounds::up_to(HEAVIEST), worse);
        fields.finish();
        Self {
            speed: speed.map(S::to_si),
            acceleration: acceleration.map(A::to_si),
            jerk: jerk.map(J::to_si),
            torque_margin: margin.si(),
            settle: settle.map(T::to_si),
            weaker_motor: weaker_motor.si(),
            heavier_load: heavier_load.si(),
        }
    }
}
