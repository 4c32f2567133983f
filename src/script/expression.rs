//! The value of an expression, with its unit.
//!
//! Sums want one dimension on both sides, products multiply the dimensions. Every
//! intermediate result must be finite.

use std::sync::Arc;

use super::error::{ErrorKind, ScriptError};
use super::syntax::{Addition, Expression, ExpressionKind, Multiplication};
use crate::diagnostic::Span;
use crate::units::{Dimension, Quantity};

/// The value of a name.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Value {
    /// This quantity.
    Known(Quantity),
    /// Something that cannot be told (yet): the parameter of a sequence while the
    /// sequence is checked for itself, or a value whose definition is in error.
    Unknown,
}

/// Why an expression has no value.
#[derive(Debug)]
pub(super) enum NoValue {
    /// It is wrong.
    Wrong(ScriptError),
    /// It depends on an unknown value.
    Unknown,
}

impl From<ScriptError> for NoValue {
    fn from(error: ScriptError) -> Self {
        Self::Wrong(error)
    }
}

/// Finds the value of a name; an error where it has none.
pub(super) trait Names {
    /// The value of `name`, written at `span`.
    fn find(&self, name: &Arc<str>, span: Span) -> Result<Value, ScriptError>;
}

/// Computes an expression.
///
/// # Errors
/// A unit mismatch, an unknown name, or a result that is not finite; or that it
/// depends on an unknown value.
pub(super) fn evaluate(expression: &Expression, names: &impl Names) -> Result<Quantity, NoValue> {
    let result = match &expression.kind {
        ExpressionKind::Number(value) => Quantity::new(*value, Dimension::NONE),
        ExpressionKind::Name(name) => match names.find(name, expression.span)? {
            Value::Known(quantity) => quantity,
            Value::Unknown => return Err(NoValue::Unknown),
        },
        ExpressionKind::Measure { number, units } => {
            let unit = Quantity::new(units.factor, units.dimension);
            multiply(
                evaluate(number, names)?,
                Multiplication::Times,
                unit,
                expression.span,
            )?
        }
        ExpressionKind::Parenthesis(inside) => evaluate(inside, names)?,
        ExpressionKind::Negative(of) => {
            let of = evaluate(of, names)?;
            Quantity::new(-of.si, of.dimension)
        }
        ExpressionKind::Sum(first, further) => {
            let mut sum = evaluate(first, names)?;
            let mut so_far = first.span;
            for (operator, part) in further {
                let value = evaluate(part, names)?;
                sum = add(sum, so_far, *operator, value, part.span)?;
                so_far = so_far.to(part.span);
            }
            sum
        }
        ExpressionKind::Product(first, further) => {
            let mut product = evaluate(first, names)?;
            for (operator, factor) in further {
                let value = evaluate(factor, names)?;
                if *operator == Multiplication::Over && value.si == 0.0 {
                    return Err(ScriptError::new(factor.span, ErrorKind::DivisionByZero).into());
                }
                product = multiply(product, *operator, value, first.span.to(factor.span))?;
            }
            product
        }
    };
    finite(result, expression.span)
}

fn add(
    sum: Quantity,
    so_far: Span,
    operator: Addition,
    part: Quantity,
    span: Span,
) -> Result<Quantity, NoValue> {
    if sum.dimension != part.dimension {
        let kind = ErrorKind::CannotAdd {
            operator,
            left: sum.dimension,
            right: part.dimension,
            right_span: span,
        };
        return Err(ScriptError::new(so_far, kind).into());
    }
    let si = match operator {
        Addition::Plus => sum.si + part.si,
        Addition::Minus => sum.si - part.si,
    };
    finite(Quantity::new(si, sum.dimension), so_far.to(span))
}

fn multiply(
    of: Quantity,
    operator: Multiplication,
    by: Quantity,
    span: Span,
) -> Result<Quantity, NoValue> {
    let (si, power) = match operator {
        Multiplication::Times => (of.si * by.si, 1),
        Multiplication::Over => (of.si / by.si, -1),
    };
    let dimension = of
        .dimension
        .combine(by.dimension, power)
        .ok_or_else(|| ScriptError::new(span, ErrorKind::PowerTooHigh))?;
    finite(Quantity::new(si, dimension), span)
}

fn finite(result: Quantity, span: Span) -> Result<Quantity, NoValue> {
    if result.si.is_finite() {
        Ok(result)
    } else {
        Err(ScriptError::new(span, ErrorKind::NotFinite).into())
    }
}
