//! Reference units: entries of kind `reference` from results of a verification, or from another log's entries.

use super::Record;
use crate::production::entry::{
    Cause, Conditions, Entry, EntryError, Judgement, Kind, Value, is_digest,
};
use crate::verify::result::{Result as Outcome, Verdict};

/// Who and what stands in an imported entry.
#[derive(Debug, Clone)]
pub struct Importing<'a> {
    /// Code of who imports.
    pub operator: &'a str,
    /// Now, RFC 3339; for results that do not say when they were taken.
    pub now: &'a str,
    /// Where it comes from, for the remark.
    pub source: &'a str,
    /// Digest of the file it comes from.
    pub digest: &'a str,
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
    let bands = result.bands.iter().map(|band| {
        let tolerance = known(band.tolerance_db);
        Value {
            name: format!("band:{}:{}", band.observation, band.center_hz),
            unit: "dB".to_string(),
            value: known(band.designed_difference_db),
            expanded: known(band.expanded_uncertainty_db),
            low: tolerance.map(|t| -t),
            high: tolerance,
            verdict: judgement(band.verdict),
        }
    });
    let parameters = result.parameters.iter().map(|p| Value {
        name: p.path.clone(),
        unit: p.unit.clone(),
        value: known(p.fitted),
        expanded: known(0.5 * (p.high95 - p.low95)),
        low: None,
        high: None,
        verdict: Judgement::None,
    });
    let c = &result.conditions;
    let conditions = Conditions {
        temperature_c: c.temperature_c,
        pressure_kpa: c.pressure_kpa,
        humidity_pct: c.humidity_pct,
    };
    let measured = [c.temperature_c, c.pressure_kpa, c.humidity_pct];
    let at = result.taken.as_deref().unwrap_or(by.now);
    let blank = Entry::blank(Kind::Reference, at, by.operator);
    Entry {
        unit: result.unit.clone(),
        remark: Some(format!(
            "imported from {} (BLAKE3 {})",
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
        values: bands.chain(parameters).collect(),
        // Captures of a verification lie beside it and are not in this log's archive.
        ..blank
    }
}

/// From an inspection or a reference in another log; what it says stays, `refers_to` names it.
///
/// # Errors
/// [`EntryError`] for a record of another kind.
pub fn from_record(record: &Record, entry: Entry, by: &Importing<'_>) -> Result<Entry, EntryError> {
    if !matches!(entry.kind, Kind::Inspection | Kind::Reference) {
        return Err(EntryError {
            unit: entry.unit,
            key: "kind".to_string(),
            found: format!("«{}»", entry.kind.word()),
            expected: "inspection or reference",
        });
    }
    Ok(Entry {
        kind: Kind::Reference,
        operator: by.operator.to_string(),
        refers_to: Some(record.digest.clone()),
        remark: Some(format!(
            "imported from {}, station {}, entry {}",
            by.source, record.station, record.number
        )),
        // Its captures stay with the other log.
        files: Vec::new(),
        ..entry
    })
}
