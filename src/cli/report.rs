//! `report`: all of it on one page.

use std::path::{Path, PathBuf};

use clap::Args;

use super::explain::explanation;
use super::input::Job;
use super::output::Output;
use super::{Answer, Failure, Terminal};
use crate::check::Checker;
use crate::draw::report::{self, About, Page, Report as Making};
use crate::emit::binary::to_bytes;
use crate::plan::Item;
use crate::schedule::pack::pack;
use crate::schedule::{Facts, Schedule};

/// Schedules with more items than this are not counted.
const COUNTED: usize = 20_000;

/// The verdict with its reasons, plots over time, the torque plane, schedule, coils and
/// heat on one page that needs nothing but itself.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  slewsmith report examples/carousel.moves -o carousel.html")]
pub struct Report {
    /// The move script; `-` reads it from standard input.
    script: PathBuf,
    /// Where to write the page; `-` is standard output.
    #[arg(short, long, value_name = "FILE.html")]
    output: PathBuf,
}

impl Report {
    /// Runs the command. The page is written whether or not the moves may run.
    ///
    /// # Errors
    /// Wrong input, or a page that cannot be written.
    pub fn run(&self, terminal: &mut Terminal) -> Result<Answer, Failure> {
        refuse_other_endings(&self.output)?;
        let job = Job::load(&self.script)?;
        let (page, ok) = page(&job, &self.script)?;
        Output::write_whole(&self.output, report::html(&page).as_bytes())?;
        if self.output != Path::new("-") {
            terminal.note(&format!("wrote {}", self.output.display()));
        }
        Ok(Answer::of(ok))
    }
}

/// Refuses a file whose ending says that it holds something else than a page.
fn refuse_other_endings(path: &Path) -> Result<(), Failure> {
    match path.extension() {
        Some(ending)
            if !["html", "htm"]
                .iter()
                .any(|page| ending.eq_ignore_ascii_case(page)) =>
        {
            Err(Failure::Request(format!(
                "the report is a page in HTML, and {} does not end in .html; a browser prints it to paper or to a PDF",
                path.display()
            )))
        }
        _ => Ok(()),
    }
}

/// The page of a program, and whether all of it may run.
///
/// # Errors
/// The program cannot be planned.
pub(super) fn page(job: &Job, script: &Path) -> Result<(Page, bool), Failure> {
    let abilities = job.abilities();
    let mut checker = Checker::new(&job.rig, abilities);
    let mut making = Making::new(&job.rig, abilities);
    let mut items = Vec::new();
    for item in job.items() {
        let item = item?;
        let checked = checker.check(&item);
        making.add(&item, checked.as_ref());
        if items.len() <= COUNTED {
            items.push(item);
        }
    }
    making.simulate();
    let whole = items.len() <= COUNTED;
    // A program that cannot be packed has no figure for it.
    let packed = whole
        .then(|| pack(items.clone(), &job.rig).ok())
        .flatten()
        .and_then(|packed| to_bytes(&packed, &job.rig, "").ok())
        .map(|bytes| bytes.len());
    let schedule = whole.then(|| counted(items, job));
    let about = About {
        title: title(script),
        inputs: job
            .sources
            .iter()
            .map(|source| (source.name().to_owned(), source.text().to_owned()))
            .collect(),
        explain: |code| {
            explanation(code)
                .map(|one| one.paragraphs())
                .unwrap_or_default()
        },
    };
    let summary = checker.summary();
    Ok((
        making.page(&about, &summary, schedule.as_ref(), packed),
        summary.ok,
    ))
}

fn counted(items: Vec<Item>, job: &Job) -> Facts {
    let mut schedule = Schedule::new(items, &job.rig);
    while schedule.next_run().is_some() {}
    schedule.facts().clone()
}

/// The file's name without its folder.
pub(super) fn title(path: &Path) -> String {
    path.file_name().map_or_else(
        || path.display().to_string(),
        |name| name.to_string_lossy().into_owned(),
    )
}
