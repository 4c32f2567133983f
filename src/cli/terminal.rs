//! What the commands print to: standard output for results, standard error for the
//! rest, colour and width as the terminal allows.

use std::io::{self, IsTerminal, Write};
use std::process::ExitCode;

use anstream::{AutoStream, ColorChoice};
use anstyle::{AnsiColor, Effects, Style};
use clap::ValueEnum;

use super::{Answer, Failure, General};
use slewsmith::diagnostic::Diagnostic;

/// Columns where the width of the terminal is not known.
const DEFAULT_WIDTH: usize = 100;

/// When to use colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum Colour {
    /// Where the output is a terminal that shows it.
    Auto,
    /// Always.
    Always,
    /// Never.
    Never,
}

/// Something good.
pub(super) const GOOD: Style = AnsiColor::Green.on_default();
/// Something to look at.
pub(super) const DOUBTFUL: Style = AnsiColor::Yellow.on_default();
/// Something bad.
pub(super) const BAD: Style = AnsiColor::Red.on_default().effects(Effects::BOLD);
/// Something to stand out.
pub(super) const STRONG: Style = Style::new().effects(Effects::BOLD);

/// A stream that takes everything once its reader has gone.
#[derive(Debug)]
pub(crate) struct Results<W: Write> {
    stream: io::BufWriter<W>,
    unread: bool,
}

impl<W: Write> Results<W> {
    /// Whether the reader has gone.
    pub(crate) const fn is_unread(&self) -> bool {
        self.unread
    }

    /// `done`, or `instead` where the reader has gone.
    fn unless_unread<T>(&mut self, done: io::Result<T>, instead: T) -> io::Result<T> {
        match done {
            Err(error) if error.kind() == io::ErrorKind::BrokenPipe => {
                self.unread = true;
                Ok(instead)
            }
            other => other,
        }
    }
}

impl<W: Write> Write for Results<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        if self.unread {
            return Ok(bytes.len());
        }
        let written = self.stream.write(bytes);
        self.unless_unread(written, bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        if self.unread {
            return Ok(());
        }
        let flushed = self.stream.flush();
        self.unless_unread(flushed, ())
    }
}

/// The terminal, or what stands in for it.
#[derive(Debug)]
pub(crate) struct Terminal {
    colour: ColorChoice,
    /// Results only.
    pub quiet: bool,
    /// More than usual.
    pub verbose: bool,
}

impl Terminal {
    /// As the options say.
    pub(crate) fn new(general: &General) -> Self {
        let colour = match general.colour {
            Colour::Auto => ColorChoice::Auto,
            Colour::Always => ColorChoice::AlwaysAnsi,
            Colour::Never => ColorChoice::Never,
        };
        Self {
            colour,
            quiet: general.quiet,
            verbose: general.verbose,
        }
    }

    /// Standard output, buffered, for a command's results. Nothing goes wrong where nobody
    /// reads them any more: the answer is still wanted.
    pub(crate) fn results(&self) -> Results<impl Write + use<>> {
        let stream = AutoStream::new(io::stdout(), self.colour).lock();
        Results {
            stream: io::BufWriter::new(stream),
            unread: false,
        }
    }

    /// Columns that standard output has.
    pub(crate) fn width(&self) -> usize {
        let asked = std::env::var("COLUMNS")
            .ok()
            .and_then(|columns| columns.parse().ok());
        let seen = || terminal_size::terminal_size().map(|(width, _)| usize::from(width.0));
        asked.or_else(seen).unwrap_or(DEFAULT_WIDTH).clamp(40, 400)
    }

    /// Whether somebody watches standard error, so that progress is worth showing.
    pub(crate) fn watched(&self) -> bool {
        !self.quiet && io::stderr().is_terminal()
    }

    /// A line for whoever watches; not a result.
    pub(crate) fn note(&self, text: &str) {
        if !self.quiet {
            self.to_stderr(text);
        }
    }

    /// A problem, drawn with the lines it speaks of.
    pub(crate) fn problem(&self, diagnostic: &Diagnostic) {
        let colour =
            AutoStream::new(io::stderr(), self.colour).current_choice() != ColorChoice::Never;
        self.to_stderr(&format!("{}\n", diagnostic.render(self.width(), colour)));
    }

    fn to_stderr(&self, text: &str) {
        let mut stream = AutoStream::new(io::stderr(), self.colour);
        // Nothing can be done, or said, where standard error is closed.
        let _ = writeln!(stream, "{text}");
    }

    /// Says what went wrong, if anything did, and gives the exit code.
    pub(crate) fn finish(&self, outcome: Result<Answer, Failure>) -> ExitCode {
        match outcome {
            Ok(Answer::Yes) => ExitCode::SUCCESS,
            Ok(Answer::No) => ExitCode::from(1),
            // Codes of signals are small.
            Ok(Answer::Interrupted(code)) => ExitCode::from(u8::try_from(code).unwrap_or(130)),
            Err(failure) if failure.is_closed_pipe() => ExitCode::SUCCESS,
            Err(failure) => {
                self.show_failure(&failure);
                match failure {
                    Failure::Input(_) | Failure::Request(_) => ExitCode::from(2),
                    Failure::System { .. } => ExitCode::from(3),
                }
            }
        }
    }

    /// Says what went wrong.
    pub(crate) fn show_failure(&self, failure: &Failure) {
        match failure {
            Failure::Input(diagnostics) => {
                for diagnostic in &diagnostics.0 {
                    self.problem(diagnostic);
                }
                if diagnostics.0.iter().any(|one| one.code == "missing-key") {
                    self.note("`slewsmith new DIR` writes a complete rig to start from");
                }
            }
            other => self.to_stderr(&format!("{BAD}error{BAD:#}: {other}")),
        }
    }
}
