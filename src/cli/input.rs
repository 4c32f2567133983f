//! Reading a script or a rig, from a file or from standard input.

use std::io::{self, Read};
use std::path::Path;
use std::sync::Arc;

use slewsmith::diagnostic::Source;
use slewsmith::rig::Rig;
use slewsmith::{Error, FilesOnDisk, Job, TextKind, open_source, read_rig};

use super::Failure;

/// Reads the script at `path` (`-`: standard input) and its rig.
///
/// # Errors
/// A file cannot be read, or what is in it is wrong.
pub(super) fn load(path: &Path) -> Result<Job, Failure> {
    Ok(Job::read(read(path)?, &mut FilesOnDisk)?)
}

/// Reads a rig by itself.
///
/// # Errors
/// The file cannot be read, or what is in it is wrong.
pub(super) fn load_rig(path: &Path) -> Result<Rig, Failure> {
    Ok(read_rig(&read(path)?, &mut FilesOnDisk)?)
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
    let mut text = String::new();
    io::stdin()
        .read_to_string(&mut text)
        .map_err(|error| Error::Unreadable {
            path: path.to_owned(),
            error,
        })?;
    Ok(Source::new("standard input", text))
}
