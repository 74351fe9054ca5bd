//! Recordings that the log knows as those of another unit.

use super::failure::Failure;
use crate::production::entry::{Entry, Judgement, Kind};
use crate::production::inspect::Inspection;
use crate::production::ledger::{Filter, LedgerError, Store, Stored};
use crate::production::lookback::Corrections;

/// Newest entries that are looked at where the archive does not hold the recordings already.
const RECENT: usize = 2_000;
/// Rows that are read at once.
const BLOCK: i64 = 10_000;

/// Whose recordings these are, in words, if another unit's entry names one of them. `kept`: the archive held one of them before;
/// then the whole log is looked through.
///
/// # Errors
/// [`Failure`] for a log that cannot be read.
pub fn of_another(
    store: &mut dyn Store,
    inspection: &Inspection,
    kept: bool,
) -> Result<Option<String>, Failure> {
    let own: Vec<&str> = inspection.files.iter().map(|f| f.digest.as_str()).collect();
    let mut found: Vec<Stored> = store.select(&Filter {
        latest: Some(RECENT),
        ..Filter::default()
    })?;
    let known = |entry: &Entry| entry.files.iter().any(|f| own.contains(&f.digest.as_str()));
    found.retain(|s| known(&s.entry));
    if kept && found.is_empty() {
        found = everywhere(store, &own)?;
    }
    found.retain(|s| known(&s.entry) && claims(&s.entry, &inspection.unit));
    for stored in found {
        // An entry that was taken back claims nothing.
        let said = store.select(&Filter {
            kind: Some(Kind::Correction),
            unit: Some(stored.entry.unit.clone()),
            ..Filter::default()
        })?;
        let corrections = Corrections::new(&said);
        let taken_back = corrections.states(&stored)
            && corrections.judgement(&stored).0 == Judgement::Unresolved;
        if !taken_back {
            return Ok(Some(words(&stored, &own)));
        }
    }
    Ok(None)
}

/// Whether an entry says that its recordings are those of a unit other than `unit`.
fn claims(entry: &Entry, unit: &str) -> bool {
    let tested = matches!(entry.kind, Kind::Inspection | Kind::Reference | Kind::Gauge);
    let doubted = entry.measurement.as_ref();
    tested && entry.unit != unit && doubted.is_none_or(|m| m.other_unit.is_none())
}

/// Entries of the whole log that name one of these digests; a log of a million entries is not read into memory.
fn everywhere(store: &mut dyn Store, own: &[&str]) -> Result<Vec<Stored>, LedgerError> {
    let last = store.last_position()?;
    let mut reader = store.reader()?;
    let mut found = Vec::new();
    let mut from = 0;
    while from <= last {
        let to = from.saturating_add(BLOCK);
        reader.read(from, to, &mut |row| {
            if own.iter().any(|digest| row.body.contains(digest)) {
                found.push(row.record().read()?);
            }
            Ok(())
        })?;
        from = to;
    }
    Ok(found)
}

fn words(stored: &Stored, own: &[&str]) -> String {
    let entry = &stored.entry;
    let shared = entry
        .files
        .iter()
        .filter(|f| own.contains(&f.digest.as_str()));
    let shared = shared.count().min(own.len());
    let these = if shared == own.len() {
        "these recordings are".to_string()
    } else {
        format!("{shared} of these {} recordings are", own.len())
    };
    let digest = stored.digest.get(..12).unwrap_or(&stored.digest);
    format!(
        "{these} those of unit {} (entry {} of {}, {digest}): record this unit itself; or, if that entry has the wrong serial, `bassay ledger correct {digest} --verdict unresolved`, and inspect again",
        entry.unit, stored.number, stored.station
    )
}
