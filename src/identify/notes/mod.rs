//! The notes of a bench: YAML with what was measured, read into observations.
//!
//! Every key holds one measurement or a list of them; a single value is short for
//! `{ value: … }`. Each takes `tolerance`, the share within which it is trusted (95 %), and
//! `with`, a word on the instrument. The keys:
//!
//! | key | ways |
//! | --- | --- |
//! | `rotor_teeth`, `step_angle`, `full_steps_a_turn` | counted |
//! | `frame`, `length` | `value` |
//! | `resistance` | `value` with `leads`, `temperature`; `voltage` and `current` |
//! | `inductance` | `value`; `rise_time` with `series`; `voltage`, `current`, `frequency`; `log` |
//! | `rated_current` | `value` |
//! | `holding_torque` | `value`, or `force` or `weight` with `lever`; `current`, `phases` |
//! | `detent_torque` | `value`, or `force` or `weight` with `lever` |
//! | `back_emf` | `amplitude`, `rms` or `peak_to_peak`, with `speed` or `frequency` |
//! | `ring_down` | `frequency`, `each_swing`; `log`; `current`, `phases`, `feed`, `series`, `inertia` |
//! | `spin_down` | `speed` and `half_time`; `log` with `reading`; `inertia` |
//! | `rotor_inertia` | `value`; `diameter` and `length` |
//! | `microstep_angles` | `log` of microsteps and degrees; `current`, `microsteps` |
//! | `start_stop` | `step_rate`, `current`, `microsteps`, `inertia` |
//! | `top_speed` | `step_rate`, `torque`, `supply`, `current`, `series` |
//! | `wiring` | `leads`, `readings`, `measured_on`; gives the resistance where nothing else does |

mod electrical;
mod mechanical;

use std::sync::Arc;

use super::fits::{Fit, LogFitError};
use super::log::{Log, LogError};
use super::machine::PROFILE_TEMPERATURE;
use super::observation::{Misreading, Observation, Observed};
use super::parameter::Unknown;
use super::wiring::{self, MotorWiring};
use crate::diagnostic::{Diagnostics, Source};
use crate::rig::Files;
use crate::rig::fields::{self, Bounds, Fields};
use crate::rig::problems::{Place, Problems};
use crate::rig::profile;
use crate::rig::yaml::{self, Entry, Node, NodeKind};
use crate::units::{Angle, Fraction, Length};

/// Teeth of the rotor of a motor with 200 steps a turn.
pub const USUAL_TEETH: u32 = 50;

/// The largest share of a swing that can be left after it: chosen, so much is none to read.
pub(in crate::identify) const MOST_LEFT: f64 = 0.9999;

/// What was noted at the bench.
#[derive(Debug, Clone, PartialEq)]
pub struct Notes {
    /// What the motor is called.
    pub name: Option<String>,
    /// Rotor teeth, where the steps were counted.
    pub teeth: Option<u32>,
    /// What was measured.
    pub observations: Vec<Observation>,
    /// The curves that were fitted to logs.
    pub fits: Vec<Fit>,
    /// What was found out about the leads.
    pub wiring: Option<MotorWiring>,
}

impl Notes {
    /// Reads the notes in `source`; `files` hands out the logs that they name.
    ///
    /// # Errors
    /// Everything that is wrong with the notes and their logs, each with its place.
    pub fn parse(source: &Arc<Source>, files: &mut dyn Files) -> Result<Self, Diagnostics> {
        let mut problems = Problems::default();
        let entries = profile::table("the notes", yaml::read(source)?)?;
        let fields = Fields::new("the notes", profile::start(source), entries, &mut problems);
        let notes = read(fields, files);
        problems.finish(Some(notes))
    }
}

fn read(mut fields: Fields<'_>, files: &mut dyn Files) -> Notes {
    let name = fields.text("name");
    fields.text("source");
    let teeth = read_teeth(&mut fields);
    let mut bench = NotedBench {
        files,
        teeth: f64::from(teeth.unwrap_or(USUAL_TEETH)),
        observations: Vec::new(),
        fits: Vec::new(),
    };
    let keys: [(&'static str, &'static str, ItemReader); 14] = [
        ("frame", "the frame", read_frame),
        ("length", "the length", read_length),
        (
            "resistance",
            "a measurement of the resistance",
            electrical::resistance,
        ),
        (
            "inductance",
            "a measurement of the inductance",
            electrical::inductance,
        ),
        (
            "rated_current",
            "the rated current",
            electrical::rated_current,
        ),
        (
            "holding_torque",
            "a measurement of the holding torque",
            mechanical::holding_torque,
        ),
        (
            "detent_torque",
            "a measurement of the detent torque",
            mechanical::detent_torque,
        ),
        (
            "back_emf",
            "a measurement of the back-EMF",
            electrical::back_emf,
        ),
        ("ring_down", "a ring-down", mechanical::ring_down),
        ("spin_down", "a spin-down", mechanical::spin_down),
        (
            "rotor_inertia",
            "the rotor's inertia",
            mechanical::rotor_inertia,
        ),
        (
            "microstep_angles",
            "the rests of the microsteps",
            mechanical::microstep_angles,
        ),
        ("start_stop", "a start-stop rate", mechanical::start_stop),
        ("top_speed", "a highest speed", mechanical::top_speed),
    ];
    for (key, what, reader) in keys {
        for (place, node) in measurements(&mut fields, key) {
            if let Some(fields) = Fields::of(what, place, node, fields.problems()) {
                let mut item = NotedItem::new(fields);
                reader(&mut item, &mut bench);
                item.fields.finish();
            }
        }
    }
    let wiring = fields
        .take("wiring")
        .and_then(|entry| wiring::read(entry, fields.problems()));
    if let (Some(wiring), false) = (&wiring, bench.knows_resistance()) {
        bench.observations.push(between_leads(wiring));
    }
    let NotedBench {
        observations, fits, ..
    } = bench;
    fields.finish();
    Notes {
        name,
        teeth,
        observations,
        fits,
        wiring,
    }
}

/// Teeth: 50 for 200 full steps a turn.
fn read_teeth(fields: &mut Fields<'_>) -> Option<u32> {
    let teeth = fields.whole("rotor_teeth", 1..=500);
    let steps = fields.whole("full_steps_a_turn", 4..=2000);
    let angle: Option<Angle> = fields.optional(
        "step_angle",
        Bounds::positive(1e-3, std::f64::consts::FRAC_PI_2),
    );
    let by_angle = angle.map(|angle| (std::f64::consts::FRAC_PI_2 / angle.si()).round() as u32);
    teeth.or(steps.map(|steps| steps / 4)).or(by_angle)
}

/// The measurements under a key, each with its place.
fn measurements(fields: &mut Fields<'_>, key: &'static str) -> Vec<(Place, Node)> {
    let Some(entry) = fields.take(key) else {
        return Vec::new();
    };
    let nodes = match entry.value.kind {
        NodeKind::List(nodes) => nodes,
        NodeKind::Nothing | NodeKind::Text(_) | NodeKind::Table(_) => vec![entry.value],
    };
    let alone = |node: Node| {
        let place = node.place.clone();
        let node = match node.kind {
            NodeKind::Text(_) => Node {
                place: place.clone(),
                kind: NodeKind::Table(vec![Entry {
                    key: "value".to_owned(),
                    key_place: place.clone(),
                    value: node,
                }]),
            },
            NodeKind::Nothing | NodeKind::List(_) | NodeKind::Table(_) => node,
        };
        (place, node)
    };
    nodes.into_iter().map(alone).collect()
}

type ItemReader = fn(&mut NotedItem<'_>, &mut NotedBench<'_>);

/// What the readers add to.
pub(super) struct NotedBench<'f> {
    files: &'f mut dyn Files,
    teeth: f64,
    observations: Vec<Observation>,
    fits: Vec<Fit>,
}

impl NotedBench<'_> {
    fn knows_resistance(&self) -> bool {
        let is_resistance =
            |one: &Observation| matches!(one.observed, Observed::WarmResistance { .. });
        self.observations.iter().any(is_resistance)
    }
}

/// What the readings between the leads say of the resistance, where nobody measured it apart.
fn between_leads(wiring: &MotorWiring) -> Observation {
    let ohms = wiring.phase_ohms();
    // As by meter; its own leads, up to some 0.3 Ω (common practice), are in the readings.
    let tolerance = 0.04 + 0.3 / ohms;
    Observation::measured(
        Observed::WarmResistance {
            celsius: PROFILE_TEMPERATURE,
        },
        ohms,
        0.5 * tolerance,
        "resistance between the leads".to_owned(),
        Misreading::Coils,
    )
}

/// One measurement while it is read.
pub(super) struct NotedItem<'p> {
    fields: Fields<'p>,
    tolerance: Option<f64>,
    with: Option<String>,
}

impl<'p> NotedItem<'p> {
    fn new(mut fields: Fields<'p>) -> Self {
        let tolerance: Option<Fraction> = fields.optional("tolerance", Bounds::positive(1e-4, 2.0));
        let with = fields.text("with");
        Self {
            fields,
            tolerance: tolerance.map(Fraction::si),
            with,
        }
    }

    /// A quantity in SI units, if it is there.
    fn si<T: crate::units::Measure>(&mut self, key: &'static str, most: f64) -> Option<f64> {
        let read: Option<T> = self
            .fields
            .optional(key, Bounds::positive(most * 1e-12, most));
        read.map(T::to_si)
    }

    /// A quantity that may be zero, and is where it is not given.
    fn or_zero<T: crate::units::Measure>(&mut self, key: &'static str, most: f64) -> f64 {
        let read: Option<T> = self.fields.optional(key, Bounds::up_to(most));
        read.map_or(0.0, T::to_si)
    }

    /// A measurement with its tolerance, `usual` where none is given.
    fn observe(
        &self,
        bench: &mut NotedBench<'_>,
        observed: Observed,
        value: f64,
        usual: f64,
        way: &str,
        misreading: Misreading,
    ) {
        // A tolerance is a range of 95 %: two standard deviations.
        let sigma = 0.5 * self.tolerance.unwrap_or(usual);
        let origin = match &self.with {
            Some(with) => format!("{way}, {with}"),
            None => way.to_owned(),
        };
        bench.observations.push(Observation::measured(
            observed, value, sigma, origin, misreading,
        ));
    }

    /// Says that a measurement lacks something.
    fn incomplete(&mut self, needs: &str) {
        let problem = self
            .fields
            .place()
            .error(
                "measurement-incomplete",
                format!("this measurement lacks {needs}"),
                "",
            )
            .help("the sheet of the bench programs says what to write down");
        self.fields.problem(problem);
    }

    /// One of some words, or the first where none is given.
    fn word(&mut self, key: &'static str, words: &[&'static str]) -> &'static str {
        let entry = self.fields.take(key);
        let chosen = entry.and_then(|entry| {
            let choice = fields::choice(key, &entry, words);
            self.fields.keep(choice)
        });
        chosen.unwrap_or(words[0])
    }

    /// The log that the measurement names, with its readings multiplied by `per_unit`.
    fn log(&mut self, bench: &mut NotedBench<'_>) -> Option<(Place, Log)> {
        let entry = self.fields.take("log")?;
        let column = self.fields.text("column");
        let scale: Option<Fraction> = self.fields.optional("scale", Bounds::either_way(1e9));
        let path = fields::text("log", &entry.value);
        let path = self.fields.keep(path)?.to_owned();
        let place = entry.value.place.clone();
        let source = match bench.files.open(&path, place.source.path()) {
            Ok(source) => source,
            Err(error) => {
                self.fields
                    .problem(profile::unreadable(&path, &place, &error));
                return None;
            }
        };
        match Log::parse(source.text(), column.as_deref()) {
            Ok(log) => Some((place, log.scaled(scale.map_or(1.0, Fraction::si)))),
            Err(error) => {
                self.unusable(&place, &path, &error);
                None
            }
        }
    }

    fn unusable(&mut self, place: &Place, path: &str, error: &LogError) {
        let problem = place
            .error("log-unreadable", format!("“{path}” cannot be used: {error}"), "named here")
            .help("a log is csv: times in the first column, readings in the second or in the `column` named");
        self.fields.problem(problem);
    }

    fn unfitted(&mut self, place: &Place, error: &LogFitError) {
        let problem = place
            .error(
                "log-without-fit",
                format!("the log shows no such curve: {error}"),
                "",
            )
            .help("cut the log to the stretch in question, or name another `column`");
        self.fields.problem(problem);
    }
}

fn read_frame(item: &mut NotedItem<'_>, bench: &mut NotedBench<'_>) {
    read_side(item, bench, Unknown::Frame, "frame by callipers");
}

fn read_length(item: &mut NotedItem<'_>, bench: &mut NotedBench<'_>) {
    read_side(item, bench, Unknown::Length, "length by callipers");
}

fn read_side(item: &mut NotedItem<'_>, bench: &mut NotedBench<'_>, unknown: Unknown, way: &str) {
    match item.si::<Length>("value", 1.0) {
        Some(value) => item.observe(
            bench,
            Observed::Direct(unknown),
            value,
            0.02,
            way,
            Misreading::None,
        ),
        None => item.incomplete("its value, such as `42 mm`"),
    }
}
