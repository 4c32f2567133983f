//! What can be wrong with a script: kinds of errors as values, and, in this file
//! alone, the words for them.

use std::fmt;
use std::sync::Arc;

use super::demand::{Unfit, Wanted};
use super::grammar::{DEEPEST, STATEMENTS, is_unit};
use super::group::Group;
use super::syntax::Addition;
use crate::diagnostic::{Diagnostic, Source, Span, nearest};
use crate::units::{Dimension, Quantity, Rounded, UNITS};

/// Something wrong, and where.
#[derive(Debug, Clone, PartialEq)]
pub struct ScriptError {
    /// The place foremost.
    pub span: Span,
    /// What is wrong.
    pub kind: Box<ErrorKind>,
    /// The calls whose values led here, the innermost first.
    pub calls: Vec<Span>,
}

impl ScriptError {
    /// An error of that kind there.
    pub fn new(span: Span, kind: ErrorKind) -> Self {
        Self {
            span,
            kind: Box::new(kind),
            calls: Vec::new(),
        }
    }
}

/// The kinds of errors, with what there is to say about each.
#[derive(Debug, Clone, PartialEq)]
pub enum ErrorKind {
    /// One alternative of the grammar does not fit; others are tried.
    Alternative,
    Unexpected {
        expected: Expected,
        found: Arc<str>,
    },
    UnknownStatement {
        found: Arc<str>,
    },
    UnknownUnit {
        symbol: Arc<str>,
    },
    BareUnit {
        symbol: Arc<str>,
    },
    UnclosedText,
    UnclosedBlock {
        end: Span,
    },
    UnmatchedBrace,
    TooDeep,
    ReservedName {
        unit: bool,
    },
    NumberTooLarge,
    PowerTooHigh,
    SaidTwice {
        first: Span,
    },
    SpeedAndTime {
        time: Span,
    },
    UnknownName {
        name: Arc<str>,
        near: Option<Arc<str>>,
        later: Option<Span>,
    },
    UnknownSequence {
        name: Arc<str>,
        near: Option<Arc<str>>,
    },
    Duplicate {
        what: Duplicate,
        name: Arc<str>,
        first: Span,
    },
    NotInBlock {
        keyword: &'static str,
        block: Span,
    },
    NotInGroup {
        keyword: &'static str,
        group: Group,
        block: Span,
    },
    CannotAdd {
        operator: Addition,
        left: Dimension,
        right: Dimension,
        right_span: Span,
    },
    WrongUnit {
        wanted: Wanted,
        found: Dimension,
        asker: Span,
    },
    Unfit {
        wanted: Wanted,
        unfit: Unfit,
        value: Quantity,
        asker: Span,
    },
    SpeedOfOtherTravel {
        speed: Dimension,
        target: Dimension,
        target_span: Span,
    },
    DivisionByZero,
    NotFinite,
    ArgumentCount {
        name: Arc<str>,
        wanted: usize,
        given: usize,
        definition: Span,
    },
    Recursive {
        name: Arc<str>,
        calls: Vec<Span>,
    },
    AxisTwice {
        axis: Option<Arc<str>>,
        first: Span,
    },
    MixedAxes {
        axis: Arc<str>,
        other: Arc<str>,
        first: Span,
    },
    PassingOutside {
        output: Span,
    },
    ShortestBy {
        by: Span,
    },
    SignAndWay {
        way: Span,
    },
    WayOfLength {
        target: Span,
    },
}

/// What is defined a second time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Duplicate {
    Value,
    Parameter,
    Sequence,
    Rig,
}

/// What the grammar expects somewhere.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Expected {
    Statement,
    Expression,
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
            Self::LineEnd(_) => "the end of the line",
            Self::OneOf(words) => return alternatives(f, words),
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

/// “a”, “b” or “c”.
fn alternatives(f: &mut fmt::Formatter<'_>, words: &[&str]) -> fmt::Result {
    for (index, word) in words.iter().enumerate() {
        let joint = match words.len() - index {
            _ if index == 0 => "",
            1 => " or ",
            _ => ", ",
        };
        write!(f, "{joint}“{word}”")?;
    }
    Ok(())
}

impl Expected {
    fn help(self, found: &str) -> Option<String> {
        match self {
            Self::LineEnd(words) | Self::OneOf(words) => did_you_mean(nearest(found, words.iter().copied())),
            Self::ByOrTo => Some("“turn by 90 deg” turns so far from where it stands, “turn to 90 deg” to that position".to_owned()),
            Self::Statement => Some("a line begins with a word such as “turn”, “dwell” or “repeat”".to_owned()),
            Self::Equals => Some("for instance: let pocket = 15 deg".to_owned()),
            Self::Text => Some("put it between straight quotation marks: \"…\"".to_owned()),
            Self::Name | Self::OutputName | Self::InputName => {
                Some("a name begins with a letter and goes on with letters, digits and _".to_owned())
            }
            _ => None,
        }
    }
}

fn did_you_mean(near: Option<&str>) -> Option<String> {
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

fn near_unit(symbol: &str) -> Option<&'static str> {
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

impl ErrorKind {
    /// The kind in one hyphenated word.
    pub const fn code(&self) -> &'static str {
        match self {
            Self::Alternative | Self::Unexpected { .. } => "unexpected-text",
            Self::UnknownStatement { .. } => "unknown-statement",
            Self::UnknownUnit { .. } => "unknown-unit",
            Self::BareUnit { .. } => "unit-without-number",
            Self::UnclosedText => "unclosed-text",
            Self::UnclosedBlock { .. } => "unclosed-block",
            Self::UnmatchedBrace => "unmatched-brace",
            Self::TooDeep => "nested-too-deep",
            Self::ReservedName { .. } => "reserved-name",
            Self::NumberTooLarge => "number-too-large",
            Self::PowerTooHigh => "power-too-high",
            Self::SaidTwice { .. } => "said-twice",
            Self::SpeedAndTime { .. } => "speed-and-time",
            Self::UnknownName { .. } => "unknown-name",
            Self::UnknownSequence { .. } => "unknown-sequence",
            Self::Duplicate { .. } => "defined-twice",
            Self::NotInBlock { .. } => "not-in-a-block",
            Self::NotInGroup { .. } => "not-in-a-group",
            Self::CannotAdd { .. } | Self::SpeedOfOtherTravel { .. } => "unit-mismatch",
            Self::WrongUnit { .. } => "wrong-unit",
            Self::Unfit {
                unfit: Unfit::NotWhole,
                ..
            } => "not-whole",
            Self::Unfit { .. } => "out-of-range",
            Self::DivisionByZero => "division-by-zero",
            Self::NotFinite => "not-finite",
            Self::ArgumentCount { .. } => "argument-count",
            Self::Recursive { .. } => "recursive-sequence",
            Self::AxisTwice { .. } => "axis-twice",
            Self::MixedAxes { .. } => "mixed-axes",
            Self::PassingOutside { .. } => "passing-outside-through",
            Self::ShortestBy { .. } => "shortest-without-target",
            Self::SignAndWay { .. } => "sign-and-way",
            Self::WayOfLength { .. } => "way-of-a-length",
        }
    }

    /// What is wrong.
    fn message(&self) -> String {
        match self {
            Self::Alternative => "this cannot be read".to_owned(),
            Self::Unexpected { expected, found } if found.is_empty() => {
                format!("{expected} is expected, and the line ends here")
            }
            Self::Unexpected { expected, found } => {
                format!("{expected} is expected, not “{found}”")
            }
            Self::UnknownStatement { found } => format!("“{found}” is not a statement"),
            Self::UnknownUnit { symbol } => format!("“{symbol}” is not a unit"),
            Self::BareUnit { symbol } => {
                format!("the unit “{symbol}” has no number in front of it")
            }
            Self::UnclosedText => "the text has no closing quotation mark on its line".to_owned(),
            Self::UnclosedBlock { .. } => "the block has no closing brace".to_owned(),
            Self::UnmatchedBrace => "this brace closes nothing".to_owned(),
            Self::TooDeep => format!("nested more than {DEEPEST} deep"),
            Self::ReservedName { unit: true } => {
                "the name of a unit cannot name a value".to_owned()
            }
            Self::ReservedName { unit: false } => {
                "a word of the language cannot be a name".to_owned()
            }
            Self::NumberTooLarge => "the number is too large".to_owned(),
            Self::PowerTooHigh => "the power of a unit is too high".to_owned(),
            Self::SaidTwice { .. } => "this is said twice".to_owned(),
            Self::SpeedAndTime { .. } => "a move has a speed or a time, not both".to_owned(),
            Self::UnknownName { name, .. } => format!("nothing is called “{name}” here"),
            Self::UnknownSequence { name, .. } => format!("there is no sequence “{name}”"),
            Self::Duplicate {
                what: Duplicate::Rig,
                ..
            } => "a script has one rig".to_owned(),
            Self::Duplicate {
                what: Duplicate::Sequence,
                name,
                ..
            } => format!("there is a sequence “{name}” already"),
            Self::Duplicate { name, .. } => format!("“{name}” has a meaning here already"),
            Self::NotInBlock { keyword, .. } => format!("“{keyword}” cannot stand inside a block"),
            Self::NotInGroup { keyword, group, .. } => {
                format!("“{keyword}” cannot stand inside “{}”", group.word())
            }
            Self::CannotAdd {
                operator,
                left,
                right,
                ..
            } => match operator {
                Addition::Plus => format!("{left} and {right} cannot be added"),
                Addition::Minus => format!("{right} cannot be taken from {left}"),
            },
            Self::WrongUnit { wanted, found, .. } => {
                format!("{} is wanted here, and this is {found}", wanted.words())
            }
            Self::Unfit { wanted, unfit, .. } => format!("this has to be {}", wanted.bound(*unfit)),
            Self::SpeedOfOtherTravel { speed, target, .. } => {
                format!("a move by {target} cannot have {speed}")
            }
            Self::DivisionByZero => "this divides by zero".to_owned(),
            Self::NotFinite => "the result is too large to compute with".to_owned(),
            Self::ArgumentCount {
                name,
                wanted,
                given,
                ..
            } => {
                format!("“{name}” takes {}, and is given {given}", values(*wanted))
            }
            Self::Recursive { name, calls } if calls.len() == 1 => {
                format!("the sequence “{name}” does itself")
            }
            Self::Recursive { name, .. } => {
                format!("the sequence “{name}” does itself by way of others")
            }
            Self::AxisTwice {
                axis: Some(axis), ..
            } => format!("“{axis}” cannot make two moves together"),
            Self::AxisTwice { axis: None, .. } => {
                "one axis cannot make two moves together".to_owned()
            }
            Self::MixedAxes { other, .. } => {
                format!("the moves of “through” are of one axis, not of “{other}” too")
            }
            Self::PassingOutside { .. } => "nothing is passed outside “through”".to_owned(),
            Self::ShortestBy { .. } => "“shortest” needs a position to go to".to_owned(),
            Self::SignAndWay { .. } => "the way round is said twice".to_owned(),
            Self::WayOfLength { .. } => "a straight line has no way round".to_owned(),
        }
    }

    /// What to write at the marked place.
    fn label(&self) -> String {
        match self {
            Self::Unexpected { expected, .. } => format!("{expected} should be here"),
            Self::CannotAdd { left, .. } => left.to_string(),
            Self::SpeedOfOtherTravel { speed, .. } => speed.to_string(),
            Self::WrongUnit { found, .. } => found.to_string(),
            Self::Unfit { value, .. } if value.dimension == Dimension::NONE => {
                format!("this is {}", value.si)
            }
            Self::Unfit { value, .. } => format!("this is {}", Shown(*value)),
            Self::SpeedAndTime { .. } => "a speed".to_owned(),
            Self::UnclosedBlock { .. } => "opened here".to_owned(),
            Self::Duplicate { .. } | Self::SaidTwice { .. } => "again".to_owned(),
            Self::DivisionByZero => "this is zero".to_owned(),
            Self::SignAndWay { .. } => "once by the sign".to_owned(),
            Self::WayOfLength { .. } | Self::ShortestBy { .. } => {
                "this asks for a way round".to_owned()
            }
            Self::AxisTwice { .. } => "the second".to_owned(),
            Self::Recursive { calls, .. } if calls.len() > 1 => {
                "this leads back to its own start".to_owned()
            }
            _ => String::new(),
        }
    }

    /// Further places and what to say about them.
    fn further(&self) -> Vec<(Span, String)> {
        match self {
            Self::UnclosedBlock { end } => vec![(*end, "the script ends here".to_owned())],
            Self::SaidTwice { first } | Self::Duplicate { first, .. } => {
                vec![(*first, "first here".to_owned())]
            }
            Self::AxisTwice { first, .. } => vec![(*first, "the first".to_owned())],
            Self::SpeedAndTime { time } => vec![(*time, "and a time".to_owned())],
            Self::UnknownName {
                later: Some(later), ..
            } => vec![(*later, "defined only here, further down".to_owned())],
            Self::NotInBlock { block, .. } => vec![(*block, "inside this".to_owned())],
            Self::NotInGroup { block, .. } => vec![(*block, "inside this".to_owned())],
            Self::CannotAdd {
                right, right_span, ..
            } => vec![(*right_span, right.to_string())],
            Self::SpeedOfOtherTravel {
                target,
                target_span,
                ..
            } => vec![(*target_span, target.to_string())],
            Self::WrongUnit { wanted, asker, .. } => {
                vec![(*asker, format!("this wants {}", wanted.words()))]
            }
            Self::Unfit {
                wanted,
                unfit,
                asker,
                ..
            } => vec![(
                *asker,
                format!(
                    "this wants {}",
                    match unfit {
                        Unfit::NotWhole | Unfit::Negative | Unfit::NotPositive =>
                            wanted.bound(*unfit),
                        Unfit::TooLarge | Unfit::TooSmall => "a number that a bench can have",
                    }
                ),
            )],
            Self::ArgumentCount {
                wanted, definition, ..
            } => vec![(*definition, format!("takes {}", values(*wanted)))],
            Self::Recursive { calls, .. } => calls[1..]
                .iter()
                .map(|call| (*call, "by way of this".to_owned()))
                .collect(),
            Self::MixedAxes { axis, first, .. } => vec![(*first, format!("“{axis}” moves here"))],
            Self::PassingOutside { output } => {
                vec![(*output, "this needs moves that do not stop".to_owned())]
            }
            Self::ShortestBy { by } => vec![(*by, "this says how far, not to where".to_owned())],
            Self::SignAndWay { way } => vec![(*way, "and once by this word".to_owned())],
            Self::WayOfLength { target } => vec![(*target, "a length".to_owned())],
            _ => Vec::new(),
        }
    }

    /// What to do about it.
    fn help(&self) -> Option<String> {
        let fixed = match self {
            Self::Unexpected { expected, found } => return expected.help(found),
            Self::UnknownStatement { found } => {
                return did_you_mean(nearest(found, STATEMENTS.iter().copied()));
            }
            Self::UnknownUnit { symbol } => {
                return did_you_mean(near_unit(symbol))
                    .or_else(|| Some("units are deg, rad, turn, arcmin, step, microstep, mm, s, ms, us, min, Hz and rpm".to_owned()));
            }
            Self::BareUnit { symbol } => return Some(format!("write “1 {symbol}”")),
            Self::UnknownName { near, .. } => return did_you_mean(near.as_deref()),
            Self::UnknownSequence { near, .. } => return did_you_mean(near.as_deref()),
            Self::WrongUnit { wanted, .. } => {
                return Some(format!("for instance {}", wanted.example()));
            }
            Self::CannotAdd { left, right, .. } => {
                let steps = [Dimension::FULL_STEP, Dimension::MICROSTEP];
                if steps.contains(left) || steps.contains(right) {
                    "how far a step goes depends on the axis, so steps do not mix with other units"
                } else {
                    "both sides need the same kind of unit"
                }
            }
            Self::ReservedName { unit: true } => {
                "add to it, for instance with an underscore: step_size"
            }
            Self::ReservedName { unit: false } => "choose another word",
            Self::NotInBlock { .. } => "move it out of the braces",
            Self::NotInGroup {
                group: Group::Together,
                ..
            } => "only moves can start and end together",
            Self::NotInGroup {
                group: Group::Through,
                ..
            } => "only moves, outputs and marks can follow each other without a stop",
            Self::AxisTwice { axis: None, .. } => "name the axis of each move: turn AXIS by …",
            Self::AxisTwice { .. } => "put the second move behind the block",
            Self::MixedAxes { .. } => {
                "moves of several axes that start and end at once belong into “together”"
            }
            Self::Recursive { .. } => "use “repeat” to do something several times",
            Self::PassingOutside { .. } => "put the moves and the output into “through { … }”",
            Self::ShortestBy { .. } => "write “turn to …”, or leave “shortest” away",
            Self::SignAndWay { .. } => "leave out the sign or the word",
            Self::WayOfLength { .. } => "the sign says where to: turn by -4 mm",
            Self::Duplicate {
                what: Duplicate::Value | Duplicate::Parameter,
                ..
            } => "choose another name: a value keeps its meaning to the end of its block",
            Self::Unfit {
                unfit: Unfit::Negative | Unfit::NotPositive,
                wanted: Wanted::Speed | Wanted::Limit(_),
                ..
            } => "limits have no direction; the sign of the distance says where to",
            Self::UnmatchedBrace => "take it away, or open a block before it",
            Self::TooDeep => "give parts of it a name with “let” or “sequence”",
            Self::SpeedAndTime { .. } => "leave out one of them",
            _ => return None,
        };
        Some(fixed.to_owned())
    }
}

/// “no value”, “1 value”, “2 values”.
fn values(count: usize) -> String {
    match count {
        0 => "no values".to_owned(),
        1 => "1 value".to_owned(),
        _ => format!("{count} values"),
    }
}

/// A quantity in a unit that the script knows.
struct Shown(Quantity);

impl fmt::Display for Shown {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Quantity { si, dimension } = self.0;
        let degree = std::f64::consts::TAU / 360.0;
        let of = |travel: Dimension, power: i8| travel.combine(Dimension::TIME, -power);
        let bases = [
            (Dimension::ANGLE, "deg", degree),
            (Dimension::LENGTH, "mm", 1e-3),
            (Dimension::FULL_STEP, "step", 1.0),
            (Dimension::MICROSTEP, "microstep", 1.0),
        ];
        for (travel, symbol, size) in bases {
            for (power, per) in [(0, ""), (1, "/s"), (2, "/s^2"), (3, "/s^3")] {
                if of(travel, power) == Some(dimension) {
                    return write!(f, "{} {symbol}{per}", Rounded(si / size));
                }
            }
        }
        if dimension == Dimension::TIME {
            return write!(f, "{} s", Rounded(si));
        }
        write!(f, "{} in SI units", Rounded(si))
    }
}

impl ScriptError {
    /// The error with the text that it speaks of.
    pub fn diagnostic(&self, source: &Arc<Source>) -> Diagnostic {
        let mut diagnostic = Diagnostic::error(self.kind.code(), self.kind.message()).at(
            source,
            self.span,
            self.kind.label(),
        );
        for (span, text) in self.kind.further() {
            diagnostic = diagnostic.at(source, span, text);
        }
        for call in &self.calls {
            diagnostic = diagnostic.at(source, *call, "with the values given here");
        }
        match self.kind.help() {
            Some(help) => diagnostic.help(help),
            None => diagnostic,
        }
    }
}
