//! The speed, acceleration, jerk and shape with which each move of a script settles soonest.
//!
//! A **choice** is a shape with these three values. What a choice makes of a move is judged as
//! every script is: the move is written as a script of its own, checked, and played in the
//! motor model from rest, in the rig's motor and in the worse one. It is good where nothing
//! is found but notes and what is found of the move as it stands, and where the load settles.
//! Its **settled time** is the time of the move, and from its last step until the load stays
//! within `settle`.
//!
//! The search goes over the grid of `space.rs`, 732 choices, in the order of the time that
//! the move takes. As no move settles before it ends, the first choice that lasts longer than
//! the best settled time ends it, and no choice of the grid is better. From the best
//! choice of each shape it then goes on in smaller and smaller factors, down to 1 %. At most
//! [`MOST_TRIES`] choices of a move are planned, and those that are played make
//! [`MOST_STEPS`] steps in all.
//!
//! The script with the best choices is checked as a whole, which tells of swings left from
//! the move before, and of heat. Where it fails, the move to blame gets the next best
//! choice, and after [`KEPT`] of them stays as it was. What the program as a whole fails for as
//! it is written, no choice cures: the best ones are then kept.
//!
//! Results depend neither on the time nor on the number of cores: choices are tried in groups
//! whose size is fixed.

mod refine;
mod rewrite;
mod space;
mod statements;
mod trial;
mod whole;

use std::ops::ControlFlow;

use rayon::prelude::*;

use super::{Error, Job};
use crate::script::Shape;
use space::Space;
use statements::{LeftStatement, MoveStatement, statements};
use trial::{MoveTrial, Tried};

pub use statements::LeftAsWritten;
pub use trial::RefusedChoice;

/// Choices of a move that are planned at most.
pub const MOST_TRIES: usize = 2000;
/// Microsteps that are played at most in the search for one move, in each of the two motors.
pub const MOST_STEPS: u64 = 50_000_000;
/// Good choices of a move that are kept for the check of the whole program.
const KEPT: usize = 8;
/// Choices that are tried at once.
const GROUP: usize = 16;

/// How a move is made: all values at the load (rad or m, per s, s², s³).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Choice {
    /// The shape.
    pub shape: Shape,
    /// The speed.
    pub speed: f64,
    /// The acceleration, and the deceleration; of a full-torque move, what caps them.
    pub accel: f64,
    /// The jerk of an S-curve.
    pub jerk: Option<f64>,
}

impl Choice {
    /// A value of it in the unit of the script, as it is written there: without what converting
    /// it has left.
    pub fn written(value: f64) -> f64 {
        let rounded = space::round(value);
        if (rounded - value).abs() <= 1e-9 * value {
            rounded
        } else {
            value
        }
    }
}

/// What a choice makes of the moves of a statement, which may turn different ways and amounts:
/// times are their sums, all else is the worst of them.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Performance {
    /// How long they move (s).
    pub time: f64,
    /// How long until the load has settled (s).
    pub settled: f64,
    /// The least torque margin.
    pub margin: Option<f64>,
    /// The greatest lag (electrical degrees).
    pub peak_lag: f64,
    /// How far the load goes beyond its target (rad or m).
    pub overshoot: f64,
    /// The highest speed that is reached (rad/s or m/s).
    pub peak_speed: f64,
    /// The highest acceleration that is reached (rad/s² or m/s²).
    pub peak_accel: f64,
}

/// What was found for one move, or for all moves of an axis.
#[derive(Debug, Clone, PartialEq)]
pub struct FastestMove {
    /// The lines of its statements.
    pub lines: Vec<usize>,
    /// Which axis of the rig.
    pub axis: usize,
    /// The different travels (rad or m, signed).
    pub travels: Vec<f64>,
    /// How many choices were planned.
    pub tries: usize,
    /// What it does as written; why not, where it is not good.
    pub today: Result<Performance, RefusedChoice>,
    /// The best choice; none where the move stays as it is.
    pub best: Option<(Choice, Performance)>,
    /// What keeps it from being faster.
    pub limits: Vec<String>,
    /// The lines of the script that make it so.
    pub script: Vec<String>,
}

/// What was found for a script.
#[derive(Debug, Clone, PartialEq)]
pub struct Fastest {
    /// By the order in the script.
    pub moves: Vec<FastestMove>,
    /// Statements that are left as they are written.
    pub left: Vec<LeftAsWritten>,
    /// The script with the best choices.
    pub text: String,
    /// Why that fails its check; none where it passes.
    pub failure: Option<String>,
    /// Whether the search was broken off.
    pub interrupted: bool,
}

impl Fastest {
    /// Whether the script with the best choices passes its check.
    pub const fn ok(&self) -> bool {
        self.failure.is_none()
    }
}

/// How far the search is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SearchProgress {
    /// Moves that are done.
    pub done: usize,
    /// Moves in all.
    pub moves: usize,
    /// Choices tried for the present move.
    pub tries: usize,
}

/// A statement, or all of an axis, and the choices for it.
struct SearchedMove<'a> {
    statements: Vec<&'a MoveStatement>,
    today: Tried,
    /// Good choices, the best first.
    ranked: Vec<(Choice, Performance)>,
    /// Which of them is taken; none: it stays as it is.
    taken: Option<usize>,
    tries: usize,
    limits: Vec<String>,
}

impl Job {
    /// The choices with which the moves of the script settle soonest: each move its own, or one
    /// for all moves of `axis`. `report` is told how far it is, and may break it off.
    ///
    /// # Errors
    /// The program cannot be planned, or has no such axis.
    pub fn fastest(
        &self,
        axis: Option<&str>,
        report: &mut dyn FnMut(SearchProgress) -> ControlFlow<()>,
    ) -> Result<Fastest, Error> {
        let axis = axis.map(|name| self.axis_number(name)).transpose()?;
        let (all, left) = statements(self)?;
        let of_axis = |one: &&MoveStatement| axis.is_none_or(|axis| one.axis == axis);
        let groups: Vec<Vec<&MoveStatement>> = match axis {
            Some(_) => vec![all.iter().filter(of_axis).collect()],
            None => all.iter().map(|one| vec![one]).collect(),
        };
        let groups: Vec<_> = groups
            .into_iter()
            .filter(|group| !group.is_empty())
            .collect();
        let moves = groups.len();
        let mut interrupted = false;
        let mut tasks = Vec::new();
        for statements in groups {
            let mut search = Search::new(self, statements);
            let done = tasks.len();
            let mut tell = |tries| report(SearchProgress { done, moves, tries }).is_break();
            if !interrupted {
                interrupted = search.run(&mut tell)?;
            }
            tasks.push(search.task);
        }
        let scoped = !left.is_empty() || axis.is_some();
        let (text, failure) = self.settle_the_whole(&mut tasks, scoped)?;
        Ok(Fastest {
            moves: tasks.iter().map(|task| self.found(task)).collect(),
            left: left.iter().map(LeftStatement::told).collect(),
            text,
            failure,
            interrupted,
        })
    }

    pub(super) fn axis_number(&self, name: &str) -> Result<usize, Error> {
        let found = self.rig.axes.iter().position(|axis| axis.name == name);
        found.ok_or_else(|| Error::NoSuchAxis(name.to_owned()))
    }

    fn found(&self, task: &SearchedMove<'_>) -> FastestMove {
        let first = task.statements[0];
        let axis = &self.rig.axes[first.axis];
        let best = task.taken.map(|number| task.ranked[number]);
        let travels = task.travels();
        FastestMove {
            lines: task.statements.iter().map(|one| one.line).collect(),
            axis: first.axis,
            travels: travels
                .iter()
                .map(|steps| *steps as f64 / axis.microsteps_per_travel())
                .collect(),
            tries: task.tries,
            today: match &task.today {
                Tried::Good(performance) => Ok(*performance),
                Tried::Bad(why) => Err(why.clone()),
            },
            best,
            limits: task.limits.clone(),
            script: best.map_or_else(Vec::new, |(choice, _)| {
                rewrite::lines(&self.rig, first, &choice)
            }),
        }
    }
}

impl SearchedMove<'_> {
    /// The next best choice; behind the last it stays as it is.
    fn demote(&mut self) {
        self.taken = self
            .taken
            .map(|number| number + 1)
            .filter(|number| *number < self.ranked.len());
    }

    /// The different travels of its moves (microsteps).
    fn travels(&self) -> Vec<i64> {
        let mut all: Vec<i64> = Vec::new();
        for steps in self.statements.iter().flat_map(|one| &one.travels) {
            if !all.contains(steps) {
                all.push(*steps);
            }
        }
        all
    }
}

/// The search for one task.
struct Search<'a> {
    trial: MoveTrial<'a>,
    task: SearchedMove<'a>,
    space: Space,
    steps: u64,
}

impl<'a> Search<'a> {
    fn new(job: &'a Job, statements: Vec<&'a MoveStatement>) -> Self {
        let trial = MoveTrial::new(job, &statements);
        let space = Space::of(job, &statements);
        let today = trial.today();
        let task = SearchedMove {
            today,
            statements,
            ranked: Vec::new(),
            taken: None,
            tries: 0,
            limits: Vec::new(),
        };
        Self {
            trial,
            task,
            space,
            steps: 0,
        }
    }

    /// Searches; gives whether it was broken off.
    fn run(&mut self, broken_off: &mut dyn FnMut(usize) -> bool) -> Result<bool, Error> {
        let grid = self.space.grid();
        let mut interrupted = self.try_all(&grid, broken_off);
        let starts = self.best_of_each_shape();
        for start in starts {
            interrupted = interrupted || self.refine(start, broken_off);
        }
        // What is not better than today's is no gain.
        if let Tried::Good(today) = &self.task.today {
            let settled = today.settled;
            self.task.ranked.retain(|(_, one)| one.settled < settled);
        }
        self.task.taken = (!self.task.ranked.is_empty()).then_some(0);
        if !interrupted {
            self.task.limits = self.why_no_faster();
        }
        self.task.ranked.truncate(KEPT);
        Ok(interrupted)
    }

    /// The best settled time so far.
    fn best(&self) -> f64 {
        self.task
            .ranked
            .first()
            .map_or(f64::INFINITY, |(_, one)| one.settled)
    }

    /// Tries choices in the order of the time that they take, until none of them can be better
    /// than the best; gives whether it was broken off.
    fn try_all(&mut self, choices: &[Choice], broken_off: &mut dyn FnMut(usize) -> bool) -> bool {
        let room = MOST_TRIES.saturating_sub(self.task.tries);
        let choices = &choices[..choices.len().min(room)];
        self.task.tries += choices.len();
        let mut planned: Vec<(f64, Choice)> = choices
            .par_iter()
            .filter_map(|choice| Some((self.trial.duration(choice)?, *choice)))
            .collect();
        // Stable: of equal ones the first, which asks for least.
        planned.sort_by(|(one, _), (other, _)| one.total_cmp(other));
        for group in planned.chunks(GROUP) {
            if group[0].0 >= self.best() || self.steps >= MOST_STEPS {
                return false;
            }
            let tried: Vec<Tried> = group
                .par_iter()
                .map(|(_, choice)| self.trial.of(choice))
                .collect();
            self.steps += self.trial.steps() * group.len() as u64;
            for ((_, choice), tried) in group.iter().zip(tried) {
                if let Tried::Good(performance) = tried {
                    self.rank(*choice, performance);
                }
            }
            if broken_off(self.task.tries) {
                return true;
            }
        }
        false
    }

    /// Takes a good choice among the others, behind equals.
    fn rank(&mut self, choice: Choice, performance: Performance) {
        let ranked = &mut self.task.ranked;
        let place = ranked.partition_point(|(_, one)| one.settled <= performance.settled);
        if ranked.iter().all(|(known, _)| *known != choice) {
            ranked.insert(place, (choice, performance));
        }
    }
}
