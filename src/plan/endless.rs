//! What a program without end comes to: what it does before its passes repeat, and one
//! period of them.
//!
//! Everything that is judged is judged of a number of passes that stands for all of them:
//! the period three times, and so much of it that what comes before it hardly weighs in an
//! average. With T₀ the time before the period and T that of a period of p passes,
//!
//! ```text
//! judged = before + p · max(3, ⌈100 / p⌉, ⌈100 · T₀ / T⌉)
//! ```

use serde_json::{Map, Value, json};

use super::Item;
use super::program::Program;
use super::repetition::Passage;
use crate::diagnostic::Diagnostic;
use crate::rig::{Axis, TravelUnit};
use crate::script::{Actions, WITHOUT_END};
use crate::units::Rounded;

/// Periods that are judged at least.
const PERIODS: u64 = 3;
/// Passes that are judged at least, and how many times what comes before them.
const HUNDRED: u64 = 100;
/// Periods that are judged at most: chosen, so that positions stay far from their limit.
const MOST_PERIODS: u64 = 1 << 30;

/// The part of a program that repeats without end.
#[derive(Debug, Clone, PartialEq)]
pub struct Endless {
    /// Line of its statement, from 1.
    pub line: usize,
    /// Passes before the first that comes again.
    pub passes_before: u64,
    /// Passes of a period.
    pub passes: u64,
    /// How long the program takes before the period (s).
    pub before: f64,
    /// How long a period takes, without waiting for inputs (s).
    pub period: f64,
    /// Moves of a period.
    pub moves: u64,
    /// Microsteps of each axis of the rig in a period, either way.
    pub steps: Vec<u64>,
    /// How far each axis gets in a period (microsteps).
    pub advance: Vec<i64>,
}

impl Endless {
    /// How many passes stand for all of them.
    pub fn passes_judged(&self) -> u64 {
        let passes = self.passes.max(1);
        // Saturates where the period is very short.
        let for_averages = (HUNDRED as f64 * self.before / self.period).ceil() as u64;
        let periods = PERIODS.max(HUNDRED.div_ceil(passes)).max(for_averages);
        self.passes_before + passes * periods.min(MOST_PERIODS)
    }

    /// How long a pass takes, on the average of a period (s).
    pub fn pass(&self) -> f64 {
        self.period / self.passes as f64
    }

    /// As JSON; `axes` are those of the rig.
    pub fn to_json(&self, axes: &[Axis]) -> Value {
        let mut steps = Map::new();
        let mut advance = Map::new();
        let all = self.steps.iter().zip(&self.advance);
        for (axis, (made, far)) in axes.iter().zip(all) {
            steps.insert(axis.name.clone(), json!(made));
            advance.insert(axis.name.clone(), json!(far));
        }
        json!({
            "line": self.line,
            "passes_judged": self.passes_judged(),
            "passes_a_period": self.passes,
            "period_s": self.period,
            "pass_s": self.pass(),
            "moves_a_period": self.moves,
            "steps_a_period": steps,
            "advance_a_period": advance,
        })
    }
}

/// What has been done so far.
#[derive(Debug, Clone)]
struct Done {
    seconds: f64,
    /// Items that are more than a dwell.
    acts: u64,
    moves: u64,
    steps: Vec<u64>,
    advance: Vec<i64>,
}

impl Done {
    fn add(&mut self, item: &Item) {
        self.seconds += item.duration();
        self.acts += u64::from(!matches!(item, Item::Dwell(_)));
        let Item::Move(planned) = item else { return };
        self.moves += 1;
        for moved in &planned.motion.axes {
            self.steps[moved.axis] += moved.steps;
            self.advance[moved.axis] += moved.steps as i64 * moved.direction.sign();
        }
    }

    fn since(&self, before: &Self) -> Self {
        let steps = self.steps.iter().zip(&before.steps);
        let advance = self.advance.iter().zip(&before.advance);
        Self {
            seconds: self.seconds - before.seconds,
            acts: self.acts - before.acts,
            moves: self.moves - before.moves,
            steps: steps.map(|(now, then)| now - then).collect(),
            advance: advance.map(|(now, then)| now - then).collect(),
        }
    }

    /// Does so many times more what it has done since.
    fn again(&mut self, before: &Self, times: u64) {
        let one = self.since(before);
        self.seconds += one.seconds * times as f64;
        self.moves = self.moves.saturating_add(one.moves.saturating_mul(times));
        for (now, once) in self.steps.iter_mut().zip(&one.steps) {
            *now = now.saturating_add(once.saturating_mul(times));
        }
        for (now, once) in self.advance.iter_mut().zip(&one.advance) {
            *now = now.saturating_add(once.saturating_mul(times as i64));
        }
    }
}

/// What of a program repeats without end; none where it ends. The program is planned up to
/// the end of its first period.
///
/// # Errors
/// It cannot be planned, or cannot go on for ever.
pub(crate) fn endless(mut program: Program<'_, Actions>) -> Result<Option<Endless>, Diagnostic> {
    let Some(place) = program.endless_place() else {
        return Ok(None);
    };
    let axes = &program.rig().axes;
    let mut done = Done {
        seconds: 0.0,
        acts: 0,
        moves: 0,
        steps: vec![0; axes.len()],
        advance: vec![0; axes.len()],
    };
    let mut begins = Vec::new();
    while let Some(passage) = program.next_passage() {
        let more = match passage? {
            Passage::Item(item) => {
                done.add(&item);
                continue;
            }
            Passage::Begins => {
                begins.push(done.clone());
                continue;
            }
            Passage::Ends { more } => more,
        };
        // Periods are told of in pairs.
        let Some(before) = begins.pop() else { continue };
        if more == WITHOUT_END {
            let Done {
                seconds: period,
                acts,
                moves,
                steps,
                advance,
            } = done.since(&before);
            if period <= 0.0 {
                return Err(program
                    .endless_error("pass-without-time", "a pass of it takes no time")
                    .help("put a move or a dwell between its braces"));
            }
            if acts == 0 {
                break;
            }
            if let Some(leaves) = leaves_its_range(axes, &advance) {
                return Err(program.endless_error("leaves-its-range", &leaves).help(
                    "let the last move of a pass return to where the pass began, or give a number of passes",
                ));
            }
            let (passes_before, passes) = program.endless_period();
            return Ok(Some(Endless {
                line: place.line,
                passes_before,
                passes,
                before: before.seconds,
                period,
                moves,
                steps,
                advance,
            }));
        }
        if more > 0 {
            program.leap();
            done.again(&before, more);
        }
    }
    Err(program
        .endless_error("nothing-forever", "a pass of it does nothing")
        .help("put a move, an output or a mark between its braces"))
}

/// What to say of a linear axis that does not come back.
fn leaves_its_range(axes: &[Axis], advance: &[i64]) -> Option<String> {
    let linear = |axis: &Axis| axis.load.linear.is_some();
    let mut all = axes.iter().zip(advance);
    let (axis, far) = all.find(|(axis, far)| linear(axis) && **far != 0)?;
    let unit = TravelUnit::of(axis);
    let travel = *far as f64 / axis.microsteps_per_travel() * unit.per_si;
    Some(format!(
        "`{}` gets {} {} further with each period and leaves its range",
        axis.name,
        Rounded(travel),
        unit.name
    ))
}
