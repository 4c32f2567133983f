//! The commands. Only this module prints, and only this module knows paths.
//!
//! Results go to standard output, everything else to standard error. A command's
//! outcome becomes the exit code: 0 success, 1 the answer is no, 2 invalid input,
//! 3 system error.

mod bench;
mod check;
mod coils;
mod compare;
mod completions;
mod emit;
mod exchange;
mod explain;
mod failure;
mod fastest;
mod identify;
mod input;
mod manual;
mod motor;
mod new;
mod output;
mod plan;
mod plot;
mod port;
mod progress;
mod rehearse;
mod report;
mod schema;
mod signals;
mod simulate;
mod size;
mod stream;
mod table;
mod terminal;
mod variations;
mod watch;

use std::process::ExitCode;

use clap::{Parser, Subcommand};

pub(crate) use failure::{Answer, Failure};
pub(crate) use terminal::Terminal;

/// Plan, check and schedule exact indexed turns of stepping motors, down to
/// the timer tick.
#[derive(Debug, Parser)]
#[command(
    name = "slewsmith",
    version,
    max_term_width = 100,
    propagate_version = true
)]
#[command(
    after_help = "Begin with:\n  slewsmith new bench && slewsmith check bench/turntable.moves\n\n\
    Exit codes: 0 success; 1 the answer is no (a move must not run, steps are lost); 2 invalid\n\
    input; 3 system error (a disk, a port); 130 interrupted by Ctrl-C.\n\n\
    Moving machinery, hot parts and stored energy hurt people. Keep hands, hair and sleeves away\n\
    from anything that can turn, expect motion at any moment while power is on, and follow local\n\
    codes and licensed practice."
)]
pub(crate) struct Arguments {
    #[command(subcommand)]
    command: Command,
    #[command(flatten)]
    general: General,
}

/// Options of every command.
#[derive(Debug, Clone, clap::Args)]
#[command(next_help_heading = "General options")]
pub(crate) struct General {
    /// When to use colour
    #[arg(long, global = true, value_name = "WHEN", default_value = "auto")]
    pub colour: terminal::Colour,
    /// Print results only: no notes, no progress
    #[arg(short, long, global = true)]
    pub quiet: bool,
    /// Print every move and every finding
    #[arg(short, long, global = true)]
    pub verbose: bool,
}

#[derive(Debug, Subcommand)]
enum Command {
    Check(check::CheckCommand),
    Plan(plan::PlanCommand),
    Emit(emit::EmitCommand),
    Plot(plot::PlotCommand),
    Simulate(simulate::SimulateCommand),
    Stream(stream::StreamCommand),
    Motor(motor::MotorCommand),
    Identify(identify::IdentifyCommand),
    Compare(compare::CompareCommand),
    Fastest(fastest::FastestCommand),
    Size(size::SizeCommand),
    Bench(bench::BenchCommand),
    Coils(coils::CoilsCommand),
    Report(report::ReportCommand),
    Watch(watch::WatchCommand),
    New(new::NewCommand),
    Explain(explain::ExplainCommand),
    Schema(schema::SchemaCommand),
    Completions(completions::CompletionsCommand),
    Manual(manual::ManualCommand),
}

/// Parses the arguments, runs the command and maps its outcome to the exit code.
pub(crate) fn run() -> ExitCode {
    let arguments = Arguments::parse();
    let mut terminal = Terminal::new(&arguments.general);
    let outcome = match &arguments.command {
        Command::Check(command) => command.run(&mut terminal),
        Command::Plan(command) => command.run(&mut terminal),
        Command::Emit(command) => command.run(&mut terminal),
        Command::Plot(command) => command.run(&mut terminal),
        Command::Simulate(command) => command.run(&mut terminal),
        Command::Stream(command) => command.run(&mut terminal),
        Command::Motor(command) => command.run(&mut terminal),
        Command::Identify(command) => command.run(&mut terminal),
        Command::Compare(command) => command.run(&mut terminal),
        Command::Fastest(command) => command.run(&mut terminal),
        Command::Size(command) => command.run(&mut terminal),
        Command::Bench(command) => command.run(&mut terminal),
        Command::Coils(command) => command.run(&mut terminal),
        Command::Report(command) => command.run(&mut terminal),
        Command::Watch(command) => command.run(&mut terminal),
        Command::New(command) => command.run(&mut terminal),
        Command::Explain(command) => command.run(&mut terminal),
        Command::Schema(command) => command.run(&mut terminal),
        Command::Completions(command) => command.run(&mut terminal),
        Command::Manual(command) => command.run(&mut terminal),
    };
    terminal.finish(outcome)
}
