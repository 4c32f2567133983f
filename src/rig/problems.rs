//! What is wrong with a rig, collected so that one run reports all of it.

use std::sync::Arc;

use crate::diagnostic::{Diagnostic, Diagnostics, Source, Span};

/// How many problems one run reports.
const MOST: usize = 20;

/// A stretch of one of the files that make a rig.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Place {
    pub source: Arc<Source>,
    pub span: Span,
}

impl Place {
    /// An error here, of the kind `code`; `label` says what about this very place.
    pub(crate) fn error(
        &self,
        code: &'static str,
        message: impl Into<String>,
        label: impl Into<String>,
    ) -> Diagnostic {
        Diagnostic::error(code, message).at(&self.source, self.span, label)
    }
}

/// The problems found so far.
#[derive(Debug, Default)]
pub(crate) struct Problems(Vec<Diagnostic>);

impl Problems {
    /// One more; the same one twice (two axes that share a broken profile) counts once.
    pub(crate) fn add(&mut self, problem: Diagnostic) {
        if self.0.len() < MOST && !self.0.contains(&problem) {
            self.0.push(problem);
        }
    }

    /// The value, where nothing is wrong.
    pub(crate) fn finish<T>(self, value: Option<T>) -> Result<T, Diagnostics> {
        match value {
            Some(value) if self.0.is_empty() => Ok(value),
            // A reader that gives up has said why: there is a problem where there is
            // no value.
            _ => Err(Diagnostics(self.0)),
        }
    }
}
