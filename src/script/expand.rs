//! The actions of a script, one after the other, in constant memory.
//!
//! A pass through a block that does nothing is not repeated: every pass is the same.
//! [`Actions::next_step`] tells where the passes of a `repeat` begin, so that who finds them
//! equal may [leave some out](Actions::leave_out).

use std::collections::{HashMap, HashSet};
use std::sync::Arc;

use super::ResolvedScript;
use super::action::Action;
use super::extent::Extent;
use super::operation::{Call, EndlessPlace, Operation, Operations, count, endless_place};
use super::resolve::resolve_call;
use crate::diagnostic::{Diagnostic, Span};

/// How many operations of calls that were not resolved beforehand are kept, besides those of
/// the last call.
const KEPT: usize = 100_000;

/// How many of the calls around an error are shown.
pub(super) const CALLS_SHOWN: usize = 3;

/// The actions of a script in their order. See [`Script::actions`](super::Script::actions).
#[derive(Debug, Clone)]
pub struct Actions {
    program: Arc<ResolvedScript>,
    frames: Vec<OpenBlock>,
    /// Calls that turned out to do nothing.
    idle: HashSet<Arc<Call>>,
    /// Calls that were not resolved beforehand.
    resolved: HashMap<Arc<Call>, Operations>,
    /// How many operations they are.
    kept: usize,
    /// Passes through what the script repeats without end.
    endless: u64,
    extent: Extent,
    /// Actions that have been given or left out.
    done: f64,
}

/// Passes that do not end.
pub(crate) const WITHOUT_END: u64 = u64::MAX;

/// A block that is being gone through.
#[derive(Debug, Clone)]
struct OpenBlock {
    body: Operations,
    next: usize,
    /// How many passes are left, the present one included.
    passes: u64,
    /// Whether it is a block that is gone through several times.
    repeats: bool,
    /// Passes that have begun and been told of; a pass begins once it is told of.
    begun: u64,
    /// Whether the present pass has been told of.
    told: bool,
    /// Whether it has done anything.
    acted: bool,
    /// The call that it is the body of, and where that is written.
    call: Option<(Arc<Call>, Span)>,
}

impl OpenBlock {
    fn new(body: &Operations, passes: u64, call: Option<(Arc<Call>, Span)>) -> Self {
        Self {
            body: Arc::clone(body),
            next: 0,
            passes,
            repeats: passes > 1,
            begun: 0,
            told: false,
            acted: false,
            call,
        }
    }
}

/// A pass through a block that a script repeats, at its beginning.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct BlockPass {
    /// How many blocks are open, this one included.
    pub(crate) depth: usize,
    /// Passes through it that have begun before.
    pub(crate) before: u64,
    /// Passes that are left, this one included; [`WITHOUT_END`] where they do not end.
    pub(crate) left: u64,
}

impl BlockPass {
    /// Whether it is one of passes that do not end.
    pub(crate) const fn is_endless(&self) -> bool {
        self.left == WITHOUT_END
    }
}

/// What a script does next.
#[derive(Debug)]
pub(crate) enum ScriptStep {
    /// An action.
    Act(Action),
    /// It begins a pass through a block that it repeats.
    Pass(BlockPass),
}

impl Actions {
    /// From the start of a script.
    pub(super) fn new(program: Arc<ResolvedScript>, endless: u64) -> Self {
        let frames = vec![OpenBlock::new(&program.operations, 1, None)];
        Self {
            program,
            frames,
            idle: HashSet::new(),
            resolved: HashMap::new(),
            kept: 0,
            endless,
            extent: Extent::default(),
            done: 0.0,
        }
    }

    /// How many actions all of it comes to, about; see [`Extent`].
    pub(crate) fn extent(&mut self) -> f64 {
        let program = &self.program;
        self.extent.of(&program.operations, self.endless, program)
    }

    /// How many actions have been given or left out.
    pub(crate) const fn done(&self) -> f64 {
        self.done
    }

    /// Where the script repeats without end, if it does.
    pub(crate) fn endless(&self) -> Option<EndlessPlace> {
        endless_place(&self.program.operations)
    }

    /// Ends the pass through the innermost block.
    fn end_pass(&mut self) {
        let Some(frame) = self.frames.last_mut() else {
            return;
        };
        if frame.acted && frame.passes > 1 {
            if frame.passes != WITHOUT_END {
                frame.passes -= 1;
            }
            frame.next = 0;
            frame.told = false;
            return;
        }
        let acted = frame.acted;
        let ended = self.frames.pop().and_then(|frame| frame.call);
        if let (Some((call, _)), false) = (ended, acted) {
            self.idle.insert(call);
        }
        if let Some(around) = self.frames.last_mut() {
            around.acted |= acted;
        }
    }

    /// Goes into a sequence.
    fn enter(&mut self, call: Arc<Call>, span: Span) -> Result<(), Diagnostic> {
        if self.idle.contains(&call) {
            return Ok(());
        }
        let known = self
            .program
            .calls
            .get(&call)
            .or_else(|| self.resolved.get(&call));
        let body = match known {
            Some(body) => Arc::clone(body),
            None => self.resolve(&call, span)?,
        };
        self.frames
            .push(OpenBlock::new(&body, 1, Some((call, span))));
        Ok(())
    }

    fn resolve(&mut self, call: &Arc<Call>, span: Span) -> Result<Operations, Diagnostic> {
        let body = resolve_call(call, &self.program.definitions).map_err(|errors| {
            let around = self
                .frames
                .iter()
                .rev()
                .filter_map(|frame| frame.call.as_ref());
            let calls = std::iter::once(span).chain(around.map(|(_, span)| *span));
            // `resolve_call` fails with at least one error.
            let mut error = errors.into_iter().next().expect("an error");
            error.calls = calls.take(CALLS_SHOWN).collect();
            error.diagnostic(&self.program.source)
        })?;
        if self.kept >= KEPT {
            self.resolved.clear();
            self.kept = 0;
        }
        self.kept += 1 + count(&body);
        self.resolved.insert(Arc::clone(call), Arc::clone(&body));
        Ok(body)
    }
}

impl Actions {
    /// Leaves out so many passes through the innermost block, whose pass has just begun. At
    /// least that one is left, unless they are [`WITHOUT_END`].
    pub(crate) fn leave_out(&mut self, passes: u64) {
        if passes == WITHOUT_END {
            self.frames.clear();
        } else if let Some(frame) = self.frames.last_mut() {
            let out = passes.min(frame.passes - 1);
            frame.passes -= out;
            let pass = self.extent.of(&frame.body, self.endless, &self.program);
            self.done += out as f64 * pass;
        }
    }

    /// The next action, or the beginning of a pass.
    pub(crate) fn next_step(&mut self) -> Option<Result<ScriptStep, Diagnostic>> {
        loop {
            let depth = self.frames.len();
            let frame = self.frames.last_mut()?;
            if frame.repeats && !std::mem::replace(&mut frame.told, true) {
                let before = frame.begun;
                frame.begun += 1;
                let left = frame.passes;
                return Some(Ok(ScriptStep::Pass(BlockPass {
                    depth,
                    before,
                    left,
                })));
            }
            let Some(operation) = frame.body.get(frame.next) else {
                self.end_pass();
                continue;
            };
            frame.next += 1;
            match operation {
                Operation::Act(action) => {
                    frame.acted = true;
                    self.done += 1.0;
                    return Some(Ok(ScriptStep::Act(action.clone())));
                }
                Operation::Repeat(passes, body) => {
                    let inner = OpenBlock::new(body, *passes, None);
                    self.frames.push(inner);
                }
                Operation::Forever(body, _) => {
                    let inner = OpenBlock::new(body, self.endless, None);
                    self.frames.push(inner);
                }
                Operation::Call(call, span) => {
                    let (call, span) = (Arc::clone(call), *span);
                    if let Err(error) = self.enter(call, span) {
                        // Nothing comes after an error.
                        self.frames.clear();
                        return Some(Err(error));
                    }
                }
            }
        }
    }
}

impl Iterator for Actions {
    type Item = Result<Action, Diagnostic>;

    fn next(&mut self) -> Option<Self::Item> {
        loop {
            match self.next_step()? {
                Ok(ScriptStep::Act(action)) => return Some(Ok(action)),
                Ok(ScriptStep::Pass(_)) => {}
                Err(error) => return Some(Err(error)),
            }
        }
    }
}

impl std::iter::FusedIterator for Actions {}
