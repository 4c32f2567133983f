//! The option that leaves the motor model out of a verdict, and what that says.

use clap::Args;

use super::progress::Progress;
use super::terminal::{BAD, DOUBTFUL, GOOD};
use super::{Failure, Terminal};
use slewsmith::Job;
use slewsmith::check::{SimulatedSummary, Summary};
use slewsmith::simulate::Outcome;
use slewsmith::units::Rounded;

/// What a command says that leaves the motor model out.
pub(super) const NOT_SIMULATED: &str = "not simulated: lost steps stay unnoticed";

/// Whether a verdict asks the motor model.
#[derive(Debug, Args)]
pub(super) struct RehearseOptions {
    /// Do not play the program in the motor model; lost steps then stay unnoticed.
    #[arg(long)]
    without_simulation: bool,
}

impl RehearseOptions {
    /// The job with the verdict that was asked for, its program played in the motor model where
    /// that is part of it.
    ///
    /// # Errors
    /// The program cannot be planned.
    pub(super) fn apply(&self, job: Job, terminal: &Terminal) -> Result<Job, Failure> {
        if !self.without_simulation {
            rehearse(&job, terminal)?;
        }
        Ok(self.apply_silently(job))
    }

    /// The same, the program being played when somebody asks.
    pub(super) fn apply_silently(&self, job: Job) -> Job {
        if self.without_simulation {
            job.without_simulation()
        } else {
            job
        }
    }
}

/// Plays the program of a job in the motor model, as far as a verdict does; it shows that it is
/// at it.
///
/// # Errors
/// The program cannot be planned.
pub(super) fn rehearse(job: &Job, terminal: &Terminal) -> Result<(), Failure> {
    let _busy = Progress::busy("playing the program in the motor model", terminal);
    job.rehearse()?;
    Ok(())
}

/// What the motor model says of a program, in a line; `played` is what it came to where all of
/// it was played, and not only as much as for a verdict.
pub(super) fn conclusion(summary: &Summary, played: Option<&Outcome>) -> String {
    match &summary.simulated {
        None => format!("{DOUBTFUL}Not simulated{DOUBTFUL:#}: lost steps stay unnoticed\n"),
        Some(simulated) => format!("In the motor model: {}\n", told(simulated, played)),
    }
}

fn told(simulated: &SimulatedSummary, played: Option<&Outcome>) -> String {
    let lost = match played.map_or(simulated.lost_steps, |played| played.lost_steps) {
        0 => format!("{GOOD}no step lost{GOOD:#}"),
        lost => format!("{BAD}{lost} full steps lost{BAD:#}"),
    };
    let line = simulated.peak_lag_line;
    let line = line.map_or_else(String::new, |line| format!(" (line {line})"));
    let lag = Rounded(simulated.peak_lag_electrical_deg);
    let worse = match simulated.lost_steps_worse {
        None => String::new(),
        Some(0) => "; none in a weaker motor with a heavier load".to_owned(),
        Some(lost) => format!("; {lost} in a weaker motor with a heavier load"),
    };
    let lag = format!("; peak lag {lag} electrical degrees{line}");
    format!("{lost}{lag}{worse}")
}
