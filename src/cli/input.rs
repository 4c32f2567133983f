//! Reading a script or a rig, from a file or from standard input.

use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use slewsmith::diagnostic::Source;
use slewsmith::rig::{Files, Rig};
use slewsmith::{Error, FilesOnDisk, Job, TextKind, open_source, read_rig, read_text};

use super::output::refuse_inputs;
use super::terminal::DOUBTFUL;
use super::{Failure, Terminal};

/// The files that a command reads, each of them once: so what somebody writes to them
/// meanwhile divides no answer, and an input may be a pipe.
#[derive(Debug, Default)]
pub(super) struct Inputs(BTreeMap<PathBuf, Arc<Source>>);

impl Inputs {
    /// The text at `path`; `-` is standard input.
    ///
    /// # Errors
    /// It cannot be read.
    pub(super) fn read(&mut self, path: &Path) -> Result<Arc<Source>, Failure> {
        if let Some(known) = self.0.get(path) {
            return Ok(Arc::clone(known));
        }
        let source = read(path)?;
        self.0.insert(path.to_owned(), Arc::clone(&source));
        Ok(source)
    }

    /// The script at `path` with its rig.
    ///
    /// # Errors
    /// A file cannot be read, or what is in it is wrong.
    pub(super) fn job(&mut self, path: &Path) -> Result<Job, Failure> {
        let script = self.read(path)?;
        Ok(Job::read(script, self)?)
    }

    /// The rig at `path`.
    ///
    /// # Errors
    /// A file cannot be read, or what is in it is wrong.
    pub(super) fn rig(&mut self, path: &Path) -> Result<Rig, Failure> {
        let rig = self.read(path)?;
        Ok(read_rig(&rig, self)?)
    }

    /// Whether the file at `path` holds a rig; standard input is taken for a script.
    ///
    /// # Errors
    /// It cannot be read.
    pub(super) fn holds_rig(&mut self, path: &Path) -> Result<bool, Failure> {
        let source = self.read(path)?;
        Ok(path != Path::new("-") && TextKind::of(&source) == Some(TextKind::Yaml))
    }

    /// Refuses a target that is one of them.
    ///
    /// # Errors
    /// It is.
    pub(super) fn refuse(&self, target: &Path) -> Result<(), Failure> {
        refuse_inputs(target, self.0.keys())
    }
}

impl Files for Inputs {
    fn open(&mut self, path: &str, referrer: &Path) -> io::Result<Arc<Source>> {
        let place = FilesOnDisk::path(path, referrer);
        if let Some(known) = self.0.get(&place) {
            return Ok(Arc::clone(known));
        }
        let source = FilesOnDisk.open(path, referrer)?;
        self.0.insert(place, Arc::clone(&source));
        Ok(source)
    }
}

/// Reads the script at `path` (`-`: standard input) and its rig.
///
/// # Errors
/// A file cannot be read, or what is in it is wrong.
pub(super) fn load(path: &Path) -> Result<Job, Failure> {
    Inputs::default().job(path)
}

/// The same for a command that writes to `target`.
///
/// # Errors
/// As [`load`], or the target is one of the files that were read.
pub(super) fn load_for(path: &Path, target: &Path) -> Result<Job, Failure> {
    let mut inputs = Inputs::default();
    let job = inputs.job(path)?;
    inputs.refuse(target)?;
    Ok(job)
}

/// Reads a rig by itself.
///
/// # Errors
/// The file cannot be read, or what is in it is wrong.
pub(super) fn load_rig(path: &Path) -> Result<Rig, Failure> {
    Inputs::default().rig(path)
}

/// The same for a command that writes to `target`.
///
/// # Errors
/// As [`load_rig`], or the target is one of the files that were read.
pub(super) fn load_rig_for(path: &Path, target: &Path) -> Result<Rig, Failure> {
    let mut inputs = Inputs::default();
    let rig = inputs.rig(path)?;
    inputs.refuse(target)?;
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
