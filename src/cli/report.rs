//! `report`: all of it on one page.

use std::path::{Path, PathBuf};

use clap::Args;

use super::explain::explanation;
use super::input::load_for;
use super::output::Output;
use super::progress::Progress;
use super::rehearse::RehearseOptions;
use super::{Answer, Failure, Terminal};
use slewsmith::Job;
use slewsmith::draw::Page;

/// The verdict with its reasons, plots over time, the torque plane, schedule, coils and
/// heat on one page that needs nothing but itself.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  slewsmith report examples/carousel.moves -o carousel.html")]
pub(super) struct ReportCommand {
    /// The move script; `-` reads it from standard input.
    script: PathBuf,
    /// Where to write the page; `-` is standard output.
    #[arg(short, long, value_name = "FILE.html")]
    output: PathBuf,
    #[command(flatten)]
    rehearse: RehearseOptions,
}

impl ReportCommand {
    /// Runs the command. The page is written whether or not the moves may run.
    ///
    /// # Errors
    /// Wrong input, or a page that cannot be written.
    pub(super) fn run(&self, terminal: &mut Terminal) -> Result<Answer, Failure> {
        refuse_other_endings(&self.output)?;
        let job = load_for(&self.script, &self.output)?;
        let job = self.rehearse.apply(job, terminal)?;
        // Once for the moves, and for the header.
        let times = 2.0 + job.check().programs_to_come();
        let doing = "checking the program and drawing its page";
        let busy = Progress::through(&job, times, doing, terminal);
        let (page, ok) = page(&job, &self.script)?;
        drop(busy);
        let written = Output::write_whole(&self.output, page.html().as_bytes());
        Failure::unless_unread(written)?;
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
                "the report is an HTML page, and {} does not end in .html; print it to PDF from a browser",
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
    let paragraphs = |code: &str| explanation(code).map_or_else(Vec::new, |one| one.paragraphs());
    Ok(job.report(title(script), paragraphs)?)
}

/// The file's name without its folder.
pub(super) fn title(path: &Path) -> String {
    path.file_name().map_or_else(
        || path.display().to_string(),
        |name| name.to_string_lossy().into_owned(),
    )
}
