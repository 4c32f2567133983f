//! What the grammar expects, and what was probably meant, in words.

use std::fmt;

use super::hints::{ENDLESS, instead_of};
use crate::diagnostic::{alternatives, nearest};
use crate::script::grammar::is_unit;
use crate::units::UNITS;

/// What the grammar expects somewhere.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Expected {
    Statement,
    Expression,
    /// How often something is repeated.
    Count,
    /// The end of the line, or one of these words.
    LineEnd(&'static [&'static str]),
    OneOf(&'static [&'static str]),
    ByOrTo,
    Word,
    Name,
    OutputName,
    InputName,
    Text,
    Equals,
    Power,
    OpeningBrace,
    ClosingParenthesis,
    CommaOrParenthesis,
}

impl fmt::Display for Expected {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Statement => "a statement",
            Self::Expression => "a value",
            Self::Count => "a number of times",
            Self::LineEnd(_) => "the end of the line",
            Self::OneOf(words) => {
                let quoted: Vec<String> = words.iter().map(|word| format!("“{word}”")).collect();
                return f.write_str(&alternatives(&quoted));
            }
            Self::ByOrTo => "“by” or “to”",
            Self::Word => "a word",
            Self::Name => "a name",
            Self::OutputName => "the name of an output",
            Self::InputName => "the name of an input",
            Self::Text => "a text in quotation marks",
            Self::Equals => "“=”",
            Self::Power => "a power such as 2",
            Self::OpeningBrace => "“{”",
            Self::ClosingParenthesis => "“)”",
            Self::CommaOrParenthesis => "“,” or “)”",
        })
    }
}

impl Expected {
    /// What to write instead of `found`.
    pub(super) fn help(self, found: &str) -> Option<String> {
        match self {
            Self::LineEnd(words) | Self::OneOf(words) => {
                did_you_mean(meant(found, words)).or_else(|| instead_of(found))
            }
            Self::OpeningBrace => {
                Some("put the opening brace at the end of the line, as in “repeat 6 {”".to_owned())
            }
            Self::ByOrTo => {
                Some("“turn by 90 deg” is an increment, “turn to 90 deg” a position".to_owned())
            }
            Self::Count => Some(ENDLESS.to_owned()),
            Self::Statement => {
                Some("a line begins with a word such as “turn”, “dwell” or “repeat”".to_owned())
            }
            Self::Equals => Some("for instance: let pocket = 15 deg".to_owned()),
            Self::Text => Some("put it between straight quotation marks: \"…\"".to_owned()),
            Self::Name | Self::OutputName | Self::InputName => Some(
                "a name begins with a letter and goes on with letters, digits and _".to_owned(),
            ),
            _ => None,
        }
    }
}

/// Common words for ours.
const NAMES: &[(&str, &str)] = &[
    ("cw", "clockwise"),
    ("ccw", "counterclockwise"),
    ("anticlockwise", "counterclockwise"),
    ("high", "on"),
    ("true", "on"),
    ("1", "on"),
    ("low", "off"),
    ("false", "off"),
    ("0", "off"),
    ("of", "off"),
];

/// The one of `words` that `found` was most likely meant to be.
fn meant(found: &str, words: &'static [&'static str]) -> Option<&'static str> {
    let lower = found.to_lowercase();
    let named = NAMES.iter().find(|(other, _)| *other == lower);
    named
        .map(|(_, word)| *word)
        .filter(|word| words.contains(word))
        .or_else(|| nearest(found, words.iter().copied()))
}

/// Asks whether the nearest word was meant.
pub(super) fn did_you_mean(near: Option<&str>) -> Option<String> {
    near.map(|near| format!("did you mean “{near}”?"))
}

/// Units by other spellings than ours.
const SPELLINGS: &[(&str, &str)] = &[
    ("degree", "deg"),
    ("degrees", "deg"),
    ("grad", "deg"),
    ("radian", "rad"),
    ("radians", "rad"),
    ("rev", "turn"),
    ("revs", "turn"),
    ("revolution", "turn"),
    ("revolutions", "turn"),
    ("rotation", "turn"),
    ("rotations", "turn"),
    ("sec", "s"),
    ("second", "s"),
    ("seconds", "s"),
    ("msec", "ms"),
    ("millisecond", "ms"),
    ("milliseconds", "ms"),
    ("usec", "us"),
    ("minute", "min"),
    ("minutes", "min"),
    ("hertz", "Hz"),
    ("ustep", "microstep"),
    ("usteps", "microstep"),
    ("µstep", "microstep"),
    ("millimetre", "mm"),
    ("millimeter", "mm"),
];

/// The unit that `symbol` was most likely meant to be.
pub(super) fn near_unit(symbol: &str) -> Option<&'static str> {
    let lower = symbol.to_lowercase();
    let spelled = SPELLINGS
        .iter()
        .find(|(other, _)| *other == lower)
        .map(|(_, unit)| *unit);
    let units = || {
        UNITS
            .iter()
            .map(|unit| unit.symbol)
            .filter(|symbol| is_unit(symbol))
    };
    spelled
        .or_else(|| units().find(|unit| unit.to_lowercase() == lower))
        .or_else(|| nearest(symbol, units()))
}
