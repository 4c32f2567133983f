//! What a choice makes of a move: a script of its own, checked and played.

use std::fmt::Write as _;

use thiserror::Error;

use super::rewrite::{in_units, settings};
use super::{Choice, MoveStatement, Performance};
use crate::check::{Finding, MoveCheck, Severity};
use crate::job::{Error, Job};
use crate::plan::Item;
use crate::rig::{Rig, TravelUnit};
use crate::units::Rounded;

/// What a choice comes to.
#[derive(Debug, Clone)]
pub(super) enum Tried {
    /// It may run, and settles.
    Good(Performance),
    /// Why not.
    Bad(RefusedChoice),
}

/// Why a choice for a move is not taken.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum RefusedChoice {
    /// The check has something against it.
    #[error("{words}")]
    Found {
        /// The code of the finding.
        code: &'static str,
        /// What it says, in a few words.
        words: String,
    },
    /// The move cannot be planned so.
    #[error("{0}")]
    Unplanned(String),
    /// The load swings for longer than the move is played.
    #[error("the load does not settle")]
    Unsettled,
}

/// Tries choices for the moves of some statements.
pub(super) struct MoveTrial<'a> {
    job: &'a Job,
    /// Each different move once: what stands before it, and the move.
    moves: Vec<Tested<'a>>,
    /// Codes of what is found of the moves as they stand, short of failures.
    allowed: Vec<&'static str>,
    steps: u64,
}

/// A move that is tried.
struct Tested<'a> {
    statement: &'a MoveStatement,
    steps: i64,
}

impl<'a> MoveTrial<'a> {
    pub(super) fn new(job: &'a Job, statements: &[&'a MoveStatement]) -> Self {
        let mut moves: Vec<Tested<'a>> = Vec::new();
        for statement in statements {
            for steps in &statement.travels {
                let same = |known: &Tested<'_>| {
                    known.steps == *steps && known.statement.settings == statement.settings
                };
                if !moves.iter().any(same) {
                    moves.push(Tested {
                        statement,
                        steps: *steps,
                    });
                }
            }
        }
        let steps = moves.iter().map(|one| one.steps.unsigned_abs()).sum();
        let mut trial = Self {
            job,
            moves,
            allowed: Vec::new(),
            steps,
        };
        trial.allowed = trial.found_today();
        trial
    }

    /// Microsteps of one trial.
    pub(super) const fn steps(&self) -> u64 {
        self.steps
    }

    /// The moves as they are written.
    pub(super) fn today(&self) -> Tried {
        self.all(None)
    }

    /// The moves made in that way.
    pub(super) fn of(&self, choice: &Choice) -> Tried {
        self.all(Some(choice))
    }

    /// How long the moves take together; none where one cannot be planned.
    pub(super) fn duration(&self, choice: &Choice) -> Option<f64> {
        let mut sum = 0.0;
        for tested in &self.moves {
            let job = self.job_of(tested, Some(choice)).ok()?;
            for item in job.items() {
                sum += item.as_ref().map(Item::duration).ok()?;
            }
        }
        Some(sum)
    }

    /// A script of one move.
    fn job_of(&self, tested: &Tested<'_>, choice: Option<&Choice>) -> Result<Job, Error> {
        let Tested { statement, steps } = tested;
        let axis = &self.job.rig.axes[statement.axis];
        let mut text = settings(&self.job.rig, statement);
        if let Some(choice) = choice {
            for line in super::rewrite::lines(&self.job.rig, statement, choice) {
                text += &line;
                text.push('\n');
            }
        }
        // Writing to a String cannot fail.
        let _ = write!(text, "turn {} by {steps} microstep", axis.name);
        if let Some(at) = statement.at {
            let _ = write!(text, " at {}", in_units(axis, at, 1));
        }
        text.push('\n');
        self.job.with_script(&text)
    }

    /// Codes of the warnings that the moves have as they are written.
    fn found_today(&self) -> Vec<&'static str> {
        let mut codes = Vec::new();
        for tested in &self.moves {
            let Ok(job) = self.job_of(tested, None) else {
                continue;
            };
            for checked in job.check().flatten() {
                let found = checked.findings().chain(&checked.changes);
                let warned = found.filter(|one| one.severity == Severity::Warning);
                codes.extend(warned.map(|one| one.code));
            }
        }
        codes
    }

    fn all(&self, choice: Option<&Choice>) -> Tried {
        let mut sum = Performance::default();
        for tested in &self.moves {
            match self.one(tested, choice) {
                Tried::Good(one) => sum.add(&one),
                bad @ Tried::Bad(_) => return bad,
            }
        }
        Tried::Good(sum)
    }

    fn one(&self, tested: &Tested<'_>, choice: Option<&Choice>) -> Tried {
        let judged = self.job_of(tested, choice).and_then(|job| {
            let quickly = job.without_simulation();
            // What the motor model need not be asked about comes first.
            if let Some(bad) = self.against(&quickly)? {
                return Ok(Tried::Bad(bad));
            }
            let job = quickly.with_simulation();
            if let Some(bad) = self.against(&job)? {
                return Ok(Tried::Bad(bad));
            }
            performance(&job)
        });
        judged.unwrap_or_else(|error| Tried::Bad(RefusedChoice::Unplanned(error.to_string())))
    }

    /// What the check has against it.
    fn against(&self, job: &Job) -> Result<Option<RefusedChoice>, Error> {
        for checked in job.check() {
            let checked = checked?;
            let found = checked.findings().chain(&checked.changes);
            let against = |one: &&Finding| match one.severity {
                Severity::Failure => true,
                Severity::Warning => !self.allowed.contains(&one.code),
                Severity::Note => false,
            };
            if let Some(finding) = found.into_iter().find(against) {
                return Ok(Some(RefusedChoice::Found {
                    code: finding.code,
                    words: words(finding, &checked, &job.rig),
                }));
            }
        }
        Ok(None)
    }
}

/// A finding in a few words.
fn words(finding: &Finding, checked: &MoveCheck, rig: &Rig) -> String {
    let place = |check: &crate::check::AxisCheck| {
        let axis = &rig.axes[check.axis];
        let unit = TravelUnit::of(axis);
        let at = check
            .torque
            .map(|margin| axis.travel_speed(margin.at.omega))?;
        Some(format!(" at {} {}/s", Rounded(at * unit.per_si), unit.name))
    };
    let speed = checked
        .check
        .axes
        .iter()
        .find_map(place)
        .unwrap_or_default();
    match finding.code {
        "torque-margin" => format!("torque{speed}"),
        "steps-lost" => "the rotor loses steps in the motor model".to_owned(),
        "little-lag-left" => "little lag is left".to_owned(),
        "unstable-band" | "forced-band" | "unstable-crossing" | "crosses-slowly" | "peak-stays"
        | "cruise-stays" => format!("critical speeds [{}]", finding.code),
        _ => format!("{} [{}]", finding.message, finding.code),
    }
}

/// What a move that may run does; it has to settle.
fn performance(job: &Job) -> Result<Tried, Error> {
    let mut one = Performance::default();
    let mut settle = Some(0.0);
    for checked in job.check() {
        let checked = checked?;
        one.time += checked.planned.motion.duration;
        for (check, played) in checked.check.axes.iter().zip(&checked.played) {
            let unit = TravelUnit::of(&job.rig.axes[check.axis]).per_si;
            one.peak_speed = one.peak_speed.max(check.peak_speed);
            one.peak_accel = one.peak_accel.max(check.peak_acceleration);
            one.margin = least(one.margin, check.torque.map(|margin| margin.least));
            let outcome = played.outcome.as_ref();
            // Of two parts, the last one ends at the target.
            settle = outcome.and_then(|outcome| outcome.settle_s);
            if let Some(outcome) = outcome {
                one.peak_lag = one.peak_lag.max(outcome.peak_lag_electrical_deg);
                one.overshoot = outcome.overshoot / unit;
            }
        }
    }
    Ok(match settle {
        Some(settle) => {
            one.settled = one.time + settle;
            Tried::Good(one)
        }
        None => Tried::Bad(RefusedChoice::Unsettled),
    })
}

fn least(one: Option<f64>, other: Option<f64>) -> Option<f64> {
    match (one, other) {
        (Some(one), Some(other)) => Some(one.min(other)),
        (one, other) => one.or(other),
    }
}

impl Performance {
    fn add(&mut self, other: &Self) {
        self.time += other.time;
        self.settled += other.settled;
        self.margin = least(self.margin, other.margin);
        self.peak_lag = self.peak_lag.max(other.peak_lag);
        self.overshoot = self.overshoot.max(other.overshoot);
        self.peak_speed = self.peak_speed.max(other.peak_speed);
        self.peak_accel = self.peak_accel.max(other.peak_accel);
    }
}
