//! `manual`: the manual pages.

use std::io::Write as _;
use std::path::PathBuf;

use clap::{Args, CommandFactory as _};
use clap_mangen::Man;

use super::exchange::{Exchange, TargetFolder};
use super::{Answer, Arguments, Failure, Terminal};

/// Write the manual pages: one for the program and one for each command.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  slewsmith manual ~/.local/share/man/man1 && man -M ~/.local/share/man slewsmith-check"
)]
pub(super) struct ManualCommand {
    /// Folder to write them to, created if missing; without it, the program's
    /// page is printed.
    folder: Option<PathBuf>,
}

impl ManualCommand {
    /// Runs the command.
    ///
    /// # Errors
    /// The pages cannot be written.
    pub(super) fn run(&self, terminal: &mut Terminal) -> Result<Answer, Failure> {
        let mut program = Arguments::command();
        program.build();
        let Some(folder) = &self.folder else {
            let printing = || Failure::system("cannot print the manual page");
            let mut out = terminal.results();
            out.write_all(&page(program)?).map_err(printing())?;
            out.flush().map_err(printing())?;
            return Ok(Answer::Yes);
        };
        let _made = TargetFolder::make(folder)?;
        let commands: Vec<clap::Command> = program
            .get_subcommands()
            .filter(|one| one.get_name() != "help")
            .cloned()
            .collect();
        let mut exchange = Exchange::default();
        let mut paths = Vec::new();
        for command in std::iter::once(program).chain(commands) {
            let name = command
                .get_display_name()
                .unwrap_or_else(|| command.get_name());
            let path = folder.join(format!("{name}.1"));
            exchange.add(&path, page(command)?)?;
            paths.push(path);
        }
        exchange.finish()?;
        for path in paths {
            terminal.note(&format!("wrote {}", path.display()));
        }
        Ok(Answer::Yes)
    }
}

fn page(command: clap::Command) -> Result<Vec<u8>, Failure> {
    let mut text = Vec::new();
    Man::new(command)
        .render(&mut text)
        .map_err(Failure::system("cannot make the manual page"))?;
    Ok(text)
}
