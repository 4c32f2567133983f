//! `check`: checks every move against torque, bands, timer, drive and heat.

use std::collections::{HashMap, HashSet};
use std::fmt::Write as _;
use std::io::Write;
use std::path::PathBuf;
use std::sync::Arc;

use clap::Args;

use super::input::{load, load_for};
use super::progress::Progress;
use super::rehearse::{RehearseOptions, conclusion};
use super::table::table;
use super::terminal::{BAD, DOUBTFUL, GOOD, STRONG};
use super::variations::{Made, VariationOptions, for_people};
use super::{Answer, Failure, Terminal};
use slewsmith::check::{Crossing, Finding, MoveCheck, Severity, Summary};
use slewsmith::plan::{Motion, MovePart};
use slewsmith::rig::{Rig, TravelUnit};
use slewsmith::units::{Decimal, Exactly, Rounded, Time};
use slewsmith::{Checks, Job};

/// Rows of the table at most, unless `--verbose` is given.
const ROWS: usize = 100;
/// Columns that a table with bands and the place of the least margin takes.
const ROOMY: usize = 110;

/// Check every move against torque, critical speeds, timer, drive and heat. Exit code 1 when a
/// move must not run.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  slewsmith check examples/carousel.moves\n  \
    slewsmith check examples/carousel.moves --variations 400 --plot draws.svg"
)]
pub(super) struct CheckCommand {
    /// The move script; `-` reads it from standard input.
    script: PathBuf,
    /// Print JSON.
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    rehearse: RehearseOptions,
    #[command(flatten)]
    variations: VariationOptions,
}

impl CheckCommand {
    /// Runs the command.
    ///
    /// # Errors
    /// Wrong input, or output that cannot be written.
    pub(super) fn run(&self, terminal: &mut Terminal) -> Result<Answer, Failure> {
        let job = match &self.variations.plot {
            Some(plot) => load_for(&self.script, plot)?,
            None => load(&self.script)?,
        };
        let job = self.rehearse.apply(job, terminal)?;
        if self.variations.print_part(&job, terminal)? {
            return Ok(Answer::Yes);
        }
        let printing = || Failure::system("cannot print the verdict");
        let made = self.variations.make(&job, terminal)?;
        let mut out = terminal.results();
        let mut ok = if self.json {
            json(&job, made.as_ref(), &mut out, terminal)?
        } else {
            people(&job, &mut out, terminal)?
        };
        if let Some(made) = &made {
            ok &= made.ok();
            if !self.json {
                let text = for_people(made, terminal);
                out.write_all(text.as_bytes()).map_err(printing())?;
            }
        }
        out.flush().map_err(printing())?;
        Ok(Answer::of(ok))
    }
}

/// Writes the moves as they are checked. `ok` and the total time are known only at
/// the end, so they come last.
fn json(
    job: &Job,
    made: Option<&Made>,
    out: &mut impl Write,
    terminal: &Terminal,
) -> Result<bool, Failure> {
    let bar = Progress::through(job, 1.0, "checking the moves", terminal);
    let printing = || Failure::system("cannot print the verdict");
    write!(out, "{{\"moves\":[").map_err(printing())?;
    let mut first = true;
    let mut checks = job.check();
    for checked in checks.by_ref() {
        let checked = checked?;
        for object in checked.to_json(job.rig()) {
            let comma = if std::mem::take(&mut first) { "" } else { "," };
            write!(out, "{comma}\n{object}").map_err(printing())?;
        }
    }
    drop(bar);
    let summary = concluded(job, checks, terminal)?;
    let variations = match made {
        Some(made) => format!("\"variations\":{},", made.result.to_json()),
        None => String::new(),
    };
    let ok = summary.ok && made.is_none_or(Made::ok);
    let rehearsal = job.rehearse()?;
    let simulated = rehearsal.is_some();
    let simulation = serde_json::json!(rehearsal);
    let endless = match &summary.endless {
        Some(endless) => format!("\"endless\":{},", endless.to_json(&job.rig().axes)),
        None => String::new(),
    };
    writeln!(
        out,
        "\n],\"simulated\":{simulated},\"simulation\":{simulation},\"total_time_s\":{},\"findings\":{},{endless}{variations}\"ok\":{ok}}}",
        serde_json::json!(summary.total_time),
        summary.findings_json()
    )
    .map_err(printing())?;
    Ok(ok)
}

/// Checks a job and prints the table for people; gives whether all of it may run.
///
/// # Errors
/// The program cannot be planned, or nothing can be printed.
pub(super) fn show(job: &Job, terminal: &mut Terminal) -> Result<bool, Failure> {
    let mut out = terminal.results();
    let ok = people(job, &mut out, terminal)?;
    out.flush()
        .map_err(Failure::system("cannot print the verdict"))?;
    Ok(ok)
}

/// Moves of one statement with one motion: a row of the table.
struct Row {
    line: usize,
    motion: Arc<Motion>,
    sample: MoveCheck,
    moves: u64,
}

impl Row {
    /// Takes in one more; the worst is shown, the first of equals.
    fn add(&mut self, checked: MoveCheck) {
        self.moves = self.moves.saturating_add(checked.times);
        if checked.verdict() > self.sample.verdict() {
            self.sample = checked;
        }
    }
}

fn people(job: &Job, out: &mut impl Write, terminal: &Terminal) -> Result<bool, Failure> {
    let mut rows: Vec<Row> = Vec::new();
    let mut known: HashMap<(usize, *const Motion), usize> = HashMap::new();
    let mut beyond = 0u64;
    let most = if terminal.verbose { usize::MAX } else { ROWS };
    let bar = Progress::through(job, 1.0, "checking the moves", terminal);
    let mut checks = job.check();
    for checked in checks.by_ref() {
        let checked = checked?;
        let key = (checked.planned.line, Arc::as_ptr(&checked.planned.motion));
        match known.get(&key) {
            Some(row) => rows[*row].add(checked),
            None if rows.len() < most => {
                known.insert(key, rows.len());
                rows.push(Row {
                    line: checked.planned.line,
                    motion: Arc::clone(&checked.planned.motion),
                    moves: checked.times,
                    sample: checked,
                });
            }
            None => beyond = beyond.saturating_add(checked.times),
        }
    }
    drop(bar);
    let summary = concluded(job, checks, terminal)?;
    let mut text = report(&rows, beyond, &summary, job.rig(), terminal);
    text.push_str(&headline(&summary));
    text.push_str(&conclusion(&summary, None));
    out.write_all(text.as_bytes())
        .map_err(Failure::system("cannot print the verdict"))?;
    Ok(summary.ok)
}

/// What the whole program comes to; it is gone through again for that.
fn concluded(job: &Job, checks: Checks<'_>, terminal: &Terminal) -> Result<Summary, Failure> {
    let times = checks.programs_to_come();
    let _busy = Progress::through(job, times, "trying the player and the formats", terminal);
    Ok(checks.summary()?)
}

fn report(rows: &[Row], beyond: u64, summary: &Summary, rig: &Rig, terminal: &Terminal) -> String {
    // Most programs keep out of critical speeds; their table stays narrow.
    let crosses = rows
        .iter()
        .flat_map(|row| &row.sample.check.axes)
        .any(|check| !check.bands.is_empty());
    let mut heads = vec![
        "line",
        "axis",
        "travel",
        "moves",
        "time",
        "peak speed",
        "torque margin",
    ];
    if crosses {
        heads.push("in bands");
    }
    heads.push("verdict");
    let short = crosses && terminal.width() < ROOMY;
    let cells = rows.iter().flat_map(|row| cells(row, rig, crosses, short));
    let mut text = table(&heads, &[0, 2, 3, 4, 5, 6], cells, terminal.width());
    text.push('\n');
    // Writing to a String cannot fail.
    if beyond > 0 {
        let _ = writeln!(text, "… and {beyond} more moves: --verbose shows all");
    }
    let stops = rig.axes.iter().zip(&summary.stops);
    for (axis, stops) in stops {
        if let Some(stops) = stops.text(axis) {
            let _ = writeln!(text, "{}: {stops}", axis.name);
        }
    }
    text.push_str(&bands_met(rows, rig));
    let mut told = HashSet::new();
    for row in rows {
        let found = row.sample.findings();
        for finding in found.chain(&row.sample.changes) {
            let mut paragraph = format!("\n{STRONG}line {}{STRONG:#} ", row.line);
            describe(&mut paragraph, finding);
            // Moves of one statement may differ by a microstep, and by nothing else.
            if told.insert(paragraph.clone()) {
                text.push_str(&paragraph);
            }
        }
    }
    for finding in &summary.findings {
        text.push('\n');
        if let Some(line) = finding.line {
            let _ = write!(text, "{STRONG}line {line}{STRONG:#} ");
        }
        describe(&mut text, finding);
    }
    text.push('\n');
    text
}

fn cells(row: &Row, rig: &Rig, crosses: bool, short: bool) -> Vec<Vec<String>> {
    let axes = row.motion.axes.iter().zip(&row.sample.planned.travel);
    row.sample
        .check
        .axes
        .iter()
        .zip(axes)
        .enumerate()
        .map(|(number, (check, (_, travel)))| {
            let axis = &rig.axes[check.axis];
            let unit = TravelUnit::of(axis);
            let mut margin = check.margin_text(rig);
            if short {
                // The place is in the JSON.
                margin.truncate(margin.find(" at ").unwrap_or(margin.len()));
            }
            let mut cells = vec![
                row.line.to_string(),
                axis.name.clone(),
                format!(
                    "{:+} {}{}",
                    Exactly((travel.to - travel.from) * unit.per_si),
                    unit.name,
                    match row.sample.planned.part {
                        MovePart::Whole => "",
                        MovePart::Beyond => ", beyond",
                        MovePart::Approach => ", back",
                    }
                ),
                row.moves.to_string(),
                Time::new(row.motion.duration).to_string(),
                format!(
                    "{} {}/s",
                    Rounded(check.peak_speed * unit.per_si),
                    unit.name
                ),
                margin,
            ];
            if crosses {
                cells.push(check.bands_text());
            }
            cells.push(row.sample.axis_verdict(number).word().to_owned());
            cells
        })
        .collect()
}

/// The bands that the moves enter, and how each was found.
fn bands_met(rows: &[Row], rig: &Rig) -> String {
    let mut lines: Vec<String> = Vec::new();
    for check in rows.iter().flat_map(|row| &row.sample.check.axes) {
        let axis = &rig.axes[check.axis];
        for Crossing { band, .. } in &check.bands {
            let line = format!(
                "{}: {} band {}, found {}\n",
                axis.name,
                band.kind.word(),
                band.speeds_text(axis),
                band.found_by.words()
            );
            if !lines.contains(&line) {
                lines.push(line);
            }
        }
    }
    if lines.is_empty() {
        String::new()
    } else {
        format!("\n{}", lines.concat())
    }
}

/// A finding with its cures, as a paragraph.
pub(super) fn describe(text: &mut String, finding: &Finding) {
    let (word, style) = match finding.severity {
        Severity::Failure => ("failure", BAD),
        Severity::Warning => ("warning", DOUBTFUL),
        Severity::Note => ("note", STRONG),
    };
    if let Some(axis) = &finding.axis {
        let _ = write!(text, "{axis}: ");
    }
    let _ = writeln!(
        text,
        "{style}{word}{style:#}: {} [{}]",
        finding.message, finding.code
    );
    if !finding.cures.is_empty() {
        let _ = writeln!(text, "    cure: {}", finding.cures.join(", or "));
    }
}

/// The verdict on the whole program.
pub(super) fn headline(summary: &Summary) -> String {
    let mut text = String::new();
    let least = match summary.least_margin {
        Some((least, line)) => {
            format!(
                "; least torque margin {:.0} % (line {line})",
                Decimal(least * 100.0)
            )
        }
        None => String::new(),
    };
    let waiting = if summary.waits {
        " plus waits for inputs"
    } else {
        ""
    };
    let time = format!("{}{waiting}", Time::new(summary.total_time));
    let counted = |count: u64| match count {
        1 => "1 move".to_owned(),
        several => format!("{several} moves"),
    };
    let moves = counted(summary.moves);
    let program = match &summary.endless {
        None => format!("{moves} in {time}"),
        Some(endless) => {
            let period = match endless.passes {
                1 => "pass".to_owned(),
                passes => format!("{passes} passes"),
            };
            format!(
                "repeats without end, {} in {} each {period}{waiting} ({} passes judged)",
                counted(endless.moves),
                Time::new(endless.period),
                endless.passes_judged()
            )
        }
    };
    if summary.ok {
        let simulated = if summary.simulated.is_some() {
            ""
        } else {
            ", not simulated"
        };
        let _ = write!(text, "{GOOD}May run{GOOD:#}{simulated}: {program}{least}");
    } else if summary.failed == 0 {
        let _ = write!(
            text,
            "{BAD}Must not run{BAD:#}: every move passes, but the program as a whole fails; {program}{least}"
        );
    } else {
        let _ = write!(
            text,
            "{BAD}Must not run{BAD:#}: {} of {moves} failed{least}",
            summary.failed
        );
    }
    match summary.warned {
        0 => {}
        1 => text.push_str("; 1 move has warnings"),
        several => {
            let _ = write!(text, "; {several} moves have warnings");
        }
    }
    text.push('\n');
    text
}
