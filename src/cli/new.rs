//! `new`: a working scenario to start from.

use std::path::{Path, PathBuf};

use clap::Args;

use super::{Answer, Failure, Terminal};

/// The files of the scenario: name and text.
pub const SCENARIO: [(&str, &str); 2] = [
    ("turntable.moves", include_str!("start/turntable.moves")),
    ("turntable.yaml", include_str!("start/turntable.yaml")),
];

/// Write a working scenario to start from: a script and a rig that pass `check`.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  slewsmith new bench && slewsmith check bench/turntable.moves")]
pub struct New {
    /// Folder to write it to, created if missing.
    folder: PathBuf,
}

impl New {
    /// Runs the command. Files that are there already are left alone.
    ///
    /// # Errors
    /// A file of the scenario is there already, or the folder cannot be written.
    pub fn run(&self, terminal: &mut Terminal) -> Result<Answer, Failure> {
        let paths = SCENARIO.map(|(name, text)| (self.folder.join(name), text));
        if let Some((path, _)) = paths.iter().find(|(path, _)| path.exists()) {
            return Err(Failure::Request(format!(
                "{} already exists; nothing was written",
                path.display()
            )));
        }
        std::fs::create_dir_all(&self.folder).map_err(Failure::system(format!(
            "cannot make {}",
            self.folder.display()
        )))?;
        for (path, text) in &paths {
            write_new(path, text)?;
            terminal.note(&format!("wrote {}", path.display()));
        }
        terminal.note(&format!("next: slewsmith check {}", paths[0].0.display()));
        Ok(Answer::Yes)
    }
}

fn write_new(path: &Path, text: &str) -> Result<(), Failure> {
    let mut file = std::fs::File::create_new(path)
        .map_err(Failure::system(format!("cannot write {}", path.display())))?;
    std::io::Write::write_all(&mut file, text.as_bytes())
        .map_err(Failure::system(format!("cannot write {}", path.display())))
}
