//! What a script comes down to before it is expanded.

use std::hash::{Hash, Hasher};
use std::sync::Arc;

use super::action::{Action, Settings};
use crate::diagnostic::Span;
use crate::units::{Dimension, Quantity};

/// What a block comes down to. A slice would do, but it has to be copied once it is complete.
pub(super) type Operations = Arc<Vec<Operation>>;

/// One thing that a block comes down to.
#[derive(Debug, Clone)]
pub(super) enum Operation {
    /// Do this.
    Act(Action),
    /// Do these so many times (at least once).
    Repeat(u64, Operations),
    /// Do these without end; the last of the operations outside all blocks.
    Forever(Operations, EndlessPlace),
    /// Do a sequence; the statement that calls it.
    Call(Arc<Call>, Span),
}

/// Where a script repeats without end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct EndlessPlace {
    /// The statement's first words.
    pub span: Span,
    /// Its line, from 1.
    pub line: usize,
}

/// A sequence with the values and settings that it is done with. Calls are equal when
/// they come down to the same operations.
#[derive(Debug, Clone)]
pub(super) struct Call {
    /// Which sequence of the script.
    pub sequence: usize,
    /// The values of its parameters.
    pub arguments: Vec<Quantity>,
    /// The settings in force where it is called.
    pub settings: Arc<Settings>,
}

impl Operation {
    /// How many operations it holds, itself included.
    pub(super) fn count(&self) -> usize {
        1 + match self {
            Self::Act(_) | Self::Call(..) => 0,
            Self::Repeat(_, body) | Self::Forever(body, _) => count(body),
        }
    }
}

/// Where these repeat without end, if they do.
pub(super) fn endless_place(operations: &[Operation]) -> Option<EndlessPlace> {
    match operations.last()? {
        Operation::Forever(_, place) => Some(*place),
        Operation::Act(_) | Operation::Repeat(..) | Operation::Call(..) => None,
    }
}

/// How many operations these are, with those in their blocks.
pub(super) fn count(operations: &[Operation]) -> usize {
    operations.iter().map(Operation::count).sum()
}

impl PartialEq for Call {
    fn eq(&self, other: &Self) -> bool {
        let bits = |of: &Self| -> Vec<(u64, Dimension)> {
            of.arguments
                .iter()
                .map(|value| (value.si.to_bits(), value.dimension))
                .collect()
        };
        self.sequence == other.sequence
            && Arc::ptr_eq(&self.settings, &other.settings)
            && bits(self) == bits(other)
    }
}

impl Eq for Call {}

impl Hash for Call {
    fn hash<H: Hasher>(&self, state: &mut H) {
        self.sequence.hash(state);
        for value in &self.arguments {
            value.si.to_bits().hash(state);
        }
    }
}
