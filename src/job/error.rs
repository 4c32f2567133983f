//! Why the library could not do what it was asked for.

use std::io;
use std::path::PathBuf;

use thiserror::Error;

use crate::check::FirstFailure;
use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::emit::EmitError;
use crate::files::why_unread;
use crate::player::Refusal;

/// Why a job could not be opened, planned, simulated or written.
#[derive(Debug, Error)]
pub enum Error {
    /// A script, a rig or a profile is wrong, with the places.
    #[error(transparent)]
    Input(#[from] Diagnostics),
    /// A file cannot be read.
    #[error("{} cannot be read: {}", path.display(), why_unread(error))]
    Unreadable {
        /// Which one.
        path: PathBuf,
        /// What the system says.
        #[source]
        error: io::Error,
    },
    /// A rig, or a part of one, was given for a script.
    #[error("{name} is a rig or a profile; a script is required here")]
    NotAScript {
        /// The name of the text.
        name: String,
    },
    /// A script was given for a rig.
    #[error("{name} is a script; a rig is required here{}", named(rig.as_ref()))]
    NotARig {
        /// The name of the text.
        name: String,
        /// The rig that this script names.
        rig: Option<PathBuf>,
    },
    /// The profile of a motor, a drive or a timer was given for a rig.
    #[error(
        "{name} is the profile of a {part}; a rig is required here, which names it: `{part}: {name}`"
    )]
    OnlyAProfile {
        /// The name of the text.
        name: String,
        /// Which part of a rig it describes.
        part: &'static str,
    },
    /// The rig has no axis of that name.
    #[error("the rig has no axis called “{0}”")]
    NoSuchAxis(String),
    /// The program fails its check, so nothing was written.
    #[error("the program must not run: {0}")]
    MustNotRun(FirstFailure),
    /// A program without end was to be written in a format that lists every event.
    #[error("line {line}: the program repeats without end, and `{format}` lists every event")]
    Endless {
        /// The format.
        format: &'static str,
        /// The line of the repeat.
        line: usize,
    },
    /// The schedule was not written.
    #[error(transparent)]
    Emit(#[from] EmitError),
    /// The player does not play the program, so its project was not written.
    #[error("the player refuses this program: {0}")]
    Refused(Box<Refusal>),
}

impl From<Diagnostic> for Error {
    fn from(one: Diagnostic) -> Self {
        Self::Input(one.into())
    }
}

fn named(rig: Option<&PathBuf>) -> String {
    rig.map_or_else(String::new, |rig| format!(": it names {}", rig.display()))
}
