//! `bassay ledger correct DIGEST`: a new entry that refers to an old one.

use super::place::{Place, now, paragraph, short};
use super::show::found;
use super::which::verdict;
use crate::cli::Exit;
use crate::cli::failure::Failure;
use crate::cli::output::Output;
use crate::production::entry::{Entry, Judgement, Kind};

/// Says something of an entry, in a new one; the old one stays as it is
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Digest of the entry that is corrected, or how it begins
    digest: String,
    /// What is to be said of it
    #[arg(long)]
    remark: String,
    /// Code of who says so
    #[arg(long)]
    operator: String,
    /// Name of the place where you are; its chain takes the new entry
    #[arg(long)]
    station: String,
    /// Judgement that takes the place of the old one: pass, fail or unresolved
    #[arg(long, value_parser = verdict)]
    verdict: Option<Judgement>,
    #[command(flatten)]
    place: Place,
}

/// Runs the action.
///
/// # Errors
/// [`Failure`].
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    for (key, text) in [("--remark", &args.remark), ("--operator", &args.operator)] {
        if text.trim().is_empty() {
            return Err(Failure::input(format!(
                "{key}: found nothing; expected some words"
            )));
        }
    }
    let mut store = args.place.open_existing(out)?;
    let old = found(store.as_mut(), &args.digest)?;
    let entry = Entry {
        unit: old.entry.unit.clone(),
        batch: old.entry.batch.clone(),
        attempt: old.entry.attempt,
        refers_to: Some(old.digest.clone()),
        remark: Some(args.remark.clone()),
        verdict: args.verdict.unwrap_or(Judgement::None),
        design: old.entry.design.clone(),
        ..Entry::blank(Kind::Correction, &now(), &args.operator)
    };
    let stored = store.append(&args.station, &entry)?;
    if out.json {
        return out
            .named("bassay-correction/1", &stored)
            .map(|()| Exit::Done);
    }
    let said = format!(
        "Written: entry {} of station «{}», digest {}, about {} of unit {}.",
        stored.number,
        stored.station,
        short(&stored.digest),
        short(&old.digest),
        old.entry.unit
    );
    out.line(paragraph(&said, 0));
    Ok(Exit::Done)
}
