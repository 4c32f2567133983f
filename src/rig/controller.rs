//! The microcontroller: which part it is, and what makes its clock.

use super::fields::{self, Fields};
use super::problems::Problems;
use super::yaml::{Entry, NodeKind};

/// What the rig says of its microcontroller.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct NamedController {
    /// The part, as its compiler names it; none where the player chooses.
    pub part: Option<String>,
    /// What makes its clock.
    pub clock_source: ClockSource,
    /// The input whose contact starts the program after any reset but power-on, by its number.
    pub start: Option<usize>,
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
        fields.finish();
        Some(Self {
            part,
            clock_source: source.unwrap_or_default(),
            start: start.and_then(|name| inputs.iter().position(|input| *input == name)),
        })
    }
}
