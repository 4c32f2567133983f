//! Parts kept in files of their own: a motor, a drive or a board that many rigs share.
//!
//! A part is written out in the rig, or named by the path of its profile, or both:
//! `{ profile: path, KEY: VALUE }` takes the profile and puts its own values first.

use std::io;
use std::path::Path;
use std::sync::Arc;

use super::fields::{self, Fields};
use super::problems::{Place, Problems};
use super::yaml::{self, Entry, Node, NodeKind};
use crate::diagnostic::{Diagnostic, Source, Span};

/// Where profiles come from. Whoever reads a rig decides what a path means; usually it
/// is relative to the file that names it.
pub trait Files {
    /// The text that `path` names in the file at `referrer`.
    ///
    /// # Errors
    /// Whatever keeps the file from being read.
    fn open(&mut self, path: &str, referrer: &Path) -> io::Result<Arc<Source>>;
}

impl<F: FnMut(&str, &Path) -> io::Result<Arc<Source>>> Files for F {
    fn open(&mut self, path: &str, referrer: &Path) -> io::Result<Arc<Source>> {
        self(path, referrer)
    }
}

/// For rigs that name no profile: there is no file at all.
#[derive(Debug, Clone, Copy, Default)]
pub struct NoFiles;

impl Files for NoFiles {
    fn open(&mut self, _: &str, _: &Path) -> io::Result<Arc<Source>> {
        Err(io::Error::from(io::ErrorKind::NotFound))
    }
}

/// A motor of which some values are its own and the others those of a profile.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BorrowedMotor {
    /// The profile's file, without folder and ending.
    pub profile: String,
    /// Keys that the rig gives itself.
    pub own: Vec<String>,
    /// Keys that are the profile's.
    pub borrowed: Vec<String>,
}

/// What a motor is called among the parts.
pub(crate) const MOTOR: &str = "the motor";

/// Keys that say nothing about what a motor does.
const WORDS: [&str; 4] = ["name", "source", "tolerances", "guessed"];

impl BorrowedMotor {
    /// Where both sides have values that matter.
    fn of(path: &str, own: &[Entry], borrowed: &[Entry]) -> Option<Self> {
        let keys = |entries: &[Entry]| -> Vec<String> {
            let keys = entries.iter().map(|entry| entry.key.clone());
            keys.filter(|key| !WORDS.contains(&key.as_str())).collect()
        };
        let (own, borrowed) = (keys(own), keys(borrowed));
        let stem = Path::new(path).file_stem().unwrap_or_default();
        (!own.is_empty() && !borrowed.is_empty()).then(|| Self {
            profile: stem.to_string_lossy().into_owned(),
            own,
            borrowed,
        })
    }
}

/// Takes out of a motor's `tolerances` and `guessed` what the rig gives itself.
fn forget_what_is_replaced(entry: &mut Entry, own: &[Entry]) {
    // The torque constant is the holding torque over the rated current.
    let replaced = |key: &str| {
        let of = |known: &str| own.iter().any(|mine| mine.key == known);
        of(key) || (key == "torque_constant" && (of("holding_torque") || of("rated_current")))
    };
    match (entry.key.as_str(), &mut entry.value.kind) {
        ("tolerances", NodeKind::Table(values)) => values.retain(|value| !replaced(&value.key)),
        ("guessed", NodeKind::List(items)) => {
            items.retain(|item| !matches!(&item.kind, NodeKind::Text(key) if replaced(key)));
        }
        _ => {}
    }
}

/// The profiles opened so far, each once.
pub(crate) struct Profiles<'f> {
    files: &'f mut dyn Files,
    opened: Vec<(String, Arc<Source>)>,
    motors: Vec<BorrowedMotor>,
}

impl<'f> Profiles<'f> {
    pub(crate) fn new(files: &'f mut dyn Files) -> Self {
        Self {
            files,
            opened: Vec::new(),
            motors: Vec::new(),
        }
    }

    /// The motors that borrow values, each kind once.
    pub(crate) fn take_motors(&mut self) -> Vec<BorrowedMotor> {
        std::mem::take(&mut self.motors)
    }

    /// The texts read, in the order in which they were first named.
    pub(crate) fn into_sources(self) -> impl Iterator<Item = Arc<Source>> {
        self.opened.into_iter().map(|(_, source)| source)
    }

    /// The text of a file that is named at `place`.
    pub(crate) fn open(&mut self, path: &str, place: &Place) -> Result<Arc<Source>, Diagnostic> {
        if let Some((_, source)) = self.opened.iter().find(|(name, _)| name == path) {
            return Ok(Arc::clone(source));
        }
        let source = self
            .files
            .open(path, place.source.path())
            .map_err(|error| unreadable(path, place, &error))?;
        self.opened.push((path.to_owned(), Arc::clone(&source)));
        Ok(source)
    }

    /// The fields of a part, wherever they are written.
    pub(crate) fn part<'p>(
        &mut self,
        what: &'static str,
        entry: Entry,
        problems: &'p mut Problems,
    ) -> Option<Fields<'p>> {
        let (place, entries) = match entry.value.kind {
            NodeKind::Text(path) => self.read(what, &path, &entry.value.place, problems)?,
            NodeKind::Table(own) => self.overlay(what, entry.key_place, own, problems)?,
            NodeKind::Nothing | NodeKind::List(_) => {
                problems.add(
                    entry
                        .value
                        .place
                        .error(
                            "not-a-part",
                            format!("{what} must be the path of a profile, or a table of values"),
                            "this is neither",
                        )
                        .help(format!("write `{0}: path/of/{0}.yaml`", entry.key)),
                );
                return None;
            }
        };
        Some(Fields::new(what, place, entries, problems))
    }

    /// The table's own entries, then those of its profile that it does not have.
    fn overlay(
        &mut self,
        what: &'static str,
        place: Place,
        mut own: Vec<Entry>,
        problems: &mut Problems,
    ) -> Option<(Place, Vec<Entry>)> {
        let Some(at) = own.iter().position(|entry| entry.key == "profile") else {
            return Some((place, own));
        };
        let named = own.remove(at).value;
        let path = fields::text("profile", &named)
            .map_err(|problem| problems.add(problem))
            .ok()?;
        let (place, mut entries) = self.read(what, path, &named.place, problems)?;
        // The two ways to give the teeth are one value.
        let twin = |key: &str| match key {
            "rotor_teeth" => "step_angle",
            "step_angle" => "rotor_teeth",
            _ => "",
        };
        entries.retain(|entry| {
            !own.iter()
                .any(|mine| mine.key == entry.key || twin(&mine.key) == entry.key)
        });
        if what == MOTOR {
            for entry in &mut entries {
                forget_what_is_replaced(entry, &own);
            }
            let borrowed = BorrowedMotor::of(path, &own, &entries);
            let is_new = |motor: &BorrowedMotor| !self.motors.contains(motor);
            self.motors.extend(borrowed.filter(is_new));
        }
        own.append(&mut entries);
        Some((place, own))
    }

    /// The entries of a profile.
    fn read(
        &mut self,
        what: &'static str,
        path: &str,
        place: &Place,
        problems: &mut Problems,
    ) -> Option<(Place, Vec<Entry>)> {
        self.open(path, place)
            .and_then(|source| entries(what, &source))
            .map_err(|problem| problems.add(problem))
            .ok()
    }
}

/// The entries of a profile's text, and the place to speak of when one is missing.
pub(crate) fn entries(
    what: &'static str,
    source: &Arc<Source>,
) -> Result<(Place, Vec<Entry>), Diagnostic> {
    let node = yaml::read(source)?;
    let entries = table(what, node)?;
    if let Some(named) = entries.iter().find(|entry| entry.key == "profile") {
        return Err(named
            .key_place
            .error(
                "nested-profile",
                "a profile cannot refer to another one",
                "refers to a file",
            )
            .help("write the values out in this profile"));
    }
    let place = entries
        .first()
        .map_or_else(|| start(source), |entry| entry.key_place.clone());
    Ok((place, entries))
}

/// The start of a text.
pub(crate) fn start(source: &Arc<Source>) -> Place {
    Place {
        source: Arc::clone(source),
        span: Span::new(0, 0),
    }
}

/// The entries of a whole file, which has to hold a table.
pub(crate) fn table(what: &str, node: Node) -> Result<Vec<Entry>, Diagnostic> {
    match node.kind {
        NodeKind::Table(entries) => Ok(entries),
        NodeKind::Nothing => Err(start(&node.place.source)
            .error("empty-file", format!("the file of {what} is empty"), "")
            .help("write `key: value`, one a line")),
        NodeKind::Text(_) | NodeKind::List(_) => Err(node
            .place
            .error(
                "not-a-table",
                format!("the file of {what} must be a table of keys and values"),
                "this is none",
            )
            .help("write `key: value`, one a line")),
    }
}

pub(crate) fn unreadable(path: &str, place: &Place, error: &io::Error) -> Diagnostic {
    match error.kind() {
        io::ErrorKind::NotFound => place
            .error(
                "missing-file",
                format!("file “{path}” does not exist"),
                "named here",
            )
            .help("paths are relative to the file that names them"),
        _ => place.error(
            "unreadable-file",
            format!("“{path}” cannot be read: {error}"),
            "named here",
        ),
    }
}
