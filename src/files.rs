//! Files on disk, as a user names them.

use std::fs::File;
use std::io::{self, Read as _};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::diagnostic::Source;
use crate::rig::Files;

/// No script, rig or profile is longer; an endless device ends here.
const MOST_BYTES: u64 = 64 << 20;

/// Reads a text and names it as its path is written.
///
/// # Errors
/// As [`read_text`].
pub(crate) fn read_source(path: &Path) -> io::Result<Arc<Source>> {
    Ok(Source::of_file(path, read_text(File::open(path)?)?))
}

/// Reads a text to its end, at most 64 MiB.
///
/// # Errors
/// What keeps it from being read; `InvalidData` where it is not UTF-8 or longer.
pub fn read_text(from: impl io::Read) -> io::Result<String> {
    let mut bytes = Vec::new();
    from.take(MOST_BYTES + 1).read_to_end(&mut bytes)?;
    if bytes.len() as u64 > MOST_BYTES {
        let reason = format!("it is longer than {} MiB", MOST_BYTES >> 20);
        return Err(io::Error::new(io::ErrorKind::InvalidData, reason));
    }
    String::from_utf8(bytes).map_err(|error| {
        let valid = error.utf8_error().valid_up_to();
        let line = 1 + error.as_bytes()[..valid]
            .iter()
            .filter(|byte| **byte == b'\n')
            .count();
        // There is a byte behind the valid ones, or all of them were valid.
        let byte = error.as_bytes().get(valid).copied().unwrap_or_default();
        let reason = format!(
            "it is not UTF-8 text: line {line} holds the byte 0x{byte:02X}; save it as UTF-8"
        );
        io::Error::new(io::ErrorKind::InvalidData, reason)
    })
}

/// Why a file cannot be read, without the system's numbers.
pub(crate) fn why_unread(error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::NotFound => "there is no such file".to_owned(),
        io::ErrorKind::IsADirectory => "it is a folder".to_owned(),
        io::ErrorKind::PermissionDenied => "this user may not read it".to_owned(),
        _ => error.to_string(),
    }
}

/// What a path in a file means: relative to that file.
pub(crate) fn beside(referrer: impl AsRef<Path>, path: &str) -> PathBuf {
    referrer
        .as_ref()
        .parent()
        .unwrap_or(Path::new(""))
        .join(path)
}

/// Profiles on disk, relative to the file that names them.
#[derive(Debug, Clone, Copy, Default)]
pub struct FilesOnDisk;

impl FilesOnDisk {
    /// What `path` means in the file at `referrer`: relative to that file.
    pub fn path(path: &str, referrer: &Path) -> PathBuf {
        beside(referrer, path)
    }
}

impl Files for FilesOnDisk {
    fn open(&mut self, path: &str, referrer: &Path) -> io::Result<Arc<Source>> {
        read_source(&beside(referrer, path))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_path_is_relative_to_the_file_that_names_it() {
        assert_eq!(beside("a/b/rig.yaml", "m.yaml"), Path::new("a/b/m.yaml"));
        assert_eq!(beside("rig.yaml", "p/m.yaml"), Path::new("p/m.yaml"));
        assert_eq!(beside("a/rig.yaml", "/m.yaml"), Path::new("/m.yaml"));
    }

    #[test]
    fn a_file_keeps_the_name_that_it_was_asked_by_and_loses_its_mark() {
        let folder = tempfile::tempdir().unwrap();
        let rig = folder.path().join("rig.yaml");
        std::fs::write(folder.path().join("m.yaml"), "\u{feff}name: x\r\n").unwrap();
        let source = FilesOnDisk.open("m.yaml", &rig).unwrap();
        assert_eq!(source.text(), "name: x\r\n");
        assert_eq!(
            Path::new(source.name()),
            folder.path().join("m.yaml").as_path()
        );
    }

    #[test]
    fn what_is_not_text_is_refused() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("m.yaml");
        std::fs::write(&path, [0xff, 0xfe, 0x00]).unwrap();
        let error = read_source(&path).unwrap_err();
        assert_eq!(error.kind(), io::ErrorKind::InvalidData);
        let later = read_text(&b"a\nb\n\nsch\xf6n\n"[..])
            .unwrap_err()
            .to_string();
        assert!(later.contains("line 4 holds the byte 0xF6"), "{later}");
        let missing = read_source(&folder.path().join("none.yaml")).unwrap_err();
        assert_eq!(missing.kind(), io::ErrorKind::NotFound);
    }
}
