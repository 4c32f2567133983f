//! What was probably meant where the text around an error shows it, and words of other
//! languages.

use super::expected::did_you_mean;
use super::{ErrorKind, Expected};
use crate::diagnostic::{Span, alternatives};
use crate::units::Dimension;

/// Said wherever somebody looks for a loop without an end.
pub(super) const ENDLESS: &str =
    "a program has an end: “repeat 100000 { … }” costs no memory, whatever its number";

const HOMING: &str = "there is no search for an end switch: zero is where the rotor stands when the player starts. \
    Put it there by hand first (“await NAME” waits until a contact says so); “turn to 0 deg” goes back there";

/// Words that are none here, and what there is instead.
const OTHER_WORDS: &[(&[&str], &str)] = &[
    (
        &[
            "forever",
            "endless",
            "endlessly",
            "infinite",
            "infinity",
            "always",
        ],
        ENDLESS,
    ),
    (
        &["loop", "while", "for"],
        "“repeat 8 { … }” does something several times; a program has an end, and a large number costs no memory",
    ),
    (&["home", "homing", "zero", "origin", "reference"], HOMING),
    (
        &["wait", "delay", "pause", "sleep"],
        "“dwell 0.5 s” stands still for a time, “await NAME” waits for an input",
    ),
    (
        &["move", "go", "goto", "rotate", "step"],
        "“turn by 90 deg” turns so far from where it stands, “turn to 90 deg” to that position",
    ),
    (&["velocity"], "did you mean “speed”?"),
    (&["acceleration"], "did you mean “accel”?"),
    (&["deceleration"], "did you mean “decel”?"),
    (&["var", "const"], "did you mean “let”?"),
    (&["call"], "did you mean “do”?"),
    (
        &["def", "define", "function", "macro"],
        "“sequence NAME(a, b) { … }” gives moves a name, “do NAME(1 s, 90 deg)” does them",
    ),
    (
        &["if", "else", "when", "unless"],
        "there are no conditions: a program makes the same moves each time; “await NAME” waits for an input",
    ),
    (
        &["print", "log", "echo"],
        "“mark \"text\"” puts a text into the schedule",
    ),
];

/// What there is instead of a word that is known elsewhere.
pub(super) fn instead_of(word: &str) -> Option<String> {
    let word = word.to_lowercase();
    let known = OTHER_WORDS
        .iter()
        .find(|(words, _)| words.contains(&&*word));
    known.map(|(_, instead)| (*instead).to_owned())
}

impl ErrorKind {
    /// What was probably meant by the text at `span`.
    pub(super) fn hint(&self, text: &str, span: Span) -> Option<String> {
        match self {
            Self::Unexpected { found, .. } if &**found == "," => decimal_point(text, span),
            Self::Unexpected { found, .. } if &**found == ";" => {
                Some("one statement a line: begin a new line instead".to_owned())
            }
            Self::Unexpected { found, .. } if matches!(&**found, "=" | ":") => {
                Some(format!("leave the “{found}” out"))
            }
            Self::Unexpected {
                expected: Expected::Statement,
                found,
            } if &**found == "/" => Some("a comment begins with #".to_owned()),
            Self::WrongUnit {
                wanted,
                found: Dimension::NONE,
                ..
            } => {
                let number = text.get(span.start..span.end)?;
                let value: f64 = number.parse().ok()?;
                let units = wanted.units(value).iter();
                let offered: Vec<String> = units.map(|unit| format!("“{number} {unit}”")).collect();
                Some(format!("say which unit: {}?", alternatives(&offered)))
            }
            _ => None,
        }
    }
}

/// The number that was meant with the comma at `span`.
fn decimal_point(text: &str, span: Span) -> Option<String> {
    let is_digit = |c: char| c.is_ascii_digit();
    let (before, behind) = (text.get(..span.start)?, text.get(span.end..)?);
    let whole = &before[before.trim_end_matches(is_digit).len()..];
    let fraction = &behind[..behind.len() - behind.trim_start_matches(is_digit).len()];
    let found = !whole.is_empty() && !fraction.is_empty();
    let meant = did_you_mean(Some(&format!("{whole}.{fraction}")))?;
    found.then(|| format!("a number has a decimal point: {meant}"))
}
