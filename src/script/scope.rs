//! Names and what they mean at one place of a script.

use std::collections::HashMap;
use std::sync::Arc;

use super::error::{Duplicate, ErrorKind, ScriptError};
use super::expression::{Names, Value};
use super::syntax::{Defined, Name, SequenceDefinition, Statement, StatementKind};
use crate::diagnostic::{Span, nearest};

/// A name's value and where it is defined.
#[derive(Debug, Clone, Copy)]
pub(super) struct Binding {
    /// The value.
    pub(super) value: Value,
    /// The place.
    pub(super) span: Span,
}

/// What the whole script defines.
#[derive(Debug, Default)]
pub(super) struct Definitions {
    /// The sequences, in the order in which they are written.
    pub sequences: Vec<Arc<SequenceDefinition>>,
    by_name: HashMap<Arc<str>, usize>,
    /// Names of sequences whose definition could not be read.
    broken: Vec<Arc<str>>,
    /// Values defined outside all blocks. A sequence sees those above it.
    pub(super) values: HashMap<Arc<str>, Binding>,
    /// Where values outside all blocks are going to be defined.
    later: HashMap<Arc<str>, Span>,
}

impl Definitions {
    /// Takes in what the next statement outside all blocks defines; two sequences of one name
    /// are noted.
    pub(super) fn gather(&mut self, statement: &Statement, errors: &mut Vec<ScriptError>) {
        match &statement.kind {
            StatementKind::Sequence(sequence) => self.define(sequence, errors),
            StatementKind::Let { name, .. } => {
                let later = self.later.entry(Arc::clone(&name.text));
                later.or_insert(name.span);
            }
            StatementKind::Broken {
                defines: Some(Defined::Sequence(name)),
                ..
            } => self.broken.push(Arc::clone(&name.text)),
            _ => {}
        }
    }

    fn define(&mut self, sequence: &Arc<SequenceDefinition>, errors: &mut Vec<ScriptError>) {
        let name = &sequence.name;
        match self.by_name.get(&name.text) {
            Some(first) => {
                let first = self.sequences[*first].name.span;
                errors.push(duplicate(Duplicate::Sequence, name, first));
            }
            None => {
                self.by_name
                    .insert(Arc::clone(&name.text), self.sequences.len());
                self.sequences.push(Arc::clone(sequence));
            }
        }
    }

    /// The number of a sequence, or none where its definition could not be read.
    ///
    /// # Errors
    /// There is no such sequence.
    pub(super) fn sequence(&self, name: &Name) -> Result<Option<usize>, ScriptError> {
        if let Some(index) = self.by_name.get(&name.text) {
            return Ok(Some(*index));
        }
        if self.broken.contains(&name.text) {
            return Ok(None);
        }
        let known = self.sequences.iter().map(|sequence| &*sequence.name.text);
        let kind = ErrorKind::UnknownSequence {
            name: Arc::clone(&name.text),
            near: nearest(&name.text, known).map(Arc::from),
        };
        Err(ScriptError::new(name.span, kind))
    }
}

/// The values that can be seen at one place.
pub(super) struct Scope<'a> {
    pub(super) definitions: &'a Definitions,
    /// Values outside all blocks are seen where they are defined before this offset.
    pub(super) before: usize,
    /// Values of the blocks and parameters around.
    pub(super) local: HashMap<Arc<str>, Binding>,
}

impl Scope<'_> {
    /// The meaning of a name.
    pub(super) fn get(&self, name: &str) -> Option<&Binding> {
        let global = || {
            self.definitions
                .values
                .get(name)
                .filter(|binding| binding.span.start() < self.before)
        };
        self.local.get(name).or_else(global)
    }
}

impl Names for Scope<'_> {
    fn find(&self, name: &Arc<str>, span: Span) -> Result<Value, ScriptError> {
        if let Some(binding) = self.get(name) {
            return Ok(binding.value);
        }
        let known = self
            .definitions
            .values
            .iter()
            .filter(|(_, binding)| binding.span.start() < self.before);
        let mut known: Vec<&str> = known
            .map(|(name, _)| &**name)
            .chain(self.local.keys().map(|name| &**name))
            .collect();
        // The order of a hash map changes from run to run; the suggestion must not.
        known.sort_unstable();
        let kind = ErrorKind::UnknownName {
            name: Arc::clone(name),
            // Any letter is close to any other.
            near: nearest(name, known)
                .filter(|_| name.len() > 1)
                .map(Arc::from),
            later: self
                .definitions
                .later
                .get(name)
                .copied()
                .filter(|later| later.start() > span.start()),
        };
        Err(ScriptError::new(span, kind))
    }
}

/// The error of a name that is defined a second time.
pub(super) fn duplicate(what: Duplicate, name: &Name, first: Span) -> ScriptError {
    let kind = ErrorKind::Duplicate {
        what,
        name: Arc::clone(&name.text),
        first,
    };
    ScriptError::new(name.span, kind)
}
