//! `size`: motors, gearing, current and supply for a script.

use std::fmt::Write as _;
use std::io::Write;
use std::path::{Path, PathBuf};

use clap::Args;
use serde_json::{Value as Json, json};

use super::input::{load, load_for};
use super::progress::Progress;
use super::table::table;
use super::terminal::{BAD, DOUBTFUL, GOOD, STRONG};
use super::{Answer, Failure, Terminal};
use slewsmith::diagnostic::Source;
use slewsmith::rig::{Axis, Motor};
use slewsmith::units::{Current, Decimal, Power, Resistance, Rounded, Torque, Voltage, two_digits};
use slewsmith::{Job, Sizing, TriedMotor, open_source};

/// The motors of `profiles/motors`.
const MOTORS: [(&str, &str); 11] = [
    (
        "frame20-short",
        include_str!("../../profiles/motors/frame20-short.yaml"),
    ),
    (
        "frame28-medium",
        include_str!("../../profiles/motors/frame28-medium.yaml"),
    ),
    (
        "frame35-short",
        include_str!("../../profiles/motors/frame35-short.yaml"),
    ),
    (
        "frame42-12v",
        include_str!("../../profiles/motors/frame42-12v.yaml"),
    ),
    (
        "frame42-fine",
        include_str!("../../profiles/motors/frame42-fine.yaml"),
    ),
    (
        "frame42-long",
        include_str!("../../profiles/motors/frame42-long.yaml"),
    ),
    (
        "frame42-medium",
        include_str!("../../profiles/motors/frame42-medium.yaml"),
    ),
    (
        "frame42-short",
        include_str!("../../profiles/motors/frame42-short.yaml"),
    ),
    (
        "frame57-long",
        include_str!("../../profiles/motors/frame57-long.yaml"),
    ),
    (
        "frame57-medium",
        include_str!("../../profiles/motors/frame57-medium.yaml"),
    ),
    (
        "frame86-medium",
        include_str!("../../profiles/motors/frame86-medium.yaml"),
    ),
];

/// Find motors for a script: torque and speed that its moves ask for, and of the generic
/// motors of `profiles` (or of a folder of your own) those with which it passes its check,
/// with gearing, current and supply. The rig's motor takes no part, so any will do.
/// Exit code 1 where none passes.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  slewsmith size examples/carousel.moves --plot motors.svg")]
pub(super) struct SizeCommand {
    /// The move script; `-` reads it from standard input.
    script: PathBuf,
    /// The axis; the first where none is named.
    #[arg(long, value_name = "AXIS")]
    axis: Option<String>,
    /// Try the profiles of motors in this folder instead.
    #[arg(long, value_name = "FOLDER")]
    motors: Option<PathBuf>,
    /// Keep the gearing of the rig.
    #[arg(long)]
    keep_gearing: bool,
    /// Plot what the moves ask for against the curves of the best four (`.svg` or `.png`).
    #[arg(long, value_name = "FILE")]
    plot: Option<PathBuf>,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

impl SizeCommand {
    /// Runs the command.
    ///
    /// # Errors
    /// Wrong input, or output that cannot be written.
    pub(super) fn run(&self, terminal: &mut Terminal) -> Result<Answer, Failure> {
        let job = match &self.plot {
            Some(plot) => load_for(&self.script, plot)?,
            None => load(&self.script)?,
        };
        let motors = match &self.motors {
            Some(folder) => motors_in(folder)?,
            None => generic_motors()?,
        };
        let busy = Progress::busy("trying the motors", terminal);
        let sizing = job.size(self.axis.as_deref(), &motors, self.keep_gearing)?;
        if let Some(path) = &self.plot {
            let figure = sizing.figure("Torque asked for and available".to_owned())?;
            super::plot::write_figure(path, &figure)?;
        }
        drop(busy);
        let text = if self.json {
            format!("{}\n", to_json(&job, &sizing))
        } else {
            for_people(&job, &sizing, terminal)
        };
        let mut out = terminal.results();
        out.write_all(text.as_bytes())
            .and_then(|()| out.flush())
            .map_err(Failure::system("cannot print the motors"))?;
        Ok(Answer::of(sizing.motors.iter().any(TriedMotor::ok)))
    }
}

fn generic_motors() -> Result<Vec<(String, Motor)>, Failure> {
    let read = |(name, text): &(&str, &str)| {
        let motor = Motor::parse(&Source::new(*name, *text))?;
        Ok(((*name).to_owned(), motor))
    };
    MOTORS.iter().map(read).collect()
}

/// The profiles of a folder, by name.
fn motors_in(folder: &Path) -> Result<Vec<(String, Motor)>, Failure> {
    let reading = || Failure::system(format!("cannot read {}", folder.display()));
    let mut paths = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(reading())? {
        let path = entry.map_err(reading())?.path();
        if path.extension().is_some_and(|ending| ending == "yaml") {
            paths.push(path);
        }
    }
    paths.sort();
    if paths.is_empty() {
        return Err(Failure::Request(format!(
            "{} holds no profile of a motor (`.yaml`)",
            folder.display()
        )));
    }
    let read = |path: &PathBuf| {
        let motor = Motor::parse(&open_source(path)?)?;
        let stem = path.file_stem().unwrap_or_default();
        Ok((stem.to_string_lossy().into_owned(), motor))
    };
    paths.iter().map(read).collect()
}

/// Speed of the motor's shaft in turns a minute.
fn rpm(omega: f64) -> f64 {
    omega * 60.0 / std::f64::consts::TAU
}

fn to_json(job: &Job, sizing: &Sizing) -> Json {
    let demand: Vec<Json> = sizing
        .demand
        .iter()
        .map(|one| {
            json!({
                "line": one.line,
                "speed_rad_s": one.speed,
                "acceleration_rad_s2": one.acceleration,
                "torque_nm": one.torque,
                "cruise_torque_nm": one.cruise_torque,
                "power_w": one.power,
            })
        })
        .collect();
    let motors: Vec<Json> = sizing
        .motors
        .iter()
        .map(|tried| {
            let one = &tried.sized;
            json!({
                "motor": one.name,
                "name": one.motor_name(),
                "ok": tried.ok(),
                "reason": tried.refusal,
                "gearing": one.drive.gearing,
                "supply_v": one.drive.supply,
                "peak_current_a": one.drive.peak_current,
                "ballast_ohm": one.drive.ballast,
                "torque_margin": one.margin.map(|margin| json!({
                    "least": margin.least,
                    "at_speed_rad_s": margin.at.omega,
                    "required_nm": margin.required,
                    "available_nm": margin.available,
                })),
                "inertia_ratio": one.inertia_ratio,
                "matched_gearing": one.matched_gearing,
                "copper_loss_w": one.loss,
            })
        })
        .collect();
    json!({
        "ok": sizing.motors.iter().any(TriedMotor::ok),
        "axis": job.rig().axes[sizing.axis].name,
        "torque_margin_kept": job.rig().axes[sizing.axis].limits.torque_margin,
        "demand": demand,
        "motors": motors,
    })
}

fn for_people(job: &Job, sizing: &Sizing, terminal: &Terminal) -> String {
    let axis = &job.rig().axes[sizing.axis];
    let width = terminal.width();
    let mut text = String::new();
    // Writing to a String cannot fail.
    let _ = writeln!(
        text,
        "{STRONG}{}{STRONG:#}: asked for at the shaft of the load",
        axis.name
    );
    let rows = sizing.demand.iter().map(|one| -> Vec<String> {
        vec![
            one.line.to_string(),
            format!("{} rpm", Rounded(two_digits(rpm(one.speed)))),
            format!("{} rad/s^2", Rounded(two_digits(one.acceleration))),
            Torque::new(two_digits(one.torque)).to_string(),
            Torque::new(two_digits(one.cruise_torque)).to_string(),
            Power::new(two_digits(one.power)).to_string(),
        ]
    });
    // Moves of one statement may differ by a microstep.
    let mut rows: Vec<_> = rows.collect();
    rows.dedup();
    let heads = [
        "line",
        "speed",
        "acceleration",
        "torque",
        "in the cruise",
        "power",
    ];
    let _ = writeln!(
        text,
        "{}\n",
        table(&heads, &[0, 1, 2, 3, 4, 5], rows, width)
    );
    let rows = sizing.motors.iter().map(|tried| row(axis, tried));
    let heads = [
        "motor",
        "gearing",
        "drive",
        "torque margin",
        "inertia ratio",
        "copper loss",
        "verdict",
    ];
    let _ = writeln!(text, "{}\n", table(&heads, &[1, 3, 4, 5], rows, width));
    match sizing.motors.first().filter(|best| best.ok()) {
        Some(best) => {
            let _ = writeln!(text, "{GOOD}Suits best{GOOD:#}: {}", reasons(axis, best));
        }
        None => {
            let _ = writeln!(
                text,
                "{BAD}None passes{BAD:#}: lower speed or acceleration, or a lighter load"
            );
        }
    }
    if sizing.full_torque {
        let _ = writeln!(
            text,
            "{DOUBTFUL}note{DOUBTFUL:#}: `shape full-torque` ramps as fast as the rig's own motor can; size with `shape trapezoid` or `s-curve`"
        );
    }
    let _ = writeln!(
        text,
        "The inertia ratio is that of the reflected load to the rotor; where it is 1, the acceleration takes least torque. Profiles are \
         generic: look for a motor with these values, and check the script with its own."
    );
    text
}

fn row(axis: &Axis, tried: &TriedMotor) -> Vec<String> {
    let one = &tried.sized;
    let margin = one.margin.map_or_else(
        || "–".to_owned(),
        |margin| {
            format!(
                "{:.0} % at {} rpm",
                Decimal(100.0 * margin.least),
                Rounded(two_digits(rpm(margin.at.omega)))
            )
        },
    );
    vec![
        one.name.clone(),
        format!("{}:1", Rounded(one.drive.gearing)),
        drive(axis, tried),
        margin,
        Rounded(two_digits(one.inertia_ratio)).to_string(),
        Power::new(two_digits(one.loss)).to_string(),
        match &tried.refusal {
            None if !one.is_matched() => "passes; inertia ratio above 10".to_owned(),
            None => "passes".to_owned(),
            Some(why) => why.clone(),
        },
    ]
}

/// Supply, current and ballast; a supply that is not the rig's is marked.
fn drive(axis: &Axis, tried: &TriedMotor) -> String {
    let drive = &tried.sized.drive;
    let changed = if drive.supply == axis.drive.supply.si() {
        ""
    } else {
        " (changed)"
    };
    let supply = Voltage::new(drive.supply);
    match (drive.peak_current, drive.ballast) {
        (Some(peak), _) => format!("{supply}{changed}, {} peak", Current::new(two_digits(peak))),
        (None, Some(ballast)) => {
            format!(
                "{supply}{changed}, {} in each phase",
                Resistance::new(ballast)
            )
        }
        (None, None) => format!("{supply}{changed}"),
    }
}

/// Why the first one is the first.
fn reasons(axis: &Axis, best: &TriedMotor) -> String {
    let one = &best.sized;
    let reserve = 100.0 * axis.limits.torque_margin;
    let margin = one.margin.map_or_else(String::new, |margin| {
        format!(
            "; {:.0} % of torque is left where {} % is kept in reserve",
            Decimal(100.0 * margin.least),
            Rounded(reserve)
        )
    });
    format!(
        "{}, {}:1, {}: of those that pass on that supply and suit the inertia it loses least heat ({}){margin}; the acceleration alone would ask for {}:1",
        one.motor_name().unwrap_or(&one.name),
        Rounded(one.drive.gearing),
        drive(axis, best),
        Power::new(two_digits(one.loss)),
        Rounded(two_digits(one.matched_gearing))
    )
}
