//! `bassay ledger ACTION`: looks at the production log, proves it, and keeps it; one file per action.

pub mod audit;
pub mod certificate;
pub mod choose;
pub mod correct;
pub mod deliver;
pub mod export;
pub mod import;
pub mod list;
pub mod page;
pub mod pareto;
pub mod place;
pub mod prune;
pub mod show;
pub mod trend;
pub mod unpack;
pub mod which;
pub mod yields;

use super::Exit;
use super::failure::Failure;
use super::output::Output;
use clap::Subcommand;

/// The production log: list, trend, causes, audit, export and more
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(subcommand)]
    action: Action,
}

#[derive(Debug, Subcommand)]
enum Action {
    List(list::Args),
    Show(show::Args),
    Audit(audit::Args),
    Correct(correct::Args),
    Import(import::Args),
    Export(export::Args),
    Deliver(deliver::Args),
    Prune(prune::Args),
    Unpack(unpack::Args),
    Trend(trend::Args),
    Pareto(pareto::Args),
    Yield(yields::Args),
    Page(page::Args),
    Certificate(certificate::Args),
}

/// Runs the command.
///
/// # Errors
/// [`Failure`] for bad input, a log that cannot be used, a file that cannot be written.
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    match &args.action {
        Action::List(args) => list::run(args, out),
        Action::Show(args) => show::run(args, out),
        Action::Audit(args) => audit::run(args, out),
        Action::Correct(args) => correct::run(args, out),
        Action::Import(args) => import::run(args, out),
        Action::Export(args) => export::run(args, out),
        Action::Deliver(args) => deliver::run(args, out),
        Action::Prune(args) => prune::run(args, out),
        Action::Unpack(args) => unpack::run(args, out),
        Action::Trend(args) => trend::run(args, out),
        Action::Pareto(args) => pareto::run(args, out),
        Action::Yield(args) => yields::run(args, out),
        Action::Page(args) => page::run(args, out),
        Action::Certificate(args) => certificate::run(args, out),
    }
}
