//! `simulate`: plays the ticks in the motor model.

use std::io::{self, Write};
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use clap::Args;

use super::input::{load, load_for};
use super::output::Output;
use super::progress::Progress;
use super::table::table;
use super::terminal::{BAD, GOOD};
use super::{Answer, Failure, Terminal};
use slewsmith::Job;
use slewsmith::simulate::{MoveOutcome, Options, Outcome, SimulationEvent, TraceWriter};
use slewsmith::units::{Rounded, Time};

/// Rows of the table at most, unless `--verbose` is given.
const ROWS: usize = 100;
/// Time between two samples of the trace, where it is not given (s).
const TRACE_INTERVAL: f64 = 1e-3;

/// Play the schedule's ticks in the motor model: lost steps, lag, overshoot,
/// settling. Exit code 1 when a step is lost.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  slewsmith simulate examples/carousel.moves --trace trace.csv")]
pub struct SimulateCommand {
    /// The move script; `-` reads it from standard input.
    script: PathBuf,
    /// Print JSON.
    #[arg(long)]
    json: bool,
    /// Write position, currents and torque over time, as csv.
    #[arg(long, value_name = "FILE")]
    trace: Option<PathBuf>,
    /// Sampling interval of the trace, such as `0.5 ms` (default 1 ms).
    #[arg(long, value_name = "TIME", requires = "trace")]
    every: Option<String>,
}

impl SimulateCommand {
    /// Runs the command.
    ///
    /// # Errors
    /// Wrong input, or output that cannot be written.
    pub fn run(&self, terminal: &mut Terminal) -> Result<Answer, Failure> {
        let job = match &self.trace {
            Some(trace) => load_for(&self.script, trace)?,
            None => load(&self.script)?,
        };
        let mut trace = self.open_trace()?;
        let options = Options {
            trace_interval: trace.as_ref().map(|(_, every)| *every),
            ..Options::default()
        };
        let writer = trace.as_mut().map(|(writer, _)| writer);
        let outcome = play(&job, &options, writer.zip(self.trace.as_deref()), terminal)?;
        if let Some((writer, _)) = trace {
            Failure::unless_unread(writer.into_inner().finish())?;
        }
        let text = if self.json {
            serde_json::json!(outcome).to_string() + "\n"
        } else {
            for_people(&outcome, terminal)
        };
        let mut out = terminal.results();
        out.write_all(text.as_bytes())
            .and_then(|()| out.flush())
            .map_err(Failure::system("cannot print the outcome"))?;
        Ok(Answer::of(outcome.ok))
    }

    fn open_trace(&self) -> Result<Option<(TraceWriter<Output>, f64)>, Failure> {
        let Some(path) = &self.trace else {
            return Ok(None);
        };
        let every = match &self.every {
            None => TRACE_INTERVAL,
            Some(text) => text
                .parse::<Time>()
                .map_err(|error| Failure::Request(format!("--every: {error}")))?
                .si(),
        };
        if every <= 0.0 {
            return Err(Failure::Request("--every must be above zero".to_owned()));
        }
        let writer = TraceWriter::new(Output::create(path)?)
            .map_err(Failure::system(format!("cannot write {}", path.display())))?;
        Ok(Some((writer, every)))
    }
}

/// Plays the program of a job, and writes a trace of it to a file; a progress bar shows how
/// far it is where somebody watches.
pub(super) fn play(
    job: &Job,
    options: &Options,
    trace: Option<(&mut TraceWriter<Output>, &Path)>,
    terminal: &Terminal,
) -> Result<Outcome, Failure> {
    let mut bar = Progress::new(duration(job, terminal)?, terminal);
    let mut outcome = Outcome::default();
    let (mut trace, path) = trace.unzip();
    let mut refused: Option<io::Error> = None;
    let played = job.simulate_with(options, &mut |report| {
        match report {
            SimulationEvent::Progress(seconds) => bar.reach(seconds),
            SimulationEvent::Move(_) | SimulationEvent::Cut(_) => outcome.take_in(&report),
            SimulationEvent::Sample(sample) => {
                match trace.as_deref_mut().map(|trace| trace.write(sample)) {
                    None | Some(Ok(())) => {}
                    // Nobody reads the trace any more; the outcome is still wanted.
                    Some(Err(error)) if error.kind() == io::ErrorKind::BrokenPipe => trace = None,
                    Some(Err(error)) => {
                        refused = Some(error);
                        return ControlFlow::Break(());
                    }
                }
            }
        }
        ControlFlow::Continue(())
    });
    drop(bar);
    played?;
    match refused {
        Some(error) => Err(Failure::System {
            what: format!("cannot write {}", path.unwrap_or(Path::new("-")).display()),
            error,
        }),
        None => Ok(outcome),
    }
}

/// How long the program lasts (s); zero where nobody watches, who would want to know.
pub(super) fn duration(job: &Job, terminal: &Terminal) -> Result<f64, Failure> {
    let mut seconds = 0.0;
    let _busy = Progress::busy("going through the program", terminal);
    if terminal.watched() {
        for item in job.items() {
            seconds += item?.duration();
        }
    }
    Ok(seconds)
}

fn for_people(outcome: &Outcome, terminal: &Terminal) -> String {
    let most = if terminal.verbose { usize::MAX } else { ROWS };
    let rows = outcome.moves.iter().take(most).map(row);
    let heads = [
        "move",
        "line",
        "axis",
        "lost steps",
        "peak lag",
        "overshoot",
        "settles in",
        "final error",
    ];
    let mut text = table(&heads, &[0, 1, 3, 4, 5, 6, 7], rows, terminal.width());
    text.push('\n');
    if outcome.moves.len() > most {
        text.push_str(&format!(
            "… and {} more moves: --verbose shows all\n",
            outcome.moves.len() - most
        ));
    }
    text.push_str(&conclusion(outcome));
    text
}

/// What it all came to, in a line.
pub(super) fn conclusion(outcome: &Outcome) -> String {
    let lag = Rounded(outcome.peak_lag_electrical_deg);
    if outcome.ok {
        format!(
            "\nIn the simulator: {GOOD}no step lost{GOOD:#}; peak lag {lag} electrical degrees\n"
        )
    } else {
        format!(
            "\nIn the simulator: {BAD}{} full steps lost{BAD:#}; peak lag {lag} electrical degrees\n",
            outcome.lost_steps
        )
    }
}

fn row(result: &MoveOutcome) -> Vec<String> {
    let unit = result.unit.name;
    vec![
        result.index.to_string(),
        result.line.to_string(),
        result.axis.clone(),
        result.lost_steps.to_string(),
        format!("{:.1} deg el.", result.peak_lag_electrical_deg),
        format!("{} {unit}", Rounded(result.overshoot)),
        result
            .settle_s
            .map_or_else(|| "not seen".to_owned(), |time| Time::new(time).to_string()),
        format!("{} {unit}", Rounded(result.final_error)),
    ]
}
