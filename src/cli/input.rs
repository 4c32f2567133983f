//! Reading a script and the rig it names.

use std::io::{self, Read};
use std::path::{Path, PathBuf};
use std::sync::{Arc, OnceLock};

use super::Failure;
use super::files::{FilesOnDisk, beside, read_source, why_unread};
use crate::check::AxisAbility;
use crate::diagnostic::{Diagnostic, Source};
use crate::physics::{Band, Effort};
use crate::plan::{self, Item, Program};
use crate::rig::{Files, Rig};
use crate::script::{Actions, STATEMENTS, Script};
use crate::simulate::Settler;

/// A script with its rig, ready to be planned as often as needed.
#[derive(Debug)]
pub struct Job {
    /// The script.
    pub script: Script,
    /// The rig that the script names.
    pub rig: Rig,
    abilities: OnceLock<Vec<AxisAbility>>,
    settler: Settler,
    /// The files that were read: script, rig, profiles.
    pub sources: Vec<Arc<Source>>,
}

impl Job {
    /// Reads the script at `path` (`-`: standard input) and its rig.
    ///
    /// # Errors
    /// A file cannot be read, or what is in it is wrong.
    pub fn load(path: &Path) -> Result<Self, Failure> {
        Self::load_noting(path, &mut |_| ())
    }

    /// The same; `note` is told each file before it is read, also where reading fails.
    ///
    /// # Errors
    /// A file cannot be read, or what is in it is wrong.
    pub fn load_noting(path: &Path, note: &mut dyn FnMut(&Path)) -> Result<Self, Failure> {
        note(path);
        let script = Script::parse(read_script(path)?)?;
        let Some((rig_path, span)) = script.rig() else {
            let end = script.source().text().len();
            return Err(Diagnostic::error(
                "rig-missing",
                "the script does not say which rig it is for",
            )
            .at(
                script.source(),
                crate::diagnostic::Span::new(0, end.min(1)),
                "",
            )
            .help("begin the script with a line such as: rig \"rig.yaml\"")
            .into());
        };
        let mut files = |path: &str, referrer: &str| {
            note(&beside(referrer, path));
            FilesOnDisk.open(path, referrer)
        };
        let rig_source = files(rig_path, script.source().name()).map_err(|error| {
            Diagnostic::error(
                "rig-unreadable",
                format!(
                    "the rig “{rig_path}” cannot be read: {}",
                    why_unread(&error)
                ),
            )
            .at(script.source(), span, "")
            .help("its path is relative to the script")
        })?;
        if Kind::of(&rig_source) == Some(Kind::Script) {
            let message = format!("“{rig_path}” is a script of moves, and a rig is needed here");
            return Err(Diagnostic::error("rig-unreadable", message)
                .at(script.source(), span, "")
                .into());
        }
        let read = Rig::parse(&rig_source, &mut files)?;
        let mut sources = vec![Arc::clone(script.source())];
        sources.extend(read.sources);
        Ok(Self {
            script,
            settler: Settler::of(&read.rig),
            rig: read.rig,
            abilities: OnceLock::new(),
            sources,
        })
    }

    /// The program, planned item by item.
    pub fn program(&self) -> Program<'_, Actions> {
        let bands = self
            .abilities()
            .iter()
            .map(|ability| ability.bands.iter().map(Band::with_clearance).collect());
        plan::program(&self.rig, self.script.source(), self.script.actions())
            .with_bands(bands.collect())
            .with_settling(&self.settler)
    }

    /// The items of the program, until the first error.
    pub fn items(&self) -> impl Iterator<Item = Result<Item, Failure>> {
        self.program().map(|item| item.map_err(Failure::from))
    }

    /// What the axes of the rig can do, worked out when it is first asked for.
    pub fn abilities(&self) -> &[AxisAbility] {
        self.abilities
            .get_or_init(|| abilities(&self.rig, Effort::Quick))
    }
}

/// Reads a rig by itself.
///
/// # Errors
/// The file cannot be read, or what is in it is wrong.
pub fn load_rig(path: &Path) -> Result<Rig, Failure> {
    let source = read(path)?;
    if Kind::of(&source) == Some(Kind::Script) {
        let named = named_rig(&source).map_or_else(String::new, |rig| {
            format!(": the one that it names is {}", rig.display())
        });
        return Err(Failure::Request(format!(
            "{} is a script of moves, and a rig is needed here{named}",
            source.name()
        )));
    }
    if let Some(part) = profile_of(&source) {
        let name = source.name();
        return Err(Failure::Request(format!(
            "{name} is the profile of a {part}, and a rig is needed here, which names it: `{part}: {name}`; \
             `slewsmith new DIR` writes one to start from"
        )));
    }
    Ok(Rig::parse(&source, &mut FilesOnDisk)?.rig)
}

/// Which part of a rig a text describes by itself.
fn profile_of(source: &Source) -> Option<&'static str> {
    let has = |key: &str| {
        let mut lines = source.text().lines();
        lines.any(|line| {
            line.strip_prefix(key)
                .is_some_and(|rest| rest.starts_with(':'))
        })
    };
    let parts = [
        ("motor", "phase_resistance"),
        ("drive", "kind"),
        ("timer", "clock"),
    ];
    let part = parts.into_iter().find(|(_, key)| has(key));
    part.filter(|_| !has("axes")).map(|(part, _)| part)
}

/// The text of a script.
///
/// # Errors
/// It cannot be read, or it is a rig.
pub(super) fn read_script(path: &Path) -> Result<Arc<Source>, Failure> {
    let source = read(path)?;
    if Kind::of(&source) != Some(Kind::Yaml) {
        return Ok(source);
    }
    let name = source.name();
    Err(Failure::Request(format!(
        "{name} is a rig, or a part of one, and a script of moves is needed here. `slewsmith motor RIG` tells \
         what a rig can do; a script begins by naming its rig: rig \"{name}\""
    )))
}

/// Whether the file at `path` holds a rig; standard input is taken for a script.
///
/// # Errors
/// It cannot be read.
pub(super) fn holds_rig(path: &Path) -> Result<bool, Failure> {
    if path == Path::new("-") {
        return Ok(false);
    }
    let source = read(path)?;
    Ok(Kind::of(&source) == Some(Kind::Yaml))
}

/// What a text is, as far as its first line shows it, or else its name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    /// A script of moves.
    Script,
    /// YAML, as rigs and profiles are.
    Yaml,
}

impl Kind {
    fn of(source: &Source) -> Option<Self> {
        let first = code_lines(source).next().unwrap_or_default();
        let word = first.trim_start_matches(['{', '"', '\'', ' ']);
        let end = word.find(|c: char| !(c.is_alphanumeric() || c == '_'));
        let (word, behind) = word.split_at(end.unwrap_or(word.len()));
        if behind.trim_start_matches(['"', '\'', ' ']).starts_with(':') {
            return Some(Self::Yaml);
        }
        if STATEMENTS.contains(&word) {
            return Some(Self::Script);
        }
        let ending = Path::new(source.name()).extension()?;
        match ending.to_str()? {
            "yaml" | "yml" => Some(Self::Yaml),
            "moves" => Some(Self::Script),
            _ => None,
        }
    }
}

/// The lines that hold more than a comment.
fn code_lines(source: &Source) -> impl Iterator<Item = &str> {
    let lines = source.text().lines().map(str::trim);
    lines.filter(|line| !line.is_empty() && !line.starts_with('#') && *line != "---")
}

/// The rig that a script names, whatever else is wrong with it.
fn named_rig(script: &Source) -> Option<PathBuf> {
    let path = code_lines(script).find_map(|line| {
        let path = line.strip_prefix("rig")?.trim_start().strip_prefix('"')?;
        path.split('"').next()
    })?;
    Some(beside(script.name(), path))
}

/// What the axes of `rig` can do.
pub fn abilities(rig: &Rig, effort: Effort) -> Vec<AxisAbility> {
    rig.axes
        .iter()
        .map(|axis| AxisAbility::of(axis, effort))
        .collect()
}

/// The text at `path`; `-` is standard input.
///
/// # Errors
/// It cannot be read.
pub(super) fn read(path: &Path) -> Result<Arc<Source>, Failure> {
    let unreadable = |error: io::Error| match error.kind() {
        io::ErrorKind::NotFound | io::ErrorKind::InvalidData | io::ErrorKind::IsADirectory => {
            Failure::Request(format!(
                "{} cannot be read: {}",
                path.display(),
                why_unread(&error)
            ))
        }
        _ => Failure::System {
            what: format!("cannot read {}", path.display()),
            error,
        },
    };
    if path == Path::new("-") {
        let mut text = String::new();
        io::stdin().read_to_string(&mut text).map_err(unreadable)?;
        return Ok(Source::new("standard input", text));
    }
    read_source(path).map_err(unreadable)
}
