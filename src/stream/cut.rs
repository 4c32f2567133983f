//! The events of one stream that are still to come, and what a frame takes of them.

use std::collections::VecDeque;

use super::fit::{self, Accuracy};
use super::gentle::{self, Gentleness};
use super::record::{self, Act, RecordKind};

/// One stream of events.
#[derive(Debug, Default, Clone)]
pub(super) struct EventStream {
    /// Where its records end, and whether its end is among them.
    pub(super) clock: u64,
    pub(super) ended: bool,
    pub(super) pending: VecDeque<Pending>,
    /// The move of its last step, and how many of its steps have gone.
    pub(super) of_move: u64,
    pub(super) done: u64,
}

/// An event to come, and the move that it belongs to where it is a step.
#[derive(Debug, Clone, Copy)]
pub(super) struct Pending {
    pub(super) tick: u64,
    pub(super) act: Act,
    pub(super) of_move: u64,
}

/// Records of one stream for one frame.
pub(super) struct Cut {
    pub(super) taken: usize,
    pub(super) clock: u64,
    /// Tick at which each begins, what it says, and its bytes.
    pub(super) records: Vec<(u64, RecordKind, Vec<u8>)>,
    pub(super) bytes: usize,
}

impl EventStream {
    pub(super) fn put(&mut self, tick: u64, act: Act) {
        self.pending.push_back(Pending {
            tick,
            act,
            of_move: 0,
        });
    }

    /// How many steps of a move have gone.
    pub(super) fn done_of(&self, number: u64) -> u64 {
        if self.of_move == number { self.done } else { 0 }
    }

    /// Its records up to a tick, or just beyond; none where they take more than `most`
    /// bytes.
    pub(super) fn cut(
        &self,
        number: usize,
        to: u64,
        gap: u64,
        accuracy: Accuracy,
        most: usize,
    ) -> Option<Cut> {
        let mut taken = self.pending.partition_point(|pending| pending.tick < to);
        let mut pass = None;
        loop {
            let last = match taken.checked_sub(1).map(|last| self.pending[last]) {
                None if self.ended => break,
                None => self.clock,
                Some(Pending { act: Act::End, .. }) => break,
                Some(Pending { tick, .. }) => tick,
            };
            if last >= to {
                break;
            }
            let middle = to.max(last + gap);
            match self.pending.get(taken) {
                Some(next) if next.tick >= middle + gap => pass = Some(middle),
                None => pass = Some(middle),
                // Whether there is a meeting in this frame has been decided for all.
                Some(next) if matches!(next.act, Act::Meet | Act::Await(..)) => {}
                Some(_) => {
                    taken += 1;
                    continue;
                }
            }
            break;
        }
        let mut cut = Cut {
            taken,
            clock: self.clock,
            records: Vec::new(),
            bytes: 0,
        };
        let mut at = 0;
        let mut ahead = Vec::new();
        while at < taken {
            if cut.bytes > most {
                return None;
            }
            ahead.clear();
            let steps = self.pending.range(at..taken);
            let steps = steps.take_while(|pending| pending.act == Act::Step);
            ahead.extend(steps.map(|step| step.tick - cut.clock));
            at += match fit::best_run(&ahead, accuracy, |_| true) {
                Some(run) => {
                    let lasts = run.ticks().last().unwrap_or(0);
                    cut.push(number, &RecordKind::Run(run), lasts);
                    usize::from(run.count)
                }
                None => {
                    let Pending { tick, act, .. } = self.pending[at];
                    let gap = tick - cut.clock;
                    cut.push(number, &RecordKind::Event { gap, act }, gap);
                    1
                }
            };
        }
        if let Some(tick) = pass {
            let (gap, act) = (tick - cut.clock, Act::Pass);
            cut.push(number, &RecordKind::Event { gap, act }, gap);
        }
        (cut.bytes <= most).then_some(cut)
    }

    /// Leaves behind what has been cut off.
    pub(super) fn take(&mut self, cut: &Cut) {
        for pending in self.pending.drain(..cut.taken) {
            if pending.act == Act::Step {
                if self.of_move != pending.of_move {
                    (self.of_move, self.done) = (pending.of_move, 0);
                }
                self.done += 1;
            }
            self.ended = pending.act == Act::End;
        }
        self.clock = cut.clock;
    }

    /// Where the axis has not begun to move, when and which way its line has to turn.
    pub(super) fn turns(&self) -> Option<(u64, Act)> {
        let next = self.pending.front()?;
        let turns = matches!(next.act, Act::Forwards | Act::Backwards);
        turns.then_some((next.tick, next.act))
    }

    /// Appends the records of a slow-down whose steps fall on the second of the ticks, behind the
    /// plan's last ones on the first; see [`gentle::write`].
    pub(super) fn slowing(
        &self,
        number: usize,
        [before, behind]: [&[u64]; 2],
        gentle: &Gentleness,
        out: &mut Vec<u8>,
    ) -> Option<f64> {
        if behind.is_empty() {
            return Some(-1.0);
        }
        let mut clock = self.clock;
        if let Some((tick, act)) = self.turns() {
            let gap = tick - clock;
            record::write(number, &RecordKind::Event { gap, act }, out);
            clock = tick;
        }
        let mut last = clock;
        let rising = |tick: &u64| {
            last = (last + 1).max(*tick);
            last
        };
        let behind: Vec<u64> = behind.iter().map(rising).collect();
        gentle::write(number, clock, before, &behind, gentle, out)
    }
}

impl Cut {
    fn push(&mut self, stream: usize, what: &RecordKind, lasts: u64) {
        let mut bytes = Vec::new();
        record::write(stream, what, &mut bytes);
        self.bytes += bytes.len();
        self.records.push((self.clock, *what, bytes));
        self.clock += lasts;
    }
}
