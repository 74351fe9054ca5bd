//! `bassay ledger list`: one line per entry.

use super::place::{Place, paragraph, short};
use super::which::Which;
use crate::cli::Exit;
use crate::cli::failure::Failure;
use crate::cli::output::Output;
use crate::production::entry::{Judgement, Kind};
use crate::production::ledger::sqlite::Purpose;
use crate::production::ledger::{Filter, Store, Stored};
use serde::Serialize;

/// So many are listed where no number is asked for.
const USUAL: usize = 50;
/// So many of the newest entries are looked at for names near to one that is not there.
pub(crate) const LOOKED_AT: usize = 5000;

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
    let mut store = args.place.open(Purpose::Read, out)?;
    let mut found = store.select(&filter)?;
    let corrections = store.select(&Filter {
        kind: Some(Kind::Correction),
        ..Filter::default()
    })?;
    if out.json {
        let entries: Vec<Listed<'_>> = found
            .iter()
            .map(|one| Listed {
                stored: one,
                corrected_by: of(one, &corrections).map(|c| c.digest.as_str()).collect(),
            })
            .collect();
        return out
            .named("bassay-list/1", &Document { entries })
            .map(|()| Exit::Done);
    }
    if found.is_empty() {
        out.line(paragraph(&nothing(&args.which, store.as_mut())?, 0));
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
        for correction in of(one, &corrections) {
            out.line(said(correction));
        }
    }
    if found.iter().any(|one| one.entry.is_virtual()) {
        out.line("~ a virtual unit, which no one built");
    }
    Ok(Exit::Done)
}

/// What `--json` prints.
#[derive(Serialize)]
struct Document<'a> {
    entries: Vec<Listed<'a>>,
}

/// An entry with what was said of it later.
#[derive(Serialize)]
struct Listed<'a> {
    #[serde(flatten)]
    stored: &'a Stored,
    /// Digests of its corrections, oldest first.
    corrected_by: Vec<&'a str>,
}

/// The corrections of an entry, oldest first.
fn of<'a>(one: &'a Stored, corrections: &'a [Stored]) -> impl Iterator<Item = &'a Stored> {
    corrections
        .iter()
        .filter(|c| c.entry.refers_to.as_ref() == Some(&one.digest))
}

/// A correction under the entry that it is about.
fn said(correction: &Stored) -> String {
    let e = &correction.entry;
    let to = match e.verdict {
        Judgement::None => "a remark is made on it".to_string(),
        verdict => format!("corrected to {}", verdict.word()),
    };
    let text = format!(
        "{to} by entry {} ({})",
        short(&correction.digest),
        e.operator
    );
    paragraph(&text, 13)
}

/// Why nothing is listed: a name that the log does not have, and the nearest ones that it has.
fn nothing(which: &Which, store: &mut dyn Store) -> Result<String, Failure> {
    let all = store.select(&Filter {
        latest: Some(LOOKED_AT),
        ..Filter::default()
    })?;
    if all.is_empty() {
        return Ok("The log is empty.".to_string());
    }
    Ok(match which.unknown(&all) {
        Some(said) => format!("No entry is like that: {said}."),
        None => "No entry is like that.".to_string(),
    })
}

const HEAD: &str =
    "digest       time (UTC)       station      no. unit           kind       verdict";

/// 80 columns: names that are too long are cut, with a mark.
fn line(one: &Stored) -> String {
    let e = &one.entry;
    let mark = if e.is_virtual() { "~" } else { "" };
    format!(
        "{} {} {} {:>6} {} {} {}{mark}",
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
