//! How a command ends.

use std::io;

use slewsmith::diagnostic::Diagnostics;
use slewsmith::emit::EmitError;
use slewsmith::player::Unplayable;
use slewsmith::{Error, Unstreamable};

/// How a command ends when nothing went wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Answer {
    /// Done; what was asked for holds.
    Yes,
    /// Done, and the answer is no: a move must not run, steps were lost.
    No,
    /// Broken off by a signal, with this exit code; what had been found was printed.
    Interrupted(i32),
}

impl Answer {
    /// Yes where `holds`.
    pub(crate) const fn of(holds: bool) -> Self {
        if holds { Self::Yes } else { Self::No }
    }
}

/// Why a command could not do its work.
#[derive(Debug, thiserror::Error)]
pub(crate) enum Failure {
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

impl From<Error> for Failure {
    /// What the library says, with what this command line has to offer.
    fn from(error: Error) -> Self {
        let said = error.to_string();
        match error {
            Error::Input(diagnostics) => Self::Input(diagnostics),
            Error::Unreadable { path, error } => match error.kind() {
                io::ErrorKind::NotFound
                | io::ErrorKind::InvalidData
                | io::ErrorKind::IsADirectory => Self::Request(said),
                _ => Self::System {
                    what: format!("cannot read {}", path.display()),
                    error,
                },
            },
            Error::NotAScript { name } => Self::Request(format!(
                "{said}. Use `slewsmith motor RIG` for a rig; a script begins with its rig: rig \"{name}\""
            )),
            Error::OnlyAProfile { .. } => Self::Request(format!(
                "{said}; `slewsmith new DIR` writes one to start from"
            )),
            Error::Emit(EmitError::Io(error)) => Self::System {
                what: "cannot write the schedule".to_owned(),
                error,
            },
            Error::Refused(refusal) => match &refusal.reason {
                Unplayable::Unwired(_) => Self::Request(format!(
                    "{said}. --other-board writes the player for a board of another kind, with five functions of your own"
                )),
                Unplayable::Baud {
                    fits: Some(baud), ..
                } => Self::Request(format!("{said} (--baud {baud})")),
                _ => Self::Request(said),
            },
            Error::Endless { .. } => Self::Request(format!(
                "{said}: give the number of passes to write (--passes 10)"
            )),
            Error::Emit(EmitError::Unfit { .. })
            | Error::NotARig { .. }
            | Error::NoSuchAxis(_)
            | Error::MustNotRun(_) => Self::Request(said),
        }
    }
}

impl From<Unstreamable> for Failure {
    fn from(why: Unstreamable) -> Self {
        match why {
            Unstreamable::Program(error) => error.into(),
            Unstreamable::TooMany { .. }
            | Unstreamable::TickRate(_)
            | Unstreamable::Refused(_)
            | Unstreamable::SlowDown(_)
            | Unstreamable::Unfit(_) => Self::Request(why.to_string()),
        }
    }
}

impl Failure {
    /// For `map_err`: the system failed at doing `what`.
    pub(crate) fn system(what: impl Into<String>) -> impl FnOnce(io::Error) -> Self {
        let what = what.into();
        move |error| Self::System { what, error }
    }

    /// Takes text that nobody read to its end for written: the answer decides the exit code,
    /// whatever became of the text.
    ///
    /// # Errors
    /// Everything else that went wrong.
    pub(crate) fn unless_unread(written: Result<(), Self>) -> Result<(), Self> {
        match written {
            Err(failure) if failure.is_closed_pipe() => Ok(()),
            other => other,
        }
    }

    /// Whether it is only that nobody reads our output any more.
    pub(crate) fn is_closed_pipe(&self) -> bool {
        matches!(self, Self::System { error, .. } if error.kind() == io::ErrorKind::BrokenPipe)
    }
}
