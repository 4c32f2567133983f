//! The front door: a script with its rig, and everything that can be asked of it.
//!
//! A [`Job`] plans its program again, item by item, at each call, so that a program
//! of any length takes constant memory. What the motors can do is worked out once.

mod checks;
mod drawing;
mod error;
mod events;
pub mod fastest;
mod header;
mod headway;
mod in_order;
mod kind;
mod motor;
mod player;
mod rehearsal;
mod settled;
mod size;
mod streaming;
mod study;
#[cfg(test)]
mod tests;
mod writing;

use std::ops::ControlFlow;
use std::path::Path;
use std::sync::{Arc, OnceLock};

pub use checks::Checks;
pub use drawing::PlotError;
pub use error::Error;
pub use events::Events;
pub use headway::Headway;
pub use kind::TextKind;
pub use motor::MotorSheet;
pub use settled::Settled;
pub use size::{Sizing, TriedMotor};
pub use streaming::{Streaming, Unstreamable};

use crate::check::AxisAbility;
use crate::diagnostic::{Diagnostic, Source, Span};
use crate::files::{FilesOnDisk, read_source, why_unread};
use crate::physics::Band;
use crate::plan::{self, Endless, Item, PlannedMove, Program, Tally};
use crate::rig::{BorrowedMotor, Files, NoFiles, Rig};
use crate::script::{Actions, Script, WITHOUT_END};
use crate::simulate::{
    Options, Outcome, Rehearsal, Settler, SimulationEvent, Trials, simulate_seeking,
};
use events::UntilError;

/// A script with its rig, ready to be planned as often as needed.
#[derive(Debug)]
pub struct Job {
    script: Script,
    rig: Rig,
    abilities: Arc<OnceLock<Vec<AxisAbility>>>,
    settler: Arc<Settler>,
    trials: Arc<Trials>,
    rehearsal: OnceLock<Rehearsal>,
    simulated: bool,
    /// Whether its check looks for cures.
    cured: bool,
    /// Passes asked for of what repeats without end.
    passes: Option<u64>,
    endless: OnceLock<Result<Option<Endless>, Diagnostic>>,
    headway: Arc<Headway>,
    sources: Vec<Arc<Source>>,
    borrowed: Vec<BorrowedMotor>,
}

/// The planned items of a job; see [`Job::items`].
#[derive(Debug)]
pub struct Items<'a>(Program<'a, Actions>);

impl Iterator for Items<'_> {
    type Item = Result<Item, Error>;

    fn next(&mut self) -> Option<Self::Item> {
        self.0.next().map(|item| item.map_err(Error::from))
    }
}

impl Job {
    /// Opens the script at `path`, with the rig and the profiles that it names on disk.
    ///
    /// # Errors
    /// A file cannot be read, or what is in it is wrong.
    pub fn open(path: impl AsRef<Path>) -> Result<Self, Error> {
        Self::read(open_source(path.as_ref())?, &mut FilesOnDisk)
    }

    /// Takes a script and finds the rig and the profiles that it names in `files`.
    ///
    /// # Errors
    /// A file cannot be read, or a text is wrong.
    pub fn read(script: Arc<Source>, files: &mut dyn Files) -> Result<Self, Error> {
        if TextKind::of(&script) == Some(TextKind::Yaml) {
            let name = script.name().to_owned();
            return Err(Error::NotAScript { name });
        }
        let script = Script::parse(script)?;
        let Some((path, span)) = script.rig() else {
            let end = script.source().text().len();
            return Err(Diagnostic::error(
                "rig-missing",
                "the script does not say which rig it is for",
            )
            .at(script.source(), Span::new(0, end.min(1)), "")
            .help("begin the script with a line such as: rig \"rig.yaml\"")
            .into());
        };
        let rig = files.open(path, script.source().path()).map_err(|error| {
            Diagnostic::error(
                "rig-unreadable",
                format!("the rig “{path}” cannot be read: {}", why_unread(&error)),
            )
            .at(script.source(), span, "")
            .help("its path is relative to the script")
        })?;
        if TextKind::of(&rig) == Some(TextKind::Script) {
            let message = format!("“{path}” is a script of moves, and a rig is needed here");
            return Err(Diagnostic::error("rig-unreadable", message)
                .at(script.source(), span, "")
                .into());
        }
        Self::of(script, &rig, files)
    }

    /// Takes a script and a rig, whatever rig the script names, and finds the profiles of the
    /// rig in `files`.
    ///
    /// # Errors
    /// A file cannot be read, or a text is wrong.
    pub fn read_on(
        script: Arc<Source>,
        rig: &Arc<Source>,
        files: &mut dyn Files,
    ) -> Result<Self, Error> {
        if TextKind::of(&script) == Some(TextKind::Yaml) {
            let name = script.name().to_owned();
            return Err(Error::NotAScript { name });
        }
        Self::of(Script::parse(script)?, rig, files)
    }

    /// Takes the texts of a script and of its rig, whatever rig the script names. The rig
    /// holds its motors, drives and timer itself.
    ///
    /// # Errors
    /// A text is wrong.
    pub fn from_texts(script: &str, rig: &str) -> Result<Self, Error> {
        let script = Script::parse(Source::new("script", script))?;
        Self::of(script, &Source::new("rig", rig), &mut NoFiles)
    }

    fn of(script: Script, rig: &Arc<Source>, files: &mut dyn Files) -> Result<Self, Error> {
        let read = Rig::parse(rig, files)?;
        let mut sources = vec![Arc::clone(script.source())];
        sources.extend(read.sources);
        Ok(Self {
            borrowed: read.borrowed,
            sources,
            ..Self::with_parts(script, read.rig)
        })
    }

    /// A script on a rig that was not read for it.
    fn with_parts(script: Script, rig: Rig) -> Self {
        Self {
            script,
            settler: Arc::new(Settler::of(&rig)),
            trials: Arc::new(Trials::of(&rig)),
            rig,
            abilities: Arc::default(),
            rehearsal: OnceLock::new(),
            simulated: true,
            cured: true,
            passes: None,
            endless: OnceLock::new(),
            headway: Arc::default(),
            borrowed: Vec::new(),
            sources: Vec::new(),
        }
    }

    /// The job with verdicts that leave the motor model out: quicker, and silent about lost
    /// steps.
    #[must_use]
    pub fn without_simulation(self) -> Self {
        Self {
            simulated: false,
            ..self
        }
    }

    /// The job with verdicts that ask the motor model.
    fn with_simulation(self) -> Self {
        Self {
            simulated: true,
            rehearsal: OnceLock::new(),
            ..self
        }
    }

    /// Another script on the same rig, in place of this one; its check looks for no cures.
    fn with_script(&self, text: &str) -> Result<Self, Error> {
        let source = Source::of_file(self.script.source().path(), text);
        Ok(Self {
            script: Script::parse(source)?,
            rig: self.rig.clone(),
            abilities: Arc::clone(&self.abilities),
            settler: Arc::clone(&self.settler),
            trials: Arc::clone(&self.trials),
            rehearsal: OnceLock::new(),
            simulated: true,
            cured: false,
            passes: self.passes,
            endless: OnceLock::new(),
            headway: Arc::default(),
            sources: Vec::new(),
            borrowed: self.borrowed.clone(),
        })
    }

    /// The job with so many passes through what its script repeats without end.
    #[must_use]
    pub fn with_passes(self, passes: u64) -> Self {
        Self {
            passes: Some(passes),
            endless: OnceLock::new(),
            headway: Arc::default(),
            rehearsal: OnceLock::new(),
            ..self
        }
    }

    /// Whether its script repeats something without end, however many passes the job has.
    pub fn has_endless_repeat(&self) -> bool {
        self.script.endless().is_some()
    }

    /// What the program repeats without end; none where it ends.
    ///
    /// # Errors
    /// The program cannot be planned, or cannot go on for ever.
    pub fn endless(&self) -> Result<Option<&Endless>, Error> {
        match self.known_endless() {
            Ok(endless) => Ok(endless.as_ref()),
            Err(reason) => Err(reason.clone().into()),
        }
    }

    fn known_endless(&self) -> &Result<Option<Endless>, Diagnostic> {
        self.endless.get_or_init(|| {
            if self.passes.is_some() || !self.has_endless_repeat() {
                return Ok(None);
            }
            plan::endless(self.program_of(WITHOUT_END))
        })
    }

    /// The rig.
    pub const fn rig(&self) -> &Rig {
        &self.rig
    }

    /// The texts that were read: script, rig, profiles.
    pub fn sources(&self) -> &[Arc<Source>] {
        &self.sources
    }

    /// The planned program: moves, and what happens between them, until the first error; without
    /// end where it repeats so.
    pub fn items(&self) -> Items<'_> {
        Items(self.unending())
    }

    /// The planned moves, until the first error; without end where the program repeats so.
    pub fn moves(&self) -> impl Iterator<Item = Result<PlannedMove, Error>> {
        self.items().filter_map(|item| match item {
            Ok(Item::Move(planned)) => Some(Ok(planned)),
            Ok(
                Item::Dwell(_)
                | Item::Output { .. }
                | Item::Await { .. }
                | Item::Zero { .. }
                | Item::Mark(_),
            ) => None,
            Err(error) => Some(Err(error)),
        })
    }

    /// The events of the schedule in the order of their ticks, until the first error; without
    /// end where the program repeats so.
    pub fn events(&self) -> Events<'_> {
        Events::new(self)
    }

    /// The moves, each with its verdict, and what the whole program comes to. For that the
    /// program is first played in the motor model, unless the job is
    /// [`without_simulation`](Self::without_simulation).
    pub fn check(&self) -> Checks<'_> {
        Checks::new(self)
    }

    /// Plays the ticks of the schedule into the motor model. Passes through a long loop that
    /// begin alike are played once.
    ///
    /// # Errors
    /// The program cannot be planned.
    pub fn simulate(&self, options: &Options) -> Result<Outcome, Error> {
        let mut outcome = Outcome::default();
        self.simulate_with(options, &mut |event| {
            outcome.take_in(&event);
            ControlFlow::Continue(())
        })?;
        Ok(outcome)
    }

    /// The same, reporting as it goes; `report` may break it off.
    ///
    /// # Errors
    /// The program cannot be planned.
    pub fn simulate_with(
        &self,
        options: &Options,
        report: &mut dyn FnMut(SimulationEvent<'_>) -> ControlFlow<()>,
    ) -> Result<(), Error> {
        self.simulate_seeking(options, &[], report)
    }

    /// The same with the places at which the contacts that axes seek switch, one for each axis
    /// (rad or m of the load, from where it stands at the start), as far as they are known. A seek
    /// without one goes to the end of its way.
    ///
    /// # Errors
    /// The program cannot be planned.
    pub fn simulate_seeking(
        &self,
        options: &Options,
        contacts: &[Option<f64>],
        report: &mut dyn FnMut(SimulationEvent<'_>) -> ControlFlow<()>,
    ) -> Result<(), Error> {
        let mut items = UntilError::new(self.program());
        // Whoever broke it off knows.
        let _ = match options.trace_interval {
            // A trace shows every move.
            Some(_) => simulate_seeking(&self.rig, items.each(), options, contacts, report),
            None => simulate_seeking(&self.rig, &mut items, options, contacts, report),
        };
        items.ended()
    }

    /// How far what this job was asked has come.
    pub fn headway(&self) -> Arc<Headway> {
        Arc::clone(&self.headway)
    }

    /// How long the program lasts, without waiting for inputs (s). Of one without end, the
    /// passes count that [stand](Endless::passes_judged) for all.
    ///
    /// # Errors
    /// The program cannot be planned.
    pub fn duration(&self) -> Result<f64, Error> {
        let mut items = UntilError::new(self.program()).told_to(&self.headway);
        let all = Tally::new(&mut items);
        let seconds = all
            .map(|(item, times)| item.duration() * times as f64)
            .sum();
        items.ended()?;
        Ok(seconds)
    }

    /// How many steps it makes, on all axes together. Of a program without end, the passes
    /// count that [stand](Endless::passes_judged) for all.
    ///
    /// # Errors
    /// The program cannot be planned.
    pub fn steps(&self) -> Result<u64, Error> {
        let mut items = UntilError::new(self.program());
        let steps = Tally::new(&mut items).map(|(item, times)| match item {
            Item::Move(planned) => planned.motion.steps().saturating_mul(times),
            Item::Dwell(_)
            | Item::Output { .. }
            | Item::Await { .. }
            | Item::Zero { .. }
            | Item::Mark(_) => 0,
        });
        let steps = steps.fold(0, u64::saturating_add);
        items.ended()?;
        Ok(steps)
    }

    /// What the motor of that axis can do on its drive with its load.
    ///
    /// # Errors
    /// The rig has no such axis.
    pub fn motor(&self, axis: &str) -> Result<MotorSheet<'_>, Error> {
        let found = self.rig.axes.iter().find(|one| one.name == axis);
        let axis = found.ok_or_else(|| Error::NoSuchAxis(axis.to_owned()))?;
        Ok(MotorSheet::of(axis))
    }

    /// What the axes of the rig can do, worked out when it is first asked for.
    pub fn abilities(&self) -> &[AxisAbility] {
        self.abilities.get_or_init(|| {
            let axes = self.rig.axes.iter();
            axes.map(AxisAbility::of).collect()
        })
    }

    /// The program that is judged: of one without end, the passes that stand for all.
    fn program(&self) -> Program<'_, Actions> {
        match (self.passes, self.known_endless()) {
            (Some(passes), _) => self.program_of(passes),
            (None, Ok(None)) => self.program_of(WITHOUT_END),
            (None, Ok(Some(endless))) => self.program_of(endless.passes_judged()),
            (None, Err(reason)) => self.program_of(1).refused(Some(reason.clone())),
        }
    }

    /// The program that is played: one without end offers to leave all of it out once it
    /// repeats.
    fn played(&self) -> Program<'_, Actions> {
        match self.known_endless() {
            Ok(None) => self.program(),
            Ok(Some(_)) => self.program_of(WITHOUT_END),
            Err(reason) => self.program_of(1).refused(Some(reason.clone())),
        }
    }

    /// The program pass by pass.
    fn unending(&self) -> Program<'_, Actions> {
        self.played().pass_by_pass()
    }

    fn program_of(&self, passes: u64) -> Program<'_, Actions> {
        let bands = self
            .abilities()
            .iter()
            .map(|ability| ability.bands.iter().map(Band::with_clearance).collect());
        plan::program(
            &self.rig,
            self.script.source(),
            self.script.actions_with(passes),
        )
        .with_bands(bands.collect())
        .with_settling(&*self.settler)
        .with_following(&*self.trials)
    }
}

/// Reads a rig by itself; `files` holds the profiles that it names.
///
/// # Errors
/// The text is something else, or wrong.
pub fn read_rig(source: &Arc<Source>, files: &mut dyn Files) -> Result<Rig, Error> {
    let name = || source.name().to_owned();
    if TextKind::of(source) == Some(TextKind::Script) {
        return Err(Error::NotARig {
            name: name(),
            rig: kind::named_rig(source),
        });
    }
    if let Some(part) = kind::profile_of(source) {
        return Err(Error::OnlyAProfile { name: name(), part });
    }
    Ok(Rig::parse(source, files)?.rig)
}

/// The text at `path`.
///
/// # Errors
/// It cannot be read.
pub fn open_source(path: &Path) -> Result<Arc<Source>, Error> {
    read_source(path).map_err(|error| Error::Unreadable {
        path: path.to_owned(),
        error,
    })
}
