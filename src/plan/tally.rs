//! The items of a program, each with how often it comes: for those who only add up.

use std::collections::VecDeque;

use super::Item;
use super::repetition::{Passage, Passages};

/// Items of open periods at most, past which what repeats is gone through pass by pass:
/// chosen, to bound the memory to some megabytes.
const MOST_HELD: usize = 1 << 17;

/// The items of a program in their order. What repeats comes once, with the number of times.
#[derive(Debug)]
pub(crate) struct Tally<P> {
    passages: P,
    /// Items of periods that are open, or that have ended and are given out.
    held: VecDeque<(Item, u64)>,
    /// Where in `held` each open period begins; none where it is not held any more.
    begins: Vec<Option<usize>>,
}

impl<P: Passages> Tally<P> {
    /// Of a program.
    pub(crate) const fn new(passages: P) -> Self {
        Self {
            passages,
            held: VecDeque::new(),
            begins: Vec::new(),
        }
    }

    /// What the items come from.
    pub(crate) const fn passages_mut(&mut self) -> &mut P {
        &mut self.passages
    }

    fn is_holding(&self) -> bool {
        self.begins.iter().any(Option::is_some)
    }

    fn ends(&mut self, more: u64) {
        // Periods are told of in pairs.
        let Some(Some(begin)) = self.begins.pop() else {
            return;
        };
        if more == 0 {
            return;
        }
        self.passages.leap();
        for (_, times) in self.held.range_mut(begin..) {
            *times = times.saturating_mul(more.saturating_add(1));
        }
    }
}

impl<P: Passages> Iterator for Tally<P> {
    type Item = (Item, u64);

    fn next(&mut self) -> Option<(Item, u64)> {
        loop {
            if !self.is_holding()
                && let Some(held) = self.held.pop_front()
            {
                return Some(held);
            }
            match self.passages.next_passage() {
                Some(Passage::Item(item)) if self.is_holding() => {
                    self.held.push_back((item, 1));
                    if self.held.len() >= MOST_HELD {
                        self.begins.fill(None);
                    }
                }
                Some(Passage::Item(item)) => return Some((item, 1)),
                Some(Passage::Begins) => self.begins.push(Some(self.held.len())),
                Some(Passage::Ends { more }) => self.ends(more),
                // After an error a period may stay open.
                None if self.is_holding() => self.begins.clear(),
                None => return self.held.pop_front(),
            }
        }
    }
}

/// The items of a program, one by one, whatever repeats.
#[derive(Debug)]
pub(crate) struct EachItem<P>(pub(crate) P);

impl<P: Passages> Iterator for EachItem<P> {
    type Item = Item;

    fn next(&mut self) -> Option<Item> {
        loop {
            match self.0.next_passage()? {
                Passage::Item(item) => return Some(item),
                Passage::Begins | Passage::Ends { .. } => {}
            }
        }
    }
}
