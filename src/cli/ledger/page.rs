//! `bassay ledger page --out FILE`: yields, causes and trends as one HTML file.

use super::choose::ChoiceArgs;
use super::pareto::units;
use super::trend::{ChartArgs, NEWEST};
use crate::cli::Exit;
use crate::cli::failure::Failure;
use crate::cli::output::Output;
use crate::files::{PAGE, replaced, write_whole};
use crate::production::lookback::names;
use crate::production::pareto::pareto;
use crate::production::yields::yields;
use crate::report::{History, history_page};
use serde::Serialize;
use std::path::PathBuf;

/// Yields, causes and trends as one HTML page
#[derive(Debug, clap::Args)]
#[command(allow_negative_numbers = true)]
pub struct Args {
    /// Names of values to chart; none: every fitted parameter
    #[arg(value_name = "NAME")]
    names: Vec<String>,
    #[command(flatten)]
    choice: ChoiceArgs,
    #[command(flatten)]
    chart: ChartArgs,
    /// The page
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
    /// Put it in the place of a page that is there
    #[arg(long)]
    replace: bool,
}

#[derive(Serialize)]
struct Written<'a> {
    written: String,
    names: &'a [String],
}

/// Runs the command.
///
/// # Errors
/// [`Failure`] for bad input, a log that cannot be read, or a page that cannot be written.
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    args.chart.settings()?;
    replaced(&args.out, "page", PAGE, args.replace)?;
    let chosen = args.choice.inspections(NEWEST, out)?;
    let wanted = if args.names.is_empty() {
        // A parameter path has no colon; bands, residues and polarities have.
        let mut all: Vec<String> = names(&chosen.entries).into_iter().map(|n| n.0).collect();
        all.retain(|n| !n.contains(':'));
        all
    } else {
        args.names.clone()
    };
    let trends = args.chart.trends(&wanted, &chosen)?;
    let units = units(&chosen);
    let note = chosen.note();
    let page = history_page(&History {
        what: &chosen.what,
        note: note.as_deref(),
        yields: &yields(&units),
        pareto: &pareto(&units),
        trends: &trends,
        made: &jiff::Timestamp::now()
            .strftime("%Y-%m-%d %H:%M UTC")
            .to_string(),
    });
    write_whole(&args.out, page.as_bytes())?;
    if out.json {
        let written = args.out.display().to_string();
        let said = Written {
            written,
            names: &wanted,
        };
        out.document(&chosen.document("bassay-page/1", said))?;
    }
    out.line(format!("Page: {}", args.out.display()));
    chosen.tell(out);
    Ok(Exit::Done)
}
