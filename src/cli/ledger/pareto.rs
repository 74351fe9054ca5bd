//! `bassay ledger pareto`: which causes failed units have.

use super::choose::{ChoiceArgs, Chosen};
use crate::cli::Exit;
use crate::cli::failure::Failure;
use crate::cli::output::Output;
use crate::production::lookback::{Corrections, UnitOutcome, outcomes};
use crate::production::pareto::pareto;
use crate::report;
use std::path::PathBuf;

/// Causes of failed units, the most frequent first
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(flatten)]
    choice: ChoiceArgs,
    /// Folder for the picture (SVG and PNG)
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
}

/// Tests that are read unless another number is asked for: two years of ten a day, read in a second.
pub const NEWEST: usize = 5000;

/// What became of the units in the chosen entries.
#[must_use]
pub fn units(chosen: &Chosen) -> Vec<UnitOutcome> {
    outcomes(&chosen.entries, &Corrections::new(&chosen.corrections))
}

/// Runs the command.
///
/// # Errors
/// [`Failure`] for bad input, a log that cannot be read, or a picture that cannot be written.
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    let chosen = args.choice.inspections(NEWEST, out)?;
    let pareto = pareto(&units(&chosen));
    if let Some(folder) = &args.out {
        report::pareto::bars(&pareto)
            .to_files(folder, "causes")
            .map_err(Failure::system)?;
        out.remark(format!("written: {}", folder.display()));
    }
    if out.json {
        out.document(&chosen.document("bassay-pareto/1", &pareto))?;
    }
    out.line(report::pareto::text(&pareto).trim_end());
    chosen.tell(out);
    Ok(Exit::Done)
}
