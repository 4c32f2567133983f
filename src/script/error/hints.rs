//! What was probably meant where the text around an error shows it, and words of other
//! languages.

use super::expected::did_you_mean;
use super::{ErrorKind, Expected};
use crate::diagnostic::{Span, alternatives};
use crate::units::Dimension;

/// The answer to an endless loop.
pub(super) const ENDLESS: &str =
    "“repeat forever { … }” repeats without end, “repeat 8 { … }” eight times";

const HOMING: &str = "“seek by -400 deg until NAME” turns until an input is seen, and “zero” makes that place zero; \
    without it zero is the rotor's position when the player starts";

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
        "use “repeat 8 { … }”, or “repeat forever { … }” at the end of the script",
    ),
    (
        &[
            "home",
            "homing",
            "origin",
            "reference",
            "find",
            "search",
            "probe",
        ],
        HOMING,
    ),
    (
        &["wait", "delay", "pause", "sleep"],
        "“dwell 0.5 s” waits for a time, “await NAME” for an input",
    ),
    (
        &["move", "go", "goto", "rotate", "step"],
        "“turn by 90 deg” is an increment, “turn to 90 deg” a position",
    ),
    (
        &[
            "left",
            "right",
            "back",
            "backward",
            "backwards",
            "forward",
            "forwards",
            "reverse",
        ],
        "the sign gives the direction: “turn by -90 deg” goes back; \
         or add “clockwise” or “counterclockwise” to an angle",
    ),
    (&["velocity"], "did you mean “speed”?"),
    (&["acceleration", "accelerate"], "did you mean “accel”?"),
    (&["deceleration", "decelerate"], "did you mean “decel”?"),
    (&["var", "const"], "did you mean “let”?"),
    (&["call"], "did you mean “do”?"),
    (
        &["def", "define", "function", "macro"],
        "“sequence NAME(a, b) { … }” defines a sequence, “do NAME(1 s, 90 deg)” calls it",
    ),
    (
        &["if", "else", "when", "unless"],
        "there are no conditions; “await NAME” waits for an input",
    ),
    (
        &["print", "log", "echo"],
        "“mark \"text\"” writes a text into the schedule",
    ),
];

/// What there is instead of a word that is known elsewhere.
pub(crate) fn instead_of(word: &str) -> Option<String> {
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
                Some("one statement per line: begin a new line".to_owned())
            }
            Self::Unexpected { found, .. } if matches!(&**found, "=" | ":") => {
                Some(format!("leave out the “{found}”"))
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
                let number = text.get(span.start()..span.end())?;
                let value: f64 = number.parse().ok()?;
                let units = wanted.units(value).iter();
                let offered: Vec<String> = units.map(|unit| format!("“{number} {unit}”")).collect();
                Some(format!("which unit: {}?", alternatives(&offered)))
            }
            _ => None,
        }
    }
}

/// The number that was meant with the comma at `span`.
fn decimal_point(text: &str, span: Span) -> Option<String> {
    let is_digit = |c: char| c.is_ascii_digit();
    let (before, behind) = (text.get(..span.start())?, text.get(span.end()..)?);
    let whole = &before[before.trim_end_matches(is_digit).len()..];
    let fraction = &behind[..behind.len() - behind.trim_start_matches(is_digit).len()];
    let found = !whole.is_empty() && !fraction.is_empty();
    let meant = did_you_mean(Some(&format!("{whole}.{fraction}")))?;
    found.then(|| format!("numbers have a decimal point: {meant}"))
}
