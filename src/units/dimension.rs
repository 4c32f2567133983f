//! What a quantity measures.

use std::fmt;

/// Exponents of the base dimensions. `Dimension::NONE` is a plain number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub struct Dimension {
    /// Mass (kg).
    pub mass: i8,
    /// Length (m).
    pub length: i8,
    /// Time (s).
    pub time: i8,
    /// Electric current (A).
    pub current: i8,
    /// Plane angle (rad).
    pub angle: i8,
    /// Full steps of a motor.
    pub full_step: i8,
    /// Microsteps of a motor on its drive.
    pub microstep: i8,
}

impl Dimension {
    /// A plain number.
    pub const NONE: Self = Self::of(0, 0, 0, 0);
    /// Plane angle.
    pub const ANGLE: Self = Self {
        angle: 1,
        ..Self::NONE
    };
    /// Length.
    pub const LENGTH: Self = Self::of(0, 1, 0, 0);
    /// Time.
    pub const TIME: Self = Self::of(0, 0, 1, 0);
    /// Full steps of a motor.
    pub const FULL_STEP: Self = Self {
        full_step: 1,
        ..Self::NONE
    };
    /// Microsteps of a motor on its drive.
    pub const MICROSTEP: Self = Self {
        microstep: 1,
        ..Self::NONE
    };

    /// The dimension kg^mass · m^length · s^time · A^current.
    pub const fn of(mass: i8, length: i8, time: i8, current: i8) -> Self {
        Self {
            mass,
            length,
            time,
            current,
            angle: 0,
            full_step: 0,
            microstep: 0,
        }
    }

    /// `self · other^power`, or `None` where an exponent leaves −128…127.
    pub fn combine(self, other: Self, power: i8) -> Option<Self> {
        let join = |a: i8, b: i8| b.checked_mul(power).and_then(|b| a.checked_add(b));
        Some(Self {
            mass: join(self.mass, other.mass)?,
            length: join(self.length, other.length)?,
            time: join(self.time, other.time)?,
            current: join(self.current, other.current)?,
            angle: join(self.angle, other.angle)?,
            full_step: join(self.full_step, other.full_step)?,
            microstep: join(self.microstep, other.microstep)?,
        })
    }

    /// The name of the trade where there is one ("speed", "torque"), else none.
    pub fn name(self) -> Option<&'static str> {
        NAMED
            .iter()
            .find(|(dimension, _)| *dimension == self)
            .map(|(_, name)| *name)
    }
}

pub(super) const fn per_time(mut of: Dimension, power: i8) -> Dimension {
    of.time -= power;
    of
}

pub(super) const TORQUE: Dimension = Dimension::of(1, 2, -2, 0);

const NAMED: &[(Dimension, &str)] = &[
    (Dimension::NONE, "a plain number"),
    (Dimension::ANGLE, "an angle"),
    (Dimension::LENGTH, "a length"),
    (Dimension::TIME, "a time"),
    (Dimension::FULL_STEP, "a number of full steps"),
    (Dimension::MICROSTEP, "a number of microsteps"),
    (per_time(Dimension::NONE, 1), "a frequency"),
    (per_time(Dimension::ANGLE, 1), "a speed"),
    (per_time(Dimension::ANGLE, 2), "an acceleration"),
    (per_time(Dimension::ANGLE, 3), "a jerk"),
    (per_time(Dimension::LENGTH, 1), "a linear speed"),
    (per_time(Dimension::LENGTH, 2), "a linear acceleration"),
    (per_time(Dimension::LENGTH, 3), "a linear jerk"),
    (per_time(Dimension::FULL_STEP, 1), "a full-step rate"),
    (per_time(Dimension::MICROSTEP, 1), "a microstep rate"),
    (Dimension::of(1, 0, 0, 0), "a mass"),
    (Dimension::of(1, 1, -2, 0), "a force"),
    (Dimension::of(1, 1, 0, 0), "an unbalance"),
    (Dimension::of(1, 2, 0, 0), "an inertia"),
    (TORQUE, "a torque"),
    (Dimension::of(1, 2, -1, 0), "a viscous damping"),
    (
        Dimension {
            angle: -1,
            ..Dimension::of(1, 2, -1, 0)
        },
        "a viscous damping",
    ),
    (Dimension::of(0, 0, 0, 1), "a current"),
    (Dimension::of(1, 2, -3, -1), "a voltage"),
    (Dimension::of(1, 2, -3, -2), "a resistance"),
    (Dimension::of(1, 2, -2, -2), "an inductance"),
    (Dimension::of(1, 2, -3, 0), "a power"),
];

impl fmt::Display for Dimension {
    /// The trade's name, or the product of base units (`kg·m^2`).
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(name) = self.name() {
            return f.write_str(name);
        }
        let bases = [
            ("kg", self.mass),
            ("m", self.length),
            ("s", self.time),
            ("A", self.current),
            ("rad", self.angle),
            ("step", self.full_step),
            ("microstep", self.microstep),
        ];
        let mut first = true;
        for (symbol, power) in bases.into_iter().filter(|(_, power)| *power != 0) {
            if !first {
                f.write_str("·")?;
            }
            first = false;
            match power {
                1 => f.write_str(symbol)?,
                _ => write!(f, "{symbol}^{power}")?,
            }
        }
        Ok(())
    }
}
