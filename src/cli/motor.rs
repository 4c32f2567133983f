//! `motor`: what each motor of a rig can do on its drive, with its load.

mod current;

use std::fmt::Write as _;
use std::io::Write;
use std::path::PathBuf;

use clap::Args;
use serde_json::{Map, Value, json};

use super::check::describe;
use super::input::{load_rig, load_rig_for};
use super::table::table;
use super::terminal::STRONG;
use super::{Answer, Failure, Terminal};
use slewsmith::MotorSheet;
use slewsmith::check::HeatWarning;
use slewsmith::physics::Band;
use slewsmith::physics::PullOutSample;
use slewsmith::physics::{CAUTIONS, Heat, Losses, RotorLoss, Spread};
use slewsmith::rig::{Axis, TravelUnit};
use slewsmith::units::{Power, Rounded, Torque, two_digits};

/// Points of the pull-out curve in JSON.
const POINTS: usize = 61;
/// Points of it beyond the range in which the motor is of use.
const BEYOND: usize = 24;
/// Lines of the pull-out curve in the table.
const LINES: usize = 13;

/// Print what the motors can do on their drives with their loads: pull-out torque,
/// start-stop rate, critical speeds, heat. Exit code 1 where a failure is found.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  slewsmith motor examples/carousel.yaml")]
pub(super) struct MotorCommand {
    /// The rig; `-` reads it from standard input.
    rig: PathBuf,
    /// Print JSON.
    #[arg(long)]
    json: bool,
    /// Also plot the curves, the bands and the start-stop rate (`.svg` or `.png`).
    #[arg(long, value_name = "FILE")]
    plot: Option<PathBuf>,
}

/// The pull-out curve at rates that are easily read.
fn curve_rows(sheet: &MotorSheet<'_>) -> Vec<PullOutSample> {
    let curve = sheet.curve(LINES);
    let rates = curve.iter().map(|point| two_digits(point.step_rate_hz));
    rates
        .map(|rate| sheet.ability.pull_out.sample(rate))
        .collect()
}

impl MotorCommand {
    /// Runs the command.
    ///
    /// # Errors
    /// Wrong input, or output that cannot be written.
    pub(super) fn run(&self, terminal: &mut Terminal) -> Result<Answer, Failure> {
        let rig = match &self.plot {
            Some(plot) => load_rig_for(&self.rig, plot)?,
            None => load_rig(&self.rig)?,
        };
        let sheets = MotorSheet::all(&rig);
        let ok = sheets.iter().all(MotorSheet::ok);
        if let Some(path) = &self.plot {
            let figure = MotorSheet::figure("What the motors can do".to_owned(), &rig, &sheets);
            super::plot::write_figure(path, &figure)?;
        }
        let text = if self.json {
            let axes: Vec<Value> = sheets.iter().map(to_json).collect();
            format!("{}\n", json!({ "ok": ok, "axes": axes }))
        } else {
            sheets
                .iter()
                .map(|sheet| for_people(sheet, terminal))
                .collect::<Vec<_>>()
                .join("\n")
                + &cautions()
        };
        let mut out = terminal.results();
        out.write_all(text.as_bytes())
            .and_then(|()| out.flush())
            .map_err(Failure::system("cannot print the sheet"))?;
        Ok(Answer::of(ok))
    }
}

/// What every builder should have read.
fn cautions() -> String {
    CAUTIONS
        .iter()
        .fold("\n".to_owned(), |text, caution| text + caution + "\n")
}

fn to_json(sheet: &MotorSheet<'_>) -> Value {
    let unit = TravelUnit::of(sheet.axis).name;
    let scale = sheet.per_step_rate();
    let useful = sheet.curve(POINTS);
    // The first of what is beyond is the last of what is of use.
    let beyond = sheet.ability.beyond(sheet.axis, BEYOND);
    let pull_out: Vec<Value> = useful
        .iter()
        .chain(beyond.iter().skip(1))
        .map(|point| {
            let mut object = Map::new();
            object.insert("step_rate_hz".into(), json!(point.step_rate_hz));
            object.insert(format!("speed_{unit}_s"), json!(point.step_rate_hz * scale));
            object.insert("torque_nm".into(), json!(point.torque));
            object.insert("torque_low_nm".into(), json!(point.low));
            object.insert("torque_high_nm".into(), json!(point.high));
            Value::Object(object)
        })
        .collect();
    let bands_json = |bands: &[Band]| -> Vec<Value> {
        let one = |band: &Band| {
            let mut object = Map::new();
            object.insert("kind".into(), json!(band.kind));
            object.insert("from_step_rate_hz".into(), json!(band.from_step_rate_hz));
            object.insert("to_step_rate_hz".into(), json!(band.to_step_rate_hz));
            object.insert(
                format!("from_speed_{unit}_s"),
                json!(band.from_step_rate_hz * scale),
            );
            object.insert(
                format!("to_speed_{unit}_s"),
                json!(band.to_step_rate_hz.map(|to| to * scale)),
            );
            object.insert("found_by".into(), json!(band.found_by));
            Value::Object(object)
        };
        bands.iter().map(one).collect()
    };
    let bands = bands_json(&sheet.ability.bands);
    let typical_bands = bands_json(&sheet.ability.typical_bands);
    let islands: Vec<Value> = sheet
        .start_stop()
        .islands
        .iter()
        .map(|(from, to)| json!({ "from_step_rate_hz": from, "to_step_rate_hz": to }))
        .collect();
    json!({
        "axis": sheet.axis.name,
        "natural_frequency_hz": sheet.natural_frequency,
        "start_stop_rate_hz": sheet.start_stop().rate,
        "start_stop_failing": islands,
        "inertia_ratio": sheet.ability.load.inertia_ratio(),
        "pull_out_measured": sheet.ability.pull_out.measured(),
        "pull_out": pull_out,
        "useful_to_step_rate_hz": sheet.range.to_step_rate_hz,
        "losses": losses_json(sheet.axis),
        "bands": bands,
        "typical_bands": typical_bands,
        "heat": heat_json(sheet.axis, &sheet.ability.heat),
        "proposal": current::proposal_json(sheet.axis),
        "sequences": current::sequences_json(sheet),
        "switch_off": current::switch_off_json(sheet.axis),
        "findings": sheet.findings(),
    })
}

fn losses_json(axis: &Axis) -> Value {
    let loss = RotorLoss::of(&axis.motor);
    let range = |spread: Spread| json!([spread.low, spread.typical, spread.high]);
    json!({
        "viscous_nms_rad": range(loss.viscous),
        "friction_nm": range(loss.friction),
        "detent_nm": range(loss.detent),
    })
}

fn for_people(sheet: &MotorSheet<'_>, terminal: &Terminal) -> String {
    let unit = TravelUnit::of(sheet.axis).name;
    let scale = sheet.per_step_rate();
    let mut text = String::new();
    // Writing to a String cannot fail.
    let _ = writeln!(text, "{STRONG}{}{STRONG:#}", sheet.axis.name);
    if let Some(name) = &sheet.axis.motor.name {
        let _ = writeln!(text, "motor              {name}");
    }
    let _ = writeln!(
        text,
        "natural frequency  {} Hz with the load",
        Rounded(sheet.natural_frequency)
    );
    let _ = writeln!(
        text,
        "inertia ratio      {} (load at the motor : rotor)",
        Rounded(sheet.ability.load.inertia_ratio())
    );
    let _ = writeln!(
        text,
        "start-stop rate    {} full steps/s simulated; use at most {} ({} {unit}/s)",
        Rounded(sheet.start_stop().rate),
        Rounded(sheet.start_stop().quoted()),
        Rounded(sheet.start_stop().quoted() * scale)
    );
    if !sheet.start_stop().islands.is_empty() {
        let islands: Vec<String> = sheet
            .start_stop()
            .islands
            .iter()
            .map(|(from, to)| format!("{} … {}", Rounded(*from), Rounded(*to)))
            .collect();
        let _ = writeln!(
            text,
            "  it also fails to start at {} full steps/s",
            islands.join(", ")
        );
    }
    text.push('\n');
    text.push_str(&band_lines(&sheet.ability.bands, scale, unit));
    let source = if sheet.ability.pull_out.measured() {
        "measured"
    } else {
        "computed, typical, at the shaft"
    };
    let _ = writeln!(
        text,
        "\nPull-out torque ({source}), up to {}",
        sheet.range.end
    );
    let rows = curve_rows(sheet).into_iter().map(|point| {
        vec![
            Rounded(point.step_rate_hz).to_string(),
            format!("{} {unit}/s", Rounded(point.step_rate_hz * scale)),
            Torque::new(point.torque).to_string(),
            format!("{} … {}", Torque::new(point.low), Torque::new(point.high)),
        ]
    });
    let heads = ["full steps/s", "load", "torque", "in 9 of 10 motors"];
    let _ = writeln!(
        text,
        "{}",
        table(&heads, &[0, 1, 2, 3], rows, terminal.width())
    );
    text.push_str(&heat_lines(&sheet.ability.heat, terminal));
    text.push_str(&current::for_people(sheet, terminal));
    for finding in sheet.findings() {
        text.push('\n');
        describe(&mut text, &finding);
    }
    text
}

/// Losses running and holding; where a part has none, or is none of this drive's, it is left
/// out.
fn heat_lines(heat: &Heat, terminal: &Terminal) -> String {
    let row = |name: &str, running: f64, holding: f64| {
        vec![
            name.to_owned(),
            Power::new(running).to_string(),
            Power::new(holding).to_string(),
        ]
    };
    type Part = fn(&Losses) -> f64;
    let lossy = |(name, of): (&str, Part)| {
        let (running, holding) = (of(&heat.running), of(&heat.holding));
        (running > 0.0 || holding > 0.0).then(|| row(name, running, holding))
    };
    let parts: [(&str, Part); 6] = [
        ("windings", |losses| losses.copper),
        ("switches", |losses| losses.switches),
        ("ballast", |losses| losses.ballast),
        ("transistors of the linear source", |losses| {
            losses.transistors
        }),
        ("sense resistors", |losses| losses.sense),
        ("drawn from the supply", |losses| losses.supply),
    ];
    let rows = parts.into_iter().filter_map(lossy);
    let heads = ["heat", "running", "holding"];
    format!("\n{}\n", table(&heads, &[1, 2], rows, terminal.width()))
}

fn heat_json(axis: &Axis, heat: &Heat) -> Value {
    let losses = |losses: &Losses| {
        json!({
            "copper_w": losses.copper,
            "switches_w": losses.switches,
            "ballast_w": losses.ballast,
            "transistors_w": losses.transistors,
            "sense_w": losses.sense,
            "supply_w": losses.supply,
        })
    };
    let warnings: Vec<Value> = HeatWarning::of(axis, heat)
        .iter()
        .map(|warning| json!({ "code": warning.code(), "message": warning.to_string() }))
        .collect();
    json!({
        "running": losses(&heat.running),
        "holding": losses(&heat.holding),
        "rms_current_a": heat.rms_current,
        "hottest_transistor_w": heat.hottest_transistor,
        "hottest_sense_resistor_w": heat.hottest_sense_resistor,
        "warnings": warnings,
    })
}

fn band_lines(bands: &[Band], scale: f64, unit: &str) -> String {
    if bands.is_empty() {
        return "No critical speeds found.\n".to_owned();
    }
    let mut text = String::from("Critical speeds\n");
    for band in bands {
        let to = |value: Option<f64>| {
            value.map_or_else(|| "and above".to_owned(), |to| format!("… {}", Rounded(to)))
        };
        let _ = writeln!(
            text,
            "  {:<9} {} {} full steps/s ({} {} {unit}/s), found {}",
            band.kind.word(),
            Rounded(band.from_step_rate_hz),
            to(band.to_step_rate_hz),
            Rounded(band.from_step_rate_hz * scale),
            to(band.to_step_rate_hz.map(|to| to * scale)),
            band.found_by.words(),
        );
    }
    text
}
