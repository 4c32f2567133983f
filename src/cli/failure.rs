//! How a command ends.

use std::io;

use crate::diagnostic::{Diagnostic, Diagnostics};

/// How a command ends when nothing went wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Answer {
    /// Done; what was asked for holds.
    Yes,
    /// Done, and the answer is no: a move must not run, steps were lost.
    No,
}

impl Answer {
    /// Yes where `holds`.
    pub const fn of(holds: bool) -> Self {
        if holds { Self::Yes } else { Self::No }
    }
}

/// Why a command could not do its work.
#[derive(Debug, thiserror::Error)]
pub enum Failure {
    /// The input is wrong, with the places.
    #[error("{0}")]
    Input(#[from] Diagnostics),
    /// The input is wrong in a way that has no place in a file.
    #[error("{0}")]
    Request(String),
    /// The system failed.
    #[error("{what}: {error}")]
    System {
        /// What was being done.
        what: String,
        /// What the system said.
        error: io::Error,
    },
}

impl From<Diagnostic> for Failure {
    fn from(one: Diagnostic) -> Self {
        Self::Input(one.into())
    }
}

impl Failure {
    /// For `map_err`: the system failed at doing `what`.
    pub fn system(what: impl Into<String>) -> impl FnOnce(io::Error) -> Self {
        let what = what.into();
        move |error| Self::System { what, error }
    }

    /// Whether it is only that nobody reads our output any more.
    pub fn is_closed_pipe(&self) -> bool {
        matches!(self, Self::System { error, .. } if error.kind() == io::ErrorKind::BrokenPipe)
    }
}
