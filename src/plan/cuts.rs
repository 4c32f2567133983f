//! What the rig cuts of the limits that a script asks for, told once a statement and axis.

use std::collections::HashSet;

use crate::diagnostic::{Source, Span};
use crate::plan::limits::CutLimit;
use crate::plan::{Change, ChangeKind};

/// The cuts of a program.
#[derive(Debug, Default)]
pub(crate) struct Cuts {
    /// Those of the next move.
    noted: Vec<Change>,
    told: HashSet<(usize, Span)>,
}

impl Cuts {
    /// Takes note of what the rig cuts, for the next move; once a statement and axis.
    pub(crate) fn note(&mut self, axis: usize, cut: &CutLimit, full_step: f64, source: &Source) {
        if !self.told.insert((axis, cut.span)) {
            return;
        }
        let (line, _) = source.position(cut.span.start());
        self.noted.push(Change {
            axis,
            kind: ChangeKind::LimitCut {
                word: cut.word,
                line,
                power: cut.power,
                asked: cut.asked / full_step,
                allowed: cut.allowed / full_step,
            },
            cost: 0.0,
        });
    }

    /// What was cut for the next move.
    pub(crate) fn take(&mut self) -> Vec<Change> {
        std::mem::take(&mut self.noted)
    }
}
