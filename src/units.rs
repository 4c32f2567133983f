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

pub use decimal::{Decimal, two_digits, two_digits_down, two_digits_up};

use std::fmt;
use std::str::FromStr;

use thiserror::Error;

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

const fn per_time(mut of: Dimension, power: i8) -> Dimension {
    of.time -= power;
    of
}

const TORQUE: Dimension = Dimension::of(1, 2, -2, 0);

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

/// A unit of measure: its symbol, its size in SI units and its dimension.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Unit {
    /// As it is written, prefix included: `mH`, `deg`.
    pub symbol: &'static str,
    /// How many SI units one of these is.
    pub factor: f64,
    /// What it measures.
    pub dimension: Dimension,
}

const fn unit(symbol: &'static str, factor: f64, dimension: Dimension) -> Unit {
    Unit {
        symbol,
        factor,
        dimension,
    }
}

const FORCE: Dimension = Dimension::of(1, 1, -2, 0);
const MASS: Dimension = Dimension::of(1, 0, 0, 0);
const AMPERE: Dimension = Dimension::of(0, 0, 0, 1);
const VOLT: Dimension = Dimension::of(1, 2, -3, -1);
const OHM: Dimension = Dimension::of(1, 2, -3, -2);
const HENRY: Dimension = Dimension::of(1, 2, -2, -2);
const WATT: Dimension = Dimension::of(1, 2, -3, 0);
const HERTZ: Dimension = per_time(Dimension::NONE, 1);
const TURN: f64 = std::f64::consts::TAU;

/// Every unit that the script and the rig know. Values from the SI brochure (BIPM,
/// 9th edition); the pound, inch, ounce-force and kilogram-force from their
/// international definitions (from memory: 0.45359237 kg, 25.4 mm, 9.80665 m/s²).
pub const UNITS: &[Unit] = &[
    unit("deg", TURN / 360.0, Dimension::ANGLE),
    unit("°", TURN / 360.0, Dimension::ANGLE),
    unit("rad", 1.0, Dimension::ANGLE),
    unit("mrad", 1e-3, Dimension::ANGLE),
    unit("turn", TURN, Dimension::ANGLE),
    unit("turns", TURN, Dimension::ANGLE),
    unit("arcmin", TURN / 21_600.0, Dimension::ANGLE),
    unit("arcsec", TURN / 1_296_000.0, Dimension::ANGLE),
    unit("step", 1.0, Dimension::FULL_STEP),
    unit("steps", 1.0, Dimension::FULL_STEP),
    unit("microstep", 1.0, Dimension::MICROSTEP),
    unit("microsteps", 1.0, Dimension::MICROSTEP),
    unit("m", 1.0, Dimension::LENGTH),
    unit("cm", 1e-2, Dimension::LENGTH),
    unit("mm", 1e-3, Dimension::LENGTH),
    unit("um", 1e-6, Dimension::LENGTH),
    unit("µm", 1e-6, Dimension::LENGTH),
    unit("in", 0.0254, Dimension::LENGTH),
    unit("s", 1.0, Dimension::TIME),
    unit("ms", 1e-3, Dimension::TIME),
    unit("us", 1e-6, Dimension::TIME),
    unit("µs", 1e-6, Dimension::TIME),
    unit("ns", 1e-9, Dimension::TIME),
    unit("min", 60.0, Dimension::TIME),
    unit("Hz", 1.0, HERTZ),
    unit("kHz", 1e3, HERTZ),
    unit("MHz", 1e6, HERTZ),
    unit("rpm", TURN / 60.0, per_time(Dimension::ANGLE, 1)),
    unit("kg", 1.0, MASS),
    unit("g", 1e-3, MASS),
    unit("mg", 1e-6, MASS),
    unit("lb", 0.453_592_37, MASS),
    unit("N", 1.0, FORCE),
    unit("mN", 1e-3, FORCE),
    unit("uN", 1e-6, FORCE),
    unit("µN", 1e-6, FORCE),
    unit("kN", 1e3, FORCE),
    unit("ozf", 0.028_349_523_125 * 9.806_65, FORCE),
    unit("lbf", 0.453_592_37 * 9.806_65, FORCE),
    unit("kgf", 9.806_65, FORCE),
    unit("gf", 9.806_65e-3, FORCE),
    // As data sheets write them, without a sign between.
    unit("Nm", 1.0, TORQUE),
    unit("mNm", 1e-3, TORQUE),
    unit("Ncm", 1e-2, TORQUE),
    unit("A", 1.0, AMPERE),
    unit("mA", 1e-3, AMPERE),
    unit("V", 1.0, VOLT),
    unit("mV", 1e-3, VOLT),
    unit("ohm", 1.0, OHM),
    unit("mohm", 1e-3, OHM),
    unit("kohm", 1e3, OHM),
    unit("Ω", 1.0, OHM),
    unit("mΩ", 1e-3, OHM),
    unit("kΩ", 1e3, OHM),
    unit("H", 1.0, HENRY),
    unit("mH", 1e-3, HENRY),
    unit("uH", 1e-6, HENRY),
    unit("µH", 1e-6, HENRY),
    unit("W", 1.0, WATT),
    unit("mW", 1e-3, WATT),
    unit("%", 1e-2, Dimension::NONE),
    unit("ppm", 1e-6, Dimension::NONE),
];

/// The unit of that symbol, with the look-alikes of micro (U+03BC) and ohm (U+2126)
/// read as what they look like.
pub fn find_unit(symbol: &str) -> Option<&'static Unit> {
    let plain = symbol.replace('\u{3bc}', "µ").replace('\u{2126}', "Ω");
    UNITS.iter().find(|unit| unit.symbol == plain)
}

/// A number in SI units with a dimension known at run time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Quantity {
    /// The number, in SI base units (rad for angles).
    pub si: f64,
    /// What it measures.
    pub dimension: Dimension,
}

impl Quantity {
    /// A quantity of `si` SI units.
    pub const fn new(si: f64, dimension: Dimension) -> Self {
        Self { si, dimension }
    }
}

/// Why a text is not the quantity that is wanted.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum UnitError {
    /// There is no number at the start.
    #[error("“{0}” does not begin with a number")]
    NoNumber(String),
    /// A number without a unit, where one is needed.
    #[error("“{text}” has no unit: write {example}")]
    NoUnit {
        /// As written.
        text: String,
        /// A value in the expected unit.
        example: String,
    },
    /// A symbol that is no unit here.
    #[error("“{symbol}” is not a unit that slewsmith knows")]
    UnknownUnit {
        /// As written.
        symbol: String,
    },
    /// A unit of something else.
    #[error("“{text}” is {found}, and {expected} is wanted here: write for instance {example}")]
    WrongDimension {
        /// As written.
        text: String,
        /// What it measures.
        found: Dimension,
        /// What it should measure, in words.
        expected: &'static str,
        /// A value in the expected unit.
        example: &'static str,
    },
    /// A comma where a number has its decimal point.
    #[error("“{0}” has a comma where a number has a decimal point")]
    DecimalComma(String),
    /// Not-a-number, infinite, or too large for the arithmetic.
    #[error("“{0}” is not a finite number")]
    NotFinite(String),
    /// Something that does not belong there.
    #[error("“{text}” has “{rest}” where a unit should be")]
    Malformed {
        /// As written.
        text: String,
        /// The part that cannot be read.
        rest: String,
    },
}

impl FromStr for Quantity {
    type Err = UnitError;

    /// Reads `2.4 mH`, `g.cm^2` products with `.`, `*` or `·`, quotients with `/`,
    /// powers as `^2`, `2` or `²`.
    fn from_str(text: &str) -> Result<Self, UnitError> {
        let trimmed = text.trim();
        let (number, unit) = split_number(trimmed);
        let value: f64 = number
            .parse()
            .map_err(|_| UnitError::NoNumber(trimmed.to_owned()))?;
        if unit.starts_with(',') {
            return Err(UnitError::DecimalComma(trimmed.to_owned()));
        }
        let (factor, dimension) = match unit {
            "" => (1.0, Dimension::NONE),
            _ => parse_unit(unit)?,
        };
        let si = value * factor;
        if !si.is_finite() {
            return Err(UnitError::NotFinite(trimmed.to_owned()));
        }
        Ok(Self { si, dimension })
    }
}

/// The number at the start of `text`, and the unit behind it.
pub(crate) fn split_number(text: &str) -> (&str, &str) {
    let (number, unit) = text.split_at(number_length(text));
    (number, unit.trim())
}

/// How many bytes of `text` belong to the number at its start.
fn number_length(text: &str) -> usize {
    let bytes = text.as_bytes();
    let digits = |from: usize| {
        bytes[from..]
            .iter()
            .take_while(|b| b.is_ascii_digit())
            .count()
    };
    let mut at = usize::from(matches!(bytes.first(), Some(b'+' | b'-')));
    at += digits(at);
    if bytes.get(at) == Some(&b'.') {
        at += 1 + digits(at + 1);
    }
    if matches!(bytes.get(at), Some(b'e' | b'E')) {
        let sign = usize::from(matches!(bytes.get(at + 1), Some(b'+' | b'-')));
        let exponent = digits(at + 1 + sign);
        if exponent > 0 {
            at += 1 + sign + exponent;
        }
    }
    at
}

/// Reads a product of units such as `kg·cm²` or `N.m.s/rad`: its size in SI units
/// and its dimension.
///
/// # Errors
/// An unknown symbol, or text that is no product of units.
pub fn parse_unit(text: &str) -> Result<(f64, Dimension), UnitError> {
    let malformed = |rest: &str| UnitError::Malformed {
        text: text.to_owned(),
        rest: rest.to_owned(),
    };
    let mut rest = text.trim();
    let (mut factor, mut dimension) = (1.0, Dimension::NONE);
    let mut sign: i8 = 1;
    loop {
        let end = rest
            .find(|c: char| !(c.is_alphabetic() || c == '%' || c == '°') || c == '²' || c == '³')
            .unwrap_or(rest.len());
        if end == 0 {
            return Err(malformed(rest));
        }
        let (symbol, after) = rest.split_at(end);
        let unit = find_unit(symbol).ok_or_else(|| UnitError::UnknownUnit {
            symbol: symbol.to_owned(),
        })?;
        let (power, after) = unit_power(after).ok_or_else(|| malformed(after))?;
        let power = sign * power;
        factor *= unit.factor.powi(i32::from(power));
        dimension = dimension
            .combine(unit.dimension, power)
            .ok_or_else(|| malformed(rest))?;
        rest = after.trim_start();
        sign = match rest.chars().next() {
            None => return Ok((factor, dimension)),
            Some('.' | '*' | '·' | '\u{22c5}') => 1,
            Some('/') => -1,
            Some(_) => return Err(malformed(rest)),
        };
        rest = rest[rest.chars().next().map_or(0, char::len_utf8)..].trim_start();
    }
}

/// The power written at the start of `text` (1 where there is none) and what follows.
fn unit_power(text: &str) -> Option<(i8, &str)> {
    if let Some(rest) = text.strip_prefix('²') {
        return Some((2, rest));
    }
    if let Some(rest) = text.strip_prefix('³') {
        return Some((3, rest));
    }
    let (caret, digits) = match text.strip_prefix('^') {
        Some(rest) => (true, rest),
        None => (false, text),
    };
    let (negative, digits) = match digits.strip_prefix('-') {
        Some(rest) if caret => (true, rest),
        _ => (false, digits),
    };
    let end = digits
        .find(|c: char| !c.is_ascii_digit())
        .unwrap_or(digits.len());
    if end == 0 {
        return (!caret).then_some((1, text));
    }
    let power: i8 = digits[..end]
        .parse()
        .ok()
        .filter(|power| (1..=9).contains(power))?;
    Some((if negative { -power } else { power }, &digits[end..]))
}

/// Writes `si` with the unit, of those offered, that leaves between 1 and 1000 of it.
fn write_scaled(f: &mut fmt::Formatter<'_>, si: f64, units: &[(&str, f64)]) -> fmt::Result {
    let size = si.abs();
    let (symbol, factor) = units
        .iter()
        .rev()
        .find(|(_, factor)| size >= *factor * 0.999_999)
        .unwrap_or(if size == 0.0 {
            &units[units.len() - 1]
        } else {
            &units[0]
        });
    write!(f, "{} {symbol}", Rounded(si / factor))
}

/// Shows a number to four significant digits, without trailing zeros.
#[derive(Debug, Clone, Copy)]
pub struct Rounded(pub f64);

impl fmt::Display for Rounded {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let value = self.0;
        if value == 0.0 || !value.is_finite() {
            return write!(f, "{}", Decimal(value));
        }
        let magnitude = value.abs().log10().floor();
        if !(-4.0..7.0).contains(&magnitude) {
            return write!(f, "{value:.3e}");
        }
        let decimals = (3.0 - magnitude).clamp(0.0, 9.0) as usize;
        let text = format!("{value:.decimals$}");
        let text = if text.contains('.') {
            text.trim_end_matches('0').trim_end_matches('.')
        } else {
            &text
        };
        f.write_str(text)
    }
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
    Inertia, "a moment of inertia", "57 g.cm^2", [Dimension::of(1, 2, 0, 0)], [("g.cm^2", 1e-7), ("kg.cm^2", 1e-4), ("kg.m^2", 1.0)];
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
    Resistance, "a resistance", "1.6 ohm", [OHM], [("mohm", 1e-3), ("ohm", 1.0), ("kohm", 1e3)];
    /// Inductance (H).
    Inductance, "an inductance", "3.2 mH", [HENRY], [("uH", 1e-6), ("mH", 1e-3), ("H", 1.0)];
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
    fn quantities_read_as_builders_write_them() {
        let cases = [
            ("57 g.cm^2", 57e-7),
            ("57g·cm²", 57e-7),
            ("57 g*cm2", 57e-7),
            ("0.57e1 kg.mm^2", 5.7e-6),
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
            "“3.2 V” is a voltage, and an inductance is wanted here: write for instance 3.2 mH"
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
        assert_eq!(Inertia::new(5.7e-6).to_string(), "57 g.cm^2");
        assert_eq!(Rounded(1234.56).to_string(), "1235");
        assert_eq!(Rounded(0.00012).to_string(), "0.00012");
    }
}
