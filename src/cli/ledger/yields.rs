//! `bassay ledger yield`: how many units pass, by batch, station and week.

use super::choose::ChoiceArgs;
use super::pareto::{NEWEST, units};
use crate::cli::Exit;
use crate::cli::failure::Failure;
use crate::cli::output::Output;
use crate::production::yields::yields;
use crate::report;
use std::path::PathBuf;

/// How many units pass, by batch, station and week
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(flatten)]
    choice: ChoiceArgs,
    /// Folder for the picture (SVG and PNG)
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
}

/// Runs the command.
///
/// # Errors
/// [`Failure`] for bad input, a log that cannot be read, or a picture that cannot be written.
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    let chosen = args.choice.inspections(NEWEST, out)?;
    let yields = yields(&units(&chosen));
    if let Some(folder) = &args.out {
        report::yields::sheet(&yields)
            .to_files(folder, "yields")
            .map_err(Failure::system)?;
        out.remark(format!("written: {}", folder.display()));
    }
    if out.json {
        out.document(&chosen.document("bassay-yield/1", &yields))?;
    }
    out.line(report::yields::text(&yields).trim_end());
    chosen.tell(out);
    Ok(Exit::Done)
}
