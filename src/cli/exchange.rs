//! Files that belong together, exchanged together.
//!
//! All of them are written beside their targets before the first one takes its name, so
//! that a full disk changes nothing. Names cannot be given to several files at one instant:
//! therefore one file, the guard, is replaced first by a text that keeps the others from
//! being used, and last by its own. Whoever is killed on the way leaves the old files, the
//! new ones, or files that nobody can use; never a mixture that passes for one of them.

use std::fs;
use std::io::Write as _;
use std::path::{Path, PathBuf};

use super::Failure;
use super::output::Output;

/// Files that are written, but do not have their names yet.
#[derive(Debug, Default)]
pub(super) struct Exchange {
    /// What stands in the guard's place in between.
    stop: Option<Output>,
    files: Vec<Output>,
    guard: Option<Output>,
}

impl Exchange {
    /// Adds a file.
    ///
    /// # Errors
    /// It cannot be written.
    pub(super) fn add(&mut self, path: &Path, text: impl AsRef<[u8]>) -> Result<(), Failure> {
        self.files.push(written(path, text.as_ref())?);
        Ok(())
    }

    /// Adds the guard; `stop` stands in its place until all the others have their names.
    ///
    /// # Errors
    /// It cannot be written.
    pub(super) fn guard(&mut self, path: &Path, stop: &str, text: &str) -> Result<(), Failure> {
        self.stop = Some(written(path, stop.as_bytes())?);
        self.guard = Some(written(path, text.as_bytes())?);
        Ok(())
    }

    /// Gives all files their names.
    ///
    /// # Errors
    /// A name was refused; the guard then keeps the files from being used.
    pub(super) fn finish(self) -> Result<(), Failure> {
        self.in_order().try_for_each(Output::finish)
    }

    /// Gives all files their names; files that are there already are left alone.
    ///
    /// # Errors
    /// A name is taken or refused.
    pub(super) fn finish_new(self) -> Result<(), Failure> {
        self.in_order().try_for_each(Output::finish_new)
    }

    fn in_order(self) -> impl Iterator<Item = Output> {
        self.stop.into_iter().chain(self.files).chain(self.guard)
    }
}

fn written(path: &Path, bytes: &[u8]) -> Result<Output, Failure> {
    let mut output = Output::create(path)?;
    output
        .write_all(bytes)
        .and_then(|()| output.flush())
        .map_err(Failure::system(format!("cannot write {}", path.display())))?;
    Ok(output)
}

/// A folder to write to, which goes again, with those above it that were made for it, where
/// nothing has come into it.
#[derive(Debug)]
pub(super) struct TargetFolder {
    /// What was not there before, the innermost first.
    made: Vec<PathBuf>,
}

impl TargetFolder {
    /// Makes it where it is missing.
    ///
    /// # Errors
    /// It cannot be made.
    pub(super) fn make(folder: &Path) -> Result<Self, Failure> {
        let above = folder.ancestors();
        let made = above
            .take_while(|one| *one != Path::new("") && !one.exists())
            .map(Path::to_owned)
            .collect();
        let target = Self { made };
        fs::create_dir_all(folder)
            .map_err(Failure::system(format!("cannot make {}", folder.display())))?;
        Ok(target)
    }
}

impl Drop for TargetFolder {
    fn drop(&mut self) {
        for folder in &self.made {
            // One that holds something stays.
            let _ = fs::remove_dir(folder);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NAMES: [&str; 3] = ["a.c", "b.c", "guard.h"];

    fn exchange(folder: &Path, text: &str) -> Exchange {
        let mut exchange = Exchange::default();
        exchange
            .guard(&folder.join("guard.h"), "stop", text)
            .unwrap();
        exchange.add(&folder.join("a.c"), text).unwrap();
        exchange.add(&folder.join("b.c"), text).unwrap();
        exchange
    }

    fn texts(folder: &Path) -> Vec<String> {
        NAMES
            .map(|name| fs::read_to_string(folder.join(name)).unwrap())
            .to_vec()
    }

    #[test]
    fn wherever_an_exchange_is_cut_off_no_mixture_passes_its_guard() {
        let folder = tempfile::tempdir().unwrap();
        exchange(folder.path(), "old").finish().unwrap();
        let names_given = exchange(folder.path(), "new").in_order().count();
        assert_eq!(names_given, 4);
        for cut in 0..=names_given {
            exchange(folder.path(), "old").finish().unwrap();
            for output in exchange(folder.path(), "new").in_order().take(cut) {
                output.finish().unwrap();
            }
            let texts = texts(folder.path());
            let whole = texts.iter().all(|text| *text == texts[0]);
            assert!(whole || texts[2] == "stop", "{cut} names: {texts:?}");
            assert_eq!(cut == 0, texts == ["old"; 3]);
            assert_eq!(cut == names_given, texts == ["new"; 3]);
        }
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 3);
    }

    #[test]
    fn what_cannot_be_written_whole_changes_nothing() {
        let folder = tempfile::tempdir().unwrap();
        exchange(folder.path(), "old").finish().unwrap();
        let mut half = exchange(folder.path(), "new");
        half.add(&folder.path().join("missing/c.c"), "new")
            .unwrap_err();
        drop(half);
        assert_eq!(texts(folder.path()), ["old"; 3]);
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 3);
    }

    #[test]
    fn new_files_take_no_name_that_is_taken() {
        let folder = tempfile::tempdir().unwrap();
        let mut exchange = Exchange::default();
        exchange.add(&folder.path().join("a.c"), "new").unwrap();
        fs::write(folder.path().join("a.c"), "mine").unwrap();
        exchange.finish_new().unwrap_err();
        let kept = fs::read_to_string(folder.path().join("a.c")).unwrap();
        assert_eq!(kept, "mine");
    }
}
