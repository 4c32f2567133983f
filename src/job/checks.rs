//! The check of a job, move by move.

use super::{Error, Items, Job};
use crate::check::{Checker, MoveCheck, Summary};
use crate::plan::Item;

/// The moves of a job, each with its verdict; see [`Job::check`].
#[derive(Debug)]
pub struct Checks<'a> {
    items: Items<'a>,
    checker: Checker<'a>,
}

impl<'a> Checks<'a> {
    pub(super) fn new(job: &'a Job) -> Self {
        Self {
            items: job.items(),
            checker: Checker::new(&job.rig, job.abilities()),
        }
    }

    /// The next item, with its check where it is a move.
    pub(super) fn next_item(&mut self) -> Option<Result<(Item, Option<MoveCheck>), Error>> {
        let item = self.items.next()?;
        Some(item.map(|item| {
            let checked = self.checker.check(&item);
            (item, checked)
        }))
    }

    /// Checks what is left, and gives what the whole program comes to.
    ///
    /// # Errors
    /// The program cannot be planned.
    pub fn summary(mut self) -> Result<Summary, Error> {
        while let Some(item) = self.next_item() {
            item?;
        }
        Ok(self.checker.summary())
    }
}

impl Iterator for Checks<'_> {
    type Item = Result<MoveCheck, Error>;

    fn next(&mut self) -> Option<Self::Item> {
        loop {
            match self.next_item()? {
                Ok((_, Some(checked))) => return Some(Ok(checked)),
                Ok((_, None)) => {}
                Err(error) => return Some(Err(error)),
            }
        }
    }
}
