//! Files written whole or not at all.
//!
//! A file grows under a temporary name beside its target and takes the target's name
//! once it is complete, so that nobody ever sees half of it. What is no regular file (a
//! device, a pipe) is written directly, and a symbolic link is followed, never
//! replaced. Ctrl-C removes what is unfinished.

use std::fs::{self, File, Permissions};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::process;
use std::sync::{Mutex, Once, PoisonError};

use tempfile::NamedTempFile;

use super::Failure;

/// Exit code of a program that Ctrl-C ended: 128 + SIGINT, common practice of shells.
pub(super) const INTERRUPTED: i32 = 130;
/// Symbolic links followed one after the other at most.
const LINKS: usize = 40;

/// Somewhere to write results to.
#[derive(Debug)]
pub struct Output {
    sink: Sink,
    name: String,
}

#[derive(Debug)]
enum Sink {
    Stdout(BufWriter<io::StdoutLock<'static>>),
    Direct(BufWriter<File>),
    Whole {
        file: BufWriter<NamedTempFile>,
        target: PathBuf,
        permissions: Option<Permissions>,
    },
}

impl Output {
    /// Begins to write to `path`; `-` is standard output.
    ///
    /// # Errors
    /// The place cannot be written to.
    pub fn create(path: &Path) -> Result<Self, Failure> {
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
        builder.prefix(".slewsmith-").suffix(".part");
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            // What any new file gets; the user's mask takes away from it.
            builder.permissions(Permissions::from_mode(0o666));
        }
        // The kind alone: the text of the error holds the temporary name.
        let file = builder
            .tempfile_in(folder)
            .map_err(|error| io::Error::from(error.kind()))?;
        unfinished.push(file.path().to_owned());
        drop(unfinished);
        Ok(Sink::Whole {
            file: BufWriter::new(file),
            target,
            permissions,
        })
    }

    /// Ends the file and gives it its name.
    ///
    /// # Errors
    /// What was written last, or the name, was refused.
    pub fn finish(self) -> Result<(), Failure> {
        let Self { sink, name } = self;
        let ended = match sink {
            Sink::Stdout(mut out) => out.flush(),
            Sink::Direct(mut out) => out.flush(),
            Sink::Whole {
                file,
                target,
                permissions,
            } => file
                .into_inner()
                .map_err(io::IntoInnerError::into_error)
                .and_then(|file| {
                    if let Some(permissions) = permissions {
                        file.as_file().set_permissions(permissions)?;
                    }
                    let temporary = file.path().to_owned();
                    let persisted = file.persist(&target);
                    Unfinished::lock().retain(|path| *path != temporary);
                    persisted.map(drop).map_err(|error| error.error)
                }),
        };
        ended.map_err(Failure::system(format!("cannot write {name}")))
    }

    /// Writes a whole file in one go.
    ///
    /// # Errors
    /// The place cannot be written to.
    pub fn write_whole(path: &Path, bytes: &[u8]) -> Result<(), Failure> {
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
            Sink::Direct(out) => out.write(bytes),
            Sink::Whole { file, .. } => file.write(bytes),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        match &mut self.sink {
            Sink::Stdout(out) => out.flush(),
            Sink::Direct(out) => out.flush(),
            Sink::Whole { file, .. } => file.flush(),
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
            // Where no handler can be set, Ctrl-C ends the program as the system does.
            let _ = ctrlc::set_handler(|| {
                for path in Self::paths().iter() {
                    let _ = fs::remove_file(path);
                }
                process::exit(INTERRUPTED);
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
