//! Blocks that make one motion of their moves, and what may stand in them.

use std::collections::HashMap;

use super::error::{ErrorKind, ScriptError};
use super::syntax::{Block, Name, StatementKind, TurnStatement};
use crate::diagnostic::Span;

/// The kinds of such blocks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Group {
    /// Moves that start and end at once.
    Together,
    /// Moves that do not stop at their targets.
    Through,
}

impl Group {
    /// The word that it begins with.
    pub(super) const fn word(self) -> &'static str {
        match self {
            Self::Together => "together",
            Self::Through => "through",
        }
    }

    /// Whether such a statement may stand in it.
    pub(super) const fn takes(self, kind: &StatementKind) -> bool {
        match kind {
            StatementKind::Turn(_) => true,
            StatementKind::Output { .. } | StatementKind::Mark(_) => matches!(self, Self::Through),
            _ => false,
        }
    }
}

/// What is wrong with the statements of a group, whatever their values; `keyword` is
/// the word in front of the block.
pub(super) fn check(group: Group, block: &Block, keyword: Span) -> Vec<ScriptError> {
    let misplaced = block.statements.iter().filter(|statement| {
        // A broken statement has an error of its own.
        !group.takes(&statement.kind) && !matches!(statement.kind, StatementKind::Broken { .. })
    });
    let mut errors: Vec<ScriptError> = misplaced
        .map(|statement| {
            let kind = ErrorKind::NotInGroup {
                keyword: statement.kind.keyword(),
                group,
                block: keyword,
            };
            ScriptError::new(statement.keyword, kind)
        })
        .collect();
    let moves = block
        .statements
        .iter()
        .filter_map(|statement| match &statement.kind {
            StatementKind::Turn(turn) => Some((turn, statement.span)),
            _ => None,
        });
    match group {
        Group::Together => errors.extend(axes_twice(moves)),
        Group::Through => errors.extend(mixed_axes(moves)),
    }
    errors
}

/// Moves of an axis that has one already.
fn axes_twice<'a>(moves: impl Iterator<Item = (&'a TurnStatement, Span)>) -> Vec<ScriptError> {
    let mut seen: HashMap<Option<&str>, Span> = HashMap::new();
    let mut errors = Vec::new();
    for (turn, span) in moves {
        let axis = turn.axis.as_ref().map(|axis| &axis.text);
        match seen.get(&axis.map(|axis| &**axis)) {
            Some(first) => {
                let axis = axis.cloned();
                let first = *first;
                errors.push(ScriptError::new(span, ErrorKind::AxisTwice { axis, first }));
            }
            None => {
                seen.insert(axis.map(|axis| &**axis), span);
            }
        }
    }
    errors
}

/// The first move that names another axis than the moves before it.
fn mixed_axes<'a>(moves: impl Iterator<Item = (&'a TurnStatement, Span)>) -> Option<ScriptError> {
    let mut named = moves.filter_map(|(turn, _)| turn.axis.as_ref());
    let first: &Name = named.next()?;
    let other = named.find(|axis| axis.text != first.text)?;
    let kind = ErrorKind::MixedAxes {
        axis: first.text.clone(),
        other: other.text.clone(),
        first: first.span,
    };
    Some(ScriptError::new(other.span, kind))
}
