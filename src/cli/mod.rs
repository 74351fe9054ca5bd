//! The command line: one file per command, arguments as typed apart from what they resolve to.

pub mod align;
pub mod book;
pub mod check;
pub mod compare;
mod copies;
pub mod coupon;
pub mod damping;
pub mod deconvolve;
pub mod demo;
#[cfg(feature = "live")]
pub mod devices;
pub mod failure;
mod fitness;
pub mod gauge;
pub mod inspect;
pub mod ledger;
pub mod limits;
pub mod load;
pub mod output;
pub mod plan;
pub mod predict;
pub mod record;
pub mod rehearse;
pub mod several;
pub mod station;
pub mod sweep;
pub mod verify;

use clap::{Parser, Subcommand};
use failure::Failure;
use output::Output;
use std::io::Write;
use std::process::ExitCode;

/// How a command ended that did what it was asked to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Exit {
    /// Done, and the verdict (if any) is `within`.
    Done,
    /// The verdict is `outside`.
    Outside,
    /// The verdict is `unresolved`.
    Unresolved,
}

/// Checks a built bass cabinet against its simulation.
#[derive(Debug, Parser)]
#[command(name = "bassay", version, about, max_term_width = 80)]
struct Line {
    #[command(subcommand)]
    command: Command,
    #[command(flatten)]
    output: output::OutputArgs,
}

#[derive(Debug, Subcommand)]
enum Command {
    Demo(demo::Args),
    Check(check::Args),
    Predict(predict::Args),
    Plan(plan::Args),
    Align(align::Args),
    Verify(verify::Args),
    Sweep(sweep::Args),
    Deconvolve(deconvolve::Args),
    Compare(compare::CompareArgs),
    Damping(damping::Args),
    Coupon(coupon::Args),
    #[cfg(feature = "live")]
    Devices(devices::Args),
    Record(Box<record::Args>),
    Rehearse(Box<rehearse::RehearseArgs>),
    Inspect(Box<inspect::Args>),
    Ledger(Box<ledger::Args>),
    Gauge(gauge::Args),
    Limits(limits::Args),
    Station(Box<station::Args>),
}

/// Help, or what is wrong with the arguments, in lines that fit; its own status.
fn usage(said: &clap::Error) -> ExitCode {
    let text = said.render().to_string();
    // A line of usage is as long as the options are many; the rest is folded already.
    let text = if said.use_stderr() {
        output::for_terminal(text)
    } else {
        output::narrow(&text)
    };
    // Nobody can be told where a stream cannot be written.
    let _ = if said.use_stderr() {
        write!(std::io::stderr().lock(), "{text}")
    } else {
        write!(std::io::stdout().lock(), "{text}")
    };
    ExitCode::from(u8::try_from(said.exit_code()).unwrap_or(2))
}

/// Runs the program on the process's arguments.
#[must_use]
pub fn main() -> ExitCode {
    let line = match Line::try_parse() {
        Ok(line) => line,
        Err(said) => return usage(&said),
    };
    let out = Output::new(line.output);
    let done: Result<Exit, Failure> = match &line.command {
        Command::Demo(args) => demo::run(args, &out),
        Command::Check(args) => check::run(args, &out),
        Command::Predict(args) => predict::run(args, &out),
        Command::Plan(args) => plan::run(args, &out),
        Command::Align(args) => align::run(args, &out),
        Command::Sweep(args) => sweep::run(args, &out),
        Command::Deconvolve(args) => deconvolve::run(args, &out),
        Command::Verify(args) => verify::run(args, &out),
        Command::Compare(args) => compare::run(args, out),
        Command::Damping(args) => damping::run(args, &out),
        Command::Coupon(args) => coupon::run(args, &out),
        #[cfg(feature = "live")]
        Command::Devices(args) => devices::run(args, &out),
        Command::Record(args) => record::run(args, &out),
        Command::Rehearse(args) => rehearse::run(args, &out),
        Command::Inspect(args) => inspect::run(args, &out),
        Command::Ledger(args) => ledger::run(args, &out),
        Command::Gauge(args) => gauge::run(args, &out),
        Command::Limits(args) => limits::run(args, &out),
        Command::Station(args) => station::run(args, &out),
    };
    match done.and_then(|exit| out.ended().map(|()| exit)) {
        Ok(Exit::Done) => ExitCode::SUCCESS,
        Ok(Exit::Outside) => ExitCode::from(1),
        Ok(Exit::Unresolved) => ExitCode::from(3),
        Err(failure) => {
            out.fail(&failure);
            ExitCode::from(failure.status)
        }
    }
}
