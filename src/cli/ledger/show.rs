//! `bassay ledger show DIGEST`: all that an entry says, and what was said of it later.

use super::list::{fit, minute, verdict};
use super::place::{Place, paragraph, short};
use crate::cli::Exit;
use crate::cli::failure::Failure;
use crate::cli::output::Output;
use crate::production::entry::{Judgement, Kind, Value};
use crate::production::ledger::sqlite::Purpose;
use crate::production::ledger::{Filter, Store, Stored};
use crate::production::unit::hidden_below;
use crate::report::inspection::scale;
use crate::report::number::fixed;
use crate::report::text::plain;
use serde::Serialize;

/// All that an entry says, and what was said of it later
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Digest of the entry, or how it begins
    digest: String,
    #[command(flatten)]
    place: Place,
}

#[derive(Serialize)]
struct Document {
    entry: Stored,
    later: Vec<Stored>,
}

/// Runs the action.
///
/// # Errors
/// [`Failure`].
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    let mut store = args.place.open(Purpose::Read, out)?;
    let entry = found(store.as_mut(), &args.digest)?;
    let of_unit = Filter {
        unit: Some(entry.entry.unit.clone()),
        ..Filter::default()
    };
    let mut later = store.select(&of_unit)?;
    later.retain(|one| one.entry.refers_to.as_ref() == Some(&entry.digest));
    if out.json {
        return out
            .named("bassay-shown-entry/1", &Document { entry, later })
            .map(|()| Exit::Done);
    }
    print(&entry, &later, out);
    Ok(Exit::Done)
}

/// The entry of a digest.
pub(super) fn found(store: &mut dyn Store, digest: &str) -> Result<Stored, Failure> {
    if let Some(found) = store.find(digest)? {
        return Ok(found);
    }
    let newest = store.select(&Filter {
        latest: Some(1),
        ..Filter::default()
    })?;
    let such = newest.first().map_or(String::new(), |one| {
        format!(", such as {} of the newest", short(&one.digest))
    });
    Err(Failure::input(format!(
        "digest {}: no entry of {} begins like this; expected one that `bassay ledger list` shows{such}",
        plain(digest).chars().take(70).collect::<String>(),
        store.place()
    )))
}

fn print(one: &Stored, later: &[Stored], out: &Output) {
    let e = &one.entry;
    let field = |name: &str, value: &str| {
        if !value.is_empty() {
            let text = paragraph(value, 13);
            out.line(format!("{name:<12} {}", text.trim_start()));
        }
    };
    out.line(format!(
        "{} of unit {}: {}",
        e.kind.word(),
        if e.unit.is_empty() { "-" } else { &e.unit },
        e.verdict.word()
    ));
    // What counts is not left to the end of a long list.
    for correction in later.iter().filter(|s| s.entry.kind == Kind::Correction) {
        let e = &correction.entry;
        let said = match e.verdict {
            Judgement::None => "see below".to_string(),
            verdict => format!("to {}, see below", verdict.word()),
        };
        field(
            "CORRECTED",
            &format!(
                "{} by {} {said}, entry {}",
                minute(&e.at),
                e.operator,
                short(&correction.digest)
            ),
        );
    }
    field("digest", &one.digest);
    field("before it", &one.previous);
    field("station", &format!("{}, entry {}", one.station, one.number));
    field("time", &e.at);
    field("recorded", e.taken.as_deref().unwrap_or_default());
    if e.is_virtual() {
        let bench = e.rehearsed.as_deref().unwrap_or("virtual bench");
        field("no real", &format!("unit: {bench}"));
    }
    field("operator", &e.operator);
    field("batch", e.batch.as_deref().unwrap_or_default());
    field("attempt", &e.attempt.to_string());
    field("refers to", e.refers_to.as_deref().unwrap_or_default());
    field("remark", e.remark.as_deref().unwrap_or_default());
    for (i, cause) in e.cause.iter().chain(&e.also).enumerate() {
        let text = format!(
            "{} ({:.0} %): {}",
            cause.path,
            100.0 * cause.probability,
            cause.text
        );
        field(if i == 0 { "cause" } else { "and" }, &text);
    }
    field("limits", &e.limits);
    field("design", &e.design);
    field("software", &e.software);
    if let Some(bench) = &e.bench {
        field("bench", &bench.digest);
        field(
            "calibration",
            &format!("oldest {:.1} days", bench.oldest_days),
        );
        field("checked by", bench.check.as_deref().unwrap_or_default());
    }
    if let Some(c) = e.conditions {
        let text = format!(
            "{:.1} °C, {:.1} kPa, {:.0} %",
            c.temperature_c, c.pressure_kpa, c.humidity_pct
        );
        field("air", &text);
    }
    if !e.values.is_empty() {
        out.line("");
        out.line(format!(
            "{:<24} {:>8} {:>8} {:>8} {:>8} {:<11} verdict",
            "value", "number", "± k=2", "low", "high", "unit"
        ));
        for value in &e.values {
            out.line(row(value));
        }
        if e.values.iter().any(|v| hidden_below(v).is_some()) {
            out.line("< ... noise: below the noise; no more is known than that it is lower");
        }
    }
    if !e.files.is_empty() {
        out.line("");
        out.line("capture                           bytes digest");
        for file in &e.files {
            let text = format!(
                "{} {:>10} {}",
                fit(&file.name, 28),
                file.bytes,
                short(&file.digest)
            );
            out.line(text);
        }
    }
    if !later.is_empty() {
        out.line("");
        out.line("Said of it later:");
        for one in later {
            let e = &one.entry;
            out.line(format!(
                "{} {} {} ({}, verdict {})",
                short(&one.digest),
                minute(&e.at),
                e.kind.word(),
                e.operator,
                e.verdict.word()
            ));
            if let Some(remark) = &e.remark {
                out.line(paragraph(remark, 13));
            }
        }
    }
}

fn row(value: &Value) -> String {
    let scale = scale(value);
    let show = |n: Option<f64>| n.map_or_else(|| "-".to_string(), |n| scale.show(n));
    let (number, known_to) = match hidden_below(value) {
        Some(noise_db) => (format!("< {}", fixed(noise_db, 1)), "noise".to_string()),
        // Nothing is known exactly: a 0 says that nobody could tell.
        None => (
            show(value.value),
            show(value.uncertainty().filter(|u| *u > 0.0)),
        ),
    };
    format!(
        "{} {number:>8} {known_to:>8} {:>8} {:>8} {} {}",
        fit(&value.name, 24),
        show(value.low),
        show(value.high),
        fit(&scale.unit(), 11),
        verdict(value.verdict)
    )
    .trim_end()
    .to_string()
}
