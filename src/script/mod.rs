//! The script: a text of moves, and what it expands to.
//!
//! [`Script::parse`] reads and checks the whole text; [`Script::actions`] gives what
//! it asks for, one [`Action`] after the other.
//!
//! ```text
//! text ─ grammar ─► tree (syntax) ─ resolve ─► operations ─ expand ─► actions
//! ```
//!
//! The language follows.
//!
#![doc = include_str!("grammar.md")]

pub(crate) mod action;
mod demand;
mod error;
mod expand;
mod expression;
mod extent;
mod grammar;
mod group;
mod operation;
mod recursion;
mod resolve;
mod scope;
mod syntax;
#[cfg(test)]
mod tests;
mod turn;

use std::collections::{HashMap, HashSet, VecDeque};
use std::iter;
use std::sync::Arc;

pub(crate) use action::{Action, ActionKind, Move, MovePace, Seek, Settings, Target, Way, Zero};
pub use action::{Shape, Until};
pub(crate) use expand::{Actions, BlockPass, ScriptStep, WITHOUT_END};
pub(crate) use grammar::{RESERVED, STATEMENTS};
pub(crate) use operation::EndlessPlace;

use crate::diagnostic::{Diagnostic, Diagnostics, Source, Span};
pub(crate) use error::instead_of;
use error::{Duplicate, ErrorKind, ScriptError};
use expand::CALLS_SHOWN;
use operation::{Call, Operation, Operations, count};
use scope::Definitions;
use syntax::{Statement, StatementKind, Text};

/// How many errors are reported in one go.
const MOST_ERRORS: usize = 20;

/// How many different calls of sequences are checked beforehand. Where values change
/// from call to call, a few sequences can call each other in more ways than can ever
/// be tried; what is beyond this is checked when its turn comes.
const CALLS_CHECKED: usize = 20_000;

/// How many operations these calls may come to, for the same reason: a long sequence that is
/// called with thousands of values must not take the memory of thousands of long scripts.
const OPERATIONS_CHECKED: usize = 200_000;

/// A script that has been read and checked.
#[derive(Debug, Clone)]
pub struct Script {
    rig: Option<(Arc<str>, Span)>,
    program: Arc<ResolvedScript>,
}

/// What a script comes down to.
#[derive(Debug)]
struct ResolvedScript {
    source: Arc<Source>,
    operations: Operations,
    definitions: Definitions,
    /// The bodies of sequences as they are called.
    calls: HashMap<Arc<Call>, Operations>,
}

/// Scripts with more bytes are refused: a script takes up to some thirty times its size in
/// memory, and nobody has written a longer one by hand.
const MOST_BYTES: usize = 8 << 20;

impl Script {
    /// Reads a script and checks everything that can be told without the rig.
    ///
    /// # Errors
    /// Up to 20 problems that are independent of each other, in the order of the text.
    pub fn parse(source: Arc<Source>) -> Result<Self, Diagnostics> {
        if source.text().len() > MOST_BYTES {
            return Err(Diagnostic::error(
                "script-too-large",
                format!("the script has more than {} MiB", MOST_BYTES >> 20),
            )
            .at(&source, Span::new(0, 0), "")
            .help("write what comes again with `repeat` or `sequence`, or split the script in two")
            .into());
        }
        // Gone through twice, so that the memory for the tree is that of the largest statement:
        // a statement may call sequences, and tell of values, that are defined below it.
        let (mut definitions, mut rig) = (Definitions::default(), None);
        let [mut of_names, mut of_rigs, mut of_values] = [const { Vec::new() }; 3];
        // Each of them comes in the order of the text, so that further ones are not reported.
        let enough = |errors: &[ScriptError]| errors.len() >= MOST_ERRORS;
        let mut errors = grammar::read(source.text(), &mut |statement| {
            if !enough(&of_names) {
                definitions.gather(&statement, &mut of_names);
            }
            if !enough(&of_rigs) {
                find_rig(statement, &mut rig, &mut of_rigs);
            }
        });
        let mut outermost = resolve::Outermost::default();
        grammar::read(source.text(), &mut |statement| {
            if !enough(&of_values) {
                outermost.statement(&statement, &mut definitions, &mut of_values);
            }
        });
        for mut further in [of_names, of_rigs, of_values] {
            errors.append(&mut further);
        }
        let operations = outermost.operations();
        let mut of_bodies = Vec::new();
        for sequence in &definitions.sequences {
            if !enough(&of_bodies) {
                resolve::check_sequence(sequence, &definitions, &mut of_bodies);
            }
        }
        errors.append(&mut of_bodies);
        let circles = recursion::check(&definitions);
        let calls = if circles.is_empty() {
            check_calls(&operations, &definitions, &mut errors)
        } else {
            HashMap::new()
        };
        errors.extend(circles);
        if errors.is_empty() {
            let program = ResolvedScript {
                source,
                operations,
                definitions,
                calls,
            };
            return Ok(Self {
                rig: rig.map(|(text, _)| (text.text, text.span)),
                program: Arc::new(program),
            });
        }
        errors.sort_by_key(|error| error.span);
        errors.truncate(MOST_ERRORS);
        Err(Diagnostics(
            errors
                .iter()
                .map(|error| error.diagnostic(&source))
                .collect(),
        ))
    }

    /// The text.
    pub fn source(&self) -> &Arc<Source> {
        &self.program.source
    }

    /// The path of the rig as the script writes it (relative to the script), and where;
    /// none where the script names no rig.
    pub fn rig(&self) -> Option<(&str, Span)> {
        self.rig.as_ref().map(|(path, span)| (&**path, *span))
    }

    /// Where it repeats without end, if it does.
    pub(crate) fn endless(&self) -> Option<EndlessPlace> {
        operation::endless_place(&self.program.operations)
    }

    /// What the script asks for, one after the other. Repeats cost neither time before
    /// the first action nor memory, and `repeat forever` does not end.
    ///
    /// An error can only come where sequences call each other with more than
    /// thousands of different values; it is the last item.
    pub fn actions(&self) -> Actions {
        self.actions_with(WITHOUT_END)
    }

    /// The same with so many passes through what it repeats without end.
    pub(crate) fn actions_with(&self, passes: u64) -> Actions {
        Actions::new(Arc::clone(&self.program), passes)
    }

    /// The actions of one pass through every block: each statement that acts, in the order of
    /// the text.
    pub(crate) fn actions_once(&self) -> impl Iterator<Item = Result<Action, Diagnostic>> {
        let mut actions = self.actions_with(1);
        iter::from_fn(move || {
            loop {
                match actions.next_step()? {
                    Ok(ScriptStep::Act(action)) => return Some(Ok(action)),
                    Ok(ScriptStep::Pass(pass)) => actions.leave_out(pass.left - 1),
                    Err(error) => return Some(Err(error)),
                }
            }
        })
    }
}

/// Keeps the first `rig` statement outside all blocks, and where it is; further ones are
/// noted.
fn find_rig(statement: Statement, known: &mut Option<(Text, Span)>, errors: &mut Vec<ScriptError>) {
    let StatementKind::Rig(text) = statement.kind else {
        return;
    };
    match known {
        None => *known = Some((text, statement.span)),
        Some((_, first)) => {
            let kind = ErrorKind::Duplicate {
                what: Duplicate::Rig,
                name: text.text,
                first: *first,
            };
            errors.push(ScriptError::new(statement.span, kind));
        }
    }
}

/// Resolves the different calls of sequences, up to [`CALLS_CHECKED`] of them. What is
/// wrong whatever the values is not noted again.
fn check_calls(
    operations: &[Operation],
    definitions: &Definitions,
    errors: &mut Vec<ScriptError>,
) -> HashMap<Arc<Call>, Operations> {
    let noted: HashSet<Span> = errors.iter().map(|error| error.span).collect();
    let mut resolved = HashMap::new();
    let mut waiting = WaitingCalls::default();
    let mut kept = 0;
    waiting.calls_in(operations, &[]);
    while let Some((call, places)) = waiting.calls.pop_front() {
        if kept >= OPERATIONS_CHECKED || errors.len() >= MOST_ERRORS {
            break;
        }
        let body = resolve::resolve_call(&call, definitions).unwrap_or_else(|wrong| {
            errors.extend(
                wrong
                    .into_iter()
                    .filter(|error| !noted.contains(&error.span))
                    .map(|mut error| {
                        error.calls.clone_from(&places);
                        error
                    }),
            );
            Arc::default()
        });
        kept += count(&body);
        waiting.calls_in(&body, &places);
        resolved.insert(call, body);
    }
    resolved
}

/// The different calls that are still to be resolved, each with the places that lead to it,
/// the innermost first.
#[derive(Debug, Default)]
struct WaitingCalls {
    calls: VecDeque<(Arc<Call>, Vec<Span>)>,
    /// Those that were ever among them.
    known: HashSet<Arc<Call>>,
}

impl WaitingCalls {
    /// Takes in the calls of a block that these places lead to, [`CALLS_CHECKED`] in all.
    fn calls_in(&mut self, operations: &[Operation], places: &[Span]) {
        for operation in operations {
            match operation {
                Operation::Act(_) => {}
                Operation::Repeat(_, body) | Operation::Forever(body, _) => {
                    self.calls_in(body, places);
                }
                Operation::Call(call, span) => {
                    if self.known.len() < CALLS_CHECKED && self.known.insert(Arc::clone(call)) {
                        let places = std::iter::once(span).chain(places).take(CALLS_SHOWN);
                        let places = places.copied().collect();
                        self.calls.push_back((Arc::clone(call), places));
                    }
                }
            }
        }
    }
}
