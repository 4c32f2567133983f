//! A rig's own file: axes, timer, controller, outputs and inputs.

use std::sync::Arc;

use super::fields::{self, Fields, Written};
use super::names::name;
use super::plausible;
use super::problems::{Place, Problems};
use super::profile::{self, BorrowedMotor, Files, Profiles};
use super::rests;
use super::yaml::{self, Entry, Node, NodeKind};
use super::{
    ActiveLevel, Axis, AxisTolerances, Correction, Drive, Limits, Load, Motor, NamedController,
    Pin, Rig, Timer,
};
use crate::diagnostic::{Diagnostics, Source};

/// More axes or pins than this are a mistake.
const MOST_NAMED: usize = 64;

/// A rig and what it was read from.
#[derive(Debug, Clone, PartialEq)]
pub struct ReadRig {
    /// The rig.
    pub rig: Rig,
    /// Every text that was read: the rig's own, then the profiles in the order in
    /// which they are first named.
    pub sources: Vec<Arc<Source>>,
    /// Motors of which some values are those of a profile.
    pub borrowed: Vec<BorrowedMotor>,
}

impl Rig {
    /// Reads a rig; `files` hands out the profiles that it names.
    ///
    /// # Errors
    /// Everything that is wrong with the rig and its profiles, up to 20 problems, each
    /// with its place and what to write instead.
    pub fn parse(source: &Arc<Source>, files: &mut dyn Files) -> Result<ReadRig, Diagnostics> {
        let mut problems = Problems::default();
        let mut profiles = Profiles::new(files);
        let entries = profile::table("the rig", yaml::read(source)?)?;
        let fields = Fields::new("the rig", profile::start(source), entries, &mut problems);
        let rig = read_rig(fields, &mut profiles);
        let borrowed = profiles.take_motors();
        let mut sources = vec![Arc::clone(source)];
        sources.extend(profiles.into_sources());
        problems.finish(rig.map(|rig| ReadRig {
            rig,
            sources,
            borrowed,
        }))
    }
}

fn read_rig(mut fields: Fields<'_>, profiles: &mut Profiles<'_>) -> Option<Rig> {
    let axes = fields.need("axes", "{ NAME: { motor: …, drive: … } }");
    let axes = axes.and_then(|entry| read_axes(entry, profiles, fields.problems()));
    let timer = fields.need("timer", "{ clock: … MHz }");
    let timer = timer
        .and_then(|entry| profiles.part("the timer", entry, fields.problems()))
        .and_then(Timer::read);
    let controller = fields.take("controller");
    let mut pins = |key, what, usual| {
        let entry = fields.take(key)?;
        read_pins(what, entry, usual, fields.problems())
    };
    let outputs = pins("outputs", "`outputs`", ActiveLevel::High);
    // A contact to ground.
    let inputs = pins("inputs", "`inputs`", ActiveLevel::Low);
    let (outputs, inputs) = (outputs.unwrap_or_default(), inputs.unwrap_or_default());
    refuse_shared_pins(&outputs, &inputs, fields.problems());
    let names: Vec<&str> = inputs.iter().map(|(pin, _)| pin.name.as_str()).collect();
    let controller = match controller {
        None => Some(NamedController::default()),
        Some(entry) => NamedController::read(entry, &names, fields.problems()),
    };
    fields.finish();
    let bare = |pins: Vec<(Pin, Option<Place>)>| pins.into_iter().map(|(pin, _)| pin).collect();
    Some(Rig {
        axes: axes?,
        timer: timer?,
        controller: controller?,
        outputs: bare(outputs),
        inputs: bare(inputs),
    })
}

/// The entries of a table of named things, each name a word, none twice.
fn named(what: &'static str, entry: Entry, problems: &mut Problems) -> Option<Vec<Entry>> {
    let place = entry.key_place.clone();
    let mut fields = Fields::of(what, place, entry.value, problems)?;
    let entries = fields.take_all();
    if entries.len() > MOST_NAMED {
        fields.problem(fields.place().error(
            "too-many",
            format!("{what} holds more than {MOST_NAMED} names"),
            "",
        ));
        return None;
    }
    Some(entries)
}

fn read_axes(
    entry: Entry,
    profiles: &mut Profiles<'_>,
    problems: &mut Problems,
) -> Option<Vec<Axis>> {
    let place = entry.key_place.clone();
    let entries = named("`axes`", entry, problems)?;
    if entries.is_empty() {
        problems.add(
            place
                .error("no-axis", "the rig has no axis", "nothing is named here")
                .help("name one: `axes: { table: { motor: …, drive: … } }`"),
        );
        return None;
    }
    let axes: Vec<Option<Axis>> = entries
        .into_iter()
        .map(|entry| read_axis(entry, profiles, problems))
        .collect();
    axes.into_iter().collect()
}

fn read_axis(entry: Entry, profiles: &mut Profiles<'_>, problems: &mut Problems) -> Option<Axis> {
    let name = name(&entry).map_err(|problem| problems.add(problem)).ok();
    let place = entry.key_place.clone();
    let mut fields = Fields::of("the axis", entry.key_place, entry.value, problems)?;
    let motor = fields
        .need("motor", "…")
        .and_then(|entry| profiles.part(profile::MOTOR, entry, fields.problems()))
        .and_then(Motor::read);
    let drive = fields
        .need("drive", "…")
        .and_then(|entry| profiles.part("the drive", entry, fields.problems()))
        .and_then(|drive| Drive::read(drive, profiles));
    let load = match fields.take("load") {
        None => Some((Load::NONE, Written::default())),
        Some(entry) => Fields::of("the load", entry.key_place, entry.value, fields.problems())
            .and_then(Load::read),
    };
    let linear = load.as_ref().is_some_and(|(load, _)| load.linear.is_some());
    let limits = match fields.take("limits") {
        None => Some(Limits::NONE),
        Some(entry) if load.is_some() => {
            let place = entry.key_place;
            Fields::of("`limits`", place, entry.value, fields.problems())
                .map(|fields| Limits::read(fields, linear))
        }
        Some(_) => None,
    };
    let tolerances = fields
        .take("tolerances")
        .map(|entry| AxisTolerances::read(entry, fields.problems()));
    let home = fields.take("home");
    let must_home = home.is_some_and(|entry| {
        let chosen = fields::choice("home", &entry, &["required"]);
        fields.keep(chosen).is_some()
    });
    fields.finish();
    let ((motor, of_motor), (drive, of_drive), (load, of_load)) = (motor?, drive?, load?);
    let axis = Axis {
        name: name?,
        motor,
        drive,
        load,
        limits: limits?,
        tolerances: tolerances.unwrap_or(AxisTolerances::NONE),
        must_home,
    };
    refuse_correction(
        &axis,
        of_drive
            .of("correction")
            .map_or(&place, |value| &value.place),
        problems,
    );
    plausible::ask_about_axis(&axis, [&of_motor, &of_drive, &of_load], &place, problems);
    Some(axis)
}

/// Refuses a correction for which the axis says too little.
fn refuse_correction(axis: &Axis, place: &Place, problems: &mut Problems) {
    let motor = &axis.motor;
    match (&axis.drive.correction, motor.detent_torque) {
        (Some(Correction::Detent), None) => problems.add(
            place
                .error(
                    "correction-without-detent",
                    "`correction: detent` requires the motor's `detent_torque`",
                    "the motor does not give it",
                )
                .help(
                    "add `detent_torque` as measured on your own motor, or leave `correction` out",
                ),
        ),
        (Some(Correction::Measured(rests)), _) => {
            let microsteps = axis.drive.microsteps();
            if let Some(fault) = rests::fault(rests, motor.rotor_teeth, microsteps) {
                let message = format!("the table of `correction` does not do: {fault}");
                problems.add(place.error("not-rests", message, "").help(
                    "measure every microstep of four full steps, at this setting of `microsteps`, in degrees of the \
                     motor's shaft that rise with the microsteps",
                ));
            }
        }
        (Some(Correction::Detent), Some(_)) | (None, _) => {}
    }
}

/// Pins with the places at which the board's pins are named.
fn read_pins(
    what: &'static str,
    entry: Entry,
    usual: ActiveLevel,
    problems: &mut Problems,
) -> Option<Vec<(Pin, Option<Place>)>> {
    let entries = named(what, entry, problems)?;
    let mut pins = Vec::with_capacity(entries.len());
    for entry in entries {
        let Some(name) = name(&entry).map_err(|problem| problems.add(problem)).ok() else {
            continue;
        };
        if let Some((pin, active, place)) = read_pin(entry, usual, problems) {
            pins.push((Pin { name, pin, active }, place));
        }
    }
    Some(pins)
}

/// `{ pin: PB1, active: low }`, or only `PB1`, or nothing.
fn read_pin(
    entry: Entry,
    usual: ActiveLevel,
    problems: &mut Problems,
) -> Option<(Option<String>, ActiveLevel, Option<Place>)> {
    let Entry {
        key_place, value, ..
    } = entry;
    let (node, active): (Option<Node>, _) = match value.kind {
        NodeKind::Text(_) => (Some(value), usual),
        _ => {
            let mut fields = Fields::of("the pin", key_place, value, problems)?;
            let pin = fields.take("pin").map(|entry| entry.value);
            let active = ActiveLevel::read(&mut fields, "active", usual);
            fields.finish();
            (pin, active)
        }
    };
    let Some(node) = node else {
        return Some((None, active, None));
    };
    match fields::text("pin", &node) {
        Ok(pin) => Some((Some(pin.to_owned()), active, Some(node.place.clone()))),
        Err(problem) => {
            problems.add(problem.help("write the board's name for it, such as `pin: PB1`"));
            None
        }
    }
}

fn refuse_shared_pins(
    outputs: &[(Pin, Option<Place>)],
    inputs: &[(Pin, Option<Place>)],
    problems: &mut Problems,
) {
    let placed: Vec<(&str, &str, &Place)> = outputs
        .iter()
        .chain(inputs)
        .filter_map(|(pin, place)| Some((pin.pin.as_deref()?, pin.name.as_str(), place.as_ref()?)))
        .collect();
    for (index, (pin, _, place)) in placed.iter().enumerate() {
        let Some((_, holder, first)) = placed[..index].iter().find(|(other, ..)| other == pin)
        else {
            continue;
        };
        problems.add(
            place
                .error(
                    "pin-taken",
                    format!("pin {pin} is already used by `{holder}`"),
                    "again here",
                )
                .at(&first.source, first.span, "first here")
                .help("give each output and input a pin of its own"),
        );
    }
}
