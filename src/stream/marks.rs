//! The marks that are under way to the board, and the one that it has reached last.

use std::collections::VecDeque;
use std::sync::Arc;

use super::record::MARK_NUMBERS;

/// The marks of one program.
#[derive(Debug, Default)]
pub(super) struct Marks {
    /// The mark that was reached last, and its number.
    passed: Option<Arc<str>>,
    number: u8,
    /// The texts of those that have been sent and not been reached.
    under_way: VecDeque<Arc<str>>,
}

impl Marks {
    /// The text of the mark that was reached last.
    pub(super) fn passed(&self) -> Option<&str> {
        self.passed.as_deref()
    }

    /// These go to the board.
    pub(super) fn send(&mut self, texts: impl IntoIterator<Item = Arc<str>>) {
        self.under_way.extend(texts);
    }

    /// Whether so many more may be under way: each needs a number of its own.
    pub(super) fn have_room_for(&self, more: usize) -> bool {
        self.under_way.len() + more < usize::from(MARK_NUMBERS)
    }

    /// Takes note of the number of the mark that was reached last. No more marks are under
    /// way than have a number each, so there is only one that it can be.
    pub(super) fn pass(&mut self, number: u8) {
        let passed = match (self.number, number) {
            (_, 0) => return,
            (0, number) => usize::from(number),
            (before, number) => {
                let numbers = u16::from(MARK_NUMBERS);
                usize::from((numbers + u16::from(number) - u16::from(before)) % numbers)
            }
        };
        if (1..=self.under_way.len()).contains(&passed) {
            self.passed = self.under_way.drain(..passed).next_back();
            self.number = number;
        }
    }
}
