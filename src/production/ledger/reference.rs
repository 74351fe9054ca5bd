//! Reference units: entries of kind `reference` from results of a verification, or from another log's entries.

use super::{Record, Stored};
use crate::production::entry::{Cause, Conditions, Entry, EntryError, Judgement, Kind, is_digest};
use crate::production::unit::{band_name, values_of};
use crate::verify::result::{Result as Outcome, Verdict};

/// Who and what stands in an imported entry.
#[derive(Debug, Clone)]
pub struct Importing<'a> {
    /// Code of who imports.
    pub operator: &'a str,
    /// Now, RFC 3339: when the entry is written.
    pub now: &'a str,
    /// Where it comes from, for the remark.
    pub source: &'a str,
    /// Digest of the file it comes from.
    pub digest: &'a str,
}

/// Ahead of the digest in the remark of an imported result.
const DIGEST_BEGINS: &str = " (BLAKE3 ";

/// Digest of what a reference was made from, a result file or an entry of another log: the same one makes no second
/// reference.
#[must_use]
pub fn made_from(entry: &Entry) -> Option<&str> {
    if entry.kind != Kind::Reference {
        return None;
    }
    if let Some(digest) = &entry.refers_to {
        return Some(digest);
    }
    // A file's name may hold anything: what we wrote stands last.
    let remark = entry.remark.as_deref()?;
    let at = remark.rfind(DIGEST_BEGINS)? + DIGEST_BEGINS.len();
    remark.get(at..at + 64).filter(|d| is_digest(d))
}

fn judgement(verdict: Verdict) -> Judgement {
    match verdict {
        Verdict::Within => Judgement::Pass,
        Verdict::Outside => Judgement::Fail,
        Verdict::Unresolved => Judgement::Unresolved,
    }
}

fn known(number: f64) -> Option<f64> {
    number.is_finite().then_some(number)
}

/// From a `result.json`: bands as differences from the design (dB, with the tolerance as limits), parameters as fitted.
#[must_use]
pub fn from_result(result: &Outcome, by: &Importing<'_>) -> Entry {
    // The numbers as an inspection has them; tolerance and verdict as the verification has them.
    let mut values = values_of(result);
    for band in &result.bands {
        let name = band_name(&band.observation, band.center_hz);
        if let Some(value) = values.iter_mut().find(|v| v.name == name) {
            let tolerance = known(band.tolerance_db);
            value.low = tolerance.map(|t| -t);
            value.high = tolerance;
            value.verdict = judgement(band.verdict);
        }
    }
    let c = &result.conditions;
    let conditions = Conditions {
        temperature_c: c.temperature_c,
        pressure_kpa: c.pressure_kpa,
        humidity_pct: c.humidity_pct,
    };
    let measured = [c.temperature_c, c.pressure_kpa, c.humidity_pct];
    let blank = Entry::blank(Kind::Reference, by.now, by.operator);
    Entry {
        unit: result.unit.clone(),
        taken: result.taken.clone(),
        rehearsed: result.rehearsed.clone(),
        remark: Some(format!(
            "imported from {}{DIGEST_BEGINS}{}); verdicts are those of the verification, whose uncertainty holds the simulation's too",
            by.source, by.digest
        )),
        verdict: judgement(result.verdict),
        cause: result.findings.first().map(|f| Cause {
            path: f.path.clone(),
            probability: f.probability,
            text: f.text.clone(),
        }),
        design: if is_digest(&result.design.digest) {
            result.design.digest.clone()
        } else {
            String::new()
        },
        software: if result.software.is_empty() {
            blank.software.clone()
        } else {
            result.software.clone()
        },
        conditions: measured.iter().all(|n| n.is_finite()).then_some(conditions),
        values,
        // Captures of a verification lie beside it and are not in this log's archive.
        ..blank
    }
}

/// From an inspection or a reference in another log; what it says stays, `refers_to` names it. A judgement that `correction`, a
/// later entry of that log, states takes the place of its own.
///
/// # Errors
/// [`EntryError`] for a record of another kind.
pub fn from_record(
    record: &Record,
    entry: Entry,
    correction: Option<&Stored>,
    by: &Importing<'_>,
) -> Result<Entry, EntryError> {
    if !matches!(entry.kind, Kind::Inspection | Kind::Reference) {
        return Err(EntryError {
            unit: entry.unit,
            key: "kind".to_string(),
            found: format!("«{}»", entry.kind.word()),
            expected: "inspection or reference",
        });
    }
    let unreal = entry.is_virtual();
    let mut remark = format!(
        "imported from {}, station {}, entry {} of {}",
        by.source, record.station, record.number, entry.at
    );
    let (mut verdict, mut cause, mut also) = (entry.verdict, entry.cause, entry.also);
    if let Some(said) = correction {
        remark += &format!(
            "; judged {} there, and corrected to {} by entry {} of station {}",
            verdict.word(),
            said.entry.verdict.word(),
            said.number,
            said.station
        );
        verdict = said.entry.verdict;
        if verdict != Judgement::Fail || said.entry.cause.is_some() {
            cause = said.entry.cause.clone();
            also = said.entry.also.clone();
        }
    }
    Ok(Entry {
        verdict,
        cause,
        also,
        kind: Kind::Reference,
        at: by.now.to_string(),
        operator: by.operator.to_string(),
        refers_to: Some(record.digest.clone()),
        rehearsed: match entry.rehearsed {
            None if unreal => Some("virtual bench".to_string()),
            ref said => said.clone(),
        },
        remark: Some(remark),
        // Its captures stay with the other log.
        files: Vec::new(),
        ..entry
    })
}
