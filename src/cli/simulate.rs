//! `simulate`: plays the ticks in the motor model.

use std::fmt::Write as _;
use std::io::{self, Write};
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use clap::Args;

use super::check::headline;
use super::input::{load, load_for, tell_guesses};
use super::output::Output;
use super::progress::Progress;
use super::rehearse::{conclusion, rehearse};
use super::table::table;
use super::{Answer, Failure, Terminal};
use slewsmith::Job;
use slewsmith::rig::Rig;
use slewsmith::simulate::{
    LeftOut, MoveOutcome, Options, Outcome, Rehearsal, SeekOutcome, SimulationEvent, TraceWriter,
};
use slewsmith::units::{Angle, Exactly, Length, Measure, Rounded, Time};

/// Rows of the table at most, unless `--verbose` is given.
const ROWS: usize = 100;
/// Time between two samples of the trace, where it is not given (s).
const TRACE_INTERVAL: f64 = 1e-3;

/// Play the schedule's ticks in the motor model: lost steps, lag, overshoot,
/// settling. Exit code 1 when a step is lost, or a move must not run for another reason.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  slewsmith simulate examples/carousel.moves --trace trace.csv")]
pub(super) struct SimulateCommand {
    /// The move script; `-` reads it from standard input.
    script: PathBuf,
    /// Print JSON.
    #[arg(long)]
    json: bool,
    /// Write position, currents and torque over time, as csv.
    #[arg(long, value_name = "FILE")]
    trace: Option<PathBuf>,
    /// Where the contact is that an axis seeks, from where the axis stands at the start:
    /// `AXIS=-212.5 deg`; once for each axis. Without it a seek goes to the end of its way.
    #[arg(long, value_name = "AXIS=PLACE")]
    seek: Vec<String>,
    /// Sampling interval of the trace, such as `0.5 ms` (default 1 ms).
    #[arg(long, value_name = "TIME", requires = "trace")]
    every: Option<String>,
}

impl SimulateCommand {
    /// Runs the command.
    ///
    /// # Errors
    /// Wrong input, or output that cannot be written.
    pub(super) fn run(&self, terminal: &mut Terminal) -> Result<Answer, Failure> {
        let job = match &self.trace {
            Some(trace) => load_for(&self.script, trace)?,
            None => load(&self.script)?,
        };
        tell_guesses(job.rig(), terminal);
        let mut trace = self.open_trace()?;
        let options = Options {
            trace_interval: trace.as_ref().map(|(_, every)| *every),
            ..Options::default()
        };
        let writer = trace.as_mut().map(|(writer, _)| writer);
        let writer = writer.zip(self.trace.as_deref());
        rehearse(&job, terminal)?;
        let contacts = self.contacts(job.rig())?;
        let outcome = match (&writer, job.rehearse()?) {
            (None, Some(Rehearsal { own, .. }))
                if contacts.is_empty() && own.played_to_s.is_none() && own.left_out.is_empty() =>
            {
                own.clone()
            }
            _ => play(&job, &options, &contacts, writer, terminal)?,
        };
        let summary = job.check().of_the_motion()?;
        let found = outcome.seeks.iter().all(|seek| seek.found);
        let may_run = outcome.ok && summary.ok && found;
        if let Some((writer, _)) = trace {
            Failure::unless_unread(writer.into_inner().finish())?;
        }
        let text = if self.json {
            let mut object = serde_json::json!(outcome);
            object["may_run"] = serde_json::json!(may_run);
            if let Some(endless) = &summary.endless {
                object["endless"] = endless.to_json(&job.rig().axes);
            }
            object.to_string() + "\n"
        } else {
            let mut text = for_people(&outcome, terminal);
            text.push_str(&headline(&summary));
            text.push_str(&conclusion(&summary, Some(&outcome)));
            text
        };
        let mut out = terminal.results();
        out.write_all(text.as_bytes())
            .and_then(|()| out.flush())
            .map_err(Failure::system("cannot print the outcome"))?;
        Ok(Answer::of(may_run))
    }

    /// Where the contacts are, one for each axis; empty where none is given.
    fn contacts(&self, rig: &Rig) -> Result<Vec<Option<f64>>, Failure> {
        let mut contacts = Vec::new();
        for text in &self.seek {
            let wrong = |why: String| Failure::Request(format!("--seek {text}: {why}"));
            let (name, place) = text
                .split_once('=')
                .ok_or_else(|| wrong("write for instance table=-212.5 deg".to_owned()))?;
            let axis = rig.axes.iter().position(|axis| axis.name == name.trim());
            let axis = axis.ok_or_else(|| wrong(format!("the rig has no axis `{name}`")))?;
            let place = match &rig.axes[axis].load.linear {
                None => place.trim().parse::<Angle>().map(Measure::to_si),
                Some(_) => place.trim().parse::<Length>().map(Measure::to_si),
            };
            contacts.resize(rig.axes.len(), None);
            contacts[axis] = Some(place.map_err(|error| wrong(error.to_string()))?);
        }
        Ok(contacts)
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
    contacts: &[Option<f64>],
    trace: Option<(&mut TraceWriter<Output>, &Path)>,
    terminal: &Terminal,
) -> Result<Outcome, Failure> {
    let mut bar = Progress::new(duration(job, terminal)?, terminal);
    let mut outcome = Outcome::default();
    let (mut trace, path) = trace.unzip();
    let mut refused: Option<io::Error> = None;
    let played = job.simulate_seeking(options, contacts, &mut |report| {
        match report {
            SimulationEvent::Progress(seconds) => bar.reach(seconds),
            SimulationEvent::Move(_)
            | SimulationEvent::Sought(_)
            | SimulationEvent::LeftOut(_)
            | SimulationEvent::Cut(_) => {
                outcome.take_in(&report);
            }
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
fn duration(job: &Job, terminal: &Terminal) -> Result<f64, Failure> {
    let _busy = Progress::through(job, 1.0, "going through the program", terminal);
    if terminal.watched() {
        return Ok(job.duration()?);
    }
    Ok(0.0)
}

/// Moves of one statement over one way, with the same outcome as to lost steps: a row of the
/// table.
struct OutcomeRow<'o> {
    first: &'o MoveOutcome,
    moves: u64,
    lost_steps: i64,
    peak_lag: f64,
    overshoot: f64,
    /// The longest; none where one was not seen to settle.
    settle: Option<f64>,
    /// The greatest, either way.
    final_error: f64,
}

impl<'o> OutcomeRow<'o> {
    fn of(first: &'o MoveOutcome) -> Self {
        Self {
            first,
            moves: 1,
            lost_steps: first.lost_steps,
            peak_lag: first.peak_lag_electrical_deg,
            overshoot: first.overshoot,
            settle: first.settle_s,
            final_error: first.final_error,
        }
    }

    fn holds(&self, other: &MoveOutcome) -> bool {
        let key = |one: &MoveOutcome| {
            (
                one.line,
                one.part,
                one.travel.to_bits(),
                one.lost_steps != 0,
            )
        };
        self.first.axis == other.axis && key(self.first) == key(other)
    }

    fn add(&mut self, other: &MoveOutcome) {
        self.moves += 1;
        self.lost_steps += other.lost_steps;
        self.peak_lag = self.peak_lag.max(other.peak_lag_electrical_deg);
        self.overshoot = self.overshoot.max(other.overshoot);
        let longest = self.settle.zip(other.settle_s);
        self.settle = longest.map(|(one, other)| one.max(other));
        if other.final_error.abs() > self.final_error.abs() {
            self.final_error = other.final_error;
        }
    }

    fn cells(&self) -> Vec<String> {
        let unit = self.first.unit.name;
        let settle = self.settle.map(|time| Time::new(time).to_string());
        vec![
            self.first.line.to_string(),
            self.first.axis.clone(),
            format!("{:+} {unit}", Exactly(self.first.travel)),
            self.moves.to_string(),
            self.lost_steps.to_string(),
            format!("{:.1} deg el.", self.peak_lag),
            format!("{} {unit}", Rounded(self.overshoot)),
            settle.unwrap_or_else(|| "not seen".to_owned()),
            format!("{} {unit}", Rounded(self.final_error)),
        ]
    }
}

fn for_people(outcome: &Outcome, terminal: &Terminal) -> String {
    let mut rows: Vec<OutcomeRow<'_>> = Vec::new();
    for one in &outcome.moves {
        match rows.iter_mut().find(|row| row.holds(one)) {
            Some(row) => row.add(one),
            None => rows.push(OutcomeRow::of(one)),
        }
    }
    let most = if terminal.verbose { usize::MAX } else { ROWS };
    let heads = [
        "line",
        "axis",
        "travel",
        "moves",
        "lost steps",
        "peak lag",
        "overshoot",
        "settles in",
        "final error",
    ];
    let cells = rows.iter().take(most).map(OutcomeRow::cells);
    let mut text = table(&heads, &[0, 2, 3, 4, 5, 6, 7, 8], cells, terminal.width());
    text.push('\n');
    for seek in &outcome.seeks {
        let SeekOutcome {
            line,
            axis,
            found,
            steps,
            at,
            unit,
        } = seek;
        let how = if *found { "found" } else { "not found" };
        // Writing to a String cannot fail.
        let _ = writeln!(
            text,
            "line {line}: {axis} {how} after {steps} microsteps, at {} {} from its start",
            Rounded(*at),
            unit.name
        );
    }
    for LeftOut { from, moves, times } in &outcome.left_out {
        // Writing to a String cannot fail.
        let _ = writeln!(
            text,
            "moves {from} to {}: {times} more passes begin with the rotor in the same state and are not played",
            from + moves - 1
        );
    }
    if rows.len() > most {
        text.push_str(&format!(
            "… and {} more rows: --verbose shows all\n",
            rows.len() - most
        ));
    }
    text.push('\n');
    text
}
