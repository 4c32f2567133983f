//! `emit`: writes the schedule in a format.

use std::io::{self, Write};
use std::path::{Path, PathBuf};

use clap::builder::PossibleValuesParser;
use clap::{Args, ValueEnum};

use super::exchange::{Exchange, TargetFolder};
use super::input::{load_for, tell_guesses};
use super::output::{self, Output};
use super::port::BAUD;
use super::progress::Progress;
use super::rehearse::{NOT_SIMULATED, RehearseOptions};
use super::{Answer, Failure, Terminal};
use slewsmith::emit::{Binary, EmitError, FORMATS, Format, Heading, format};
use slewsmith::plan::Item;
use slewsmith::player::{self, Edits, Lines, PlayerOptions, Project, ProjectFile, ScheduleSource};
use slewsmith::rig::{DriveKind, Rig};
use slewsmith::units::Rounded;
use slewsmith::{Error, Job};

/// The most passes, as of a `repeat`.
const MOST_PASSES: u64 = 1_000_000_000_000;
/// The file that all others of a project need, so that it keeps them from being built.
const GUARD: &str = "player.h";
/// What stands in it while a project is being written.
const STOP: &str = include_str!("start/unfinished.h");

/// Write the schedule for firmware and instruments, or firmware that plays it. Exit code 1, and
/// nothing written, when the check fails.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  slewsmith emit examples/carousel.moves --as c -o carousel.h\n  slewsmith emit examples/carousel.moves --as firmware -o carousel-player"
)]
pub(super) struct EmitCommand {
    /// The move script; `-` reads it from standard input. Several scripts of one rig make a
    /// firmware that plays one of them, as the inputs of the rig's `select` say.
    #[arg(required = true, value_name = "SCRIPT")]
    scripts: Vec<PathBuf>,
    /// Format: `csv` and `json` list every event with its tick, `vcd` is for a waveform viewer,
    /// `c` is a header of tables for your own firmware, `binary` is packed for a small memory,
    /// `firmware` is a complete C project that plays it.
    #[arg(long = "as", value_name = "FORMAT", value_parser = PossibleValuesParser::new(names()))]
    format: String,
    /// Output file, or `-` for standard output; the project's folder for the format
    /// `firmware`.
    #[arg(short, long, value_name = "PATH", default_value = "-")]
    output: PathBuf,
    /// Signals the firmware drives: step/direction (default) or coil
    /// switches.
    #[arg(long, value_enum)]
    lines: Option<PlayerLines>,
    /// Schedule source: program memory (default) or
    /// serial line.
    #[arg(long, value_enum)]
    feed: Option<PlayerFeed>,
    /// Baud rate of the serial line (default 115200).
    #[arg(long, value_name = "RATE")]
    baud: Option<u32>,
    /// Write the firmware for any other board, behind five functions of
    /// yours, whatever pins and timer the rig has.
    #[arg(long)]
    other_board: bool,
    /// Write that many passes of what the script repeats forever. `csv`, `json` and
    /// `vcd` require it; the others repeat it without end.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u64).range(1..=MOST_PASSES))]
    passes: Option<u64>,
    /// Have the firmware call functions of yours, in `user.c`: at marks, at the start, at the end,
    /// in each pass of its main loop.
    #[arg(long)]
    user_code: bool,
    /// Write it although the check fails; the output says so.
    #[arg(long)]
    unchecked: bool,
    #[command(flatten)]
    rehearse: RehearseOptions,
}

/// What a check has said of a program that may be written.
struct Checked {
    /// Why it must not run, where it is written anyway.
    failure: Option<String>,
    /// How long it lasts (s).
    total_time: f64,
    /// The steps that it makes, on all axes together; none of one without end.
    steps: Option<u64>,
}

/// The player's schedule source.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum PlayerFeed {
    /// Program memory.
    Memory,
    /// A serial line.
    Line,
}

/// The signals the player drives.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum PlayerLines {
    /// Step and direction lines for each axis.
    Steps,
    /// Switches of two bridges for each axis.
    Coils,
}

impl EmitCommand {
    /// The kind of project asked for.
    fn options(&self) -> PlayerOptions {
        PlayerOptions {
            lines: match self.lines {
                None | Some(PlayerLines::Steps) => Lines::Steps,
                Some(PlayerLines::Coils) => Lines::Coils,
            },
            source: match self.feed {
                None | Some(PlayerFeed::Memory) => ScheduleSource::Memory,
                Some(PlayerFeed::Line) => ScheduleSource::Line {
                    baud: self.baud.unwrap_or(BAUD),
                },
            },
            other_board: self.other_board,
            user_code: self.user_code,
        }
    }

    /// Refuses options that would do nothing.
    fn refuse_idle_options(&self) -> Result<(), Failure> {
        let of_the_player = [
            ("--lines", self.lines.is_some()),
            ("--feed", self.feed.is_some()),
            ("--baud", self.baud.is_some()),
            ("--other-board", self.other_board),
            ("--user-code", self.user_code),
        ];
        let given = of_the_player.iter().find(|(_, given)| *given);
        if let Some((option, _)) = given
            && self.format != player::NAME
        {
            return Err(Failure::Request(format!(
                "{option} applies only to `--as firmware`"
            )));
        }
        if self.user_code && self.feed == Some(PlayerFeed::Line) {
            return Err(Failure::Request(
                "--user-code needs a schedule in program memory; `--feed line` leaves no time for it"
                    .to_owned(),
            ));
        }
        if self.baud.is_some() && self.feed != Some(PlayerFeed::Line) {
            return Err(Failure::Request(
                "--baud sets the serial line's rate and requires `--feed line`".to_owned(),
            ));
        }
        Ok(())
    }

    /// Runs the command. Nothing is written unless the whole program passes its check
    /// or `--unchecked` is given.
    ///
    /// # Errors
    /// Wrong input, a program that the format cannot hold, or output that cannot be
    /// written.
    pub(super) fn run(&self, terminal: &mut Terminal) -> Result<Answer, Failure> {
        self.refuse_idle_options()?;
        if self.format == player::NAME && self.output == Path::new("-") {
            return Err(Failure::Request(
                "`--as firmware` writes a folder: name it with --output".to_owned(),
            ));
        }
        let [script] = &self.scripts[..] else {
            return self.several(terminal);
        };
        let job = load_for(script, &self.output)?;
        tell_guesses(job.rig(), terminal);
        let job = match self.passes {
            Some(_) if !job.has_endless_repeat() => {
                return Err(Failure::Request(
                    "--passes applies only to a script with `repeat forever`".to_owned(),
                ));
            }
            Some(passes) => job.with_passes(passes),
            None => job,
        };
        self.refuse_endless_list(&job)?;
        let job = self.rehearse.apply(job, terminal)?;
        let Some(checked) = self.check(&job, terminal)? else {
            return Ok(Answer::No);
        };
        let mut heading = job.heading(checked.failure.as_deref());
        let program = script.file_stem().map(|stem| stem.to_string_lossy());
        heading.program = program.as_deref().unwrap_or(heading.program);
        let mut bar = Progress::new(checked.total_time, terminal);
        let mut reached = 0.0;
        let mut seen = |item: &Item| {
            reached += item.duration();
            bar.reach(reached);
        };
        if self.format == player::NAME {
            let mut project = job
                .project_with(&heading, self.options(), &mut seen)
                .map_err(|error| self.cannot(error))?;
            drop(bar);
            if let ScheduleSource::Line { baud } = self.options().source {
                project.add_to_readme(&format!(
                    "\n## Play a program\n\n    slewsmith stream SCRIPT --port PORT --baud {baud}\n"
                ));
            }
            self.put_project(&project, &job, checked.steps, terminal)?;
        } else {
            let (output, bytes) = self.file(&job, &heading, &mut seen)?;
            drop(bar);
            output.finish()?;
            if self.format == Binary.name() {
                terminal.note(&packed(bytes, checked.steps));
            }
        }
        Ok(Answer::Yes)
    }

    /// Refuses to list the events of a program without end, before it is checked.
    fn refuse_endless_list(&self, job: &Job) -> Result<(), Failure> {
        let Some(format) = format(&self.format).filter(|format| !format.can_be_endless()) else {
            return Ok(());
        };
        match job.endless()? {
            Some(endless) => Err(Error::Endless {
                format: format.name(),
                line: endless.line,
            }
            .into()),
            None => Ok(()),
        }
    }

    /// Checks a program, and says what there is to say; none where it must not be written.
    fn check(&self, job: &Job, terminal: &Terminal) -> Result<Option<Checked>, Failure> {
        let busy = Progress::through(job, 1.0, "checking the program", terminal);
        let mut checks = job.check();
        let mut steps = 0u64;
        for checked in checks.by_ref() {
            let checked = checked?;
            let own = checked.planned.motion.steps();
            steps = steps.saturating_add(own.saturating_mul(checked.times));
        }
        let summary = checks.of_the_motion()?;
        drop(busy);
        let failure = summary.first_failure.map(|failure| failure.to_string());
        if let Some(reason) = &failure
            && !self.unchecked
        {
            terminal.note(&format!(
                "the program must not run; nothing was written: {reason}\n\
                `slewsmith check` lists all reasons and cures; --unchecked writes it anyway"
            ));
            return Ok(None);
        }
        if summary.warned > 0 {
            let moves = match summary.warned {
                1 => "1 move has".to_owned(),
                several => format!("{several} moves have"),
            };
            terminal.note(&format!(
                "{moves} warnings: `slewsmith check` gives causes and cures"
            ));
        }
        if summary.simulated.is_none() {
            terminal.note(NOT_SIMULATED);
        }
        Ok(Some(Checked {
            failure,
            total_time: summary.total_time,
            steps: summary.endless.is_none().then_some(steps),
        }))
    }

    /// Writes firmware that plays one of several programs of one rig.
    fn several(&self, terminal: &mut Terminal) -> Result<Answer, Failure> {
        if self.format != player::NAME || self.feed == Some(PlayerFeed::Line) {
            return Err(Failure::Request(
                "several scripts apply only to `--as firmware`, with the schedule in program memory"
                    .to_owned(),
            ));
        }
        let mut jobs = Vec::new();
        for script in &self.scripts {
            let job = load_for(script, &self.output)?;
            jobs.push(self.rehearse.apply(job, terminal)?);
        }
        let rig = jobs[0].rig();
        if let Some(other) = jobs.iter().position(|job| job.rig() != rig) {
            return Err(Failure::Request(format!(
                "{} and {} are for different rigs; a board has one",
                self.scripts[0].display(),
                self.scripts[other].display()
            )));
        }
        tell_guesses(rig, terminal);
        let mut all = Vec::new();
        for job in &jobs {
            match self.check(job, terminal)? {
                Some(checked) => all.push(checked),
                None => return Ok(Answer::No),
            }
        }
        let names: Vec<_> = self
            .scripts
            .iter()
            .map(|script| script.file_stem().map(|stem| stem.to_string_lossy()))
            .collect();
        let mut headed = Vec::new();
        let mut steps = Some(0u64);
        for ((job, checked), name) in jobs.iter().zip(&all).zip(&names) {
            let mut heading = job.heading(checked.failure.as_deref());
            heading.program = name.as_deref().unwrap_or(heading.program);
            headed.push((job, heading));
            let both = steps.zip(checked.steps);
            steps = both.map(|(all, own)| all.saturating_add(own));
        }
        let project =
            Job::project_of(&headed, self.options()).map_err(|error| self.cannot(error))?;
        self.put_project(&project, &jobs[0], steps, terminal)?;
        Ok(Answer::Yes)
    }

    /// Writes the project, and says what there is to know about it.
    fn put_project(
        &self,
        project: &Project,
        job: &Job,
        steps: Option<u64>,
        terminal: &Terminal,
    ) -> Result<(), Failure> {
        let rig = job.rig();
        self.write_project(project, rig, terminal)?;
        if let Some(note) = self.bridges_without_coils(project, rig) {
            terminal.note(&note);
        }
        let bits = rig.timer.bits;
        if project.wiring.is_ok() && bits != player::TIMER_BITS {
            terminal.note(&format!(
                "the player uses the part's timer 1, which has {} bits instead of the rig's {bits}: \
                it plays the same schedule on the same ticks",
                player::TIMER_BITS
            ));
        }
        if let Some(bytes) = project.table {
            terminal.note(&packed(bytes as u64, steps));
        }
        Ok(())
    }

    /// Why nothing was written.
    fn cannot(&self, error: Error) -> Failure {
        match error {
            Error::Emit(EmitError::Io(error)) => Failure::System {
                what: format!("cannot write {}", self.output.display()),
                error,
            },
            other => other.into(),
        }
    }

    /// What to say where step lines are written for a bridge that takes none.
    fn bridges_without_coils(&self, project: &Project, rig: &Rig) -> Option<String> {
        let bridge = rig
            .axes
            .iter()
            .find(|axis| matches!(axis.drive.kind, DriveKind::FixedVoltage { .. }))?;
        (self.options().lines == Lines::Steps && project.wiring.is_ok()).then(|| {
            format!(
                "the player drives step and direction lines, and the drive of `{}` is `fixed-voltage`: for a bridge of single switches, use `--lines coils`",
                bridge.name
            )
        })
    }

    /// Writes one file, which is not there before it is finished; how many bytes it has.
    fn file(
        &self,
        job: &Job,
        heading: &Heading<'_>,
        seen: &mut dyn FnMut(&Item),
    ) -> Result<(Output, u64), Failure> {
        let Some(format) = format(&self.format) else {
            return Err(Failure::Request(format!(
                "unknown format “{}”",
                self.format
            )));
        };
        let mut counted = WrittenBytes {
            output: Output::create(&self.output)?,
            bytes: 0,
        };
        job.write_with(heading, format, seen, &mut counted)
            .map_err(|error| self.cannot(error))?;
        Ok((counted.output, counted.bytes))
    }

    /// Writes the files of a project into its folder. What is the builder's there stays
    /// as it is.
    fn write_project(
        &self,
        project: &Project,
        rig: &Rig,
        terminal: &Terminal,
    ) -> Result<(), Failure> {
        let folder = &self.output;
        let _made = TargetFolder::make(folder)?;
        for note in write_files(folder, &project.files)? {
            terminal.note(&note);
        }
        match &project.wiring {
            Ok(wiring) => {
                let smaller = wiring.not_smaller.as_ref();
                let smaller = smaller.map_or_else(String::new, |why| format!(" (not {why})"));
                terminal.note(&format!(
                    "for an {}{smaller}: stop contact on {}; `make` in {} builds it; its README.md shows the wiring",
                    wiring.controller.compiler_name,
                    wiring.stop_contact,
                    folder.display()
                ));
                if let Some(late) = wiring.late_outputs(rig) {
                    terminal.note(&format!("outputs {late}"));
                }
            }
            Err(reason) => terminal.note(&format!(
                "the player does not support this board ({reason}): \
                {} describes the five functions to write",
                folder.join("board.h").display()
            )),
        }
        Ok(())
    }
}

/// Writes the files of a project into its folder, all or none; what there is to say
/// about files that were there.
fn write_files(folder: &Path, files: &[ProjectFile]) -> Result<Vec<String>, Failure> {
    output::remove_leftovers(folder);
    let reading = || Failure::system(format!("cannot read {}", folder.display()));
    let mut others = false;
    for entry in std::fs::read_dir(folder).map_err(reading())? {
        others |= !output::is_unfinished(&entry.map_err(reading())?.file_name());
    }
    if others && !folder.join(GUARD).exists() {
        return Err(Failure::Request(format!(
            "{} contains files other than a player's project; nothing was written",
            folder.display()
        )));
    }
    let mut exchange = Exchange::default();
    let mut notes = Vec::new();
    for ProjectFile { name, text, edits } in files {
        let path = folder.join(name);
        let there = text_of(&path)?;
        let mut put = |text: &str| {
            if *name == GUARD {
                exchange.guard(&path, STOP, text)
            } else {
                exchange.add(&path, text)
            }
        };
        let Some(there) = there.filter(|there| there != text && there != STOP) else {
            put(text)?;
            continue;
        };
        let is_as_written = player::is_as_written(name, &there);
        let path = path.display();
        match edits {
            Edits::Kept | Edits::Refused if is_as_written => put(text)?,
            Edits::Kept => {
                if *name == GUARD {
                    put(&there)?;
                }
                notes.push(format!(
                    "kept {path}, which was edited: rename it to get a new one"
                ));
            }
            Edits::Refused => {
                return Err(Failure::Request(format!(
                    "{path} was edited, and it holds the program: rename it; nothing was written"
                )));
            }
            Edits::Wiring if player::same_wiring(&there, text) => {
                notes.push(format!("kept {path}"));
            }
            Edits::Wiring if is_as_written => {
                put(text)?;
                notes.push(format!(
                    "{path} is rewritten for the new wiring; it had no edits"
                ));
            }
            Edits::Wiring => notes.push(format!(
                "{path} is kept, but is for another wiring, and `make` will refuse it: rename it, write the project again, \
                 and copy your edits"
            )),
        }
    }
    exchange.finish()?;
    Ok(notes)
}

/// The text of a file that the builder may have changed, whatever its encoding; none where
/// there is no such file.
fn text_of(path: &Path) -> Result<Option<String>, Failure> {
    match std::fs::read(path) {
        Ok(bytes) => Ok(Some(String::from_utf8_lossy(&bytes).into_owned())),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(Failure::system(format!("cannot read {}", path.display()))(
            error,
        )),
    }
}

/// Counts what passes.
struct WrittenBytes {
    output: Output,
    bytes: u64,
}

impl Write for WrittenBytes {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let written = self.output.write(bytes)?;
        self.bytes += written as u64;
        Ok(written)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.output.flush()
    }
}

/// How closely a program is packed.
fn packed(bytes: u64, steps: Option<u64>) -> String {
    let Some(steps) = steps else {
        return format!("{bytes} bytes; the program repeats without end");
    };
    let each = bytes as f64 / steps.max(1) as f64;
    format!(
        "{bytes} bytes for {steps} steps: {} bytes a step",
        Rounded(each)
    )
}

/// The names of all formats, in the order in which the help shows them.
fn names() -> impl Iterator<Item = &'static str> {
    let formats = FORMATS.iter().map(|format| format.name());
    formats.chain([player::NAME])
}
