//! The drive: how the phases are fed.

use std::sync::Arc;

use super::ballast::Ballast;
use super::chopping::Chopping;
use super::fields::{self, Bounds, Fields, Written};
use super::lines::DriveLines;
use super::problems::Problems;
use super::profile::{self, NoFiles, Profiles};
use super::rests::{self, Rest};
use super::yaml::{Entry, NodeKind};
use crate::diagnostic::{Diagnostics, Source};
use crate::units::{Current, Fraction, Resistance, Voltage};

/// What feeds the phases.
#[derive(Debug, Clone, PartialEq)]
pub struct Drive {
    /// Which kind, with what only that kind has.
    pub kind: DriveKind,
    /// Supply voltage.
    pub supply: Voltage,
    /// Resistance of the switches in series with a phase (zero where not given).
    pub switch_resistance: Resistance,
    /// Ballast resistors, where there are any.
    pub ballast: Option<Ballast>,
    /// How the bridge of a chopper switches, where the rig says it.
    pub chopping: Option<Chopping>,
    /// What the microstep currents make up for, if anything.
    pub correction: Option<Correction>,
    /// Share of the running current that flows at standstill (1 where not given).
    pub hold_current: f64,
    /// Sense resistor of one phase, where there is one.
    pub sense_resistor: Option<Resistance>,
    /// What turns codes into microstep currents, where the rig describes it.
    pub converter: Option<Converter>,
    /// Its lines to the microcontroller.
    pub lines: DriveLines,
}

/// The kinds of drive.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum DriveKind {
    /// The supply is switched on and off across the phases; nothing regulates.
    FixedVoltage {
        /// In which order the phases are switched.
        sequence: Sequence,
    },
    /// A linear source regulates each phase's current; its transistors take the rest
    /// of the supply as heat.
    LinearCurrent {
        /// Amplitude of the sine of phase current.
        peak_current: Current,
        /// Microsteps a full step.
        microsteps: u32,
    },
    /// A chopper regulates each phase's current.
    Chopper {
        /// Amplitude of the sine of phase current.
        peak_current: Current,
        /// Microsteps a full step.
        microsteps: u32,
    },
}

/// Sequences of a fixed-voltage drive.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Sequence {
    /// One phase on at a time.
    Wave,
    /// Both phases on all the time.
    TwoPhase,
    /// One and two phases on in turn.
    HalfStep,
}

/// What microstep currents make up for.
#[derive(Debug, Clone, PartialEq)]
pub enum Correction {
    /// The detent torque that the motor gives.
    Detent,
    /// What keeps the motor from where its microsteps should rest: it was measured at the peak
    /// current, with the currents of a plain sine. This holds the detent torque as well.
    Measured(Vec<Rest>),
}

/// The corrections that a rig writes as a word.
const CORRECTIONS: [&str; 1] = ["detent"];

/// A digital-to-analogue converter that sets the microstep currents through the
/// sense resistor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Converter {
    /// Resolution in bits.
    pub bits: u32,
    /// Full-scale reference.
    pub reference: Voltage,
    /// Gain between the sense resistor and the comparison.
    pub sense_gain: f64,
}

impl Drive {
    /// Microsteps a full step that the drive makes: one for full-step sequences, two
    /// for half-step, what is asked for where the current is regulated.
    pub fn microsteps(&self) -> u32 {
        match self.kind {
            DriveKind::FixedVoltage { sequence } => sequence.microsteps(),
            DriveKind::LinearCurrent { microsteps, .. } | DriveKind::Chopper { microsteps, .. } => {
                microsteps
            }
        }
    }

    /// What each phase has of ballast in series (Ω).
    pub fn ballast_in_series(&self) -> f64 {
        self.ballast
            .map_or(0.0, |ballast| ballast.in_series(self.kind))
    }

    /// The amplitude that is asked for, where there is a regulator;
    /// [`Axis::amplitude`](super::Axis::amplitude) says what of it flows.
    pub fn peak_current(&self) -> Option<Current> {
        match self.kind {
            DriveKind::FixedVoltage { .. } => None,
            DriveKind::LinearCurrent { peak_current, .. }
            | DriveKind::Chopper { peak_current, .. } => Some(peak_current),
        }
    }
}

/// The kinds as a rig writes them.
const KINDS: [&str; 3] = ["fixed-voltage", "linear-current", "chopper"];

/// The sequences as a rig writes them.
const SEQUENCES: [(&str, Sequence); 3] = [
    ("wave", Sequence::Wave),
    ("two-phase", Sequence::TwoPhase),
    ("half-step", Sequence::HalfStep),
];

impl Sequence {
    /// As a rig writes it.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Wave => SEQUENCES[0].0,
            Self::TwoPhase => SEQUENCES[1].0,
            Self::HalfStep => SEQUENCES[2].0,
        }
    }

    /// Microsteps a full step.
    pub const fn microsteps(self) -> u32 {
        match self {
            Self::Wave | Self::TwoPhase => 1,
            Self::HalfStep => 2,
        }
    }
}

impl DriveKind {
    /// As a rig writes it.
    pub const fn name(&self) -> &'static str {
        match self {
            Self::FixedVoltage { .. } => KINDS[0],
            Self::LinearCurrent { .. } => KINDS[1],
            Self::Chopper { .. } => KINDS[2],
        }
    }

    /// Whether its transistors turn what the motor leaves of the supply into heat.
    pub const fn burns_the_rest(&self) -> bool {
        match self {
            Self::LinearCurrent { .. } => true,
            Self::FixedVoltage { .. } | Self::Chopper { .. } => false,
        }
    }
}

impl Drive {
    /// The converter that sets the phase currents, with its sense resistor.
    pub fn current_setter(&self) -> Option<(Converter, Resistance)> {
        self.converter.zip(self.sense_resistor)
    }

    /// Reads a drive's profile.
    ///
    /// # Errors
    /// Everything that is wrong with it, each with its place.
    pub fn parse(source: &Arc<Source>) -> Result<Self, Diagnostics> {
        let mut problems = Problems::default();
        let (place, entries) = profile::entries("the drive", source)?;
        let mut files = NoFiles;
        let mut profiles = Profiles::new(&mut files);
        let fields = Fields::new("the drive", place, entries, &mut problems);
        let drive = Self::read(fields, &mut profiles);
        problems.finish(drive.map(|(drive, _)| drive))
    }

    /// The drive, and how its values are written.
    pub(super) fn read(
        mut fields: Fields<'_>,
        profiles: &mut Profiles<'_>,
    ) -> Option<(Self, Written)> {
        // A profile says what it is and where its numbers come from.
        fields.text("name");
        fields.text("source");
        let kind = read_kind(&mut fields);
        let supply = fields.required("supply", Bounds::positive(0.1, 1e3));
        let switch_resistance = fields.or(
            "switch_resistance",
            Bounds::up_to(1e4),
            Resistance::default(),
        );
        let ballast = Ballast::read(&mut fields);
        if let (Some((ballast, place)), Some(kind)) = (&ballast, kind) {
            ballast.suits(place, kind, &mut fields);
        }
        let chopping = Chopping::read(&mut fields, kind);
        let correction = read_correction(&mut fields, kind, profiles);
        let hold_current = fields.or("hold_current", Bounds::up_to(1.0), Fraction::new(1.0));
        let sense_resistor = fields.optional("sense_resistor", Bounds::positive(1e-4, 1e3));
        let converter = read_converter(&mut fields, sense_resistor);
        let lines = DriveLines::read(&mut fields, converter.map(|converter| converter.bits));
        let written = fields.finish();
        let drive = Self {
            kind: kind?,
            supply: supply?,
            switch_resistance,
            ballast: ballast.map(|(ballast, _)| ballast),
            chopping,
            correction,
            hold_current: hold_current.si(),
            sense_resistor,
            converter,
            lines,
        };
        Some((drive, written))
    }
}

fn read_kind(fields: &mut Fields<'_>) -> Option<DriveKind> {
    let entry = fields.need("kind", "…");
    let sequence = fields.take("sequence");
    let peak_current = fields.take("peak_current");
    let microsteps = fields.take("microsteps");
    let kind = fields.keep(fields::choice("kind", &entry?, &KINDS))?;
    if kind == KINDS[0] {
        refuse(fields, kind, [peak_current, microsteps]);
        let names = SEQUENCES.map(|(name, _)| name);
        let Some(sequence) = sequence else {
            fields.missing("sequence", "…");
            return None;
        };
        let chosen = fields.keep(fields::choice("sequence", &sequence, &names))?;
        let (_, sequence) = SEQUENCES.iter().find(|(name, _)| *name == chosen)?;
        return Some(DriveKind::FixedVoltage {
            sequence: *sequence,
        });
    }
    refuse(fields, kind, [sequence, None]);
    if peak_current.is_none() {
        fields.missing_quantity::<Current>("peak_current");
    }
    if microsteps.is_none() {
        fields.missing("microsteps", "…");
    }
    let bounds = Bounds::positive(1e-4, 100.0);
    let peak_current = peak_current
        .and_then(|entry| fields.keep(fields::quantity("peak_current", &entry.value, bounds)));
    let microsteps = microsteps
        .and_then(|entry| fields.keep(fields::whole("microsteps", &entry.value, 1..=256)));
    let (peak_current, microsteps) = (peak_current?, microsteps?);
    Some(if kind == KINDS[1] {
        DriveKind::LinearCurrent {
            peak_current,
            microsteps,
        }
    } else {
        DriveKind::Chopper {
            peak_current,
            microsteps,
        }
    })
}

/// What the currents make up for; only where they are regulated.
fn read_correction(
    fields: &mut Fields<'_>,
    kind: Option<DriveKind>,
    profiles: &mut Profiles<'_>,
) -> Option<Correction> {
    let entry = fields.take("correction")?;
    if let Some(kind @ DriveKind::FixedVoltage { .. }) = kind {
        refuse(fields, kind.name(), [Some(entry), None]);
        return None;
    }
    let NodeKind::Table(_) = entry.value.kind else {
        fields.keep(fields::choice("correction", &entry, &CORRECTIONS))?;
        return Some(Correction::Detent);
    };
    let place = entry.key_place;
    let mut table = Fields::of("the correction", place, entry.value, fields.problems())?;
    let named = table.need("measured", "rests.csv");
    table.finish();
    let named = named?.value;
    let rests = fields::text("measured", &named).and_then(|path| {
        let source = profiles.open(path, &named.place)?;
        rests::parse(source.text()).map_err(|error| {
            let message = format!("“{path}” is no table of rests: {error}");
            let problem = named.place.error("not-rests", message, "named here");
            problem.help(
                "write a csv of two columns, the commanded microstep and the angle of the motor's shaft in degrees, \
                 over one electrical cycle (four full steps) or more",
            )
        })
    });
    fields.keep(rests).map(Correction::Measured)
}

/// Says that a field belongs to drives of another kind.
pub(super) fn refuse(fields: &mut Fields<'_>, kind: &str, entries: [Option<Entry>; 2]) {
    for entry in entries.into_iter().flatten() {
        let belongs = match entry.key.as_str() {
            "sequence" => "a fixed-voltage drive",
            "chopping" => "a chopper",
            _ => "a drive that regulates the current",
        };
        fields.problem(
            entry
                .key_place
                .error(
                    "not-for-this-drive",
                    format!("a {kind} drive has no `{}`", entry.key),
                    format!("is a key of {belongs}"),
                )
                .help(format!(
                    "leave it out, or choose a `kind` other than {kind}"
                )),
        );
    }
}

/// Whether an entry that is a table of keys and values holds a single value; says what to `write`
/// then.
pub(super) fn is_single(
    fields: &mut Fields<'_>,
    entry: &Entry,
    write: impl Fn(&str) -> String,
) -> bool {
    let NodeKind::Text(text) = &entry.value.kind else {
        return false;
    };
    let problem = entry.value.place.error(
        "not-a-table",
        format!("`{}` is a table of keys and values", entry.key),
        "this is a single value",
    );
    let help = format!("write `{}: {{ {} }}`", entry.key, write(text));
    fields.problem(problem.help(help));
    true
}

/// The converter, which is there when one of its fields is.
fn read_converter(
    fields: &mut Fields<'_>,
    sense_resistor: Option<Resistance>,
) -> Option<Converter> {
    let keys = ["sense_gain", "converter_bits", "converter_reference"];
    if !keys.iter().any(|key| fields.has(key)) {
        fields.offer(&keys);
        return None;
    }
    let has_bits = fields.has("converter_bits");
    let has_reference = fields.has("converter_reference");
    let gain: Option<Fraction> = fields.optional("sense_gain", Bounds::positive(1e-3, 1e5));
    let bits = fields.whole("converter_bits", 1..=24);
    let reference: Option<Voltage> =
        fields.optional("converter_reference", Bounds::positive(1e-3, 100.0));
    if !has_bits {
        fields.missing("converter_bits", "…");
    }
    if !has_reference {
        fields.missing_quantity::<Voltage>("converter_reference");
    }
    if sense_resistor.is_none() {
        fields.missing_quantity::<Resistance>("sense_resistor");
    }
    Some(Converter {
        bits: bits?,
        reference: reference?,
        sense_gain: gain.map_or(1.0, Fraction::si),
    })
}
