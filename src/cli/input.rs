//! Reading a script or a rig, from a file or from standard input.

use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use slewsmith::diagnostic::Source;
use slewsmith::rig::{Files, Rig};
use slewsmith::{Error, FilesOnDisk, Job, TextKind, open_source, read_rig, read_text};

use super::output::refuse_inputs;
use super::terminal::DOUBTFUL;
use super::{Failure, Terminal};

/// Reads the script at `path` (`-`: standard input) and its rig.
///
/// # Errors
/// A file cannot be read, or what is in it is wrong.
pub(super) fn load(path: &Path) -> Result<Job, Failure> {
    Ok(Job::read(read(path)?, &mut FilesOnDisk)?)
}

/// The same for a command that writes to `target`.
///
/// # Errors
/// As [`load`], or the target is one of the files that were read.
pub(super) fn load_for(path: &Path, target: &Path) -> Result<Job, Failure> {
    let mut inputs = vec![path.to_owned()];
    let job = Job::read(read(path)?, &mut noting(&mut inputs))?;
    refuse_inputs(target, &inputs)?;
    Ok(job)
}

/// Reads a rig by itself.
///
/// # Errors
/// The file cannot be read, or what is in it is wrong.
pub(super) fn load_rig(path: &Path) -> Result<Rig, Failure> {
    Ok(read_rig(&read(path)?, &mut FilesOnDisk)?)
}

/// The same for a command that writes to `target`.
///
/// # Errors
/// As [`load_rig`], or the target is one of the files that were read.
pub(super) fn load_rig_for(path: &Path, target: &Path) -> Result<Rig, Failure> {
    let mut inputs = vec![path.to_owned()];
    let rig = read_rig(&read(path)?, &mut noting(&mut inputs))?;
    refuse_inputs(target, &inputs)?;
    Ok(rig)
}

/// Says of each axis of a rig which values of its motor nobody has measured, for a command
/// whose results do not.
pub(super) fn tell_guesses(rig: &Rig, terminal: &Terminal) {
    for axis in &rig.axes {
        if let Some(guesses) = axis.motor.guesses() {
            terminal.note(&format!(
                "{DOUBTFUL}warning{DOUBTFUL:#}: {}: {guesses} of the motor [motor-guessed]",
                axis.name
            ));
        }
    }
}

/// The files on disk; `inputs` receives the path of each one before it is read.
fn noting(
    inputs: &mut Vec<PathBuf>,
) -> impl FnMut(&str, &Path) -> io::Result<Arc<Source>> + use<'_> {
    |path, referrer| {
        inputs.push(FilesOnDisk::path(path, referrer));
        FilesOnDisk.open(path, referrer)
    }
}

/// Whether the file at `path` holds a rig; standard input is taken for a script.
///
/// # Errors
/// It cannot be read.
pub(super) fn holds_rig(path: &Path) -> Result<bool, Failure> {
    if path == Path::new("-") {
        return Ok(false);
    }
    let source = open_source(path)?;
    Ok(TextKind::of(&source) == Some(TextKind::Yaml))
}

/// The text at `path`; `-` is standard input.
///
/// # Errors
/// It cannot be read.
pub(super) fn read(path: &Path) -> Result<Arc<Source>, Failure> {
    if path != Path::new("-") {
        return Ok(open_source(path)?);
    }
    let name = "standard input";
    let text = read_text(io::stdin()).map_err(|error| Error::Unreadable {
        path: name.into(),
        error,
    })?;
    Ok(Source::new(name, text))
}
