//! The microcontroller: which part it is, and what makes its clock.

use super::fields::{self, Fields};
use super::problems::Problems;
use super::yaml::{Entry, NodeKind};
use crate::diagnostic::Diagnostic;

/// What the rig says of its microcontroller.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct NamedController {
    /// The part, as its compiler names it; none where the player chooses.
    pub part: Option<String>,
    /// What makes its clock.
    pub clock_source: ClockSource,
    /// The input whose contact starts the program after any reset but power-on, by its number.
    pub start: Option<usize>,
    /// The inputs that select one of several programs, by their numbers: the first counts one,
    /// each further one twice as much as the one before.
    pub select: Vec<usize>,
}

/// What makes the clock of a microcontroller.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum ClockSource {
    /// A quartz crystal at its two pins.
    #[default]
    Crystal,
    /// A ceramic resonator at its two pins.
    Resonator,
    /// A clock signal from outside.
    External,
    /// Its own calibrated RC oscillator.
    Internal,
}

impl ClockSource {
    /// All of them.
    pub const ALL: [Self; 4] = [
        Self::Crystal,
        Self::Resonator,
        Self::External,
        Self::Internal,
    ];

    /// As a rig writes it.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Crystal => "crystal",
            Self::Resonator => "resonator",
            Self::External => "external",
            Self::Internal => "internal",
        }
    }
}

impl NamedController {
    /// `PART`, or `{ part: …, clock_source: …, start: … }`.
    pub(super) fn read(entry: Entry, inputs: &[&str], problems: &mut Problems) -> Option<Self> {
        if let NodeKind::Text(_) = &entry.value.kind {
            return match fields::text("controller", &entry.value) {
                Ok(part) => Some(Self {
                    part: Some(part.to_owned()),
                    ..Self::default()
                }),
                Err(problem) => {
                    problems.add(problem);
                    None
                }
            };
        }
        let mut fields = Fields::of("the controller", entry.key_place, entry.value, problems)?;
        let part = fields.text("part");
        let names = ClockSource::ALL.map(ClockSource::name);
        let source = fields.take("clock_source").and_then(|entry| {
            let chosen = fields.keep(fields::choice("clock_source", &entry, &names))?;
            ClockSource::ALL
                .into_iter()
                .find(|source| source.name() == chosen)
        });
        let start = fields.take("start");
        let start = start.and_then(|entry| fields.keep(fields::choice("start", &entry, inputs)));
        let select = fields.take("select");
        let select = select.map_or(Some(Vec::new()), |entry| {
            fields.keep(read_selection(&entry, inputs))
        });
        fields.finish();
        Some(Self {
            part,
            clock_source: source.unwrap_or_default(),
            start: start.and_then(|name| inputs.iter().position(|input| *input == name)),
            select: select.unwrap_or_default(),
        })
    }
}

/// Selecting inputs at most: a small part has no more programs than they tell apart.
const MOST_SELECTING: usize = 4;

/// `[NAME, …]`, each an input, none twice.
fn read_selection(entry: &Entry, inputs: &[&str]) -> Result<Vec<usize>, Diagnostic> {
    let wrong = |why: String| {
        entry
            .value
            .place
            .error("not-a-selection", why, "")
            .help("name inputs of the rig, such as `select: [left, right]`")
    };
    let NodeKind::List(nodes) = &entry.value.kind else {
        return Err(wrong("`select` takes a list of inputs".to_owned()));
    };
    if nodes.is_empty() || nodes.len() > MOST_SELECTING {
        return Err(wrong(format!(
            "`select` takes 1 to {MOST_SELECTING} inputs; {} given",
            nodes.len()
        )));
    }
    let mut select = Vec::new();
    for node in nodes {
        let name = fields::text("select", node)?;
        let found = inputs.iter().position(|input| *input == name);
        let number = found.ok_or_else(|| wrong(format!("the rig has no input `{name}`")))?;
        if select.contains(&number) {
            return Err(wrong(format!("`{name}` selects twice")));
        }
        select.push(number);
    }
    Ok(select)
}
