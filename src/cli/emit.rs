//! `emit`: the schedule, in the format that whoever reads it wants.

use std::path::PathBuf;

use clap::Args;
use clap::builder::PossibleValuesParser;

use super::input::Job;
use super::output::Output;
use super::progress::{Progress, length};
use super::{Answer, Failure, Terminal};
use crate::check::Checker;
use crate::emit::{EmitError, FORMATS, Format, Heading, format};
use crate::plan::Item;

/// The schedule of a program whose check passes.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  slewsmith emit examples/carousel.moves --as c -o carousel.h")]
pub struct Emit {
    /// The move script; `-` reads it from standard input.
    script: PathBuf,
    /// The format.
    #[arg(long = "as", value_name = "FORMAT", value_parser = PossibleValuesParser::new(FORMATS.iter().map(|format| format.name())))]
    format: String,
    /// Where to write it; `-` is standard output.
    #[arg(short, long, value_name = "PATH", default_value = "-")]
    output: PathBuf,
    /// Write it even where the check fails; the output then says so.
    #[arg(long)]
    unchecked: bool,
}

impl Emit {
    /// Runs the command. Nothing is written unless the whole program passes its check
    /// or `--unchecked` is given.
    ///
    /// # Errors
    /// Wrong input, a program that the format cannot hold, or output that cannot be
    /// written.
    pub fn run(&self, terminal: &mut Terminal) -> Result<Answer, Failure> {
        let Some(format) = format(&self.format) else {
            return Err(Failure::Request(format!(
                "there is no format “{}”",
                self.format
            )));
        };
        let job = Job::load(&self.script)?;
        let (failure, duration) = why_not(&job)?;
        if let Some(reason) = &failure
            && !self.unchecked
        {
            terminal.note(&format!(
                "the program must not run, so nothing was written: {reason}\n\
                 `slewsmith check` shows all reasons and their cures; --unchecked writes it all the same"
            ));
            return Ok(Answer::No);
        }
        let bar = Progress::new(duration, terminal);
        self.write(format, &job, failure.as_deref(), bar)?;
        Ok(Answer::Yes)
    }

    fn write(
        &self,
        format: &dyn Format,
        job: &Job,
        failure: Option<&str>,
        mut bar: Progress,
    ) -> Result<(), Failure> {
        let program = self
            .script
            .file_stem()
            .map_or_else(|| "program".into(), |stem| stem.to_string_lossy());
        let heading = Heading {
            program: &program,
            rig: &job.rig,
            failure,
        };
        let mut stopped = None;
        let mut reached = 0.0;
        let mut items = job.items().map_while(|item| match item {
            Ok(item) => {
                reached += length(&item);
                bar.reach(reached);
                Some(item)
            }
            Err(error) => {
                stopped = Some(error);
                None
            }
        });
        let mut output = Output::create(&self.output)?;
        let written = format.write(
            &heading,
            &mut items as &mut dyn Iterator<Item = Item>,
            &mut output,
        );
        drop(items);
        if let Some(error) = stopped {
            return Err(error);
        }
        written.map_err(|error| match error {
            EmitError::Io(error) => Failure::System {
                what: format!("cannot write {}", self.output.display()),
                error,
            },
            unfit @ EmitError::Unfit { .. } => Failure::Request(unfit.to_string()),
        })?;
        output.finish()
    }
}

/// Why the program must not run, none where it may; and how long it lasts (s).
fn why_not(job: &Job) -> Result<(Option<String>, f64), Failure> {
    let mut checker = Checker::new(&job.rig, job.abilities());
    for item in job.items() {
        checker.check(&item?);
    }
    let summary = checker.summary();
    let place = |line: usize| {
        if line == 0 {
            String::new()
        } else {
            format!("line {line}: ")
        }
    };
    let failure = summary
        .first_failure
        .as_ref()
        .map(|(line, reason)| format!("{}{reason}", place(*line)));
    Ok((failure, summary.total_time))
}
