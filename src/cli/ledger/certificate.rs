//! `bassay ledger certificate UNIT`: the certificate of a unit from its entry in the log.

use super::list::LOOKED_AT;
use super::which::nearest;
use crate::cli::Exit;
use crate::cli::book;
use crate::cli::failure::Failure;
use crate::cli::output::Output;
use crate::files::{PAGE, replaceable, write_whole};
use crate::production::entry::Kind;
use crate::production::ledger::sqlite::Purpose;
use crate::production::ledger::{Filter, Stored};
use crate::production::lookback::{Corrections, stands_for};
use crate::report;
use std::collections::BTreeSet;
use std::path::PathBuf;

/// Write a unit's certificate: one HTML page that prints on A4
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Serial number of the unit
    pub unit: String,
    /// The ledger
    #[arg(long, value_name = "PLACE")]
    pub ledger: String,
    /// The page to write [default: certificate-UNIT.html]
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// Which test of this serial [default: the last]
    #[arg(long, value_name = "N")]
    pub attempt: Option<u32>,
    /// The limits file that was used, for its name and signature
    #[arg(long, value_name = "FILE")]
    pub limits: Option<PathBuf>,
}

/// Runs the command.
///
/// # Errors
/// [`Failure`] for a unit that is not in the log, or files that cannot be read or written.
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    let mut ledger = book::open(&args.ledger, Purpose::Read)?;
    let mut found: Vec<Stored> = Vec::new();
    for kind in [Kind::Inspection, Kind::Reference, Kind::Correction] {
        let filter = Filter {
            kind: Some(kind),
            unit: Some(args.unit.clone()),
            ..Filter::default()
        };
        found.extend(ledger.select(&filter).map_err(Failure::system)?);
    }
    let (corrections, mut found): (Vec<Stored>, Vec<Stored>) = found
        .into_iter()
        .partition(|s| s.entry.kind == Kind::Correction);
    let corrected = Corrections::new(&corrections);
    // A unit that was tested here is certified by its tests; as a reference only where there is none.
    if found.iter().any(|s| s.entry.kind == Kind::Inspection) {
        found.retain(|s| s.entry.kind == Kind::Inspection);
    }
    // Recordings that were judged before make no further test, and their judgement by other limits not the certificate.
    let wanted = found
        .iter()
        .filter(|s| match args.attempt {
            Some(attempt) => s.entry.attempt == attempt,
            None => judged_before(s, &found, &corrected).is_none(),
        })
        .max_by_key(|s| (s.entry.attempt, s.entry.at_us().unwrap_or(i64::MIN)));
    let Some(stored) = wanted else {
        let seen: Vec<String> = found.iter().map(|s| s.entry.attempt.to_string()).collect();
        return Err(Failure::input(if seen.is_empty() {
            let all = ledger.select(&Filter {
                latest: Some(LOOKED_AT),
                ..Filter::default()
            })?;
            let known: BTreeSet<&str> = all
                .iter()
                .filter(|s| matches!(s.entry.kind, Kind::Inspection | Kind::Reference))
                .map(|s| s.entry.unit.as_str())
                .collect();
            let known: Vec<&str> = known.into_iter().collect();
            format!(
                "{}: no test of unit {:?} is in this log; {}",
                args.ledger,
                args.unit,
                nearest(&args.unit, &known)
            )
        } else {
            format!(
                "{}: unit {:?} has the tests {}; expected one of them with --attempt",
                args.ledger,
                args.unit,
                seen.join(", ")
            )
        }));
    };
    let limits = match &args.limits {
        Some(file) => {
            let limits = crate::design::limits_read::read(file).map_err(Failure::input)?;
            if limits.digest != stored.entry.limits {
                return Err(Failure::input(format!(
                    "{}: not the limits of this test, whose digest begins with {}; give the file that was used, or leave --limits out",
                    file.display(),
                    stored.entry.limits.get(..12).unwrap_or("nothing")
                )));
            }
            Some(limits)
        }
        None => None,
    };
    let again = found.iter().filter(|s| {
        s.digest != stored.digest
            && judged_before(s, &found, &corrected) == Some(stored.entry.attempt)
    });
    let corrections = corrections
        .iter()
        .filter(|s| s.entry.refers_to.as_ref() == Some(&stored.digest));
    let later: Vec<&Stored> = corrections.chain(again).collect();
    let signature = limits
        .as_ref()
        .map(crate::design::limits::Limits::signature_words);
    let page = report::certificate(&report::Certificate {
        entry: &stored.entry,
        design_name: limits.as_ref().map(|l| l.design_name.as_str()),
        limits: limits
            .as_ref()
            .map(|l| l.name.as_str())
            .zip(signature.as_deref()),
        place: Some((&stored.station, stored.number, &stored.digest)),
        judged_before: judged_before(stored, &found, &corrected),
        later: &later,
    });
    let name: String = args
        .unit
        .chars()
        .map(|c| {
            if c.is_alphanumeric() || "-_.".contains(c) {
                c
            } else {
                '_'
            }
        })
        .collect();
    let file = args
        .out
        .clone()
        .unwrap_or_else(|| PathBuf::from(format!("certificate-{name}.html")));
    replaceable(&file, "page", PAGE)?;
    write_whole(&file, page.as_bytes())?;
    if out.json {
        let document = serde_json::json!({ "unit": args.unit, "digest": stored.digest, "file": file.display().to_string() });
        return out
            .named("bassay-certificate/1", &document)
            .map(|()| Exit::Done);
    }
    out.line(format!("Certificate: {}", file.display()));
    Ok(Exit::Done)
}

/// The test among these that stands for the same recordings, where this entry is another one.
fn judged_before(one: &Stored, tests: &[Stored], corrections: &Corrections<'_>) -> Option<u32> {
    let first = stands_for(&one.entry.recordings(), tests, corrections)?;
    (first.digest != one.digest && one.entry.kind == Kind::Inspection)
        .then_some(first.entry.attempt)
}
