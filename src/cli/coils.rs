//! `coils`: the coil sequence, microstep currents and converter codes.

use std::path::PathBuf;

use clap::Args;
use clap::builder::PossibleValuesParser;

use super::input::{load_rig_for, tell_guesses};
use super::output::Output;
use super::{Answer, Failure, Terminal};
use slewsmith::emit::CoilFormat;
use slewsmith::physics::CoilTable;

/// Print the coil sequence with its signs, the microstep currents, and the converter codes
/// with their rounding errors.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  slewsmith coils examples/carousel.yaml --as c -o coils.h")]
pub(super) struct CoilsCommand {
    /// The rig; `-` reads it from standard input.
    rig: PathBuf,
    /// Format: a table, csv, JSON, or a C header.
    #[arg(long = "as", value_name = "FORMAT", default_value = "table",
          value_parser = PossibleValuesParser::new(CoilFormat::ALL.iter().map(|(name, _)| *name)))]
    format: String,
    /// Print JSON; the same as `--as json`.
    #[arg(long, conflicts_with = "format")]
    json: bool,
    /// Output file; `-` is standard output.
    #[arg(short, long, value_name = "PATH", default_value = "-")]
    output: PathBuf,
}

impl CoilsCommand {
    /// Runs the command.
    ///
    /// # Errors
    /// Wrong input, or output that cannot be written.
    pub(super) fn run(&self, terminal: &mut Terminal) -> Result<Answer, Failure> {
        let name = if self.json { "json" } else { &self.format };
        let Some(format) = CoilFormat::named(name) else {
            return Err(Failure::Request(format!("unknown format “{name}”")));
        };
        let rig = load_rig_for(&self.rig, &self.output)?;
        tell_guesses(&rig, terminal);
        let tables: Vec<CoilTable> = rig.axes.iter().map(CoilTable::of).collect();
        let mut output = Output::create(&self.output)?;
        format
            .write(&tables, &mut output)
            .map_err(Failure::system(format!(
                "cannot write {}",
                self.output.display()
            )))?;
        output.finish()?;
        Ok(Answer::Yes)
    }
}
