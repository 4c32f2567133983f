//! `compare`: several rigs side by side.

mod json;

use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use clap::Args;

use super::input::{Inputs, tell_guesses};
use super::plot::write_figure;
use super::progress::Progress;
use super::table::table;
use super::{Answer, Failure, Terminal};
use slewsmith::check::Summary;
use slewsmith::diagnostic::Source;
use slewsmith::physics::{Band, CoilTable, PullOutSample};
use slewsmith::rig::{Axis, DriveKind, Rig, TravelUnit};
use slewsmith::units::{Power, Rounded, Time, Torque, two_digits};
use slewsmith::{Job, MotorSheet, Settled};

/// Speeds at which torques are compared, as shares of the highest useful one.
const SPEEDS: [f64; 4] = [0.1, 0.3, 0.6, 0.9];

/// Compare rigs side by side: torque, start-stop rate, critical speeds, error of a stop, heat;
/// with a script also its verdict and settled time on each. Exit code 1 when the script fails
/// on every rig.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  slewsmith compare examples/carousel.yaml examples/focus.yaml --plot both.svg"
)]
pub(super) struct CompareCommand {
    /// The rigs, two or more.
    #[arg(required = true, num_args = 2.., value_name = "RIG")]
    rigs: Vec<PathBuf>,
    /// Also check this script on each rig, whatever rig it names; the rigs need the axes, outputs
    /// and inputs that it names.
    #[arg(long)]
    script: Option<PathBuf>,
    /// Also plot the pull-out torques in one picture (`.svg` or `.png`).
    #[arg(long, value_name = "FILE")]
    plot: Option<PathBuf>,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

/// One axis of one rig.
struct ComparedAxis<'a> {
    /// The rig's file, and the axis where there are several.
    name: String,
    rig: String,
    sheet: MotorSheet<'a>,
    /// Torques at the compared speeds.
    torques: Vec<PullOutSample>,
    /// How far a stop may lie off (in the travel's unit).
    stop_error: f64,
}

/// What a script comes to on one rig.
struct ScriptOnRig {
    rig: String,
    summary: Summary,
    settled: Option<Settled>,
}

/// The speeds at which torques are compared.
enum Speeds {
    /// Of the load, in the unit that all axes share.
    Load(&'static str, [f64; 4]),
    /// Full steps a second, as the axes travel differently.
    StepRate([f64; 4]),
}

impl CompareCommand {
    /// Runs the command.
    ///
    /// # Errors
    /// Wrong input, or output that cannot be written.
    pub(super) fn run(&self, terminal: &mut Terminal) -> Result<Answer, Failure> {
        let mut inputs = Inputs::default();
        let rigs: Vec<Rig> = self
            .rigs
            .iter()
            .map(|path| inputs.rig(path))
            .collect::<Result<_, _>>()?;
        let script = self.script.as_ref().map(|path| inputs.read(path));
        let script = script.transpose()?;
        if let Some(plot) = &self.plot {
            inputs.refuse(plot)?;
        }
        for rig in &rigs {
            tell_guesses(rig, terminal);
        }
        let busy = Progress::busy("looking for critical speeds", terminal);
        let names = names(&self.rigs);
        let sheets: Vec<(&str, &Rig, Vec<MotorSheet<'_>>)> = names
            .iter()
            .zip(&rigs)
            .map(|(name, rig)| (name.as_str(), rig, MotorSheet::all(rig)))
            .collect();
        let speeds = Speeds::of(sheets.iter().flat_map(|(_, _, sheets)| sheets));
        let candidates: Vec<ComparedAxis<'_>> = sheets
            .into_iter()
            .flat_map(|(name, rig, sheets)| {
                let several = rig.axes.len() > 1;
                sheets.into_iter().map(move |sheet| (name, several, sheet))
            })
            .map(|(name, several, sheet)| ComparedAxis::of(name, several, sheet, &speeds))
            .collect();
        drop(busy);
        let tried = self.tried(script.as_ref(), &names, &mut inputs, terminal)?;
        if let Some(path) = &self.plot {
            let curves: Vec<(&str, &MotorSheet<'_>)> = candidates
                .iter()
                .map(|one| (one.name.as_str(), &one.sheet))
                .collect();
            write_figure(
                path,
                &MotorSheet::overlay("Pull-out torques".to_owned(), &curves),
            )?;
        }
        let text = if self.json {
            json::of(&candidates, tried.as_deref()).to_string() + "\n"
        } else {
            for_people(&candidates, tried.as_deref(), &speeds, terminal)
        };
        let mut out = terminal.results();
        out.write_all(text.as_bytes())
            .and_then(|()| out.flush())
            .map_err(Failure::system("cannot print the comparison"))?;
        Ok(Answer::of(tried.is_none_or(|tried| {
            tried.iter().any(|one| one.summary.ok)
        })))
    }

    /// The script on each rig.
    fn tried(
        &self,
        script: Option<&Arc<Source>>,
        names: &[String],
        inputs: &mut Inputs,
        terminal: &Terminal,
    ) -> Result<Option<Vec<ScriptOnRig>>, Failure> {
        let Some(script) = script else {
            return Ok(None);
        };
        let _busy = Progress::busy("playing the script on each rig", terminal);
        let one = |(path, name): (&PathBuf, &String)| -> Result<ScriptOnRig, Failure> {
            let rig = inputs.read(path)?;
            let job = Job::read_on(Arc::clone(script), &rig, inputs)?;
            Ok(ScriptOnRig {
                rig: name.clone(),
                summary: job.check().of_the_motion()?,
                settled: job.settled()?,
            })
        };
        let all = self.rigs.iter().zip(names).map(one);
        Ok(Some(all.collect::<Result<_, _>>()?))
    }
}

/// What the rigs are called: their files without the ending, with the folder where that is not
/// enough to tell them apart.
fn names(paths: &[PathBuf]) -> Vec<String> {
    let stem = |path: &Path| {
        path.file_stem().map_or_else(
            || path.display().to_string(),
            |stem| stem.to_string_lossy().into_owned(),
        )
    };
    let one = |path: &PathBuf| {
        let own = stem(path);
        let alike = paths.iter().filter(|other| stem(other) == own).count();
        match alike {
            1 => own,
            _ => path.display().to_string(),
        }
    };
    paths.iter().map(one).collect()
}

impl Speeds {
    fn of<'s, 'r: 's>(sheets: impl Iterator<Item = &'s MotorSheet<'r>> + Clone) -> Self {
        let mut units = sheets.clone().map(|sheet| TravelUnit::of(sheet.axis).name);
        let first = units.next();
        let shared = first.filter(|first| units.all(|unit| unit == *first));
        let highest = |of: &dyn Fn(&MotorSheet<'r>) -> f64| {
            let all = sheets.clone().map(of);
            let most = all.fold(0.0, f64::max);
            SPEEDS.map(|share| two_digits(share * most))
        };
        let useful = |sheet: &MotorSheet<'r>| sheet.range.to_step_rate_hz;
        match shared {
            Some(unit) => Self::Load(
                unit,
                highest(&|sheet| useful(sheet) * sheet.per_step_rate()),
            ),
            None => Self::StepRate(highest(&useful)),
        }
    }

    /// In full steps a second of an axis.
    fn step_rates(&self, sheet: &MotorSheet<'_>) -> [f64; 4] {
        match self {
            Self::Load(_, speeds) => speeds.map(|speed| speed / sheet.per_step_rate()),
            Self::StepRate(rates) => *rates,
        }
    }

    fn words(&self) -> [String; 4] {
        match self {
            Self::Load(unit, speeds) => speeds.map(|speed| format!("{} {unit}/s", Rounded(speed))),
            Self::StepRate(rates) => rates.map(|rate| format!("{} full steps/s", Rounded(rate))),
        }
    }
}

impl<'a> ComparedAxis<'a> {
    fn of(rig: &str, several: bool, sheet: MotorSheet<'a>, speeds: &Speeds) -> Self {
        let axis = sheet.axis;
        let rates = speeds.step_rates(&sheet);
        let rest = CoilTable::of(axis).rest_error.total();
        Self {
            name: if several {
                format!("{rig}, {}", axis.name)
            } else {
                rig.to_owned()
            },
            rig: rig.to_owned(),
            torques: rates
                .map(|rate| sheet.ability.pull_out.sample(rate))
                .to_vec(),
            stop_error: axis.travel_speed(rest) * TravelUnit::of(axis).per_si,
            sheet,
        }
    }
}

/// The drive in a few words.
fn drive(axis: &Axis) -> String {
    let drive = &axis.drive;
    let stepping = match &drive.kind {
        DriveKind::FixedVoltage { sequence } => sequence.name().to_owned(),
        DriveKind::LinearCurrent { microsteps, .. } | DriveKind::Chopper { microsteps, .. } => {
            match microsteps {
                1 => "full steps".to_owned(),
                several => format!("{several} microsteps"),
            }
        }
    };
    format!("{}, {stepping}, {}", drive.kind.name(), drive.supply)
}

fn bands(sheet: &MotorSheet<'_>) -> String {
    let one = |band: &Band| format!("{} {}", band.kind.word(), band.speeds_text(sheet.axis));
    let all: Vec<String> = sheet.ability.bands.iter().map(one).collect();
    if all.is_empty() {
        "none".to_owned()
    } else {
        all.join("; ")
    }
}

fn for_people(
    candidates: &[ComparedAxis<'_>],
    tried: Option<&[ScriptOnRig]>,
    speeds: &Speeds,
    terminal: &Terminal,
) -> String {
    let row = |head: &str, of: &dyn Fn(&ComparedAxis<'_>) -> String| {
        let mut row = vec![head.to_owned()];
        row.extend(candidates.iter().map(of));
        row
    };
    let unit = |one: &ComparedAxis<'_>| TravelUnit::of(one.sheet.axis).name;
    let mut rows = vec![
        row("motor", &|one| {
            one.sheet
                .axis
                .motor
                .name
                .clone()
                .unwrap_or_else(|| "–".to_owned())
        }),
        row("drive", &|one| drive(one.sheet.axis)),
        row("natural frequency", &|one| {
            format!("{} Hz", Rounded(one.sheet.natural_frequency))
        }),
        row("start-stop rate, to use", &|one| {
            let rate = one.sheet.start_stop().quoted() * one.sheet.per_step_rate();
            format!("{} {}/s", Rounded(rate), unit(one))
        }),
        row("useful up to", &|one| {
            let top = one.sheet.range.to_step_rate_hz * one.sheet.per_step_rate();
            format!("{} {}/s", Rounded(top), unit(one))
        }),
    ];
    for (number, words) in speeds.words().iter().enumerate() {
        rows.push(row(&format!("torque at {words}"), &|one| {
            let at = &one.torques[number];
            format!(
                "{} (low edge {})",
                Torque::new(at.torque),
                Torque::new(at.low)
            )
        }));
    }
    rows.extend([
        row("critical speeds", &|one| bands(&one.sheet)),
        row("error of a stop", &|one| {
            format!("{} {}", Rounded(two_digits(one.stop_error)), unit(one))
        }),
        row("windings, running / holding", &|one| {
            let heat = &one.sheet.ability.heat;
            format!(
                "{} / {}",
                Power::new(heat.running.copper),
                Power::new(heat.holding.copper)
            )
        }),
        row("from the supply, running / holding", &|one| {
            let heat = &one.sheet.ability.heat;
            format!(
                "{} / {}",
                Power::new(heat.running.supply),
                Power::new(heat.holding.supply)
            )
        }),
    ]);
    if let Some(tried) = tried {
        // A rig of several axes has one verdict, which stands with each of them.
        let of = |head: &str, of: &dyn Fn(&ScriptOnRig) -> String| {
            row(head, &|one| {
                let on_rig = tried.iter().find(|tried| tried.rig == one.rig);
                on_rig.map_or_else(String::new, of)
            })
        };
        let time = |time: Option<f64>| {
            time.map_or_else(|| "not seen".to_owned(), |time| Time::new(time).to_string())
        };
        rows.extend([
            of("the script", &|tried| match &tried.summary.first_failure {
                None => "may run".to_owned(),
                Some(failure) => format!("must not run: {failure}"),
            }),
            of("its moves", &|tried| {
                time(tried.settled.map(|one| one.moving))
            }),
            of("its moves, settled", &|tried| {
                time(tried.settled.and_then(|one| one.settled))
            }),
            of("its peak lag", &|tried| {
                tried.settled.map_or_else(String::new, |one| {
                    format!("{} electrical degrees", Rounded(one.peak_lag))
                })
            }),
        ]);
    }
    let mut heads = vec![""];
    heads.extend(candidates.iter().map(|one| one.name.as_str()));
    table(&heads, &[], rows, terminal.width())
        + "\n\nTorques are those of the motor's shaft; nine of ten motors lie above the low edge.\n"
}
