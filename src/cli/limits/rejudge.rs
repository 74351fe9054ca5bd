//! `bassay limits rejudge --ledger PLACE --limits FILE`.

use crate::cli::Exit;
use crate::cli::book;
use crate::cli::failure::Failure;
use crate::cli::ledger::list::LOOKED_AT;
use crate::cli::ledger::which::Which;
use crate::cli::ledger::which::time;
use crate::cli::output::Output;
use crate::design::limits_read;
use crate::production::entry::Kind;
use crate::production::ledger::Filter;
use crate::production::ledger::sqlite::Purpose;
use crate::production::lookback::{Corrections, real_units};
use crate::production::rejudge::{History, rejudge};
use crate::report;
use serde::Serialize;
use std::path::PathBuf;

/// Judge history by other limits, without touching the log
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The ledger
    #[arg(long, value_name = "PLACE")]
    ledger: String,
    /// The new limits
    #[arg(long, value_name = "FILE")]
    limits: PathBuf,
    /// Only this batch
    #[arg(long)]
    batch: Option<String>,
    /// Not before this day or time (2026-03-14, 2026-03-14T10:20:00+01:00)
    #[arg(long, value_name = "TIME", value_parser = time)]
    from: Option<String>,
    /// Count virtual units (rehearsed, or recorded from the virtual bench) beside real ones
    #[arg(long)]
    virtual_too: bool,
    /// Every test, not only those that would change
    #[arg(long)]
    all: bool,
}

/// What `--json` prints.
#[derive(Serialize)]
struct Document {
    #[serde(flatten)]
    history: History,
    virtual_left_out: usize,
}

/// Runs the command.
///
/// # Errors
/// [`Failure`] for bad input or a log that cannot be read.
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    let limits = limits_read::read(&args.limits).map_err(Failure::input)?;
    let mut ledger = book::open(&args.ledger, Purpose::Read)?;
    let filter = Filter {
        kind: Some(Kind::Inspection),
        batch: args.batch.clone(),
        from: args.from.clone(),
        ..Filter::default()
    };
    let entries = ledger.select(&filter).map_err(Failure::system)?;
    let missing = if entries.is_empty() {
        let all = ledger.select(&Filter {
            latest: Some(LOOKED_AT),
            ..Filter::default()
        })?;
        let wanted = Which {
            batch: args.batch.clone(),
            ..Which::default()
        };
        wanted.unknown(&all)
    } else {
        None
    };
    let (entries, left_out) = real_units(entries, args.virtual_too);
    let corrections = ledger
        .select(&Filter {
            kind: Some(Kind::Correction),
            ..Filter::default()
        })
        .map_err(Failure::system)?;
    let checks = ledger.select(&Filter {
        kind: Some(Kind::StationCheck),
        ..Filter::default()
    })?;
    let corrections = Corrections::new(&corrections);
    let history = rejudge(&entries, &corrections, &checks, &limits);
    if out.json {
        let document = Document {
            virtual_left_out: left_out,
            history,
        };
        return out
            .named("bassay-rejudged/1", &document)
            .map(|()| Exit::Done);
    }
    out.line(report::limits::history(&history, &limits, args.all));
    if let Some(missing) = missing {
        out.line(report::text::labelled("Note", &missing));
    }
    if left_out > 0 {
        let text = format!("{left_out} tests of virtual units left out; --virtual-too counts them");
        out.line(report::text::labelled("Note", &text));
    }
    Ok(Exit::Done)
}
