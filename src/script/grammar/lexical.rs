//! Words, numbers, texts and the ends of lines. Every token skips the blanks before
//! it, so that the rest of the input begins right behind the last token.

use std::sync::Arc;

use nom::branch::alt;
use nom::bytes::complete::{tag, take_till, take_while, take_while1};
use nom::character::complete::{char, digit1, one_of};
use nom::combinator::{opt, peek, recognize, verify};
use nom::multi::many0_count;
use nom::sequence::{pair, preceded, terminated};
use nom::{Input as _, Parser};

use super::{Input, Parsed, offset, span_between};
use crate::script::error::{ErrorKind, Expected, ScriptError};
use crate::script::syntax::{Name, Text};

/// Words that mean something in the language and cannot be names of values.
pub(crate) const RESERVED: &[&str] = &[
    "rig",
    "let",
    "speed",
    "accel",
    "decel",
    "jerk",
    "start",
    "shape",
    "bands",
    "turn",
    "by",
    "to",
    "at",
    "in",
    "clockwise",
    "counterclockwise",
    "shortest",
    "dwell",
    "until",
    "settled",
    "output",
    "on",
    "off",
    "passing",
    "await",
    "pressed",
    "released",
    "timeout",
    "seek",
    "zero",
    "mark",
    "repeat",
    "forever",
    "sequence",
    "do",
    "together",
    "through",
    "pi",
];

/// `blank = " " | TAB | CR | no-break space`
pub(super) fn blank(input: Input<'_>) -> Parsed<'_, Input<'_>> {
    take_while(|c| matches!(c, ' ' | '\t' | '\r' | '\u{a0}')).parse(input)
}

/// The input from its first token on.
pub(super) fn skip_blank(input: Input<'_>) -> Input<'_> {
    // `take_while` cannot fail.
    blank(input).map_or(input, |(rest, _)| rest)
}

/// `comment = "#" { any character but a newline }`
fn comment(input: Input<'_>) -> Parsed<'_, Input<'_>> {
    recognize(pair(char('#'), take_till(|c| c == '\n'))).parse(input)
}

/// `line-end = [ comment ] ( newline | end of the text )`; also in front of a
/// closing brace, which ends a statement as well.
pub(super) fn line_end(input: Input<'_>) -> Parsed<'_, ()> {
    let (rest, _) = preceded(blank, opt(comment)).parse(input)?;
    if rest.fragment().is_empty() {
        return Ok((rest, ()));
    }
    alt((recognize(char('\n')), peek(recognize(char('}')))))
        .map(|_| ())
        .parse(rest)
}

/// Empty lines and comments.
pub(super) fn empty_lines(input: Input<'_>) -> Input<'_> {
    let line = alt((recognize(char('\n')), comment));
    // `many0_count` only fails where its parser takes nothing, and a line takes a character.
    let lines = many0_count(preceded(blank, line)).parse(input);
    skip_blank(lines.map_or(input, |(rest, _): (Input<'_>, usize)| rest))
}

/// `word = letter { letter | digit | "_" }`
pub(super) fn word(input: Input<'_>) -> Parsed<'_, Name> {
    spelled(input, |c| c.is_alphanumeric() || c == '_')
}

/// `rig-name = letter { letter | digit | "_" | "-" }`
pub(super) fn rig_name(input: Input<'_>) -> Parsed<'_, Name> {
    spelled(input, |c| c.is_alphanumeric() || matches!(c, '_' | '-'))
}

fn spelled(input: Input<'_>, inside: impl Fn(char) -> bool) -> Parsed<'_, Name> {
    let start = skip_blank(input);
    let letters = verify(take_while1(inside), |word: &Input<'_>| {
        word.fragment()
            .starts_with(|c: char| c.is_alphabetic() || c == '_')
    });
    let (rest, found) = expect(Expected::Word, letters).parse(start)?;
    let name = Name {
        text: Arc::from(*found.fragment()),
        span: span_between(start, rest),
    };
    Ok((rest, name))
}

/// `name = word`, but none that means something already.
pub(super) fn name(input: Input<'_>) -> Parsed<'_, Name> {
    let (rest, name) = expect(Expected::Name, word).parse(input)?;
    let kind = if RESERVED.contains(&&*name.text) {
        ErrorKind::ReservedName { unit: false }
    } else if crate::units::find_unit(&name.text).is_some() {
        ErrorKind::ReservedName { unit: true }
    } else {
        return Ok((rest, name));
    };
    Err(nom::Err::Failure(ScriptError::new(name.span, kind)))
}

/// The word `wanted` and no longer one.
pub(super) fn keyword<'a>(
    wanted: &'static str,
) -> impl Parser<Input<'a>, Output = Name, Error = ScriptError> {
    verify(word, move |found: &Name| &*found.text == wanted)
}

/// One sign.
pub(super) fn sign<'a>(wanted: char) -> impl Parser<Input<'a>, Output = char, Error = ScriptError> {
    preceded(blank, char(wanted))
}

/// `text = '"' { any character but '"' and a newline } '"'`
pub(super) fn text(input: Input<'_>) -> Parsed<'_, Text> {
    let start = skip_blank(input);
    let (inside, _) = expect(Expected::Text, char('"')).parse(start)?;
    let (rest, found) = take_till(|c| matches!(c, '"' | '\n')).parse(inside)?;
    let written = found.fragment().trim_end_matches('\r');
    let (rest, _) = tag("\"").parse(rest).map_err(|_: nom::Err<ScriptError>| {
        let end = offset(inside) + written.len();
        nom::Err::Failure(ScriptError::new(
            crate::diagnostic::Span::new(offset(start), end),
            ErrorKind::UnclosedText,
        ))
    })?;
    let text = Text {
        text: Arc::from(written),
        span: span_between(start, rest),
    };
    Ok((rest, text))
}

/// `number = ( digits [ "." digits ] | "." digits ) [ ( "e" | "E" ) [ "+" | "-" ] digits ]`
pub(super) fn number(input: Input<'_>) -> Parsed<'_, f64> {
    let fraction = || recognize(pair(char('.'), digit1));
    let whole = recognize(pair(digit1, opt(fraction())));
    let exponent = (one_of("eE"), opt(one_of("+-")), digit1);
    let start = skip_blank(input);
    let (rest, found) = recognize(pair(alt((whole, fraction())), opt(exponent))).parse(start)?;
    // Rust reads every text of this rule; what is too large becomes infinite.
    match found.fragment().parse() {
        Ok(value) if f64::is_finite(value) => Ok((rest, value)),
        _ => Err(nom::Err::Failure(ScriptError::new(
            span_between(start, rest),
            ErrorKind::NumberTooLarge,
        ))),
    }
}

/// A symbol of a unit: letters, `°` or `%`, and no further letter or digit.
pub(super) fn unit_symbol(input: Input<'_>) -> Parsed<'_, Name> {
    let start = skip_blank(input);
    let (rest, found) =
        take_while1(|c: char| c.is_alphabetic() || matches!(c, '°' | '%' | '_')).parse(start)?;
    let name = Name {
        text: Arc::from(*found.fragment()),
        span: span_between(start, rest),
    };
    Ok((rest, name))
}

/// `parser`, but a failure says that `expected` was expected where it began.
pub(super) fn expect<'a, O>(
    expected: Expected,
    mut parser: impl Parser<Input<'a>, Output = O, Error = ScriptError>,
) -> impl Parser<Input<'a>, Output = O, Error = ScriptError> {
    move |input: Input<'a>| {
        parser.parse(input).map_err(|error| match error {
            nom::Err::Failure(error) => nom::Err::Failure(error),
            _ => nom::Err::Error(unexpected(input, expected)),
        })
    }
}

/// The error that something else than `expected` stands at the start of `input`.
pub(super) fn unexpected(input: Input<'_>, expected: Expected) -> ScriptError {
    let start = skip_blank(input);
    let token = terminated(take_while(|c: char| c.is_alphanumeric() || c == '_'), blank);
    let length = token
        .map(|word: Input<'_>| word.fragment().len())
        .parse(start)
        .map_or(0, |(_, length)| length);
    let length = match start.fragment().chars().next() {
        None | Some('\n') => 0,
        Some(first) => length.max(first.len_utf8()),
    };
    let found = start.take(length);
    ScriptError::new(
        crate::diagnostic::Span::new(offset(start), offset(start) + length),
        ErrorKind::Unexpected {
            expected,
            found: Arc::from(*found.fragment()),
        },
    )
}
