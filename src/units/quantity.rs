//! Texts such as `2.4 mH`, read.

use std::str::FromStr;

use thiserror::Error;

use super::dimension::Dimension;
use super::table::find_unit;

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
pub(super) fn parse_unit(text: &str) -> Result<(f64, Dimension), UnitError> {
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

/// The power written at the start of `text` (1 if none) and what follows.
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
