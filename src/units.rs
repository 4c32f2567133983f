//! Quantities: values with a unit, as builders write them, and SI newtypes, as the
//! formulas need them.
//!
//! There is one table of units ([`UNITS`]) for the script and the rig alike. A
//! [`Quantity`] is a number in SI units with its [`Dimension`] known only at run
//! time; it is what a text such as `2.4 mH` or an expression evaluates to. The
//! newtypes ([`Torque`], [`Inertia`], …) carry the dimension in the type; they are
//! entered through [`FromStr`] or `TryFrom<Quantity>` and left
//! through `.si()`, so that inner loops work on plain `f64` in SI units.
//!
//! Full steps and microsteps are dimensions of their own: how far a step turns the
//! load depends on the axis, so only the planner can convert them.

mod decimal;
mod dimension;
mod quantity;
mod table;

use std::fmt;
use std::str::FromStr;

pub use decimal::{Decimal, Exactly, Rounded, two_digits, two_digits_down, two_digits_up};
pub(crate) use decimal::{magnitude, short, to_digits};
pub(crate) use dimension::Dimension;
pub(crate) use quantity::Quantity;
pub use quantity::UnitError;
pub(crate) use quantity::split_number;
pub(crate) use table::{UNITS, Unit, find_unit};

use dimension::{TORQUE, per_time};
use table::{AMPERE, FORCE, HENRY, HERTZ, MASS, OHM, TURN, VOLT, WATT};

/// Writes `si` with the unit, of those offered, that leaves between 1 and 1000 of it.
fn write_scaled(f: &mut fmt::Formatter<'_>, si: f64, units: &[(&str, f64)]) -> fmt::Result {
    let size = si.abs();
    let (symbol, factor) = units
        .iter()
        .rev()
        .find(|(_, factor)| size >= *factor * 0.999_999)
        .unwrap_or(match units.iter().find(|(_, factor)| *factor == 1.0) {
            Some(plain) if size == 0.0 => plain,
            Some(_) | None => &units[0],
        });
    write!(f, "{} {symbol}", Rounded(si / factor))
}

/// What the newtypes have in common, for code that is generic over them. Each carries
/// the same items itself.
pub trait Measure: Copy + fmt::Display + FromStr<Err = UnitError> {
    /// What it is, with its article: “a torque”.
    const WORDS: &'static str;
    /// A value as it is written in a rig.
    const EXAMPLE: &'static str;
    /// The units in which values are shown.
    const UNITS: &'static [(&'static str, f64)];

    /// From a value in SI units.
    fn from_si(si: f64) -> Self;

    /// The value in SI units.
    fn to_si(self) -> f64;
}

macro_rules! quantities {
    ($($(#[$doc:meta])* $name:ident, $words:literal, $example:literal,
       [$($dimension:expr),+], [$(($symbol:literal, $factor:expr)),+];)+) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default)]
        pub struct $name(f64);

        impl $name {
            /// What it is, with its article: “a torque”.
            pub const WORDS: &'static str = $words;
            /// A value as it is written in a rig.
            pub const EXAMPLE: &'static str = $example;

            /// From a value in SI units.
            pub const fn new(si: f64) -> Self {
                Self(si)
            }

            /// The value in SI units.
            pub const fn si(self) -> f64 {
                self.0
            }
        }

        impl Measure for $name {
            const WORDS: &'static str = $words;
            const EXAMPLE: &'static str = $example;
            const UNITS: &'static [(&'static str, f64)] = &[$(($symbol, $factor)),+];

            fn from_si(si: f64) -> Self {
                Self(si)
            }

            fn to_si(self) -> f64 {
                self.0
            }
        }

        impl TryFrom<Quantity> for $name {
            type Error = UnitError;

            fn try_from(quantity: Quantity) -> Result<Self, UnitError> {
                const DIMENSIONS: &[Dimension] = &[$($dimension),+];
                if DIMENSIONS.contains(&quantity.dimension) {
                    return Ok(Self(quantity.si));
                }
                Err(UnitError::WrongDimension {
                    text: Rounded(quantity.si).to_string(),
                    found: quantity.dimension,
                    expected: $words,
                    example: $example,
                })
            }
        }

        impl FromStr for $name {
            type Err = UnitError;

            fn from_str(text: &str) -> Result<Self, UnitError> {
                let quantity: Quantity = text.parse()?;
                Self::try_from(quantity).map_err(|error| match error {
                    UnitError::WrongDimension { found: Dimension::NONE, .. } => UnitError::NoUnit {
                        text: text.trim().to_owned(),
                        example: format!("“{} {}”", text.trim(), $example.split_once(' ').map_or("", |(_, unit)| unit)),
                    },
                    UnitError::WrongDimension { found, expected, example, .. } => {
                        UnitError::WrongDimension { text: text.trim().to_owned(), found, expected, example }
                    }
                    other => other,
                })
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write_scaled(f, self.0, Self::UNITS)
            }
        }
    )+};
}

quantities! {
    /// Plane angle (rad).
    Angle, "an angle", "1.8 deg", [Dimension::ANGLE], [("deg", TURN / 360.0)];
    /// Angular speed (rad/s).
    AngularSpeed, "a speed", "120 deg/s", [per_time(Dimension::ANGLE, 1)], [("deg/s", TURN / 360.0)];
    /// Angular acceleration (rad/s²).
    AngularAcceleration, "an acceleration", "600 deg/s^2", [per_time(Dimension::ANGLE, 2)], [("deg/s^2", TURN / 360.0)];
    /// Angular jerk (rad/s³).
    AngularJerk, "a jerk", "9000 deg/s^3", [per_time(Dimension::ANGLE, 3)], [("deg/s^3", TURN / 360.0)];
    /// Length (m).
    Length, "a length", "5 mm", [Dimension::LENGTH], [("um", 1e-6), ("mm", 1e-3), ("m", 1.0)];
    /// Linear speed (m/s).
    LinearSpeed, "a linear speed", "80 mm/s", [per_time(Dimension::LENGTH, 1)], [("mm/s", 1e-3)];
    /// Linear acceleration (m/s²).
    LinearAcceleration, "a linear acceleration", "400 mm/s^2", [per_time(Dimension::LENGTH, 2)], [("mm/s^2", 1e-3)];
    /// Linear jerk (m/s³).
    LinearJerk, "a linear jerk", "6000 mm/s^3", [per_time(Dimension::LENGTH, 3)], [("mm/s^3", 1e-3)];
    /// Time (s).
    Time, "a time", "20 ms", [Dimension::TIME], [("ns", 1e-9), ("us", 1e-6), ("ms", 1e-3), ("s", 1.0)];
    /// Frequency (Hz).
    Frequency, "a frequency", "8 MHz", [HERTZ], [("Hz", 1.0), ("kHz", 1e3), ("MHz", 1e6)];
    /// Rate of full steps (full steps/s); `Hz` is understood as full steps a second.
    StepRate, "a full-step rate", "400 step/s", [per_time(Dimension::FULL_STEP, 1), HERTZ], [("step/s", 1.0)];
    /// Mass (kg).
    Mass, "a mass", "0.4 kg", [MASS], [("g", 1e-3), ("kg", 1.0)];
    /// Unbalance: mass times radius (kg·m).
    Unbalance, "an unbalance (mass times radius)", "2 g.m", [Dimension::of(1, 1, 0, 0)], [("g.m", 1e-3), ("kg.m", 1.0)];
    /// Moment of inertia (kg·m²).
    Inertia, "a moment of inertia", "60 g.cm^2", [Dimension::of(1, 2, 0, 0)], [("g.cm^2", 1e-7), ("kg.cm^2", 1e-4), ("kg.m^2", 1.0)];
    /// Torque (N·m).
    Torque, "a torque", "0.42 N.m", [TORQUE], [("uN.m", 1e-6), ("mN.m", 1e-3), ("N.m", 1.0)];
    /// Force (N).
    Force, "a force", "1.5 N", [FORCE], [("mN", 1e-3), ("N", 1.0)];
    /// Viscous damping (N·m·s/rad).
    Damping, "a viscous damping", "20 uN.m.s/rad",
        [Dimension { angle: -1, ..Dimension::of(1, 2, -1, 0) }, Dimension::of(1, 2, -1, 0)],
        [("uN.m.s/rad", 1e-6), ("mN.m.s/rad", 1e-3), ("N.m.s/rad", 1.0)];
    /// Viscous drag of a linear load (N·s/m).
    LinearDamping, "a linear viscous damping", "2 N.s/m", [Dimension::of(1, 0, -1, 0)], [("N.s/m", 1.0)];
    /// Current (A).
    Current, "a current", "0.9 A", [AMPERE], [("mA", 1e-3), ("A", 1.0)];
    /// Voltage (V).
    Voltage, "a voltage", "15 V", [VOLT], [("mV", 1e-3), ("V", 1.0)];
    /// Resistance (Ω).
    Resistance, "a resistance", "2 ohm", [OHM], [("mohm", 1e-3), ("ohm", 1.0), ("kohm", 1e3)];
    /// Inductance (H).
    Inductance, "an inductance", "4 mH", [HENRY], [("uH", 1e-6), ("mH", 1e-3), ("H", 1.0)];
    /// Power (W).
    Power, "a power", "5 W", [WATT], [("mW", 1e-3), ("W", 1.0)];
    /// A fraction: a plain number or per cent.
    Fraction, "a fraction", "40 %", [Dimension::NONE], [("%", 1e-2)];
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn nothing_is_shown_in_the_plain_unit() {
        assert_eq!(Resistance::new(0.0).to_string(), "0 ohm");
        assert_eq!(Frequency::new(0.0).to_string(), "0 Hz");
        assert_eq!(Torque::new(0.0).to_string(), "0 N.m");
        assert_eq!(Angle::new(0.0).to_string(), "0 deg");
    }

    #[test]
    fn quantities_read_as_builders_write_them() {
        let cases = [
            ("60 g.cm^2", 60e-7),
            ("60g·cm²", 60e-7),
            ("60 g*cm2", 60e-7),
            ("0.6e1 kg.mm^2", 6e-6),
        ];
        for (text, si) in cases {
            let inertia: Inertia = text.parse().unwrap();
            assert_relative_eq!(inertia.si(), si, max_relative = 1e-12);
        }
        for (text, torque) in [
            ("12 Ncm", 0.12),
            ("120 mNm", 0.12),
            ("0.12 Nm", 0.12),
            ("1.2 kgf.cm", 0.117_679_8),
        ] {
            let read: Torque = text.parse().unwrap();
            assert!((read.si() - torque).abs() < 1e-9, "{text}");
        }
        let damping: Damping = "20 uN.m.s/rad".parse().unwrap();
        assert_relative_eq!(damping.si(), 2e-5, max_relative = 1e-12);
        let speed: AngularSpeed = "60 rpm".parse().unwrap();
        assert_relative_eq!(speed.si(), std::f64::consts::TAU, max_relative = 1e-12);
        let micro: Time = "4 \u{3bc}s".parse().unwrap();
        assert_relative_eq!(micro.si(), 4e-6, max_relative = 1e-12);
    }

    #[test]
    fn every_example_in_the_table_reads_back_as_its_own_type() {
        assert!(Torque::EXAMPLE.parse::<Torque>().is_ok());
        assert!(Unbalance::EXAMPLE.parse::<Unbalance>().is_ok());
        assert!(LinearDamping::EXAMPLE.parse::<LinearDamping>().is_ok());
        assert!(StepRate::EXAMPLE.parse::<StepRate>().is_ok());
        assert!(Fraction::EXAMPLE.parse::<Fraction>().is_ok());
    }

    #[test]
    fn wrong_texts_say_what_to_write_instead() {
        let error = |text: &str| text.parse::<Inductance>().unwrap_err().to_string();
        assert_eq!(error("3.2"), "“3.2” has no unit: write “3.2 mH”");
        assert_eq!(
            error("3.2 V"),
            "“3.2 V” is a voltage, and an inductance is wanted here: write for instance 4 mH"
        );
        assert_eq!(error("3.2 mQ"), "“mQ” is not a unit that slewsmith knows");
        assert_eq!(
            error("3,2 mH"),
            "“3,2 mH” has a comma where a number has a decimal point"
        );
        assert_eq!(error("mH"), "“mH” does not begin with a number");
        assert_eq!(error("1e999 mH"), "“1e999 mH” is not a finite number");
        assert_eq!(error("3 mH^"), "“mH^” has “^” where a unit should be");
    }

    #[test]
    fn values_are_shown_with_a_fitting_prefix() {
        assert_eq!(Inductance::new(2.4e-3).to_string(), "2.4 mH");
        assert_eq!(Torque::new(0.0123).to_string(), "12.3 mN.m");
        assert_eq!(Inertia::new(6e-6).to_string(), "60 g.cm^2");
        assert_eq!(Rounded(1234.56).to_string(), "1235");
        assert_eq!(Rounded(0.00012).to_string(), "0.00012");
    }
}
