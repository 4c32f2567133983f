//! `check --variations`: the program on rigs drawn at random from what is not known.

use std::fmt::Write as _;
use std::io::Write;
use std::path::{Path, PathBuf};

use clap::Args;

use super::input::read;
use super::output::refuse_inputs;
use super::progress::Progress;
use super::table::table;
use super::terminal::{BAD, GOOD, STRONG};
use super::{Failure, Terminal};
use slewsmith::Job;
use slewsmith::draw::Figure;
use slewsmith::study::{
    DecidingValue, DrawOutcome, MOST_DRAWS, Study, StudyFailure, StudyResult, VariedValue,
};
use slewsmith::units::{Decimal, Rounded};

/// Draws that are made before their lines are printed: chosen, so that a part that is broken
/// off has printed most of what it did.
const GROUP: usize = 64;
/// Share of the draws that must pass, as the low edge of a torque curve is what 19 of 20 motors
/// exceed.
const ENOUGH: f64 = 0.95;
/// Values that are named as deciding.
const NAMED: usize = 3;

/// The options of a study.
#[derive(Debug, Args)]
#[command(next_help_heading = "Variations")]
pub(super) struct VariationOptions {
    /// Also check and simulate N rigs drawn at random from the ranges of what is not known and
    /// from the rig's `tolerances`. The answer is no where fewer than 95 % pass.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u64).range(1..=MOST_DRAWS))]
    variations: Option<u64>,
    /// The seed of the random numbers.
    #[arg(
        long,
        value_name = "SEED",
        default_value_t = 1,
        requires = "variations"
    )]
    seed: u64,
    /// Make share K of M of the draws and print them as JSON lines.
    #[arg(long, value_name = "K/M", requires = "variations", value_parser = part)]
    part: Option<Part>,
    /// Merge the lines of all parts, in place of making the draws.
    #[arg(
        long,
        value_name = "FILE",
        num_args = 1..,
        conflicts_with_all = ["variations", "part"]
    )]
    merge: Vec<PathBuf>,
    /// Plot the margins and lags of the draws (`.svg` or `.png`).
    #[arg(long, value_name = "FILE", conflicts_with = "part")]
    pub(super) plot: Option<PathBuf>,
}

/// A share of the draws.
#[derive(Debug, Clone, Copy)]
struct Part {
    part: u64,
    parts: u64,
}

fn part(text: &str) -> Result<Part, String> {
    let numbers = text.split_once('/').and_then(|(part, parts)| {
        Some(Part {
            part: part.parse().ok()?,
            parts: parts.parse().ok()?,
        })
    });
    numbers
        .filter(|Part { part, parts }| (1..=*parts).contains(part))
        .ok_or_else(|| "a part is written K/M, with K from 1 to M".to_owned())
}

/// A study that was made or merged.
pub(super) struct Made {
    /// What it comes to.
    pub result: StudyResult,
    outcomes: Vec<DrawOutcome>,
}

impl Made {
    /// Whether enough of the draws pass.
    pub(super) fn ok(&self) -> bool {
        self.result.share() >= ENOUGH
    }
}

impl VariationOptions {
    /// Whether only lines of a part are wanted; they are then printed.
    ///
    /// # Errors
    /// The program cannot be planned, or nothing can be printed.
    pub(super) fn print_part(&self, job: &Job, terminal: &mut Terminal) -> Result<bool, Failure> {
        let (Some(draws), Some(Part { part, parts })) = (self.variations, self.part) else {
            return Ok(false);
        };
        let study = job.study(draws, self.seed);
        let printing = || Failure::system("cannot print the draws");
        let numbers = study.part(part, parts);
        let bar = Progress::drawing(numbers.len() as u64, terminal);
        let mut out = terminal.results();
        let mut line = |text: String| writeln!(out, "{text}").map_err(printing());
        line(serde_json::json!(study).to_string())?;
        for group in numbers.chunks(GROUP) {
            for outcome in job.draws(&study, group, &|| bar.count_one())? {
                line(serde_json::json!(outcome).to_string())?;
            }
        }
        out.flush().map_err(printing())?;
        Ok(true)
    }

    /// The study that is asked for; none where none is. Its plot is written.
    ///
    /// # Errors
    /// The program cannot be planned, lines cannot be merged, or the plot cannot be written.
    pub(super) fn make(&self, job: &Job, terminal: &Terminal) -> Result<Option<Made>, Failure> {
        if let Some(plot) = &self.plot {
            refuse_inputs(plot, &self.merge)?;
        }
        let made = match (self.variations, self.merge.is_empty()) {
            (Some(draws), _) => self.draw(job, draws, terminal)?,
            (None, false) => merge(job, &self.merge)?,
            (None, true) if self.plot.is_some() => {
                return Err(Failure::Request(
                    "--plot shows draws: add --variations N or --merge FILE".to_owned(),
                ));
            }
            (None, true) => return Ok(None),
        };
        if let Some(path) = &self.plot {
            let title = "Rigs drawn from what is not known".to_owned();
            let figure = Figure::study(title, &made.result, &made.outcomes);
            super::plot::write_figure(path, &figure)?;
        }
        Ok(Some(made))
    }

    fn draw(&self, job: &Job, draws: u64, terminal: &Terminal) -> Result<Made, Failure> {
        let study = job.study(draws, self.seed);
        let bar = Progress::drawing(draws, terminal);
        let outcomes = job.draws(&study, &study.part(1, 1), &|| bar.count_one())?;
        Ok(Made {
            result: StudyResult::of(study, &outcomes),
            outcomes,
        })
    }
}

fn merge(job: &Job, files: &[PathBuf]) -> Result<Made, Failure> {
    let named = |path: &Path| Ok((path.display().to_string(), read(path)?.text().to_owned()));
    let texts: Vec<(String, String)> = files
        .iter()
        .map(|path| named(path))
        .collect::<Result<_, Failure>>()?;
    let refused = |error| Failure::Request(format!("{error}"));
    // There is one at least.
    let (name, text) = &texts[0];
    let study = Study::read(name, text).map_err(refused)?;
    if study != job.study(study.draws, study.seed) {
        return Err(Failure::Request(format!(
            "{name} holds draws of another script or rig, or of one with other options"
        )));
    }
    let outcomes = study.merge(&texts).map_err(refused)?;
    Ok(Made {
        result: StudyResult::of(study, &outcomes),
        outcomes,
    })
}

/// The study for people.
pub(super) fn for_people(made: &Made, terminal: &Terminal) -> String {
    let result = &made.result;
    let study = &result.study;
    let percent = |share: f64| format!("{:.1} %", Decimal(100.0 * share));
    let style = if made.ok() { GOOD } else { BAD };
    let mut text = String::new();
    // Writing to a String cannot fail.
    let _ = writeln!(
        text,
        "\n{STRONG}Variations{STRONG:#}: {style}{} of {} rigs pass{style:#}, {}; 95 % interval {} to {} (Wilson), seed {}",
        result.passed,
        study.draws,
        percent(result.share()),
        percent(result.interval.0),
        percent(result.interval.1),
        study.seed
    );
    if let Some((low, median)) = result.margin {
        let _ = writeln!(
            text,
            "torque margin without a reserve: {} in the median, less than {} in 1 of 20",
            percent(median),
            percent(low)
        );
    }
    if let Some((median, high)) = result.lag {
        let _ = writeln!(
            text,
            "peak lag: {} electrical degrees in the median, more than {} in 1 of 20",
            Rounded(median.round()),
            Rounded(high.round())
        );
    }
    if !result.failures.is_empty() {
        let _ = writeln!(text, "\n{}", failures(&result.failures, terminal));
    }
    let several = several_axes(result);
    for (of, deciding) in [
        ("the torque margin", result.decide_margin()),
        ("the peak lag", result.decide_lag()),
    ] {
        if !deciding.is_empty() {
            let _ = writeln!(text, "decides {of}: {}", decided(&deciding, several));
        }
    }
    let correlation = |found: Option<f64>| {
        found.map_or_else(|| "–".to_owned(), |found| format!("{:+.2}", Decimal(found)))
    };
    let rows = result.values.iter().map(|one: &DecidingValue| {
        vec![
            one.value.name(several),
            one.value.to_string(),
            correlation(one.with_margin),
            correlation(one.with_lag),
        ]
    });
    let heads = ["varied", "range", "with margin", "with lag"];
    let _ = writeln!(text, "\n{}", table(&heads, &[2, 3], rows, terminal.width()));
    let _ = writeln!(
        text,
        "Rank correlations (Spearman); below {:.2} they may be chance. What the rig gives no tolerance for is not varied.",
        Decimal(result.significant)
    );
    text
}

/// What the rigs fail by; one rig may fail by several findings.
fn failures(failures: &[StudyFailure], terminal: &Terminal) -> String {
    let rows = failures.iter().map(|failure| {
        let held = failure.without_lost_step;
        vec![
            failure.code.clone(),
            failure.draws.to_string(),
            failure.alone.to_string(),
            held.map_or_else(|| "–".to_owned(), |held| held.to_string()),
        ]
    });
    let heads = ["rigs fail by", "rigs", "by this alone", "lose no step"];
    table(&heads, &[1, 2, 3], rows, terminal.width())
}

fn several_axes(result: &StudyResult) -> bool {
    let mut axes = result
        .values
        .iter()
        .filter_map(|one| one.value.axis.as_ref());
    let first = axes.next();
    axes.any(|axis| Some(axis) != first)
}

fn decided(deciding: &[(&VariedValue, f64)], several: bool) -> String {
    let named: Vec<String> = deciding
        .iter()
        .take(NAMED)
        .map(|(value, correlation)| {
            format!("{} ({:+.2})", value.name(several), Decimal(*correlation))
        })
        .collect();
    named.join(", ")
}
