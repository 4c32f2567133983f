//! `fastest`: the settings with which the moves of a script settle soonest.

use std::fmt::Write as _;
use std::io::Write;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicI32, Ordering};

use clap::Args;
use serde_json::{Map, Value, json};

use super::input::{load_for, tell_guesses};
use super::output::Output;
use super::progress::Progress;
use super::signals::on_interrupt;
use super::table::table;
use super::terminal::{BAD, DOUBTFUL, GOOD, STRONG};
use super::{Answer, Failure, Terminal};
use slewsmith::fastest::{Choice, Fastest, FastestMove, Performance};
use slewsmith::rig::{Axis, Rig, TravelUnit};
use slewsmith::units::{Decimal, Exactly, Rounded, Time};

/// Find speed, acceleration, jerk and shape with which each move settles soonest, under the
/// torque reserve, outside critical bands, with no step lost in a weaker motor with a heavier
/// load. Exit code 1 when no script that passes its check is found.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  slewsmith fastest examples/carousel.moves --write examples/faster.moves\n\n\
    Settled time is the time of a move and, in the motor model, from its last step until the load\n\
    stays within the rig's `settle`. Ctrl-C ends the search and prints the best found so far."
)]
pub(super) struct FastestCommand {
    /// The move script.
    script: PathBuf,
    /// Find one choice for all moves of this axis, and leave the others as they are.
    #[arg(long, value_name = "NAME")]
    axis: Option<String>,
    /// Write a copy of the script with the best choices; beside the script, whose rig is named
    /// relative to it.
    #[arg(long, value_name = "FILE")]
    write: Option<PathBuf>,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

impl FastestCommand {
    /// Runs the command.
    ///
    /// # Errors
    /// Wrong input, or output that cannot be written.
    pub(super) fn run(&self, terminal: &mut Terminal) -> Result<Answer, Failure> {
        let target = self.write.as_deref().unwrap_or(Path::new("-"));
        self.refuse_another_folder()?;
        let job = load_for(&self.script, target)?;
        tell_guesses(job.rig(), terminal);
        let signal = Arc::new(AtomicI32::new(0));
        let told = Arc::clone(&signal);
        on_interrupt(move |code| {
            // A second one does not wait for the search.
            if told.swap(code, Ordering::Relaxed) != 0 {
                std::process::exit(code);
            }
        });
        let mut bar = Progress::searching(terminal);
        let found = job.fastest(self.axis.as_deref(), &mut |at| {
            bar.say(format!(
                "move {} of {}: {} choices",
                at.done + 1,
                at.moves,
                at.tries
            ));
            bar.count();
            match signal.load(Ordering::Relaxed) {
                0 => ControlFlow::Continue(()),
                _ => ControlFlow::Break(()),
            }
        })?;
        drop(bar);
        let text = if self.json {
            to_json(&found, job.rig()).to_string() + "\n"
        } else {
            for_people(&found, job.rig(), terminal)
        };
        let mut out = terminal.results();
        out.write_all(text.as_bytes())
            .and_then(|()| out.flush())
            .map_err(Failure::system("cannot print what was found"))?;
        if found.interrupted {
            return Ok(Answer::Interrupted(signal.load(Ordering::Relaxed)));
        }
        if let (Some(path), true) = (&self.write, found.ok()) {
            Output::write_whole(path, found.text.as_bytes())?;
        }
        if self.write.is_some() && !found.ok() {
            terminal.note("nothing was written");
        }
        Ok(Answer::of(found.ok()))
    }

    /// A copy elsewhere would not find its rig.
    fn refuse_another_folder(&self) -> Result<(), Failure> {
        let Some(target) = self.write.as_deref().filter(|path| *path != Path::new("-")) else {
            return Ok(());
        };
        let folder = |path: &Path| {
            let parent = path
                .parent()
                .filter(|parent| !parent.as_os_str().is_empty());
            std::fs::canonicalize(parent.unwrap_or(Path::new("."))).ok()
        };
        if folder(target) == folder(&self.script) {
            return Ok(());
        }
        Err(Failure::Request(format!(
            "{} is in another folder than the script, which names its rig relative to itself: write it beside the script",
            target.display()
        )))
    }
}

/// The columns of a performance.
fn columns(axis: &Axis, one: &Performance) -> Vec<String> {
    let unit = TravelUnit::of(axis);
    let margin = one
        .margin
        .map(|least| format!("{:.0} %", Decimal(least * 100.0)));
    vec![
        format!("{} {}/s", Rounded(one.peak_speed * unit.per_si), unit.name),
        Time::new(one.time).to_string(),
        Time::new(one.settled).to_string(),
        margin.unwrap_or_else(|| "–".to_owned()),
        format!("{:.1} deg el.", one.peak_lag),
        format!("{} {}", Rounded(one.overshoot * unit.per_si), unit.name),
    ]
}

fn row(first: [String; 4], rest: Vec<String>) -> Vec<String> {
    first.into_iter().chain(rest).collect()
}

fn lines_text(lines: &[usize]) -> String {
    let all: Vec<String> = lines.iter().map(ToString::to_string).collect();
    all.join(", ")
}

fn rows(one: &FastestMove, rig: &Rig) -> Vec<Vec<String>> {
    let axis = &rig.axes[one.axis];
    let unit = TravelUnit::of(axis);
    let travel = match one.travels[..] {
        [travel] => format!("{:+} {}", Exactly(travel * unit.per_si), unit.name),
        _ => format!("{} travels", one.travels.len()),
    };
    let blank = || vec!["–".to_owned(); 6];
    let today = match &one.today {
        Ok(performance) => columns(axis, performance),
        Err(_) => blank(),
    };
    let best = match &one.best {
        Some((_, performance)) => columns(axis, performance),
        None => blank(),
    };
    vec![
        row(
            [
                lines_text(&one.lines),
                axis.name.clone(),
                travel,
                "today".to_owned(),
            ],
            today,
        ),
        row(
            [
                String::new(),
                String::new(),
                String::new(),
                if one.best.is_some() { "best" } else { "kept" }.to_owned(),
            ],
            best,
        ),
    ]
}

fn for_people(found: &Fastest, rig: &Rig, terminal: &Terminal) -> String {
    let heads = [
        "line",
        "axis",
        "travel",
        "",
        "peak speed",
        "time",
        "settled",
        "margin",
        "peak lag",
        "overshoot",
    ];
    let all = found.moves.iter().flat_map(|one| rows(one, rig));
    let mut text = table(&heads, &[0, 2, 4, 5, 6, 7, 8, 9], all, terminal.width());
    text.push('\n');
    // Writing to a String cannot fail.
    for one in &found.moves {
        let lines = lines_text(&one.lines);
        let _ = writeln!(
            text,
            "\n{STRONG}line {lines}{STRONG:#}: {} choices",
            one.tries
        );
        if let Err(why) = &one.today {
            let _ = writeln!(text, "    {DOUBTFUL}today{DOUBTFUL:#}: {why}");
        }
        if one.best.is_none() {
            let _ = writeln!(text, "    no choice settles sooner; it stays as it is");
        }
        for line in &one.script {
            let _ = writeln!(text, "    {line}");
        }
        if !one.limits.is_empty() {
            let _ = writeln!(text, "    no more {}", one.limits.join("; no more "));
        }
    }
    for left in &found.left {
        let _ = writeln!(text, "\nline {} stays as it is: {}", left.line, left.why);
    }
    text.push('\n');
    if found.interrupted {
        let _ = writeln!(
            text,
            "{DOUBTFUL}Interrupted{DOUBTFUL:#}: the best found so far"
        );
    }
    let _ = match (&found.failure, saved(found)) {
        (Some(failure), _) => writeln!(
            text,
            "{BAD}The script fails its check{BAD:#} with these choices: {failure}"
        ),
        (None, Some((before, after))) => writeln!(
            text,
            "{GOOD}The script passes its check{GOOD:#} with these choices; settled in {} instead of {}",
            Time::new(after),
            Time::new(before)
        ),
        (None, None) => writeln!(
            text,
            "{GOOD}The script passes its check{GOOD:#} with these choices"
        ),
    };
    text
}

/// Settled times of all moves that are searched, once each: today and with the best choices;
/// none where one of them fails today.
fn saved(found: &Fastest) -> Option<(f64, f64)> {
    let mut sums = (0.0, 0.0);
    for one in &found.moves {
        let today = one.today.as_ref().ok()?;
        let best = one.best.as_ref().map_or(today, |(_, best)| best);
        sums.0 += today.settled;
        sums.1 += best.settled;
    }
    Some(sums)
}

fn performance_json(axis: &Axis, one: &Performance) -> Map<String, Value> {
    let unit = TravelUnit::of(axis);
    let mut object = Map::new();
    object.insert("time_s".into(), json!(one.time));
    object.insert("settled_s".into(), json!(one.settled));
    object.insert("torque_margin".into(), json!(one.margin));
    object.insert("peak_lag_electrical_deg".into(), json!(one.peak_lag));
    object.insert(
        format!("overshoot_{}", unit.name),
        json!(one.overshoot * unit.per_si),
    );
    object.insert(
        format!("peak_speed_{}_s", unit.name),
        json!(one.peak_speed * unit.per_si),
    );
    object.insert(
        format!("peak_accel_{}_s2", unit.name),
        json!(one.peak_accel * unit.per_si),
    );
    object
}

fn best_json(axis: &Axis, choice: &Choice, performance: &Performance) -> Value {
    let unit = TravelUnit::of(axis);
    let mut object = performance_json(axis, performance);
    object.insert("shape".into(), json!(choice.shape.name()));
    let written = |value: f64| Choice::written(value * unit.per_si);
    object.insert(
        format!("speed_{}_s", unit.name),
        json!(written(choice.speed)),
    );
    object.insert(
        format!("accel_{}_s2", unit.name),
        json!(written(choice.accel)),
    );
    object.insert(
        format!("jerk_{}_s3", unit.name),
        json!(choice.jerk.map(written)),
    );
    Value::Object(object)
}

fn to_json(found: &Fastest, rig: &Rig) -> Value {
    let moves: Vec<Value> = found
        .moves
        .iter()
        .map(|one| {
            let axis = &rig.axes[one.axis];
            let unit = TravelUnit::of(axis);
            let travels: Vec<f64> = one.travels.iter().map(|by| by * unit.per_si).collect();
            let best = one.best.as_ref();
            let mut object = json!({
                "lines": one.lines,
                "axis": axis.name,
                "choices": one.tries,
                "today": one.today.as_ref().ok().map(|today| performance_json(axis, today)),
                "refused_today": one.today.as_ref().err().map(ToString::to_string),
                "best": best.map(|(choice, of)| best_json(axis, choice, of)),
                "limits": one.limits,
                "script": one.script,
            });
            object[format!("travels_{}", unit.name)] = json!(travels);
            object
        })
        .collect();
    let left: Vec<Value> = found
        .left
        .iter()
        .map(|left| json!({ "line": left.line, "why": left.why }))
        .collect();
    json!({
        "ok": found.ok(),
        "failure": found.failure,
        "interrupted": found.interrupted,
        "moves": moves,
        "left": left,
    })
}
