//! The schedule of a job, event by event.

use super::headway::{Gone, Headway};
use super::{Error, Job};
use crate::diagnostic::Diagnostic;
use crate::plan::{EachItem, Item, Passage, Passages, Program};
use crate::player::Lined;
use crate::schedule::{Event, Schedule, ScheduleRun};
use crate::script::Actions;

/// Planned items until the first error, which is kept.
#[derive(Debug)]
pub(super) struct UntilError<'a> {
    program: Program<'a, Actions>,
    error: Option<Diagnostic>,
    gone: Option<Gone<'a>>,
}

impl<'a> UntilError<'a> {
    pub(super) const fn new(program: Program<'a, Actions>) -> Self {
        Self {
            program,
            error: None,
            gone: None,
        }
    }

    /// The same; it tells how far it has come.
    pub(super) fn told_to(mut self, headway: &'a Headway) -> Self {
        self.gone = Some(Gone::new(headway, self.program.extent()));
        self
    }

    /// The items one by one, whatever repeats.
    pub(super) const fn each(&mut self) -> EachItem<&mut Self> {
        EachItem(self)
    }

    /// What went wrong, if anything did.
    pub(super) const fn take_error(&mut self) -> Option<Diagnostic> {
        self.error.take()
    }

    /// Whether all went well so far.
    pub(super) fn ended(self) -> Result<(), Error> {
        self.error.map_or(Ok(()), |error| Err(error.into()))
    }
}

impl Passages for UntilError<'_> {
    fn next_passage(&mut self) -> Option<Passage> {
        let passage = self.program.next_passage()?;
        if let Some(gone) = &mut self.gone {
            gone.reach(self.program.done());
        }
        match passage {
            Ok(passage) => Some(passage),
            Err(error) => {
                self.error = Some(error);
                None
            }
        }
    }

    fn leap(&mut self) {
        self.program.leap();
    }
}

impl Lined for UntilError<'_> {
    fn line_of(&self, item: &Item) -> usize {
        match item {
            Item::Move(planned) => planned.line,
            Item::Dwell(_)
            | Item::Output { .. }
            | Item::Await { .. }
            | Item::Zero { .. }
            | Item::Mark(_) => self.program.line(),
        }
    }
}

impl Passages for &mut UntilError<'_> {
    fn next_passage(&mut self) -> Option<Passage> {
        (**self).next_passage()
    }

    fn leap(&mut self) {
        (**self).leap();
    }
}

/// The events of a job in the order of their ticks; see [`Job::events`].
#[derive(Debug)]
pub struct Events<'a>(Schedule<EachItem<UntilError<'a>>>);

impl<'a> Events<'a> {
    pub(super) fn new(job: &'a Job) -> Self {
        Self(Schedule::new(
            EachItem(UntilError::new(job.unending())),
            &job.rig,
        ))
    }

    /// The next event, or as many steps as follow each other undisturbed, until the first
    /// error; [`ended`](Self::ended) tells of it.
    pub fn next_run(&mut self) -> Option<ScheduleRun<'_>> {
        self.0.next_run()
    }

    /// Whether the program was planned to its end, once no run is left.
    ///
    /// # Errors
    /// It was not.
    pub fn ended(mut self) -> Result<(), Error> {
        let error = self.0.items_mut().0.error.take();
        error.map_or(Ok(()), |error| Err(error.into()))
    }
}

impl Iterator for Events<'_> {
    type Item = Result<Event, Error>;

    fn next(&mut self) -> Option<Self::Item> {
        if let Some(event) = self.0.next() {
            return Some(Ok(event));
        }
        let error = self.0.items_mut().0.error.take()?;
        Some(Err(error.into()))
    }
}
