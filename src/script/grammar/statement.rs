//! Statements: one function each, by the word that it begins with.

use std::sync::Arc;

use nom::Parser;
use nom::branch::alt;
use nom::combinator::{cut, opt, peek};
use nom::multi::separated_list0;
use nom::sequence::delimited;

use super::expression::{expression, is_unit};
use super::lexical::{
    RESERVED, expect, keyword, name, rig_name, sign, skip_blank, text, unexpected, word,
};
use super::{Input, Parsed, block, line, span_between};
use crate::diagnostic::Span;
use crate::script::action::{Shape, Until, Way};
use crate::script::error::{ErrorKind, Expected, ScriptError};
use crate::script::syntax::{
    Clause, Expression, Limit, Name, SeekStatement, SequenceDefinition, Statement, StatementKind,
    TurnStatement,
};

/// The words that statements begin with.
pub(crate) const STATEMENTS: &[&str] = &[
    "rig", "let", "speed", "accel", "decel", "jerk", "start", "shape", "bands", "turn", "dwell",
    "output", "await", "seek", "zero", "mark", "repeat", "sequence", "do", "together", "through",
];

const SHAPES: &[&str] = &["trapezoid", "s-curve", "full-torque"];
const BANDS: &[&str] = &["avoid", "allow"];
const SWITCH: &[&str] = &["on", "off"];
const TURN_WORDS: &[&str] = &["clockwise", "counterclockwise", "shortest", "at", "in"];

/// Words that may follow the statement on its line.
pub(super) fn words_behind(kind: &StatementKind) -> &'static [&'static str] {
    match kind {
        StatementKind::Turn(_) => TURN_WORDS,
        StatementKind::Output { passing: None, .. } => &["passing"],
        StatementKind::Await {
            until: Until::Active,
            timeout: None,
            ..
        } => &["pressed", "released", "timeout"],
        StatementKind::Await { timeout: None, .. } => &["timeout"],
        StatementKind::Seek(SeekStatement {
            released: false,
            at: None,
            ..
        }) => &["released", "at"],
        StatementKind::Seek(SeekStatement { at: None, .. })
        | StatementKind::Zero { at: None, .. } => &["at"],
        _ => &[],
    }
}

/// `statement = rig | let | limit | shape | bands | turn | dwell | output | await
/// | seek | zero | mark | repeat | sequence | do | together | through`
pub(super) fn statement(input: Input<'_>) -> Parsed<'_, Statement> {
    let start = skip_blank(input);
    let (rest, first) = expect(Expected::Statement, word).parse(start)?;
    let of = |limit| move |input| limit_of(limit, input);
    let (rest, kind) = match &*first.text {
        "rig" => rig(rest),
        "let" => let_(rest),
        "speed" => of(Limit::Speed)(rest),
        "accel" => of(Limit::Accel)(rest),
        "decel" => of(Limit::Decel)(rest),
        "jerk" => of(Limit::Jerk)(rest),
        "start" => of(Limit::Start)(rest),
        "shape" => shape(rest),
        "bands" => bands(rest),
        "turn" => turn(rest),
        "dwell" => dwell(rest),
        "output" => output(rest),
        "await" => await_(rest),
        "seek" => seek(rest),
        "zero" => zero(rest),
        "mark" => mark(rest),
        "repeat" => repeat(rest),
        "sequence" => sequence(rest),
        "do" => do_(rest),
        "together" => block(rest).map(|(rest, body)| (rest, StatementKind::Together(body))),
        "through" => block(rest).map(|(rest, body)| (rest, StatementKind::Through(body))),
        _ => {
            let kind = ErrorKind::UnknownStatement { found: first.text };
            Err(nom::Err::Failure(ScriptError::new(first.span, kind)))
        }
    }?;
    let statement = Statement {
        span: span_between(start, rest),
        keyword: first.span,
        line: line(start),
        kind,
    };
    Ok((rest, statement))
}

/// `rig = "rig" text`
fn rig(input: Input<'_>) -> Parsed<'_, StatementKind> {
    text.map(StatementKind::Rig).parse(input)
}

/// `let = "let" name "=" expression`
fn let_(input: Input<'_>) -> Parsed<'_, StatementKind> {
    let equals = expect(Expected::Equals, sign('='));
    let (rest, (name, _, value)) = (name, equals, expression).parse(input)?;
    Ok((rest, StatementKind::Let { name, value }))
}

/// `limit = ( "speed" | "accel" | "decel" | "jerk" | "start" ) [ rig-name ] expression`
///
/// A word is the name of an axis where an expression follows it.
fn limit_of(limit: Limit, input: Input<'_>) -> Parsed<'_, StatementKind> {
    let (rest, axis) = opt(axis_before_value).parse(input)?;
    let (rest, value) = expression(rest)?;
    Ok((rest, StatementKind::Limit { limit, axis, value }))
}

fn axis_before_value(input: Input<'_>) -> Parsed<'_, Name> {
    let (rest, axis) = rig_name(input)?;
    let follows = skip_blank(rest);
    let value_follows = match peek(word).parse(follows) {
        Ok((_, next)) => !is_unit(&next.text),
        Err(_) => follows
            .fragment()
            .starts_with(|c: char| c.is_ascii_digit() || matches!(c, '.' | '(')),
    };
    if value_follows && !RESERVED.contains(&&*axis.text) {
        return Ok((rest, axis));
    }
    Err(nom::Err::Error(unexpected(input, Expected::Expression)))
}

/// `shape = "shape" ( "trapezoid" | "s-curve" | "full-torque" )`
fn shape(input: Input<'_>) -> Parsed<'_, StatementKind> {
    let (rest, chosen) = one_of(SHAPES, input)?;
    let shape = match chosen {
        "trapezoid" => Shape::Trapezoid,
        "s-curve" => Shape::SCurve,
        _ => Shape::FullTorque,
    };
    Ok((rest, StatementKind::Shape(shape)))
}

/// `bands = "bands" ( "avoid" | "allow" )`
fn bands(input: Input<'_>) -> Parsed<'_, StatementKind> {
    let (rest, chosen) = one_of(BANDS, input)?;
    let allowed = chosen == "allow";
    Ok((rest, StatementKind::Bands { allowed }))
}

/// `turn = "turn" [ rig-name ] ( "by" | "to" ) expression { way | pace }`, where
/// `way = "clockwise" | "counterclockwise" | "shortest"` and
/// `pace = "at" expression | "in" expression`, each once at most
fn turn(input: Input<'_>) -> Parsed<'_, StatementKind> {
    let (rest, axis) = axis_unless(&["by", "to"]).parse(input)?;
    let start = skip_blank(rest);
    let (rest, by_or_to) = expect(Expected::ByOrTo, word).parse(start)?;
    let to = match &*by_or_to.text {
        "by" => false,
        "to" => true,
        _ => return Err(nom::Err::Failure(unexpected(start, Expected::ByOrTo))),
    };
    let (mut rest, value) = expression(rest)?;
    let mut turn = TurnStatement {
        axis,
        to,
        target: Clause {
            keyword: by_or_to.span,
            value,
        },
        way: None,
        at: None,
        time: None,
    };
    loop {
        let Ok((behind, found)) = word(rest) else {
            return Ok((rest, StatementKind::Turn(turn)));
        };
        let way = match &*found.text {
            "clockwise" => Some(Way::Clockwise),
            "counterclockwise" => Some(Way::Counterclockwise),
            "shortest" => Some(Way::Shortest),
            _ => None,
        };
        let before = match (way, &*found.text) {
            (Some(way), _) => {
                rest = behind;
                turn.way.replace((way, found.span)).map(|(_, span)| span)
            }
            (None, "at") => said(&mut turn.at, found.span, behind, &mut rest)?,
            (None, "in") => said(&mut turn.time, found.span, behind, &mut rest)?,
            _ => return Ok((rest, StatementKind::Turn(turn))),
        };
        if let Some(first) = before {
            let kind = ErrorKind::SaidTwice { first };
            return Err(nom::Err::Failure(ScriptError::new(found.span, kind)));
        }
    }
}

/// Reads the expression of a clause into `place`; gives the clause that was there.
fn said<'a>(
    place: &mut Option<Box<Clause>>,
    keyword: Span,
    behind: Input<'a>,
    rest: &mut Input<'a>,
) -> Result<Option<Span>, nom::Err<ScriptError>> {
    let (after, value) = expression(behind)?;
    *rest = after;
    Ok(place
        .replace(Box::new(Clause { keyword, value }))
        .map(|clause| clause.span()))
}

/// `dwell = "dwell" ( "until" "settled" | expression )`
fn dwell(input: Input<'_>) -> Parsed<'_, StatementKind> {
    if let Ok((rest, _)) = keyword("until").parse(input) {
        let (rest, _) = one_of(&["settled"], rest)?;
        return Ok((rest, StatementKind::DwellUntilSettled));
    }
    expression.map(StatementKind::Dwell).parse(input)
}

/// `output = "output" rig-name ( "on" | "off" ) [ "passing" expression ]`
fn output(input: Input<'_>) -> Parsed<'_, StatementKind> {
    let (rest, name) = expect(Expected::OutputName, rig_name).parse(input)?;
    let (rest, state) = one_of(SWITCH, rest)?;
    let (rest, passing) = opt(clause("passing").map(Box::new)).parse(rest)?;
    let on = state == "on";
    Ok((rest, StatementKind::Output { name, on, passing }))
}

/// `await = "await" rig-name [ "pressed" | "released" ] [ "timeout" expression ]`
fn await_(input: Input<'_>) -> Parsed<'_, StatementKind> {
    let input_name = expect(Expected::InputName, rig_name);
    let pressed = keyword("pressed").map(|_| Until::Pressed);
    let released = keyword("released").map(|_| Until::Released);
    let until = opt(alt((pressed, released)));
    let (rest, (name, until, timeout)) =
        (input_name, until, opt(clause("timeout").map(Box::new))).parse(input)?;
    let until = until.unwrap_or_default();
    let kind = StatementKind::Await {
        name,
        until,
        timeout,
    };
    Ok((rest, kind))
}

/// The name of an axis, where none of the words that go on without one stands there.
fn axis_unless<'a>(
    words: &'static [&'static str],
) -> impl Parser<Input<'a>, Output = Option<Name>, Error = ScriptError> {
    let axis = move |input| {
        let (rest, axis) = rig_name(input)?;
        if words.contains(&&*axis.text) {
            return Err(nom::Err::Error(unexpected(input, Expected::OneOf(words))));
        }
        Ok((rest, axis))
    };
    opt(axis)
}

/// `seek = "seek" [ rig-name ] "by" expression "until" rig-name [ "released" ] [ "at" expression ]`
fn seek(input: Input<'_>) -> Parsed<'_, StatementKind> {
    let by = expect(Expected::OneOf(&["by"]), clause("by"));
    let until = expect(Expected::OneOf(&["until"]), keyword("until"));
    let input_name = expect(Expected::InputName, rig_name);
    let (rest, (axis, distance, _, input)) =
        (axis_unless(&["by", "to"]), by, until, input_name).parse(input)?;
    let (rest, (released, at)) =
        (opt(keyword("released")), opt(clause("at").map(Box::new))).parse(rest)?;
    let seek = SeekStatement {
        axis,
        distance,
        input,
        released: released.is_some(),
        at,
    };
    Ok((rest, StatementKind::Seek(seek)))
}

/// `zero = "zero" [ rig-name ] [ "at" expression ]`
fn zero(input: Input<'_>) -> Parsed<'_, StatementKind> {
    let (rest, (axis, at)) =
        (axis_unless(&["at"]), opt(clause("at").map(Box::new))).parse(input)?;
    Ok((rest, StatementKind::Zero { axis, at }))
}

/// `mark = "mark" text`
fn mark(input: Input<'_>) -> Parsed<'_, StatementKind> {
    text.map(StatementKind::Mark).parse(input)
}

/// `repeat = "repeat" ( "forever" | expression ) block`
fn repeat(input: Input<'_>) -> Parsed<'_, StatementKind> {
    if let Ok((rest, _)) = keyword("forever").parse(input) {
        return block.map(StatementKind::RepeatForever).parse(rest);
    }
    let count = expect(Expected::Count, expression);
    let (rest, (count, body)) = (count, block).parse(input)?;
    Ok((rest, StatementKind::Repeat { count, body }))
}

/// `sequence = "sequence" name [ "(" [ name { "," name } ] ")" ] block`
fn sequence(input: Input<'_>) -> Parsed<'_, StatementKind> {
    let (rest, (name, parameters)) = (name, opt(list(name))).parse(input)?;
    let (rest, body) = block(rest)?;
    let parameters = parameters.unwrap_or_default();
    let sequence = SequenceDefinition {
        name,
        parameters,
        body,
    };
    Ok((rest, StatementKind::Sequence(Arc::new(sequence))))
}

/// `do = "do" name [ "(" [ expression { "," expression } ] ")" ]`
fn do_(input: Input<'_>) -> Parsed<'_, StatementKind> {
    let start = skip_blank(input);
    let (rest, (name, arguments)) = (name, opt(list(expression))).parse(start)?;
    let arguments: Vec<Expression> = arguments.unwrap_or_default();
    let call = span_between(start, rest);
    Ok((
        rest,
        StatementKind::Do {
            name,
            arguments,
            call,
        },
    ))
}

/// Parts in parentheses with commas between them.
fn list<'a, O>(
    part: impl Parser<Input<'a>, Output = O, Error = ScriptError>,
) -> impl Parser<Input<'a>, Output = Vec<O>, Error = ScriptError> {
    let parts = separated_list0(sign(','), part);
    delimited(
        sign('('),
        parts,
        cut(expect(Expected::CommaOrParenthesis, sign(')'))),
    )
}

/// A keyword with its expression.
fn clause<'a>(word: &'static str) -> impl Parser<Input<'a>, Output = Clause, Error = ScriptError> {
    (keyword(word), cut(expression)).map(|(keyword, value)| Clause {
        keyword: keyword.span,
        value,
    })
}

/// One of several words, which may hold hyphens.
fn one_of<'a>(words: &'static [&'static str], input: Input<'a>) -> Parsed<'a, &'static str> {
    let start = skip_blank(input);
    let (rest, found) = expect(Expected::OneOf(words), rig_name).parse(start)?;
    match words.iter().find(|word| **word == &*found.text) {
        Some(word) => Ok((rest, *word)),
        None => Err(nom::Err::Failure(ScriptError::new(
            found.span,
            ErrorKind::Unexpected {
                expected: Expected::OneOf(words),
                found: found.text,
            },
        ))),
    }
}
