//! `bassay ledger list`: one line per entry.

use super::place::{Place, short};
use super::which::Which;
use crate::cli::Exit;
use crate::cli::failure::Failure;
use crate::cli::output::Output;
use crate::production::entry::Judgement;
use crate::production::ledger::Stored;
use crate::production::ledger::sqlite::Purpose;

/// So many are listed where no number is asked for.
const USUAL: usize = 50;

/// One line per entry, the newest last
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(flatten)]
    place: Place,
    #[command(flatten)]
    which: Which,
}

/// Runs the action.
///
/// # Errors
/// [`Failure`].
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    let mut filter = args.which.filter()?;
    // One more than is shown tells whether there are more.
    let most = filter.latest.unwrap_or(USUAL);
    if !out.json && filter.latest.is_none() {
        filter.latest = Some(most + 1);
    }
    let mut found = args.place.open(Purpose::Read, out)?.select(&filter)?;
    if out.json {
        return out.document(&found).map(|()| Exit::Done);
    }
    if found.is_empty() {
        out.line("No entry is like that.");
        return Ok(Exit::Done);
    }
    if found.len() > most {
        found.remove(0);
        out.remark(format!(
            "the latest {most} are shown; --latest N shows more, --from and --to others"
        ));
    }
    out.line(HEAD);
    for one in &found {
        out.line(line(one));
    }
    Ok(Exit::Done)
}

const HEAD: &str =
    "digest       time (UTC)       station      no. unit           kind       verdict";

/// 80 columns: names that are too long are cut, with a mark.
fn line(one: &Stored) -> String {
    let e = &one.entry;
    format!(
        "{} {} {} {:>6} {} {} {}",
        short(&one.digest),
        minute(&e.at),
        fit(&one.station, 9),
        one.number,
        fit(if e.unit.is_empty() { "-" } else { &e.unit }, 14),
        fit(e.kind.word(), 10),
        verdict(e.verdict)
    )
    .trim_end()
    .to_string()
}

pub(super) fn verdict(judgement: Judgement) -> &'static str {
    match judgement {
        Judgement::Pass => "pass",
        Judgement::Fail => "FAIL",
        Judgement::Unresolved => "unres.",
        Judgement::None => "-",
    }
}

/// To the minute, UTC.
pub(super) fn minute(at: &str) -> String {
    at.parse::<jiff::Timestamp>().map_or_else(
        |_| fit(at, 16),
        |t| t.strftime("%Y-%m-%d %H:%M").to_string(),
    )
}

/// Cut or filled to a width; what would move the cursor is left out.
pub(super) fn fit(text: &str, width: usize) -> String {
    let text: String = text.chars().filter(|c| !c.is_control()).collect();
    if text.chars().count() > width {
        let cut: String = text.chars().take(width - 1).collect();
        return format!("{cut}…");
    }
    format!("{text:<width$}")
}
