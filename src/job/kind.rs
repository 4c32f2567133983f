//! What a text holds, as far as its first line shows: a script, or YAML.

use std::path::{Path, PathBuf};

use crate::diagnostic::Source;
use crate::files::beside;
use crate::script::STATEMENTS;

/// What a text is, as far as its first line shows it, or else its name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TextKind {
    /// A script of moves.
    Script,
    /// YAML, as rigs and profiles are.
    Yaml,
}

impl TextKind {
    /// Of that text; none where nothing tells.
    pub fn of(source: &Source) -> Option<Self> {
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

/// Which part of a rig a text describes by itself.
pub(super) fn profile_of(source: &Source) -> Option<&'static str> {
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

/// The rig that a script names, whatever else is wrong with it.
pub(super) fn named_rig(script: &Source) -> Option<PathBuf> {
    let path = code_lines(script).find_map(|line| {
        let path = line.strip_prefix("rig")?.trim_start().strip_prefix('"')?;
        path.split('"').next()
    })?;
    Some(beside(script.path(), path))
}

/// The lines that hold more than a comment.
fn code_lines(source: &Source) -> impl Iterator<Item = &str> {
    let lines = source.text().lines().map(str::trim);
    lines.filter(|line| !line.is_empty() && !line.starts_with('#') && *line != "---")
}
