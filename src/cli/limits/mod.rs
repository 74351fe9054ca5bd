//! `bassay limits`: make, show, sign and try production limits.

mod make;
mod rejudge;
mod show;
mod sign;
mod sources;

use super::Exit;
use super::failure::Failure;
use super::output::Output;
use clap::Subcommand;

/// Production limits: make, show, sign them, and judge history anew
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    Make(Box<make::Args>),
    Show(show::Args),
    Sign(sign::Args),
    Rejudge(rejudge::Args),
}

/// Runs the command.
///
/// # Errors
/// [`Failure`] for bad input, a file that cannot be written, or a log that cannot be read.
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    match &args.what {
        What::Make(args) => make::run(args, out),
        What::Show(args) => show::run(args, out),
        What::Sign(args) => sign::run(args, out),
        What::Rejudge(args) => rejudge::run(args, out),
    }
}
