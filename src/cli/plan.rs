//! `plan`: prints the segments of every move.

use std::io::Write;
use std::path::PathBuf;

use clap::Args;
use serde_json::{Map, Value, json};

use super::input::load;
use super::table::table;
use super::{Answer, Failure, Terminal};
use slewsmith::Job;
use slewsmith::plan::{Endless, Item, PlannedMove};
use slewsmith::rig::{Rig, TravelUnit};
use slewsmith::units::Rounded;

/// Rows of the table at most, unless `--verbose` is given.
const ROWS: usize = 200;

/// Print the segments of every move with their times.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  slewsmith plan examples/carousel.moves --json > timings.json")]
pub(super) struct PlanCommand {
    /// The move script; `-` reads it from standard input.
    script: PathBuf,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

impl PlanCommand {
    /// Runs the command.
    ///
    /// # Errors
    /// Wrong input, or output that cannot be written.
    pub(super) fn run(&self, terminal: &mut Terminal) -> Result<Answer, Failure> {
        let (job, endless) = up_to_its_period(load(&self.script)?)?;
        let mut out = terminal.results();
        let printing = || Failure::system("cannot print the plan");
        if self.json {
            write!(out, "{{\"moves\":[").map_err(printing())?;
            let mut first = true;
            for item in job.items() {
                // What nobody reads need not be planned.
                if out.is_unread() {
                    break;
                }
                let Item::Move(planned) = item? else { continue };
                for move_json in to_json(&planned, job.rig()) {
                    let comma = if std::mem::take(&mut first) { "" } else { "," };
                    write!(out, "{comma}\n{move_json}").map_err(printing())?;
                }
            }
            let endless = match &endless {
                Some(endless) => format!(",\"endless\":{}", endless.to_json(&job.rig().axes)),
                None => String::new(),
            };
            writeln!(out, "\n]{endless}}}").map_err(printing())?;
        } else {
            let mut rows = Vec::new();
            let mut beyond = false;
            for item in job.items() {
                let added = match item? {
                    Item::Move(planned) => to_rows(&planned, job.rig()),
                    Item::Dwell(seconds) => vec![dwell_row(seconds)],
                    Item::Output { .. }
                    | Item::Await { .. }
                    | Item::Zero { .. }
                    | Item::Mark(_) => continue,
                };
                // The rest is not planned only to be counted.
                beyond = rows.len() >= ROWS && !terminal.verbose;
                if beyond {
                    break;
                }
                rows.extend(added);
            }
            let heads = [
                "move",
                "line",
                "axis",
                "time s",
                "position",
                "speed /s",
                "accel /s^2",
                "jerk /s^3",
            ];
            writeln!(
                out,
                "{}",
                table(&heads, &[0, 1, 3, 4, 5, 6, 7], rows, terminal.width())
            )
            .map_err(printing())?;
            if beyond {
                writeln!(out, "… and more moves and dwells: --verbose shows all")
                    .map_err(printing())?;
            } else if let Some(endless) = &endless {
                let passes = match endless.passes {
                    1 => "the last pass".to_owned(),
                    several => format!("the last {several} passes"),
                };
                writeln!(out, "… and {passes} without end").map_err(printing())?;
            }
        }
        out.flush().map_err(printing())?;
        Ok(Answer::Yes)
    }
}

/// The job with as many passes as its endless repeat has until its first period ends.
fn up_to_its_period(job: Job) -> Result<(Job, Option<Endless>), Failure> {
    let endless = job.endless()?.cloned();
    let job = match &endless {
        Some(endless) => job.with_passes(endless.passes_before + endless.passes),
        None => job,
    };
    Ok((job, endless))
}

/// One object for each axis of the move. Positions, speeds, accelerations and jerks
/// are those of the load, signed.
fn to_json(planned: &PlannedMove, rig: &Rig) -> Vec<Value> {
    let mut objects = Vec::new();
    for (motion, travel) in planned.motion.axes.iter().zip(&planned.travel) {
        let axis = &rig.axes[motion.axis];
        let unit = TravelUnit::of(axis);
        let scale = motion.direction.sign() as f64 * unit.per_si / axis.microsteps_per_travel();
        let segments: Vec<Value> = motion
            .segments
            .iter()
            .map(|segment| {
                let mut object = Map::new();
                object.insert("duration_s".into(), json!(segment.duration));
                let position = travel.from * unit.per_si + segment.position * scale;
                object.insert(format!("position_{}", unit.name), json!(position));
                object.insert(
                    format!("speed_{}_s", unit.name),
                    json!(unsigned(segment.velocity * scale)),
                );
                object.insert(
                    format!("accel_{}_s2", unit.name),
                    json!(unsigned(segment.acceleration * scale)),
                );
                object.insert(
                    format!("jerk_{}_s3", unit.name),
                    json!(unsigned(segment.jerk * scale)),
                );
                Value::Object(object)
            })
            .collect();
        objects.push(json!({
            "index": planned.index,
            "line": planned.line,
            "part": planned.part.word(),
            "axis": axis.name,
            "duration_s": planned.motion.duration,
            "segments": segments,
        }));
    }
    objects
}

/// Without the sign of a zero.
fn unsigned(value: f64) -> f64 {
    value + 0.0
}

fn dwell_row(seconds: f64) -> Vec<String> {
    let mut row = vec![String::new(); 8];
    row[2] = "dwell".to_owned();
    row[3] = Rounded(seconds).to_string();
    row
}

fn to_rows(planned: &PlannedMove, rig: &Rig) -> Vec<Vec<String>> {
    let mut rows = Vec::new();
    for (motion, travel) in planned.motion.axes.iter().zip(&planned.travel) {
        let axis = &rig.axes[motion.axis];
        let unit = TravelUnit::of(axis);
        let scale = motion.direction.sign() as f64 * unit.per_si / axis.microsteps_per_travel();
        for segment in &motion.segments {
            rows.push(vec![
                planned.index.to_string(),
                planned.line.to_string(),
                axis.name.clone(),
                Rounded(segment.duration).to_string(),
                format!(
                    "{} {}",
                    Rounded(travel.from * unit.per_si + segment.position * scale),
                    unit.name
                ),
                Rounded(unsigned(segment.velocity * scale)).to_string(),
                Rounded(unsigned(segment.acceleration * scale)).to_string(),
                Rounded(unsigned(segment.jerk * scale)).to_string(),
            ]);
        }
    }
    rows
}
