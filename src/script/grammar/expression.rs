//! Expressions: sums of products of measures, names and parentheses.

use nom::Parser;
use nom::branch::alt;
use nom::character::complete::{char, digit1};
use nom::combinator::{cut, opt, recognize};
use nom::multi::many0;
use nom::sequence::{pair, preceded};

use super::lexical::{
    RESERVED, blank, expect, keyword, number, sign, skip_blank, unexpected, unit_symbol, word,
};
use super::{Input, Parsed, deeper, offset, span_between};
use crate::diagnostic::Span;
use crate::script::error::{ErrorKind, Expected, ScriptError};
use crate::script::syntax::{Addition, Expression, ExpressionKind, Multiplication, Units};
use crate::units::{Dimension, find_unit};

/// `expression = term { ( "+" | "-" ) term }`
pub(super) fn expression(input: Input<'_>) -> Parsed<'_, Expression> {
    let plus = sign('+').map(|_| Addition::Plus);
    let minus = alt((sign('-'), sign('−'))).map(|_| Addition::Minus);
    let (rest, (first, further)) =
        pair(term, many0(pair(alt((plus, minus)), cut(term)))).parse(input)?;
    if further.is_empty() {
        return Ok((rest, first));
    }
    let span = Span::new(first.span.start(), offset(rest));
    let kind = ExpressionKind::Sum(Box::new(first), further);
    Ok((rest, Expression { span, kind }))
}

/// `term = factor { ( "*" | "/" ) factor }`
///
/// Plain numbers that are multiplied and divided in front of a unit are one number
/// to that unit: `360/7 deg` is (360/7) deg, while `pocket / 2 s` is pocket / (2 s).
fn term(input: Input<'_>) -> Parsed<'_, Expression> {
    let times = alt((sign('*'), sign('·'), sign('×'))).map(|_| Multiplication::Times);
    let over = sign('/').map(|_| Multiplication::Over);
    let (rest, (first, further)) =
        pair(factor, many0(pair(alt((times, over)), cut(factor)))).parse(input)?;
    Ok((rest, gather(first, further)))
}

/// Puts the factors of a term together, runs of plain numbers with the unit behind
/// them first.
fn gather(first: Expression, further: Vec<(Multiplication, Expression)>) -> Expression {
    // The factors so far, and how many of the last ones are plain numbers.
    let mut factors: Vec<(Multiplication, Expression)> = Vec::with_capacity(1 + further.len());
    let mut plain = 0;
    for (operator, factor) in std::iter::once((Multiplication::Times, first)).chain(further) {
        match factor.kind {
            _ if is_plain(&factor) => {
                plain += 1;
                factors.push((operator, factor));
            }
            ExpressionKind::Measure { number, units } if plain > 0 && is_plain(&number) => {
                let mut run = factors.split_off(factors.len() - plain);
                run.push((operator, *number));
                let (operator, product) = product(run);
                let span = product.span.to(factor.span);
                let number = Box::new(product);
                let kind = ExpressionKind::Measure { number, units };
                factors.push((operator, Expression { span, kind }));
                plain = 0;
            }
            _ => {
                plain = 0;
                factors.push((operator, factor));
            }
        }
    }
    product(factors).1
}

/// Whether it is a number as it is written, with or without a sign.
fn is_plain(expression: &Expression) -> bool {
    match &expression.kind {
        ExpressionKind::Number(_) => true,
        ExpressionKind::Negative(of) => is_plain(of),
        _ => false,
    }
}

/// The product of at least one factor, and the operator in front of the first.
fn product(factors: Vec<(Multiplication, Expression)>) -> (Multiplication, Expression) {
    let mut factors = factors.into_iter();
    let Some((operator, first)) = factors.next() else {
        unreachable!("a term has a factor");
    };
    let further: Vec<_> = factors.collect();
    let Some((_, last)) = further.last() else {
        return (operator, first);
    };
    let span = first.span.to(last.span);
    let kind = ExpressionKind::Product(Box::new(first), further);
    (operator, Expression { span, kind })
}

/// `factor = { "+" | "-" } measure`
fn factor(input: Input<'_>) -> Parsed<'_, Expression> {
    let start = skip_blank(input);
    let (rest, negative) = opt(alt((
        alt((char('-'), char('−'))).map(|_| true),
        char('+').map(|_| false),
    )))
    .parse(start)?;
    let Some(negative) = negative else {
        return measure(start);
    };
    let (rest, of) = cut(factor).parse(deeper(rest, span_between(start, rest))?)?;
    let rest = super::back_up(rest, input);
    if !negative {
        return Ok((rest, of));
    }
    let span = span_between(start, rest);
    let kind = match of.kind {
        // The sign goes to the number, so that `-1/4 turn` is (−1/4) turn.
        ExpressionKind::Measure { number, units } if is_plain(&number) => {
            let span = Span::new(span.start(), number.span.end());
            let kind = ExpressionKind::Negative(number);
            let number = Box::new(Expression { span, kind });
            ExpressionKind::Measure { number, units }
        }
        _ => ExpressionKind::Negative(Box::new(of)),
    };
    Ok((rest, Expression { span, kind }))
}

/// `measure = ( number | "pi" | parenthesis ) [ units ] | name`
fn measure(input: Input<'_>) -> Parsed<'_, Expression> {
    let start = skip_blank(input);
    let mut number =
        alt((number, keyword("pi").map(|_| std::f64::consts::PI))).map(ExpressionKind::Number);
    let (rest, of) = match number.parse(start) {
        Err(nom::Err::Error(_)) if start.fragment().starts_with('(') => parenthesis(start)?,
        Err(nom::Err::Error(_)) => return name(start),
        other => {
            let (rest, kind) = other?;
            let span = span_between(start, rest);
            (rest, Expression { span, kind })
        }
    };
    let (rest, units) = units(rest)?;
    let Some(units) = units else {
        return Ok((rest, of));
    };
    let span = span_between(start, rest);
    let number = Box::new(of);
    let kind = ExpressionKind::Measure { number, units };
    Ok((rest, Expression { span, kind }))
}

/// `parenthesis = "(" expression ")"`
fn parenthesis(input: Input<'_>) -> Parsed<'_, Expression> {
    let (inside, _) = sign('(').parse(input)?;
    let inside = deeper(inside, span_between(input, inside))?;
    let (rest, of) = cut(expression).parse(inside)?;
    let (rest, _) = cut(expect(Expected::ClosingParenthesis, sign(')'))).parse(rest)?;
    let rest = super::back_up(rest, input);
    let span = span_between(input, rest);
    let kind = ExpressionKind::Parenthesis(Box::new(of));
    Ok((rest, Expression { span, kind }))
}

/// `name = word`
fn name(input: Input<'_>) -> Parsed<'_, Expression> {
    let (rest, found) = expect(Expected::Expression, word).parse(input)?;
    if RESERVED.contains(&&*found.text) {
        return Err(nom::Err::Error(unexpected(input, Expected::Expression)));
    }
    if find_unit(&found.text).is_some() {
        let kind = ErrorKind::BareUnit { symbol: found.text };
        return Err(nom::Err::Failure(ScriptError::new(found.span, kind)));
    }
    let kind = ExpressionKind::Name(found.text);
    let span = found.span;
    Ok((rest, Expression { span, kind }))
}

/// `units = unit { ( "/" | "*" | "·" | "." ) unit }`
///
/// A sign that no unit follows belongs to the expression: `360 deg / 7`.
fn units(input: Input<'_>) -> Parsed<'_, Option<Units>> {
    let start = skip_blank(input);
    let Ok((_, symbol)) = unit_symbol(start) else {
        return Ok((input, None));
    };
    if RESERVED.contains(&&*symbol.text) && !is_unit(&symbol.text) {
        return Ok((input, None));
    }
    let (mut rest, mut units) = unit(start)?;
    loop {
        let over = sign('/').map(|_| -1);
        let times = preceded(blank, alt((char('*'), char('·'), char('.')))).map(|_| 1);
        let Ok((after, sense)) = alt((over, times)).parse(rest) else {
            return Ok((rest, Some(units)));
        };
        match unit_symbol(after) {
            Ok((_, symbol)) if is_unit(&symbol.text) => {}
            _ => return Ok((rest, Some(units))),
        }
        let (behind, next) = unit(after)?;
        let span = span_between(start, behind);
        units = Units {
            factor: units.factor * next.factor.powi(i32::from(sense)),
            dimension: units
                .dimension
                .combine(next.dimension, sense)
                .ok_or_else(|| too_high(span))?,
        };
        rest = behind;
    }
}

/// `unit = symbol [ "^" [ "-" ] digit | "²" | "³" | digit ]`
fn unit(input: Input<'_>) -> Parsed<'_, Units> {
    let start = skip_blank(input);
    let (rest, symbol) = unit_symbol(start)?;
    let known = find_unit(&symbol.text)
        .filter(|_| is_unit(&symbol.text))
        .ok_or_else(|| {
            let kind = ErrorKind::UnknownUnit {
                symbol: symbol.text,
            };
            nom::Err::Failure(ScriptError::new(symbol.span, kind))
        })?;
    let caret = preceded(
        char('^'),
        cut(expect(
            Expected::Power,
            recognize(pair(opt(char('-')), digit1)),
        )),
    );
    let digits = alt((caret, digit1)).map(|digits: Input<'_>| digits.fragment().parse::<i8>().ok());
    let small = alt((char('²').map(|_| Some(2)), char('³').map(|_| Some(3))));
    let (rest, power) = opt(alt((digits, small))).parse(rest)?;
    let span = span_between(start, rest);
    let power = power.unwrap_or(Some(1)).ok_or_else(|| too_high(span))?;
    let dimension = Dimension::NONE
        .combine(known.dimension, power)
        .ok_or_else(|| too_high(span))?;
    let factor = known.factor.powi(i32::from(power));
    if !(factor.is_finite() && factor > 0.0) {
        return Err(too_high(span));
    }
    Ok((rest, Units { factor, dimension }))
}

/// Whether the script knows that unit. The inch is left out, since `in` is a word.
pub(crate) fn is_unit(symbol: &str) -> bool {
    symbol != "in" && find_unit(symbol).is_some()
}

fn too_high(span: Span) -> nom::Err<ScriptError> {
    nom::Err::Failure(ScriptError::new(span, ErrorKind::PowerTooHigh))
}
