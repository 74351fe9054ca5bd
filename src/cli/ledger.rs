//! `bassay ledger …`: looking back at the production log.

pub mod choose;
pub mod page;
pub mod pareto;
pub mod trend;
pub mod yields;

use super::Exit;
use super::failure::Failure;
use super::output::Output;
use clap::Subcommand;

/// The production log: look back at it
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    Trend(trend::Args),
    Pareto(pareto::Args),
    Yield(yields::Args),
    Page(page::Args),
}

/// Runs the command.
///
/// # Errors
/// [`Failure`] for bad input, or a log that cannot be read.
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    match &args.command {
        Command::Trend(args) => trend::run(args, out),
        Command::Pareto(args) => pareto::run(args, out),
        Command::Yield(args) => yields::run(args, out),
        Command::Page(args) => page::run(args, out),
    }
}
