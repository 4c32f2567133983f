//! `stream`: a board plays the schedule while it comes over a serial line.

use std::io::{self, Write};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::{Duration, Instant};

use clap::Args;
use serde_json::{Value, json};
use serialport::SerialPort;

use super::input::{load, tell_guesses};
use super::port::{self, BAUD};
use super::progress::Progress;
use super::rehearse::{NOT_SIMULATED, RehearseOptions};
use super::signals::on_interrupt;
use super::terminal::{BAD, DOUBTFUL, GOOD};
use super::{Answer, Failure, Terminal};
use slewsmith::check::FirstFailure;
use slewsmith::player::Lines;
use slewsmith::rig::{Rig, TravelUnit};
use slewsmith::stream::{BoardReport, BoardState, Ending, Likeness};
use slewsmith::units::Rounded;
use slewsmith::{Job, Streaming, Unstreamable};

/// How long to wait for bytes before looking at what must be sent.
const LISTEN: Duration = Duration::from_millis(3);

/// Stream the schedule to a board over a serial port.
///
/// The board runs the project that `emit --as firmware --feed line` writes. If the line
/// fails, or on Ctrl-C, it decelerates the axes to a standstill on their path and keeps
/// their step counts. A second Ctrl-C exits at once; the board then decelerates
/// by itself.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  slewsmith stream examples/carousel.moves --port /dev/ttyUSB0\n\n\
    The axes move as soon as the board has answered. Keep clear of them, and keep within\n\
    reach of an emergency stop that removes power: Ctrl-C and the stop contact are none."
)]
pub(super) struct StreamCommand {
    /// The move script; `-` reads it from standard input.
    script: PathBuf,
    /// The board's serial port.
    #[arg(short, long, value_name = "PORT")]
    port: String,
    /// Baud rate of the line.
    #[arg(long, value_name = "RATE", default_value_t = BAUD)]
    baud: u32,
    /// Play it although the check fails.
    #[arg(long)]
    unchecked: bool,
    #[command(flatten)]
    rehearse: RehearseOptions,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

impl StreamCommand {
    /// Runs the command.
    ///
    /// # Errors
    /// Wrong input, a board that is not made for the rig, or a port that fails.
    pub(super) fn run(&self, terminal: &mut Terminal) -> Result<Answer, Failure> {
        let job = load(&self.script)?;
        tell_guesses(job.rig(), terminal);
        let job = self.rehearse.apply(job, terminal)?;
        let mut streaming = job.stream_anyway(self.baud)?;
        let busy = Progress::through(&job, 1.0, "checking the program", terminal);
        let summary = job.check().of_the_motion()?;
        drop(busy);
        if summary.simulated.is_none() {
            terminal.note(NOT_SIMULATED);
        }
        let must_not = |what, reason: &Option<FirstFailure>| Some((what, reason.clone()?));
        let refused = must_not("must not run", &summary.first_failure)
            .or_else(|| must_not("must not be streamed", &summary.hard_slow_down));
        if let Some((verdict, reason)) = refused {
            if !self.unchecked {
                terminal.note(&format!(
                    "the program {verdict}; nothing was sent: {reason}\n\
                    `slewsmith check` lists all reasons and cures; --unchecked plays it anyway"
                ));
                return Ok(Answer::No);
            }
            terminal.note(&format!(
                "{DOUBTFUL}the program {verdict}{DOUBTFUL:#} and is played anyway: {reason}"
            ));
        }
        if self.is_too_much(&job, Lines::Steps, terminal)? {
            return Ok(Answer::No);
        }
        let mut port = port::open(&self.port, self.baud, LISTEN)?;
        let interrupts = count_interrupts();
        let mut talk = TerminalTalk {
            port: &mut *port,
            interrupts: &interrupts,
            began: Instant::now(),
        };
        let lost = |lost| match lost {
            Lost::Port => port::broken(&self.port),
            Lost::Program(why) => why.into(),
        };
        talk.greet(&mut streaming).map_err(lost)?;
        if streaming.welcome().is_some_and(|welcome| welcome.coils)
            && self.is_too_much(&job, Lines::Coils, terminal)?
        {
            return Ok(Answer::No);
        }
        let bar = match &summary.endless {
            Some(_) => Progress::unending(terminal),
            None => Progress::new(summary.total_time, terminal),
        };
        let ending = talk.play(job.rig(), &mut streaming, bar).map_err(lost)?;
        if let Ending::Broken(_) = &ending {
            // The plan has been gone through once, so this is all that can be left.
            let unfit = streaming.unfit();
            return Err(unfit.map_or_else(
                || Failure::Request("the program was interrupted".to_owned()),
                |unfit| Failure::Request(format!("the program was interrupted: {unfit}")),
            ));
        }
        let report = self.ended(ending)?;
        let mark = streaming.mark();
        let text = if self.json {
            let counts = streaming.counts();
            let mut object = to_json(&report, mark, job.rig());
            object["frames"] = json!(counts.sent);
            object["frames_repeated"] = json!(counts.again);
            object["bytes"] = json!(counts.bytes);
            object.to_string() + "\n"
        } else {
            for_people(&report, mark, job.rig())
        };
        let mut out = terminal.results();
        out.write_all(text.as_bytes())
            .and_then(|()| out.flush())
            .map_err(Failure::system("cannot print the outcome"))?;
        Ok(Answer::of(report.state == BoardState::Finished))
    }

    /// Whether a program must not be played because the board does not keep up with it.
    fn is_too_much(&self, job: &Job, lines: Lines, terminal: &Terminal) -> Result<bool, Failure> {
        let busy = Progress::through(job, 1.0, "checking whether the board keeps up", terminal);
        let refusal = job.too_much_for_a_line(self.baud, lines)?;
        drop(busy);
        let Some(refusal) = refusal else {
            return Ok(false);
        };
        terminal.note(&format!("the board cannot play this program: {refusal}"));
        Ok(!self.unchecked)
    }

    /// What the board said last, where it came to an end.
    fn ended(&self, ending: Ending) -> Result<BoardReport, Failure> {
        let port = &self.port;
        let gone = |what: String, kind, why: &str| Failure::System {
            what,
            error: io::Error::new(kind, why.to_owned()),
        };
        match ending {
            Ending::Reported(report) | Ending::Broken(report) => Ok(report),
            Ending::Unlike { wanted, found } => Err(Failure::Request(unlike(wanted, found))),
            Ending::Busy => Err(Failure::Request(format!(
                "the board at {port} is playing another program"
            ))),
            Ending::NoAnswer => Err(gone(
                format!("no answer from {port}"),
                io::ErrorKind::TimedOut,
                "check the port and the rate, and that the board runs the streaming player",
            )),
            Ending::Silent(report) => {
                let place = report.map_or_else(String::new, |report| {
                    format!(" after {} ticks", report.ticks)
                });
                Err(gone(
                    format!("no more answers from {port}{place}"),
                    io::ErrorKind::TimedOut,
                    "unless it lost power, the board decelerates the axes by itself; check their \
                    positions before you continue",
                ))
            }
            Ending::Deaf => Err(gone(
                format!("the board at {port} answers, but hears nothing more"),
                io::ErrorKind::TimedOut,
                "check the wire to its receiver; nothing has moved",
            )),
            Ending::Reset(_) => Err(gone(
                format!("the board at {port} was reset"),
                io::ErrorKind::ConnectionReset,
                "its pulses ended abruptly; check the positions of the axes before you continue",
            )),
        }
    }
}

/// How a board differs from what it should be.
fn unlike(wanted: Likeness, found: Likeness) -> String {
    let all = [
        (
            "protocol version",
            wanted.version.into(),
            found.version.into(),
        ),
        ("ticks per second", wanted.tick_rate, found.tick_rate),
        ("axes", wanted.axes.into(), found.axes.into()),
        ("outputs", wanted.outputs.into(), found.outputs.into()),
        ("inputs", wanted.inputs.into(), found.inputs.into()),
    ];
    let differing: Vec<String> = all
        .iter()
        .filter(|(_, wanted, found)| wanted != found)
        .map(|(what, wanted, found)| format!("{what}: {found}, not {wanted}"))
        .collect();
    format!(
        "the board's player was built for another rig ({}); rebuild it with `slewsmith emit --as firmware --feed line`",
        differing.join("; ")
    )
}

/// Counts how often Ctrl-C has been pressed; the second time ends the program.
fn count_interrupts() -> Arc<AtomicU32> {
    let count = Arc::new(AtomicU32::new(0));
    let counted = Arc::clone(&count);
    // Without a handler Ctrl-C ends the program, and the board slows down by itself.
    on_interrupt(move |code| {
        if counted.fetch_add(1, Ordering::Relaxed) > 0 {
            std::process::exit(code);
        }
    });
    count
}

/// Why a board is fed no longer, though it has not come to an end.
enum Lost {
    /// The port failed.
    Port,
    /// The program cannot be sent.
    Program(Unstreamable),
}

/// A port, and the user at the keyboard.
struct TerminalTalk<'p> {
    port: &'p mut dyn SerialPort,
    interrupts: &'p AtomicU32,
    began: Instant,
}

impl TerminalTalk<'_> {
    /// Until the board wants the program, or it has come to an end before.
    fn greet(&mut self, streaming: &mut Streaming<'_>) -> Result<(), Lost> {
        while streaming.ending().is_none() && !streaming.is_welcome() {
            self.turn(streaming)?;
        }
        Ok(())
    }

    /// Feeds the board until it has come to an end.
    fn play(
        &mut self,
        rig: &Rig,
        streaming: &mut Streaming<'_>,
        mut bar: Progress,
    ) -> Result<Ending, Lost> {
        streaming.play().map_err(Lost::Program)?;
        loop {
            if let Some(ending) = streaming.ending() {
                return Ok(ending.clone());
            }
            self.turn(streaming)?;
            if let Some(report) = streaming.report() {
                bar.reach(streaming.played());
                bar.say(places(report, rig).join(", "));
            }
        }
    }

    /// Takes what has come in, and says what must be said.
    fn turn(&mut self, streaming: &mut Streaming<'_>) -> Result<(), Lost> {
        let mut bytes = [0; 256];
        match self.port.read(&mut bytes) {
            Ok(count) => streaming.receive(self.began.elapsed(), &bytes[..count]),
            Err(error) if passes(&error) => {}
            Err(_) => return Err(Lost::Port),
        }
        if self.interrupts.load(Ordering::Relaxed) > 0 {
            streaming.stop();
        }
        let out = streaming.transmit(self.began.elapsed());
        send(self.port, &out).map_err(|_| Lost::Port)
    }
}

/// Whether the port is only not ready yet.
fn passes(error: &io::Error) -> bool {
    matches!(
        error.kind(),
        io::ErrorKind::TimedOut | io::ErrorKind::WouldBlock | io::ErrorKind::Interrupted
    )
}

/// Writes everything, however long the port takes.
fn send(port: &mut dyn SerialPort, mut bytes: &[u8]) -> io::Result<()> {
    while !bytes.is_empty() {
        match port.write(bytes) {
            Ok(0) => return Err(io::ErrorKind::WriteZero.into()),
            Ok(count) => bytes = &bytes[count..],
            Err(error) if passes(&error) => {}
            Err(error) => return Err(error),
        }
    }
    Ok(())
}

/// Where each axis stands, in words.
fn places(report: &BoardReport, rig: &Rig) -> Vec<String> {
    let axes = rig.axes.iter().zip(&report.positions);
    axes.map(|(axis, steps)| {
        let unit = TravelUnit::of(axis);
        let place = f64::from(*steps) / axis.microsteps_per_travel() * unit.per_si;
        format!("{} at {} {}", axis.name, Rounded(place), unit.name)
    })
    .collect()
}

fn to_json(report: &BoardReport, mark: Option<&str>, rig: &Rig) -> Value {
    let axes: Vec<Value> = rig
        .axes
        .iter()
        .zip(&report.positions)
        .map(|(axis, steps)| {
            let unit = TravelUnit::of(axis);
            let place = f64::from(*steps) / axis.microsteps_per_travel() * unit.per_si;
            let mut object = json!({ "axis": axis.name, "microsteps": steps });
            object[format!("position_{}", unit.name)] = json!(place);
            object
        })
        .collect();
    json!({
        "ok": report.state == BoardState::Finished,
        "state": report.state.to_string(),
        "axes": axes,
        "mark": mark,
    })
}

fn for_people(report: &BoardReport, mark: Option<&str>, rig: &Rig) -> String {
    let state = report.state;
    let style = match state {
        BoardState::Finished => GOOD,
        BoardState::Stopped => DOUBTFUL,
        _ => BAD,
    };
    let mut text = format!("{style}{state}{style:#}\n");
    for (place, steps) in places(report, rig).iter().zip(&report.positions) {
        text += &format!("{place} ({steps} microsteps from its start)\n");
    }
    if let Some(mark) = mark {
        text += &format!("last mark: {mark}\n");
    }
    text
}
