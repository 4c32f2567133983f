//! A job on its way to a board over a serial line.

use std::time::Duration;

use sha2::{Digest, Sha256};
use thiserror::Error as ThisError;

use super::events::UntilError;
use super::{Error, Job};
use crate::check::FirstFailure;
use crate::plan::EachItem;
use crate::player::{Lines, PlayerOptions, Refusal, ScheduleSource, Unplayable};
use crate::rig::Rig;
use crate::script::ActionKind;
use crate::stream::Unsendable;
use crate::stream::host::{Ending, Host};
use crate::stream::message::{BoardReport, Likeness, VERSION, Welcome};
use crate::stream::slicer::Slicer;
use crate::stream::window::Counts;

/// Why a job cannot be streamed to a board.
#[derive(Debug, ThisError)]
pub enum Unstreamable {
    /// The program cannot be planned.
    #[error(transparent)]
    Program(#[from] Error),
    /// The rig has more of something than the link can tell apart.
    #[error("{count} {what} are more than a board can have")]
    TooMany {
        /// How many.
        count: usize,
        /// Of what.
        what: &'static str,
    },
    /// The link tells the board a whole number of ticks a second.
    #[error(
        "the timer counts {0} times a second; a board that is fed over a line needs a whole number"
    )]
    TickRate(f64),
    /// The board does not keep up with the program.
    #[error("the board cannot play this program: {0}")]
    Refused(Box<Refusal>),
    /// The motor cannot follow the slow-down of a board whose line has failed.
    #[error("the program must not be streamed: {0}")]
    SlowDown(FirstFailure),
    /// The schedule does not fit the board's link.
    #[error(transparent)]
    Unfit(#[from] Unsendable),
}

/// The host's side of a job that a board plays while it comes over a line. It touches no
/// port: bytes and the time go in, bytes come out.
#[derive(Debug)]
pub struct Streaming<'a> {
    job: &'a Job,
    host: Host<Slicer<EachItem<UntilError<'a>>>>,
}

impl Job {
    /// Streams the program over a line that carries `baud` bits a second to a board that
    /// makes step and direction lines.
    ///
    /// # Errors
    /// The program cannot be planned or fails its check, the motor cannot follow a slow-down, the
    /// board does not keep up with it, or the link cannot serve the rig.
    pub fn stream(&self, baud: u32) -> Result<Streaming<'_>, Unstreamable> {
        if let Some(hard) = self.passing()?.hard_slow_down {
            return Err(Unstreamable::SlowDown(hard));
        }
        match self.too_much_for_a_line(baud, Lines::Steps)? {
            Some(refusal) => Err(Unstreamable::Refused(Box::new(refusal))),
            None => self.host(baud),
        }
    }

    /// The same without a check, whether the board keeps up or not; it stops and says so where it
    /// does not.
    ///
    /// # Errors
    /// The program cannot be planned, seeks an input or sets a position, or the link cannot serve
    /// the rig.
    pub fn stream_anyway(&self, baud: u32) -> Result<Streaming<'_>, Unstreamable> {
        // Nothing of that can be sent: what a program does behind a seek depends on the board.
        if self.seeks()? {
            let refusal = Refusal::from(Unplayable::SeekOnLine);
            return Err(Unstreamable::Refused(Box::new(refusal)));
        }
        self.host(baud)
    }

    /// Whether the script seeks an input or sets a position.
    fn seeks(&self) -> Result<bool, Error> {
        for action in self.script.actions_once() {
            match action?.kind {
                ActionKind::Seek(_) | ActionKind::Zero(_) => return Ok(true),
                ActionKind::Move(_)
                | ActionKind::Together(_)
                | ActionKind::Through(_)
                | ActionKind::Dwell(_)
                | ActionKind::DwellUntilSettled
                | ActionKind::Output { .. }
                | ActionKind::Await { .. }
                | ActionKind::Mark(_) => {}
            }
        }
        Ok(false)
    }

    fn host(&self, baud: u32) -> Result<Streaming<'_>, Unstreamable> {
        Ok(Streaming {
            job: self,
            host: Host::new(likeness(&self.rig)?, self.digest(), baud),
        })
    }

    /// Why a board that drives such lines does not keep up with the program. What it is
    /// wired like, the board itself knows.
    ///
    /// # Errors
    /// The program cannot be planned.
    pub fn too_much_for_a_line(&self, baud: u32, lines: Lines) -> Result<Option<Refusal>, Error> {
        let options = PlayerOptions {
            lines,
            source: ScheduleSource::Line { baud },
            ..PlayerOptions::default()
        };
        let mut refusals = self.refusals(options)?.into_iter();
        Ok(refusals.find(|refusal| refusal.reason.is_of_the_program()))
    }

    /// Tells programs apart.
    fn digest(&self) -> u32 {
        let mut hash = Sha256::new();
        for source in &self.sources {
            hash.update(source.text().as_bytes());
            hash.update([0]);
        }
        let [a, b, c, d, ..] = <[u8; 32]>::from(hash.finalize());
        u32::from_le_bytes([a, b, c, d])
    }
}

impl Streaming<'_> {
    /// What the board says of itself, once it has taken the greeting.
    pub const fn welcome(&self) -> Option<&Welcome> {
        self.host.welcome()
    }

    /// Whether the board waits for [`play`](Self::play).
    pub const fn is_welcome(&self) -> bool {
        self.host.wants_frames()
    }

    /// Begins to send the program to the board that has taken the greeting.
    ///
    /// # Errors
    /// The link cannot carry the axes.
    pub fn play(&mut self) -> Result<(), Unstreamable> {
        let Some(welcome) = self.host.welcome() else {
            return Ok(());
        };
        let room = usize::from(welcome.slow_down);
        let items = EachItem(UntilError::new(self.job.unending()));
        self.host.play(Slicer::new(items, &self.job.rig, room)?);
        Ok(())
    }

    /// Takes what has come in.
    pub fn receive(&mut self, now: Duration, bytes: &[u8]) {
        self.host.receive(now, bytes);
    }

    /// The bytes to send now.
    pub fn transmit(&mut self, now: Duration) -> Vec<u8> {
        self.host.transmit(now)
    }

    /// Has the board slow the axes down.
    pub fn stop(&mut self) {
        self.host.stop();
    }

    /// How it ended, once it has.
    pub const fn ending(&self) -> Option<&Ending> {
        self.host.ending()
    }

    /// Why the program broke off, where the schedule did not fit the link.
    pub fn unfit(&self) -> Option<Unsendable> {
        self.host.frames().and_then(Slicer::unfit)
    }

    /// What the board said last.
    pub const fn report(&self) -> Option<&BoardReport> {
        self.host.report()
    }

    /// How far the board has played (s).
    pub fn played(&self) -> f64 {
        self.host.played() as f64 / self.job.rig.timer.tick_rate()
    }

    /// The text of the mark that the board has reached last.
    pub fn mark(&self) -> Option<&str> {
        self.host.mark()
    }

    /// How many pieces have come in damaged.
    pub const fn damaged(&self) -> u64 {
        self.host.damaged()
    }

    /// What it took so far.
    pub const fn counts(&self) -> Counts {
        self.host.counts()
    }
}

/// The properties that a board must have.
fn likeness(rig: &Rig) -> Result<Likeness, Unstreamable> {
    let rate = rig.timer.tick_rate();
    let byte =
        |count: usize, what| u8::try_from(count).map_err(|_| Unstreamable::TooMany { count, what });
    let (axes, outputs, inputs) = (
        byte(rig.axes.len(), "axes")?,
        byte(rig.outputs.len(), "outputs")?,
        byte(rig.inputs.len(), "inputs")?,
    );
    if rate.fract() != 0.0 || rate > f64::from(u32::MAX) {
        return Err(Unstreamable::TickRate(rate));
    }
    Ok(Likeness {
        version: VERSION,
        tick_rate: rate as u32,
        axes,
        outputs,
        inputs,
    })
}
