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
use std::sync::Arc;

pub(crate) use action::{Action, ActionKind, Move, MovePace, Settings, Target, Way};
pub use action::{Shape, Until};
pub(crate) use expand::Actions;
pub(crate) use grammar::{RESERVED, STATEMENTS};

use crate::diagnostic::{Diagnostic, Diagnostics, Source, Span};
use error::{Duplicate, ErrorKind, ScriptError};
use expand::CALLS_SHOWN;
use operation::{Call, Operation};
use scope::Definitions;
use syntax::{Statement, StatementKind, Text};

/// How many errors are reported in one go.
const MOST_ERRORS: usize = 20;

/// How many different calls of sequences are checked beforehand. Where values change
/// from call to call, a few sequences can call each other in more ways than can ever
/// be tried; what is beyond this is checked when its turn comes.
const CALLS_CHECKED: usize = 20_000;

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
    operations: Arc<[Operation]>,
    definitions: Definitions,
    /// The bodies of sequences as they are called.
    calls: HashMap<Arc<Call>, Arc<[Operation]>>,
}

/// Scripts with more bytes are refused: a script takes some fifty times its size in memory,
/// and nobody has written a longer one by hand.
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
        let (statements, mut errors) = grammar::parse(source.text());
        let mut definitions = Definitions::gather(&statements, &mut errors);
        let rig = find_rig(&statements, &mut errors);
        let operations = resolve::resolve_script(&statements, &mut definitions, &mut errors);
        for sequence in &definitions.sequences {
            resolve::check_sequence(sequence, &definitions, &mut errors);
        }
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
                rig: rig.map(|text| (text.text, text.span)),
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

    /// What the script asks for, one after the other. Repeats cost neither time before
    /// the first action nor memory.
    ///
    /// An error can only come where sequences call each other with more than
    /// thousands of different values; it is the last item.
    pub fn actions(&self) -> Actions {
        Actions::new(Arc::clone(&self.program))
    }
}

/// The `rig` statement outside all blocks; further ones are noted.
fn find_rig(statements: &[Statement], errors: &mut Vec<ScriptError>) -> Option<Text> {
    let mut rigs = statements
        .iter()
        .filter_map(|statement| match &statement.kind {
            StatementKind::Rig(text) => Some((text, statement.span)),
            _ => None,
        });
    let (rig, first) = rigs.next()?;
    errors.extend(rigs.map(|(text, span)| {
        let kind = ErrorKind::Duplicate {
            what: Duplicate::Rig,
            name: Arc::clone(&text.text),
            first,
        };
        ScriptError::new(span, kind)
    }));
    Some(rig.clone())
}

/// Resolves the different calls of sequences, up to [`CALLS_CHECKED`] of them. What is
/// wrong whatever the values is not noted again.
fn check_calls(
    operations: &Arc<[Operation]>,
    definitions: &Definitions,
    errors: &mut Vec<ScriptError>,
) -> HashMap<Arc<Call>, Arc<[Operation]>> {
    let noted: HashSet<Span> = errors.iter().map(|error| error.span).collect();
    let mut resolved = HashMap::new();
    let mut waiting = VecDeque::new();
    calls_in(operations, &[], &mut waiting);
    while let Some((call, places)) = waiting.pop_front() {
        if resolved.len() >= CALLS_CHECKED || errors.len() >= MOST_ERRORS {
            break;
        }
        if resolved.contains_key(&call) {
            continue;
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
        calls_in(&body, &places, &mut waiting);
        resolved.insert(call, body);
    }
    resolved
}

/// A call and the places that lead to it, the innermost first.
type WaitingCall = (Arc<Call>, Vec<Span>);

fn calls_in(operations: &[Operation], places: &[Span], waiting: &mut VecDeque<WaitingCall>) {
    for operation in operations {
        match operation {
            Operation::Act(_) => {}
            Operation::Repeat(_, body) => calls_in(body, places, waiting),
            Operation::Call(call, span) => {
                let places = std::iter::once(span).chain(places).take(CALLS_SHOWN);
                waiting.push_back((Arc::clone(call), places.copied().collect()));
            }
        }
    }
}
