//! `new`: a working scenario to start from.

use std::path::PathBuf;

use clap::Args;

use super::exchange::{Exchange, TargetFolder};
use super::{Answer, Failure, Terminal};

/// The files of the scenario: name and text.
pub(super) const SCENARIO: [(&str, &str); 2] = [
    ("turntable.moves", include_str!("start/turntable.moves")),
    ("turntable.yaml", include_str!("start/turntable.yaml")),
];

/// Write a working scenario to start from: a script and a rig that pass `check`.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  slewsmith new bench && slewsmith check bench/turntable.moves")]
pub(super) struct NewCommand {
    /// Folder to write it to, created if missing.
    folder: PathBuf,
}

impl NewCommand {
    /// Runs the command. Files that are there already are left alone.
    ///
    /// # Errors
    /// A file of the scenario is there already, or the folder cannot be written.
    pub(super) fn run(&self, terminal: &mut Terminal) -> Result<Answer, Failure> {
        let paths = SCENARIO.map(|(name, text)| (self.folder.join(name), text));
        if let Some((path, _)) = paths.iter().find(|(path, _)| path.exists()) {
            return Err(Failure::Request(format!(
                "{} already exists; nothing was written",
                path.display()
            )));
        }
        let _folder = TargetFolder::make(&self.folder)?;
        let mut exchange = Exchange::default();
        for (path, text) in &paths {
            exchange.add(path, text)?;
        }
        exchange.finish_new()?;
        for (path, _) in &paths {
            terminal.note(&format!("wrote {}", path.display()));
        }
        terminal.note(&format!("next: slewsmith check {}", paths[0].0.display()));
        Ok(Answer::Yes)
    }
}
