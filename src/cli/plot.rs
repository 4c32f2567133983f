//! `plot`: pictures of a program or of a rig.

use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};

use super::input::{Inputs, tell_guesses};
use super::output::Output;
use super::{Answer, Failure, Terminal};
use slewsmith::draw::Figure;
use slewsmith::units::Time;
use slewsmith::{MotorSheet, PlotError};

/// Moves that the speed plot shows at most.
const MOVES: u64 = 2000;

/// Plot speed over time, and torque over speed with the moves on it; for a rig, what its
/// motors can do.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  slewsmith plot examples/carousel.moves -o carousel.svg\n  \
    slewsmith simulate examples/carousel.moves --trace run.csv\n  \
    slewsmith plot examples/carousel.moves --recorded run.csv -o run.svg\n  \
    slewsmith plot examples/carousel.yaml --of heat -o heat.png"
)]
pub(super) struct PlotCommand {
    /// The move script, or a rig.
    input: PathBuf,
    /// Plot file to write, `.svg` or `.png`.
    #[arg(short, long, value_name = "FILE")]
    output: PathBuf,
    /// What to plot of a rig (default `motor`).
    #[arg(long, value_enum)]
    of: Option<Of>,
    /// Overlay a recording: the csv that `simulate --trace` writes, or a log of
    /// a real run with the columns `time_s` and `angle_deg` (or `position_mm`).
    #[arg(long, value_name = "FILE.csv")]
    recorded: Option<PathBuf>,
    /// Time in the recording at which the program starts, such as `1.2 s`.
    #[arg(
        long,
        value_name = "TIME",
        requires = "recorded",
        allow_hyphen_values = true
    )]
    starts_at: Option<String>,
}

/// What can be shown of a rig.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, ValueEnum)]
enum Of {
    /// What its motors can do: pull-out torque, critical speeds, start-stop rate.
    #[default]
    Motor,
    /// The currents of the coils through one electrical cycle.
    Coils,
    /// The power at standstill over the hold current.
    Heat,
}

/// The kinds of picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum PlotKind {
    Svg,
    Png,
}

impl PlotCommand {
    /// Runs the command.
    ///
    /// # Errors
    /// Wrong input, an ending that is no picture's, or a file that cannot be written.
    pub(super) fn run(&self, terminal: &mut Terminal) -> Result<Answer, Failure> {
        PlotKind::of(&self.output)?;
        let mut inputs = Inputs::default();
        let is_rig = inputs.holds_rig(&self.input)?;
        if self.of.is_some() && !is_rig {
            return Err(Failure::Request(format!(
                "--of says what to show of a rig, and {} is a script",
                self.input.display()
            )));
        }
        let figure = if let Some(recorded) = &self.recorded {
            self.recorded_figure(recorded, &mut inputs)?
        } else if is_rig {
            self.rig_figure(&mut inputs, terminal)?
        } else {
            self.script_figure(&mut inputs, terminal)?
        };
        write_figure(&self.output, &figure)?;
        Ok(Answer::Yes)
    }

    fn script_figure(&self, inputs: &mut Inputs, terminal: &Terminal) -> Result<Figure, Failure> {
        let job = inputs.job(&self.input)?;
        inputs.refuse(&self.output)?;
        tell_guesses(job.rig(), terminal);
        let (figure, whole) = job.figure(name(&self.input), MOVES)?;
        if !whole {
            terminal.note(&format!("the plot shows the first {MOVES} moves"));
        }
        Ok(figure)
    }

    fn recorded_figure(&self, path: &Path, inputs: &mut Inputs) -> Result<Figure, Failure> {
        let job = inputs.job(&self.input)?;
        let starts_at = match &self.starts_at {
            None => 0.0,
            Some(text) => text
                .parse::<Time>()
                .map_err(|error| Failure::Request(format!("--starts-at: {error}")))?
                .si(),
        };
        let text = inputs.read(path)?;
        inputs.refuse(&self.output)?;
        let title = format!("{} and {}", name(&self.input), name(path));
        job.figure_with_recording(title, text.text(), starts_at)
            .map_err(|error| match error {
                PlotError::Program(error) => error.into(),
                PlotError::Recording(error) => {
                    Failure::Request(format!("{}: {error}", path.display()))
                }
            })
    }

    fn rig_figure(&self, inputs: &mut Inputs, terminal: &Terminal) -> Result<Figure, Failure> {
        let rig = inputs.rig(&self.input)?;
        inputs.refuse(&self.output)?;
        tell_guesses(&rig, terminal);
        let title = name(&self.input);
        Ok(match self.of.unwrap_or_default() {
            Of::Motor => MotorSheet::figure(title, &rig, &MotorSheet::all(&rig)),
            Of::Coils => Figure::coils(title, &rig),
            Of::Heat => Figure::heat(title, &rig),
        })
    }
}

impl PlotKind {
    /// The kind that the file's ending says.
    fn of(path: &Path) -> Result<Self, Failure> {
        let ending = path
            .extension()
            .and_then(|end| end.to_str())
            .map(str::to_ascii_lowercase);
        match ending.as_deref() {
            Some("svg") => Ok(Self::Svg),
            Some("png") => Ok(Self::Png),
            _ => Err(Failure::Request(format!(
                "{} ends neither in .svg nor in .png",
                path.display()
            ))),
        }
    }
}

/// Draws a figure into the file; its ending says which kind of picture.
///
/// # Errors
/// An ending that is no picture's, or a file that cannot be written.
pub(super) fn write_figure(path: &Path, figure: &Figure) -> Result<(), Failure> {
    let kind = PlotKind::of(path)?;
    let drawn = match kind {
        PlotKind::Svg => figure.svg().map(String::into_bytes),
        PlotKind::Png => figure.png(),
    };
    let bytes = drawn.map_err(|error| Failure::Request(error.to_string()))?;
    Output::write_whole(path, &bytes)
}

/// The file's name without its folder, as a title.
fn name(path: &Path) -> String {
    path.file_name().map_or_else(
        || path.display().to_string(),
        |name| name.to_string_lossy().into_owned(),
    )
}
