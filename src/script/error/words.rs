//! The words for what is wrong with a script.

use std::fmt;

use super::expected::{did_you_mean, near_unit};
use super::hints::instead_of;
use super::{Duplicate, ErrorKind};
use crate::diagnostic::{Span, nearest};
use crate::script::demand::{Unfit, Wanted};
use crate::script::grammar::{DEEPEST, STATEMENTS};
use crate::script::group::Group;
use crate::script::syntax::Addition;
use crate::units::{Dimension, Quantity, Rounded};

impl ErrorKind {
    /// What is wrong.
    pub(super) fn message(&self) -> String {
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
    pub(super) fn label(&self) -> String {
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
    pub(super) fn further(&self) -> Vec<(Span, String)> {
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
    pub(super) fn help(&self) -> Option<String> {
        let fixed = match self {
            Self::Unexpected { expected, found } => return expected.help(found),
            Self::UnknownStatement { found } => {
                return instead_of(found)
                    .or_else(|| did_you_mean(nearest(found, STATEMENTS.iter().copied())));
            }
            Self::UnknownUnit { symbol } => {
                return did_you_mean(near_unit(symbol))
                    .or_else(|| Some("units are deg, rad, turn, arcmin, step, microstep, mm, s, ms, us, min, Hz and rpm".to_owned()));
            }
            Self::BareUnit { symbol } => return Some(format!("write “1 {symbol}”")),
            Self::UnknownName { name, near, .. } => {
                return instead_of(name).or_else(|| did_you_mean(near.as_deref()));
            }
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
