//! Sequences that would do themselves for ever.

use super::error::{ErrorKind, ScriptError};
use super::scope::Definitions;
use super::syntax::{Statement, StatementKind};
use crate::diagnostic::Span;

/// How many calls of a circle are shown.
const SHOWN: usize = 6;

/// A call in a sequence: of which one, and where.
type Edge = (usize, Span);

/// The circles among the calls of sequences, each once.
pub(super) fn check(definitions: &Definitions) -> Vec<ScriptError> {
    let sequences = &definitions.sequences;
    let calls: Vec<Vec<Edge>> = sequences
        .iter()
        .map(|sequence| {
            let mut found = Vec::new();
            calls_of(&sequence.body.statements, definitions, &mut found);
            found
        })
        .collect();
    let mut errors = Vec::new();
    // Depth-first search with a path of our own: chains of calls may be long.
    let mut done = vec![false; sequences.len()];
    let mut on_path = vec![false; sequences.len()];
    for start in 0..sequences.len() {
        let mut path: Vec<(usize, usize)> = Vec::new();
        let mut enter = (!done[start]).then_some(start);
        loop {
            if let Some(node) = enter.take() {
                on_path[node] = true;
                path.push((node, 0));
            }
            let Some((node, next)) = path.last_mut() else {
                break;
            };
            let node = *node;
            let Some((callee, _)) = calls[node].get(*next) else {
                on_path[node] = false;
                done[node] = true;
                path.pop();
                continue;
            };
            *next += 1;
            if on_path[*callee] {
                errors.push(circle(&path, *callee, &calls, definitions));
            } else if !done[*callee] {
                enter = Some(*callee);
            }
        }
    }
    errors
}

/// The circle at the end of the path, from `first` back to it.
fn circle(
    path: &[(usize, usize)],
    first: usize,
    calls: &[Vec<Edge>],
    definitions: &Definitions,
) -> ScriptError {
    let on_circle = path.iter().skip_while(|(node, _)| *node != first);
    // Each node of the path has just followed the call before its next one.
    let mut spans: Vec<Span> = on_circle
        .map(|(node, next)| calls[*node][next - 1].1)
        .collect();
    // The call that closes the circle comes first.
    spans.rotate_right(1);
    spans.truncate(SHOWN);
    let name = definitions.sequences[first].name.text.clone();
    ScriptError::new(spans[0], ErrorKind::Recursive { name, calls: spans })
}

fn calls_of(statements: &[Statement], definitions: &Definitions, found: &mut Vec<Edge>) {
    for statement in statements {
        match &statement.kind {
            StatementKind::Do { name, call, .. } => {
                if let Ok(Some(index)) = definitions.sequence(name) {
                    found.push((index, *call));
                }
            }
            StatementKind::Repeat { body, .. } | StatementKind::RepeatForever(body) => {
                calls_of(&body.statements, definitions, found)
            }
            StatementKind::Broken { body, .. } => calls_of(body, definitions, found),
            _ => {}
        }
    }
}
