//! The words for what is wrong with a script.

use std::fmt;

use super::expected::{did_you_mean, near_unit};
use super::hints::instead_of;
use super::{Duplicate, ErrorKind};
use crate::diagnostic::{Span, nearest};
use crate::script::demand::{NumberProblem, Wanted};
use crate::script::grammar::{DEEPEST, STATEMENTS};
use crate::script::group::Group;
use crate::script::syntax::Addition;
use crate::units::{Dimension, Quantity, Rounded};

impl ErrorKind {
    /// What is wrong.
    pub(super) fn message(&self) -> String {
        match self {
            Self::Alternative => "invalid statement".to_owned(),
            Self::Unexpected { expected, found } if found.is_empty() => {
                format!("expected {expected}, but the line ends here")
            }
            Self::Unexpected { expected, found } => {
                format!("expected {expected}, found “{found}”")
            }
            Self::UnknownStatement { found } => format!("“{found}” is not a statement"),
            Self::UnknownUnit { symbol } => format!("“{symbol}” is not a unit"),
            Self::BareUnit { symbol } => {
                format!("the unit “{symbol}” has no number in front of it")
            }
            Self::UnclosedText => "the text has no closing quotation mark on its line".to_owned(),
            Self::UnclosedBlock { .. } => "the block has no closing brace".to_owned(),
            Self::UnmatchedBrace => "this closing brace has no opening brace".to_owned(),
            Self::TooDeep => format!("nested more than {DEEPEST} deep"),
            Self::ReservedName { unit: true } => "a unit cannot be a name".to_owned(),
            Self::ReservedName { unit: false } => {
                "a word of the language cannot be a name".to_owned()
            }
            Self::NumberTooLarge => "the number is too large".to_owned(),
            Self::PowerTooHigh => "the power of a unit is too high".to_owned(),
            Self::SaidTwice { .. } => "given twice".to_owned(),
            Self::SpeedAndTime { .. } => "a move takes a speed or a time, not both".to_owned(),
            Self::UnknownName { name, .. } => format!("unknown name “{name}”"),
            Self::UnknownSequence { name, .. } => format!("unknown sequence “{name}”"),
            Self::Duplicate {
                what: Duplicate::Rig,
                ..
            } => "a script has one rig".to_owned(),
            Self::Duplicate {
                what: Duplicate::Sequence,
                name,
                ..
            } => format!("sequence “{name}” is already defined"),
            Self::Duplicate { name, .. } => format!("“{name}” is already defined"),
            Self::NotInBlock { keyword, .. } => {
                format!("“{keyword}” is not allowed inside a block")
            }
            Self::ForeverInBlock { .. } => {
                "“repeat forever” is not allowed inside a block".to_owned()
            }
            Self::BehindForever { .. } => {
                "no statement after “repeat forever” is reached".to_owned()
            }
            Self::NothingForever => "this “repeat forever” does nothing".to_owned(),
            Self::NotInGroup { keyword, group, .. } => {
                format!("“{keyword}” is not allowed inside “{}”", group.word())
            }
            Self::CannotAdd {
                operator,
                left,
                right,
                ..
            } => match operator {
                Addition::Plus => format!("{left} and {right} cannot be added"),
                Addition::Minus => format!("{right} cannot be subtracted from {left}"),
            },
            Self::WrongUnit { wanted, found, .. } => {
                format!("expected {}, found {found}", wanted.words())
            }
            Self::Unfit { wanted, unfit, .. } => format!("this must be {}", wanted.bound(*unfit)),
            Self::SpeedOfOtherTravel { speed, target, .. } => {
                format!("a move by {target} cannot have {speed}")
            }
            Self::DivisionByZero => "division by zero".to_owned(),
            Self::NotFinite => "the result is too large".to_owned(),
            Self::ArgumentCount {
                name,
                wanted,
                given,
                ..
            } => {
                format!("“{name}” takes {}, found {given}", values(*wanted))
            }
            Self::Recursive { name, calls } if calls.len() == 1 => {
                format!("sequence “{name}” calls itself")
            }
            Self::Recursive { name, .. } => {
                format!("sequence “{name}” calls itself through others")
            }
            Self::AxisTwice {
                axis: Some(axis), ..
            } => format!("“{axis}” has two moves in one “together”"),
            Self::AxisTwice { axis: None, .. } => {
                "one axis has two moves in one “together”".to_owned()
            }
            Self::MixedAxes { other, .. } => {
                format!("“through” moves one axis, and “{other}” is a second")
            }
            Self::PassingOutside { .. } => "“passing” is allowed only inside “through”".to_owned(),
            Self::ShortestBy { .. } => "“shortest” requires “to”".to_owned(),
            Self::SignAndWay { .. } => "the direction is given twice".to_owned(),
            Self::WayOfLength { .. } => {
                "a rotation direction does not apply to a length".to_owned()
            }
        }
    }

    /// What to write at the marked place.
    pub(super) fn label(&self) -> String {
        match self {
            Self::Unexpected { expected, .. } => format!("expected {expected}"),
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
            Self::WayOfLength { .. } | Self::ShortestBy { .. } => "a rotation direction".to_owned(),
            Self::AxisTwice { .. } => "the second".to_owned(),
            Self::Recursive { calls, .. } if calls.len() > 1 => {
                "this leads back to its start".to_owned()
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
            Self::NotInBlock { block, .. } | Self::ForeverInBlock { block } => {
                vec![(*block, "inside this".to_owned())]
            }
            Self::BehindForever { endless } => {
                vec![(*endless, "repeats without end".to_owned())]
            }
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
                vec![(*asker, format!("this takes {}", wanted.words()))]
            }
            Self::Unfit {
                wanted,
                unfit,
                asker,
                ..
            } => vec![(
                *asker,
                format!(
                    "this takes {}",
                    match unfit {
                        NumberProblem::NotWhole
                        | NumberProblem::Negative
                        | NumberProblem::NotPositive => wanted.bound(*unfit),
                        NumberProblem::TooLarge | NumberProblem::TooSmall =>
                            "a number that a bench can have",
                    }
                ),
            )],
            Self::ArgumentCount {
                wanted, definition, ..
            } => vec![(*definition, format!("takes {}", values(*wanted)))],
            Self::Recursive { calls, .. } => calls[1..]
                .iter()
                .map(|call| (*call, "through this".to_owned()))
                .collect(),
            Self::MixedAxes { axis, first, .. } => vec![(*first, format!("“{axis}” moves here"))],
            Self::PassingOutside { output } => {
                vec![(*output, "this output needs a “through” block".to_owned())]
            }
            Self::ShortestBy { by } => vec![(*by, "an increment, not a position".to_owned())],
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
                return Some(format!("write, for instance, {}", wanted.example()));
            }
            Self::CannotAdd { left, right, .. } => {
                let steps = [Dimension::FULL_STEP, Dimension::MICROSTEP];
                if steps.contains(left) || steps.contains(right) {
                    "the size of a step depends on the axis, so steps do not mix with other units"
                } else {
                    "both sides need the same kind of unit"
                }
            }
            Self::ReservedName { unit: true } => {
                "extend it, for instance with an underscore: step_size"
            }
            Self::ReservedName { unit: false } => "choose another word",
            Self::NotInBlock { .. } => "move it out of the braces",
            Self::ForeverInBlock { .. } => {
                "give a number of passes, or make it the last statement of the script"
            }
            Self::BehindForever { .. } => {
                "put it before “repeat forever”, which is a script's last statement"
            }
            Self::NothingForever => "put a move or a dwell between its braces",
            Self::NotInGroup {
                group: Group::Together,
                ..
            } => "only moves can start and end together",
            Self::NotInGroup {
                group: Group::Through,
                ..
            } => "only moves, outputs and marks can follow each other without a stop",
            Self::AxisTwice { axis: None, .. } => "name the axis of each move: turn AXIS by …",
            Self::AxisTwice { .. } => "put the second move after the block",
            Self::MixedAxes { .. } => {
                "use “together” for moves of several axes that start and end at once"
            }
            Self::Recursive { .. } => "use “repeat” for repetition",
            Self::PassingOutside { .. } => "put the moves and the output into “through { … }”",
            Self::ShortestBy { .. } => "write “turn to …”, or leave out “shortest”",
            Self::SignAndWay { .. } => "leave out the sign or the word",
            Self::WayOfLength { .. } => "the sign gives the direction: turn by -4 mm",
            Self::Duplicate {
                what: Duplicate::Value | Duplicate::Parameter,
                ..
            } => "choose another name: a name keeps its value to the end of its block",
            Self::Unfit {
                unfit: NumberProblem::Negative | NumberProblem::NotPositive,
                wanted: Wanted::Speed | Wanted::Limit(_),
                ..
            } => "limits have no direction; the sign of the distance gives it",
            Self::UnmatchedBrace => "remove it, or open a block before it",
            Self::TooDeep => "name parts of it with “let” or “sequence”",
            Self::SpeedAndTime { .. } => "leave out one of them",
            Self::UnclosedBlock { .. } => {
                "close it with “}” on a line of its own, after the block's last statement"
            }
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
