//! Moves that pass their targets without stopping.
//!
//! The moves of a `through` block are one motion along one path ([`path`](super::path)):
//! the look-ahead reaches over all of them. Each target is rounded as if the axis
//! stopped there and is passed at just that microstep. Outputs and marks of the block
//! are tied to microsteps: those between two moves to the target between them, those
//! `passing` a position to the microstep nearest to it. On a rotary axis that is the
//! first time that the motion passes the angle, whole turns not counted.

use std::collections::VecDeque;
use std::sync::Arc;

use crate::diagnostic::{Diagnostic, Span};
use crate::exact::Exact;
use crate::plan::aim::{Aim, AimKind};
use crate::plan::approach::Detour;
use crate::plan::job::AxisJob;
use crate::plan::planner::Planner;
use crate::plan::position::{Position, nearest_microstep};
use crate::plan::{Direction, Item, OnTheWay, Pass, PlannedMove};
use crate::script::{Action, ActionKind, Move, MovePace};
use crate::units::Quantity;

/// An output that waits for the axis to pass a position.
struct WaitingOutput {
    item: Item,
    at: Quantity,
    place: Span,
    line: usize,
}

/// A block as far as it has been read.
struct PassingBlock {
    axis: usize,
    from: Position,
    to: Position,
    jobs: Vec<AxisJob>,
    /// The first move that goes anywhere.
    way: Option<(Direction, Span)>,
    on_the_way: Vec<OnTheWay>,
    waiting: Vec<WaitingOutput>,
    passes: Vec<Pass>,
}

impl PassingBlock {
    /// Microsteps from the start of the motion to where the block has come to.
    fn steps(&self) -> u64 {
        self.to.steps.abs_diff(self.from.steps)
    }
}

impl Planner<'_> {
    /// Plans a `through` block.
    pub(crate) fn through(
        &mut self,
        action: &Action,
        inside: &[Action],
        ready: &mut VecDeque<Item>,
    ) -> Result<(), Diagnostic> {
        let first = inside.iter().find_map(|inner| match &inner.kind {
            ActionKind::Move(turn) => Some((turn, inner.span)),
            _ => None,
        });
        let Some((turn, place)) = first else {
            return Err(Diagnostic::error(
                "nothing-to-pass",
                "a “through” block without a move passes nothing",
            )
            .at(&self.names.source, action.span, ""));
        };
        let axis = self.names.axis(turn, place)?;
        let from = self.standing.positions[axis];
        let mut block = PassingBlock {
            axis,
            from,
            to: from,
            jobs: Vec::new(),
            way: None,
            on_the_way: Vec::new(),
            waiting: Vec::new(),
            passes: Vec::new(),
        };
        for inner in inside {
            self.through_one(&mut block, inner)?;
        }
        for waiting in std::mem::take(&mut block.waiting) {
            let step = self.step_passing(&block, &waiting)?;
            block.on_the_way.push(OnTheWay {
                axis,
                step,
                item: waiting.item,
                line: waiting.line,
            });
        }
        // What is tied to one microstep keeps the order of the script.
        block.on_the_way.sort_by_key(|event| event.step);
        // The last target is the end of the motion, not one that is passed.
        block.passes.pop();
        self.before_passing(action, &block, ready)?;
        let done = self
            .motions
            .passing(&block.jobs)
            .map_err(|failure| self.names.explain(&failure, action.span, MovePace::Limits))?;
        let travel = vec![self.standing.travel(axis, from, block.to)];
        self.standing.positions[axis] = block.to;
        self.standing.taken_up(axis, block.to.steps - from.steps);
        let planned = PlannedMove {
            on_the_way: block.on_the_way,
            passes: block.passes,
            ..self.numbered(action, done, travel)
        };
        ready.push_back(Item::Move(planned));
        Ok(())
    }

    /// Sees to it that the targets are passed with the play taken up, where the rig
    /// asks for that.
    fn before_passing(
        &mut self,
        action: &Action,
        block: &PassingBlock,
        ready: &mut VecDeque<Item>,
    ) -> Result<(), Diagnostic> {
        let Some((direction, place)) = block.way else {
            return Ok(());
        };
        if let Some(refused) = self.against_approach(block.axis, direction, place) {
            return Err(refused);
        }
        // The last target counts as well: it is where the motion ends.
        let passed = block.passes.iter().map(|pass| pass.step);
        let tied = block.on_the_way.iter().map(|event| event.step);
        let first = passed.chain(tied).chain([block.steps()]);
        let first = first.filter(|step| *step > 0).min().unwrap_or(0);
        let ahead = i64::try_from(first).unwrap_or(i64::MAX) * direction.sign();
        let Some(take_up) = self.standing.take_up(block.axis, ahead) else {
            return Ok(());
        };
        let job = AxisJob {
            steps: take_up,
            ..block.jobs[0]
        };
        let pair = self
            .motions
            .there_and_back(&[job])
            .map_err(|failure| self.names.explain(&failure, action.span, MovePace::Limits))?;
        let detour = Detour {
            axis: block.axis,
            from: block.from,
            to: block.from,
            take_up,
        };
        if let Some(pair) = pair {
            self.give_detour(action, &[detour], pair, ready);
        }
        Ok(())
    }

    fn through_one(&mut self, block: &mut PassingBlock, inner: &Action) -> Result<(), Diagnostic> {
        let item = match &inner.kind {
            ActionKind::Move(turn) => return self.through_move(block, inner, turn),
            ActionKind::Output {
                name,
                name_span,
                on,
                passing,
            } => {
                let output = self
                    .names
                    .pin("output", &self.names.rig.outputs, name, *name_span)?;
                let item = Item::Output { output, on: *on };
                if let Some(at) = *passing {
                    self.position_known(block.axis, inner.span)?;
                    self.aims.push(self.aim_passing(block));
                    let place = inner.span;
                    let line = inner.line;
                    block.waiting.push(WaitingOutput {
                        item,
                        at,
                        place,
                        line,
                    });
                    return Ok(());
                }
                item
            }
            ActionKind::Mark(text) => Item::Mark(Arc::clone(text)),
            _ => return Err(self.stray(inner.span, "through")),
        };
        block.on_the_way.push(OnTheWay {
            axis: block.axis,
            step: block.steps(),
            item,
            line: inner.line,
        });
        Ok(())
    }

    fn through_move(
        &mut self,
        block: &mut PassingBlock,
        inner: &Action,
        turn: &Move,
    ) -> Result<(), Diagnostic> {
        let axis = self.names.axis(turn, inner.span)?;
        if axis != block.axis {
            return Err(Diagnostic::error(
                "mixed-axes",
                format!(
                    "“through” passes the targets of one axis, “{}”",
                    self.names.rig.axes[block.axis].name
                ),
            )
            .at(&self.names.source, inner.span, "this moves another one"));
        }
        if let MovePace::In(_, span) = turn.pace {
            return Err(Diagnostic::error(
                "time-while-passing",
                "a move that does not stop at its target has no time of its own",
            )
            .at(&self.names.source, span, "")
            .help("set its speed instead: “at 60 deg/s”"));
        }
        let to = self.target(axis, block.to, turn)?;
        let steps = to.steps - block.to.steps;
        if steps != 0 {
            let direction = Direction::of(steps);
            let (first, place) = *block.way.get_or_insert((direction, inner.span));
            if first != direction {
                return Err(Diagnostic::error(
                    "reversal-while-passing",
                    "an axis cannot turn back without stopping",
                )
                .at(&self.names.source, inner.span, "this goes back")
                .at(&self.names.source, place, "this goes the other way")
                .help("end the “through” block before the axis turns back"));
            }
        }
        block.jobs.push(self.job(axis, steps, inner.span, turn)?);
        block.to = to;
        block.passes.push(Pass {
            axis,
            step: block.steps(),
            line: inner.line,
            at: self.standing.place(axis, to),
            target_error: self.standing.error_of(axis, to),
        });
        Ok(())
    }

    /// What passing a position asks of a loop's repetition: on a rotary axis, whole turns do
    /// not count.
    fn aim_passing(&self, block: &PassingBlock) -> Aim {
        let kind = if self.standing.scales[block.axis].is_linear() {
            AimKind::Place
        } else {
            AimKind::Round
        };
        Aim {
            axis: block.axis,
            kind,
            above: 0.5,
        }
    }

    /// The microstep of the motion at which the axis passes a position.
    fn step_passing(
        &self,
        block: &PassingBlock,
        waiting: &WaitingOutput,
    ) -> Result<u64, Diagnostic> {
        let scale = &self.standing.scales[block.axis];
        let name = &self.names.rig.axes[block.axis].name;
        let at = scale.microsteps(waiting.at).ok_or_else(|| {
            Diagnostic::error(
                "wrong-unit",
                format!("{} is no position of axis “{name}”", waiting.at.dimension),
            )
            .at(&self.names.source, waiting.place, "")
        })?;
        let sign = block.way.map_or(1, |(direction, _)| direction.sign());
        let ahead = |at: Exact| (nearest_microstep(at) - block.from.steps) * sign;
        let mut step = ahead(at);
        if !scale.is_linear() {
            let turn = scale.load_turn();
            let turns = (-step as f64 / turn.nearest()).ceil();
            // Rounding may put the first passage one turn off either way.
            step = (-1..=1)
                .map(|more| ahead(at + turn * Exact::from(sign as f64 * (turns + f64::from(more)))))
                .find(|step| *step >= 0)
                .unwrap_or(step);
        }
        u64::try_from(step)
            .ok()
            .filter(|step| *step <= block.steps())
            .ok_or_else(|| {
                Diagnostic::error(
                    "never-passed",
                    format!("the moves of this block do not take axis “{name}” past that position"),
                )
                .at(&self.names.source, waiting.place, "never passed")
            })
    }
}
