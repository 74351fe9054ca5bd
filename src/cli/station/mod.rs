//! `bassay station ACTION`: the calibrations of a bench, from recorded takes; one file per action.

pub mod check;
pub mod jig;
pub mod loopback;
pub mod microphone;
pub mod show;
pub mod source;

use super::Exit;
use super::failure::Failure;
use super::output::Output;
use clap::Subcommand;

/// The bench: loop-back, jig and microphone calibrations, the daily check
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(subcommand)]
    action: Action,
}

#[derive(Debug, Subcommand)]
enum Action {
    Show(show::Args),
    Loopback(loopback::Args),
    Jig(jig::Args),
    Microphone(microphone::Args),
    Check(check::Args),
}

/// Runs the command.
///
/// # Errors
/// [`Failure`] for a take that cannot be used, or a file that cannot be written.
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    match &args.action {
        Action::Show(args) => show::run(args, out),
        Action::Loopback(args) => loopback::run(args, out),
        Action::Jig(args) => jig::run(args, out),
        Action::Microphone(args) => microphone::run(args, out),
        Action::Check(args) => check::run(args, out),
    }
}
