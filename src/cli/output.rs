//! Files written whole or not at all.
//!
//! A file grows under a temporary name beside its target and takes the target's name
//! once it is complete, so that nobody ever sees half of it. What is no regular file (a
//! device, a pipe) is written directly, and a symbolic link is followed, never
//! replaced. What its owner made read-only, and what was read as input, is refused.
//! Ctrl-C removes what is unfinished; what a killed program left behind is known by its
//! name and by the lock that nobody holds any more.

use std::fs::{self, File, Permissions};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::process;
use std::sync::{Mutex, Once, PoisonError};

use tempfile::TempPath;

use super::Failure;
use super::signals::on_interrupt;

/// What the names of unfinished files begin …
const PREFIX: &str = ".slewsmith-";
/// … and end with.
const SUFFIX: &str = ".part";
/// Symbolic links followed one after the other at most.
const LINKS: usize = 40;

/// Somewhere to write results to.
#[derive(Debug)]
pub(super) struct Output {
    sink: Sink,
    name: String,
}

#[derive(Debug)]
enum Sink {
    Stdout(BufWriter<io::StdoutLock<'static>>),
    Direct(BufWriter<File>),
    Whole {
        file: BufWriter<File>,
        temporary: TempPath,
        target: PathBuf,
        permissions: Option<Permissions>,
    },
}

impl Output {
    /// Begins to write to `path`; `-` is standard output.
    ///
    /// # Errors
    /// The place cannot be written to.
    pub(super) fn create(path: &Path) -> Result<Self, Failure> {
        let name = path.display().to_string();
        let sink = Self::sink(path).map_err(Failure::system(format!("cannot write {name}")))?;
        Ok(Self { sink, name })
    }

    fn sink(path: &Path) -> io::Result<Sink> {
        if path == Path::new("-") {
            return Ok(Sink::Stdout(BufWriter::new(io::stdout().lock())));
        }
        let target = follow_links(path)?;
        let permissions = match fs::metadata(&target) {
            Ok(present) if present.permissions().readonly() => return Err(read_only()),
            Ok(present) if !present.is_file() => {
                return Ok(Sink::Direct(BufWriter::new(
                    File::options().write(true).open(&target)?,
                )));
            }
            Ok(present) => Some(present.permissions()),
            Err(error) if error.kind() == io::ErrorKind::NotFound => None,
            Err(error) => return Err(error),
        };
        let folder = match target.parent() {
            Some(folder) if folder != Path::new("") => folder,
            _ => Path::new("."),
        };
        if !folder.is_dir() {
            let reason = format!("folder {} does not exist", folder.display());
            return Err(io::Error::new(io::ErrorKind::NotFound, reason));
        }
        // Taken before the file is made, so that Ctrl-C in between waits for its name.
        let mut unfinished = Unfinished::lock();
        let mut builder = tempfile::Builder::new();
        builder.prefix(PREFIX).suffix(SUFFIX);
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            // What any new file gets; the user's mask takes away from it.
            builder.permissions(Permissions::from_mode(0o666));
        }
        remove_leftovers(folder);
        let file = loop {
            // The kind alone: the text of the error holds the temporary name.
            let file = builder
                .tempfile_in(folder)
                .map_err(|error| io::Error::from(error.kind()))?;
            // By this others know that it is being written. Where locks are not to be had,
            // nobody takes it for a leftover either.
            let _ = file.as_file().lock();
            // Who took it for one before that has removed it.
            if file.path().exists() {
                break file;
            }
        };
        unfinished.push(file.path().to_owned());
        drop(unfinished);
        // The bare file, whose errors do not tell of a path that nobody knows.
        let (file, temporary) = file.into_parts();
        Ok(Sink::Whole {
            file: BufWriter::new(file),
            temporary,
            target,
            permissions,
        })
    }

    /// Ends the file and gives it its name.
    ///
    /// # Errors
    /// What was written last, or the name, was refused.
    pub(super) fn finish(self) -> Result<(), Failure> {
        self.end(|temporary, target| {
            let persisted = temporary.persist(target);
            persisted.map_err(|error| error.error)
        })
    }

    /// The same, but what has appeared under its name in the meantime is left alone.
    ///
    /// # Errors
    /// As [`finish`](Self::finish), or the name is taken.
    pub(super) fn finish_new(self) -> Result<(), Failure> {
        self.end(|temporary, target| {
            let persisted = temporary.persist_noclobber(target);
            persisted.map_err(|error| error.error)
        })
    }

    fn end(
        mut self,
        name_it: impl FnOnce(TempPath, &Path) -> io::Result<()>,
    ) -> Result<(), Failure> {
        let ended = self.flush();
        let Self { sink, name } = self;
        let ended = ended.and_then(|()| match sink {
            Sink::Stdout(_) | Sink::Direct(_) => Ok(()),
            Sink::Whole {
                file,
                temporary,
                target,
                permissions,
            } => {
                if let Some(permissions) = permissions {
                    file.get_ref().set_permissions(permissions)?;
                }
                let path = temporary.to_path_buf();
                let named = name_it(temporary, &target);
                Unfinished::lock().retain(|one| *one != path);
                named
            }
        });
        ended.map_err(Failure::system(format!("cannot write {name}")))
    }

    /// Writes a whole file in one go.
    ///
    /// # Errors
    /// The place cannot be written to.
    pub(super) fn write_whole(path: &Path, bytes: &[u8]) -> Result<(), Failure> {
        let mut output = Self::create(path)?;
        output
            .write_all(bytes)
            .map_err(Failure::system(format!("cannot write {}", path.display())))?;
        output.finish()
    }
}

impl Write for Output {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match &mut self.sink {
            Sink::Stdout(out) => out.write(bytes),
            Sink::Direct(out) => out.write(bytes).map_err(unread),
            Sink::Whole { file, .. } => file.write(bytes),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        match &mut self.sink {
            Sink::Stdout(out) => out.flush(),
            Sink::Direct(out) => out.flush().map_err(unread),
            Sink::Whole { file, .. } => file.flush(),
        }
    }
}

/// Whoever names a pipe wants all of it in there: that its reader has gone is a failure,
/// unlike at standard output.
fn unread(error: io::Error) -> io::Error {
    match error.kind() {
        io::ErrorKind::BrokenPipe => io::Error::other("its reader left before the end"),
        _ => error,
    }
}

fn read_only() -> io::Error {
    io::Error::new(
        io::ErrorKind::PermissionDenied,
        "it is read-only and stays as it is; make it writable, or name another file",
    )
}

/// Refuses a target that is one of the files that were read.
///
/// # Errors
/// It is.
pub(super) fn refuse_inputs<P: AsRef<Path>>(
    target: &Path,
    inputs: impl IntoIterator<Item = P>,
) -> Result<(), Failure> {
    let Ok(place) = fs::canonicalize(target) else {
        // What is not there is no input.
        return Ok(());
    };
    let is_read = |input: P| fs::canonicalize(input).is_ok_and(|input| input == place);
    if inputs.into_iter().any(is_read) {
        return Err(Failure::Request(format!(
            "{} is an input of this command, and writing would destroy it; name another file",
            target.display()
        )));
    }
    Ok(())
}

/// Whether a file of that name is one of ours that is, or was, being written.
pub(super) fn is_unfinished(name: &std::ffi::OsStr) -> bool {
    name.to_str()
        .is_some_and(|name| name.starts_with(PREFIX) && name.ends_with(SUFFIX))
}

/// Removes the unfinished files in `folder` that nobody writes any more.
pub(super) fn remove_leftovers(folder: &Path) {
    let Ok(entries) = fs::read_dir(folder) else {
        return;
    };
    for entry in entries.flatten() {
        // To open a pipe would mean to wait for its writer.
        let is_file = entry.file_type().is_ok_and(|kind| kind.is_file());
        if !is_file || !is_unfinished(&entry.file_name()) {
            continue;
        }
        let Ok(file) = File::open(entry.path()) else {
            continue;
        };
        // The lock holds until the file is gone: who has just made it waits, and sees that.
        if file.try_lock().is_ok() {
            // What cannot be removed does no harm either.
            let _ = fs::remove_file(entry.path());
        }
    }
}

/// Where the chain of symbolic links at `path` ends, whether a file is there or not.
fn follow_links(path: &Path) -> io::Result<PathBuf> {
    let mut at = path.to_owned();
    for _ in 0..LINKS {
        match fs::symlink_metadata(&at) {
            Ok(found) if found.file_type().is_symlink() => {
                let to = fs::read_link(&at)?;
                at = at.parent().unwrap_or(Path::new("")).join(to);
            }
            _ => return Ok(at),
        }
    }
    Err(io::Error::other("the symbolic links form a loop"))
}

/// The temporary files that exist now; Ctrl-C removes them.
struct Unfinished;

static UNFINISHED: Mutex<Vec<PathBuf>> = Mutex::new(Vec::new());
static HANDLER: Once = Once::new();

impl Unfinished {
    fn lock() -> std::sync::MutexGuard<'static, Vec<PathBuf>> {
        HANDLER.call_once(|| {
            on_interrupt(|code| {
                for path in Self::paths().iter() {
                    let _ = fs::remove_file(path);
                }
                process::exit(code);
            });
        });
        Self::paths()
    }

    fn paths() -> std::sync::MutexGuard<'static, Vec<PathBuf>> {
        // The list is whole whatever happened to a thread that held it.
        UNFINISHED.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(folder: &Path) -> Vec<String> {
        let entries = fs::read_dir(folder).unwrap();
        entries
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect()
    }

    #[test]
    fn an_unfinished_file_is_never_seen() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.csv");
        fs::write(&path, "old").unwrap();
        let mut output = Output::create(&path).unwrap();
        output.write_all(b"half").unwrap();
        output.flush().unwrap();
        assert_eq!(fs::read_to_string(&path).unwrap(), "old");
        drop(output);
        assert_eq!(fs::read_to_string(&path).unwrap(), "old");
        assert_eq!(names(folder.path()), ["a.csv"]);
        Output::write_whole(&path, b"new").unwrap();
        assert_eq!(fs::read_to_string(&path).unwrap(), "new");
        assert_eq!(names(folder.path()), ["a.csv"]);
    }

    #[cfg(unix)]
    #[test]
    fn permissions_and_links_are_kept() {
        use std::os::unix::fs::{PermissionsExt, symlink};
        let folder = tempfile::tempdir().unwrap();
        let (real, link) = (folder.path().join("real"), folder.path().join("link"));
        fs::write(&real, "old").unwrap();
        fs::set_permissions(&real, Permissions::from_mode(0o640)).unwrap();
        symlink("real", &link).unwrap();
        Output::write_whole(&link, b"new").unwrap();
        assert!(fs::symlink_metadata(&link).unwrap().is_symlink());
        assert_eq!(fs::read_to_string(&real).unwrap(), "new");
        assert_eq!(
            fs::metadata(&real).unwrap().permissions().mode() & 0o777,
            0o640
        );
        let fresh = folder.path().join("fresh");
        Output::write_whole(&fresh, b"new").unwrap();
        assert_ne!(
            fs::metadata(&fresh).unwrap().permissions().mode() & 0o044,
            0,
            "others may read a new file"
        );
        let circle = folder.path().join("circle");
        symlink("circle", &circle).unwrap();
        assert!(Output::write_whole(&circle, b"new").is_err());
    }

    #[cfg(unix)]
    #[test]
    fn a_device_is_written_directly() {
        Output::write_whole(Path::new("/dev/null"), b"gone").unwrap();
        assert!(!fs::metadata("/dev/null").unwrap().is_file());
    }
}
