//! The check of a job, move by move.

use rayon::prelude::*;

use super::events::UntilError;
use super::header::ProgramCounts;
use super::in_order::in_order;
use super::{Error, Job};
use crate::check::{
    AxisAbility, Checker, Finding, MotorModel, MoveCheck, Summary, borrowed, player,
};
use crate::plan::{Item, Tally};
use crate::player::{Refusal, ScheduleSource};
use crate::rig::Rig;
use crate::simulate::Rehearsal;

/// The moves of a job, each with its verdict; see [`Job::check`]. Of passes through a long
/// loop that do the same, one is given, with the number of times.
#[derive(Debug)]
pub struct Checks<'a> {
    job: &'a Job,
    items: Tally<UntilError<'a>>,
    checker: Checker<'a>,
    counted: ProgramCounts,
}

/// An item of a program.
#[derive(Debug)]
pub(super) struct CheckedItem {
    /// What comes.
    pub item: Item,
    /// How often: more than once in a long loop whose passes are all the same.
    pub times: u64,
    /// What was found, where it is a move.
    pub checked: Option<MoveCheck>,
}

/// What a checker asks of the motor model.
fn model<'a>(job: &'a Job, rehearsal: &'a Rehearsal) -> MotorModel<'a> {
    MotorModel {
        rehearsal,
        following: &*job.trials,
        settling: &*job.settler,
    }
}

impl<'a> Checks<'a> {
    pub(super) fn new(job: &'a Job) -> Self {
        // A program that cannot be planned says so itself, in its place.
        let rehearsal = job.rehearse().ok().flatten();
        let mut checks = Self::on(job, &job.rig, job.abilities(), rehearsal);
        if job.cured {
            checks.checker = Checker::new(&job.rig, job.abilities())
                .with_model(rehearsal.map(|rehearsal| model(job, rehearsal)));
        }
        checks
    }

    /// The moves of a job, judged without cures on `rig`, whose axes can do `abilities`, and with
    /// what a motor model made of them there.
    pub(super) fn on(
        job: &'a Job,
        rig: &'a Rig,
        abilities: &'a [AxisAbility],
        rehearsal: Option<&'a Rehearsal>,
    ) -> Self {
        let model = rehearsal.map(|rehearsal| model(job, rehearsal));
        Self {
            job,
            items: Tally::new(UntilError::new(job.program()).told_to(&job.headway)),
            checker: Checker::new(rig, abilities)
                .with_model(model)
                .without_cures(),
            counted: ProgramCounts::default(),
        }
    }

    /// The next item. What repeats for long comes once.
    pub(super) fn next_item(&mut self) -> Option<Result<CheckedItem, Error>> {
        let Some((item, times)) = self.items.next() else {
            let error = self.items.passages_mut().take_error()?;
            return Some(Err(error.into()));
        };
        self.counted.add(&item);
        let checked = self.checker.check(&item, times);
        Some(Ok(CheckedItem {
            item,
            times,
            checked,
        }))
    }

    /// Checks what is left, and gives what the whole program comes to. Goes over the program
    /// again for each kind of player that the rig may be meant for, and for the C header.
    ///
    /// # Errors
    /// The program cannot be planned.
    pub fn summary(mut self) -> Result<Summary, Error> {
        let mut summary = self.finish()?;
        summary.findings.extend(self.of_players()?);
        summary.findings.extend(borrowed(&self.job.borrowed));
        summary
            .findings
            .extend(self.job.about_the_header(self.counted)?);
        Ok(summary)
    }

    /// How many times [`summary`](Self::summary) goes through the program once all moves have
    /// come; see [`Job::headway`].
    pub fn programs_to_come(&self) -> f64 {
        let header = u8::from(self.counted.may_overflow(&self.job.rig));
        player::candidates(&self.job.rig).len() as f64 + f64::from(header)
    }

    /// What the players refuse that the rig may be meant for, each of them tried by itself.
    fn of_players(&self) -> Result<Vec<Finding>, Error> {
        let job = self.job;
        let candidates = player::candidates(&job.rig);
        let first_refusals = candidates.par_iter().map(|candidate| {
            // How a board at a line is wired it says itself.
            let from_memory = candidate.options.source == ScheduleSource::Memory;
            let mut refusals = job.refusals(candidate.options)?.into_iter();
            let first = refusals.find(|refusal| from_memory || refusal.reason.is_of_the_program());
            Ok(first.filter(|refusal| !refusal.reason.is_of_a_line()))
        });
        let first_refusals: Vec<Option<Refusal>> = in_order::<_, Error>(first_refusals)?;
        let refused: Vec<_> = candidates
            .into_iter()
            .zip(first_refusals)
            .filter_map(|(candidate, refusal)| Some((candidate, refusal?)))
            .collect();
        Ok(player::findings(&refused))
    }

    /// The same without a word about player and header, for who asks that next.
    ///
    /// # Errors
    /// The program cannot be planned.
    pub fn of_the_motion(mut self) -> Result<Summary, Error> {
        self.finish()
    }

    fn finish(&mut self) -> Result<Summary, Error> {
        while let Some(item) = self.next_item() {
            item?;
        }
        let mut summary = self.checker.summary();
        summary.endless = self.job.endless()?.cloned();
        Ok(summary)
    }
}

impl Iterator for Checks<'_> {
    type Item = Result<MoveCheck, Error>;

    fn next(&mut self) -> Option<Self::Item> {
        loop {
            match self.next_item()? {
                Ok(next) => {
                    if let Some(checked) = next.checked {
                        return Some(Ok(checked));
                    }
                }
                Err(error) => return Some(Err(error)),
            }
        }
    }
}
