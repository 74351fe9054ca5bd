//! Where accepted units come from: captures, results of `verify`, entries of the log.

use crate::cli::book;
use crate::cli::failure::Failure;
use crate::cli::load;
use crate::cli::output::Output;
use crate::design::Design;
use crate::files::read_whole;
use crate::production::entry::{Judgement, Kind};
use crate::production::ledger::sqlite::Purpose;
use crate::production::ledger::{Filter, Stored};
use crate::production::limits::Accepted;
use crate::production::lookback::{Corrections, real_units};
use crate::production::unit::{measure_unit, values_of};
use crate::verify::result::{Finding, Result as Outcome, Verdict};
use std::collections::HashMap;
use std::path::Path;

/// A unit from a captures file or a result file.
///
/// # Errors
/// [`Failure`] for a file of another kind or of another design.
pub fn file(path: &Path, design: &Design, out: &Output) -> Result<Accepted, Failure> {
    let is_result = path
        .extension()
        .is_some_and(|e| e.eq_ignore_ascii_case("json"));
    let unit = if is_result {
        of_result(path, design)?
    } else {
        of_captures(path, design, out)?
    };
    Ok(unit)
}

fn other_design(path: &Path, name: &str, digest: &str, design: &Design) -> Failure {
    let short = |d: &str| d.chars().take(12).collect::<String>();
    Failure::input(format!(
        "{}: its design is «{name}» (digest {}), and limits are made for «{}» (digest {}); expected units of this very file",
        path.display(),
        short(digest),
        design.name,
        short(&design.digest)
    ))
}

fn names_a_fault(text: &str) -> String {
    format!("its own captures name a fault: {text}")
}

/// What speaks against a unit that is given as accepted.
fn doubt(findings: &[Finding], outside: bool) -> Option<String> {
    let fault = findings.first().map(|f| names_a_fault(&f.text));
    let spec = outside
        .then(|| "its verification says that it is outside the spec's tolerance".to_string());
    fault.or(spec)
}

fn of_captures(path: &Path, design: &Design, out: &Output) -> Result<Accepted, Failure> {
    let (theirs, set) = load::design_and_captures(path)?;
    if theirs.digest != design.digest {
        return Err(other_design(path, &theirs.name, &theirs.digest, design));
    }
    let responses = load::responses(&set, out)?;
    let (measured, _) = measure_unit(design, &set, responses, &mut |step| {
        out.remark(format!("  {step}"));
    })
    .map_err(|e| Failure::input(format!("{}: {e}", path.display())))?;
    Ok(Accepted {
        doubt: doubt(&measured.findings, false),
        recordings: measured.files.into_iter().map(|f| f.digest).collect(),
        serial: measured.unit,
        digest: set.digest,
        values: measured.values,
    })
}

fn of_result(path: &Path, design: &Design) -> Result<Accepted, Failure> {
    let bytes = read_whole(path)?;
    let result: Outcome = serde_json::from_slice(&bytes).map_err(|e| {
        Failure::input(format!(
            "{}: line {}: {e}; expected a result.json of `bassay verify`",
            path.display(),
            e.line()
        ))
    })?;
    if result.format != crate::verify::result::FORMAT {
        return Err(Failure::input(format!(
            "{}: format: found {:?}; expected {:?}",
            path.display(),
            result.format,
            crate::verify::result::FORMAT
        )));
    }
    if result.design.digest != design.digest {
        let mark = &result.design;
        return Err(other_design(path, &mark.name, &mark.digest, design));
    }
    Ok(Accepted {
        doubt: doubt(&result.findings, result.verdict == Verdict::Outside),
        recordings: result
            .files
            .iter()
            .filter(|f| f.role == "capture")
            .map(|f| f.digest.clone())
            .collect(),
        serial: result.unit.clone(),
        digest: blake3::hash(&bytes).to_hex().to_string(),
        values: values_of(&result),
    })
}

/// Units of the log: the latest entry of each serial of this kind and design, if it did not fail.
///
/// # Errors
/// [`Failure`] for a log that cannot be read.
pub fn ledger(
    place: &str,
    kind: Kind,
    design: &Design,
    out: &Output,
) -> Result<Vec<Accepted>, Failure> {
    let mut ledger = book::open(place, Purpose::Read)?;
    let filter = Filter {
        kind: Some(kind),
        ..Filter::default()
    };
    let entries = ledger.select(&filter).map_err(Failure::system)?;
    let mut list: Vec<Accepted> = Vec::new();
    let (mut failed, mut copies) = (0, 0);
    let (mine, others): (Vec<Stored>, Vec<Stored>) = entries
        .into_iter()
        .partition(|s| s.entry.design == design.digest);
    let other = others.len();
    let (mine, unreal) = real_units(mine, false);
    let said = ledger.select(&Filter {
        kind: Some(Kind::Correction),
        ..Filter::default()
    })?;
    let corrections = Corrections::new(&said);
    for stored in mine {
        // A later test of a serial replaces an earlier one.
        list.retain(|a| a.serial != stored.entry.unit);
        let (verdict, cause, _) = corrections.judgement(&stored);
        if verdict == Judgement::Fail {
            failed += 1;
            continue;
        }
        let known = stored.entry.measurement.as_ref();
        if known.is_some_and(|m| m.other_unit.is_some()) && !corrections.states(&stored) {
            copies += 1;
            continue;
        }
        let cause = cause.map(|c| names_a_fault(&c.text));
        let files = stored.entry.files.iter();
        list.push(Accepted {
            doubt: cause,
            recordings: files.map(|f| f.digest.clone()).collect(),
            serial: stored.entry.unit,
            digest: stored.digest,
            values: stored.entry.values,
        });
    }
    out.remark(format!(
        "{place}: {} accepted units; left out: {failed} that are outside or were corrected to FAIL (of a reference: the spec's tolerance, when it was verified; --unit RESULT takes it all the same), {other} of another design{}{}",
        list.len(),
        match unreal {
            0 => String::new(),
            n => format!(", {n} of virtual units"),
        },
        match copies {
            0 => String::new(),
            n => format!(", {n} whose recordings are another unit's"),
        }
    ));
    Ok(list)
}

/// Two units that share a recording are one: their spread would be too small.
///
/// # Errors
/// [`Failure`] that names both.
pub fn own_recordings(accepted: &[Accepted]) -> Result<(), Failure> {
    let mut of: HashMap<&str, &Accepted> = HashMap::new();
    for unit in accepted {
        for digest in &unit.recordings {
            let Some(other) = of.insert(digest, unit) else {
                continue;
            };
            if other.serial != unit.serial {
                let short = |digest: &str| digest.chars().take(12).collect::<String>();
                return Err(Failure::input(format!(
                    "units {} and {} share a recording (digest {}), so that one of them was not measured: give the one that was; in a log, `bassay ledger correct {} --verdict fail` leaves unit {} out",
                    other.serial,
                    unit.serial,
                    short(digest),
                    short(&unit.digest),
                    unit.serial
                )));
            }
        }
    }
    Ok(())
}
