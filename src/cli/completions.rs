//! `completions`: what a shell needs to complete the commands.

use std::io::Write as _;

use clap::{Args, CommandFactory as _};
use clap_complete::Shell;

use super::{Answer, Arguments, Failure, Terminal};

/// Print shell completions for commands and options: source them, as in the example, or put
/// them where that shell looks for completions.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  source <(slewsmith completions bash)")]
pub(super) struct CompletionsCommand {
    /// The shell.
    shell: Shell,
}

impl CompletionsCommand {
    /// Runs the command.
    ///
    /// # Errors
    /// The output cannot be written.
    pub(super) fn run(&self, terminal: &mut Terminal) -> Result<Answer, Failure> {
        // Into memory first: the generator does not expect that writing can fail.
        let mut text = Vec::new();
        clap_complete::generate(
            self.shell,
            &mut Arguments::command(),
            "slewsmith",
            &mut text,
        );
        let printing = || Failure::system("cannot print the completions");
        let mut out = terminal.results();
        out.write_all(&text).map_err(printing())?;
        out.flush().map_err(printing())?;
        Ok(Answer::Yes)
    }
}
