//! What can be wrong between the parts of one move: its target, its way round, its speed.

use super::action::Way;
use super::error::{ErrorKind, ScriptError};
use super::syntax::{Clause, TurnStatement};
use crate::diagnostic::Span;
use crate::units::{Dimension, Quantity};

/// A way round that says nothing, or says it twice.
pub(super) fn way_error(
    turn: &TurnStatement,
    target: Quantity,
    way: Way,
    span: Span,
) -> Option<ScriptError> {
    if target.dimension == Dimension::LENGTH {
        let target = turn.target.value.span;
        return Some(ScriptError::new(span, ErrorKind::WayOfLength { target }));
    }
    if turn.to {
        return None;
    }
    if way == Way::Shortest {
        let by = turn.target.keyword;
        return Some(ScriptError::new(span, ErrorKind::ShortestBy { by }));
    }
    let kind = ErrorKind::SignAndWay { way: span };
    (target.si < 0.0).then(|| ScriptError::new(turn.target.value.span, kind))
}

/// A speed that belongs to another kind of travel: an angle at millimetres a second.
pub(super) fn speed_error(
    way: &Clause,
    target: Quantity,
    speed: Quantity,
    at: &Clause,
) -> Option<ScriptError> {
    let travel = speed.dimension.combine(Dimension::TIME, 1)?;
    let lengths = [target.dimension, travel].map(|dimension| dimension == Dimension::LENGTH);
    let angles = [target.dimension, travel].map(|dimension| dimension == Dimension::ANGLE);
    let mixed = (lengths[0] && angles[1]) || (angles[0] && lengths[1]);
    let kind = ErrorKind::SpeedOfOtherTravel {
        speed: speed.dimension,
        target: target.dimension,
        target_span: way.value.span,
    };
    mixed.then(|| ScriptError::new(at.value.span, kind))
}
