//! The schedule of a job, written in a format or as the player's project.

use std::io::Write;
use std::path::Path;

use super::events::UntilError;
use super::{Error, Job};
use crate::check::Summary;
use crate::emit::{Format, Heading};
use crate::plan::{Item, Passage, Passages};
use crate::player::{PlayerOptions, Project};

/// A program that shows its items to somebody as they are taken.
pub(super) struct Seen<'s, 'a>(
    pub(super) &'s mut UntilError<'a>,
    pub(super) &'s mut dyn FnMut(&Item),
);

impl Passages for Seen<'_, '_> {
    fn next_passage(&mut self) -> Option<Passage> {
        let passage = self.0.next_passage()?;
        if let Passage::Item(item) = &passage {
            (self.1)(item);
        }
        Some(passage)
    }

    fn leap(&mut self) {
        self.0.leap();
    }
}

impl Job {
    /// Writes the schedule in a format.
    ///
    /// # Errors
    /// The program cannot be planned, fails its check, or does not fit the format; then
    /// nothing useful was written.
    pub fn write(&self, format: &dyn Format, out: &mut dyn Write) -> Result<(), Error> {
        let heading = self.passed()?;
        self.write_with(&heading, format, &mut |_| (), out)
    }

    /// Writes the schedule without a check, under a heading of the caller's own; `seen` is
    /// shown each item as it is taken.
    ///
    /// # Errors
    /// The program cannot be planned or does not fit the format, or it has no end and the format
    /// lists every event.
    pub fn write_with(
        &self,
        heading: &Heading<'_>,
        format: &dyn Format,
        seen: &mut dyn FnMut(&Item),
        out: &mut dyn Write,
    ) -> Result<(), Error> {
        if !format.can_be_endless()
            && let Some(endless) = self.endless()?
        {
            return Err(Error::Endless {
                format: format.name(),
                line: endless.line,
            });
        }
        let mut items = UntilError::new(self.played());
        let written = format.write(heading, &mut Seen(&mut items, seen), out);
        items.ended()?;
        Ok(written?)
    }

    /// The project of the player that plays the program.
    ///
    /// # Errors
    /// The program cannot be planned, fails its check, or is more than the player can play.
    pub fn project(&self, options: PlayerOptions) -> Result<Project, Error> {
        let heading = self.passed()?;
        self.project_with(&heading, options, &mut |_| ())
    }

    /// The same without a check, under a heading of the caller's own; `seen` is shown each
    /// item as it is taken.
    ///
    /// # Errors
    /// The program cannot be planned or is more than the player can play.
    pub fn project_with(
        &self,
        heading: &Heading<'_>,
        options: PlayerOptions,
        seen: &mut dyn FnMut(&Item),
    ) -> Result<Project, Error> {
        let mut items = UntilError::new(self.played());
        let made = Project::of(heading, options, &mut Seen(&mut items, seen));
        items.ended()?;
        made.map_err(|refusal| Error::Refused(Box::new(self.located(refusal))))
    }

    /// The project of the player that plays one of several programs of one rig, as its inputs
    /// select it, without a check; each job comes with a heading of the caller's own.
    ///
    /// # Errors
    /// A program cannot be planned or is more than the player can play.
    pub fn project_of(
        jobs: &[(&Self, Heading<'_>)],
        options: PlayerOptions,
    ) -> Result<Project, Error> {
        let items = jobs.iter().map(|(job, _)| UntilError::new(job.played()));
        let mut items: Vec<UntilError<'_>> = items.collect();
        let headings = jobs.iter().map(|(_, heading)| *heading);
        let mut programs: Vec<(Heading<'_>, &mut dyn Passages)> = headings
            .zip(&mut items)
            .map(|(heading, items)| (heading, items as &mut dyn Passages))
            .collect();
        let made = Project::of_several(&mut programs, options);
        for items in items {
            items.ended()?;
        }
        made.map_err(|(number, refusal)| Error::Refused(Box::new(jobs[number].0.located(refusal))))
    }

    /// The heading of a schedule; `failure` says why its program must not run.
    pub fn heading<'a>(&'a self, failure: Option<&'a str>) -> Heading<'a> {
        let name = Path::new(self.script.source().name()).file_stem();
        Heading {
            program: name.and_then(|name| name.to_str()).unwrap_or("program"),
            rig: &self.rig,
            failure,
        }
    }

    /// The heading of a program that passes its check.
    pub(super) fn passed(&self) -> Result<Heading<'_>, Error> {
        self.passing().map(|_| self.heading(None))
    }

    /// The summary of a program that passes its check.
    pub(super) fn passing(&self) -> Result<Summary, Error> {
        let mut summary = self.check().of_the_motion()?;
        match summary.first_failure.take() {
            Some(failure) => Err(Error::MustNotRun(failure)),
            None => Ok(summary),
        }
    }
}
