//! `schema`: JSON Schemas of the rig, of a bench's notes and of what the commands print as JSON.

use std::io::Write as _;

use clap::{Args, ValueEnum};

use super::{Answer, Failure, Terminal};

/// Print the JSON Schema (draft 2020-12) of a rig or of notes, for editors, or of a command's output
/// with `--json`.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  slewsmith schema rig > rig.schema.json")]
pub(super) struct SchemaCommand {
    /// What to describe.
    of: Subject,
}

/// What there is a schema of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Subject {
    /// A rig.
    Rig,
    /// `check --json`.
    Check,
    /// `plan --json`.
    Plan,
    /// `motor --json`.
    Motor,
    /// `simulate --json`.
    Simulate,
    /// `compare --json`.
    Compare,
    /// `fastest --json`.
    Fastest,
    /// Notes of a bench, for `identify`.
    Notes,
    /// `identify --json`.
    Identify,
    /// `size --json`.
    Size,
}

impl Subject {
    const fn text(self) -> &'static str {
        match self {
            Self::Rig => include_str!("schema/rig.json"),
            Self::Check => include_str!("schema/check.json"),
            Self::Plan => include_str!("schema/plan.json"),
            Self::Motor => include_str!("schema/motor.json"),
            Self::Simulate => include_str!("schema/simulate.json"),
            Self::Compare => include_str!("schema/compare.json"),
            Self::Fastest => include_str!("schema/fastest.json"),
            Self::Notes => include_str!("schema/notes.json"),
            Self::Identify => include_str!("schema/identify.json"),
            Self::Size => include_str!("schema/size.json"),
        }
    }
}

impl SchemaCommand {
    /// Runs the command.
    ///
    /// # Errors
    /// The output cannot be written.
    pub(super) fn run(&self, terminal: &mut Terminal) -> Result<Answer, Failure> {
        let mut out = terminal.results();
        out.write_all(self.of.text().as_bytes())
            .and_then(|()| out.flush())
            .map_err(Failure::system("cannot print the schema"))?;
        Ok(Answer::Yes)
    }
}
