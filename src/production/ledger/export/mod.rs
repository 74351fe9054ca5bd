//! A log as tables for other tools: one row per entry, or one row per value.
//!
//! Rows come in the order in which entries were written. The columns are in [`ENTRY_COLUMNS`] and [`VALUE_COLUMNS`]; an
//! absent value is an empty field in CSV and null in Parquet and JSON.

pub mod csv;
pub mod json_lines;
pub mod parquet;

use super::record::time;
use super::{Filter, LedgerError, Row, Store, Stored};
use crate::production::entry::{Judgement, Value};
use std::borrow::Cow;

/// What a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Holds {
    /// Text.
    Text,
    /// Whole numbers.
    Integer,
    /// Numbers.
    Real,
    /// Microseconds since 1970 in UTC; a timestamp in Parquet.
    Time,
}

/// A column: its name, what it holds, and what that means.
pub type Column = (&'static str, Holds, &'static str);

/// Columns of one row per entry.
pub const ENTRY_COLUMNS: &[Column] = &[
    (
        "station",
        Holds::Text,
        "station whose chain the entry is in",
    ),
    ("number", Holds::Integer, "place in that chain, from 1"),
    ("previous", Holds::Text, "digest of the entry before it"),
    ("digest", Holds::Text, "digest of the entry"),
    (
        "kind",
        Holds::Text,
        "inspection, correction, station-check, reference, gauge or retention",
    ),
    ("at", Holds::Text, "when, as written, with offset"),
    ("at_utc", Holds::Time, "the same in UTC"),
    ("operator", Holds::Text, "code of who ran it"),
    ("unit", Holds::Text, "serial number"),
    ("batch", Holds::Text, "batch"),
    (
        "attempt",
        Holds::Integer,
        "how often the unit had been tested, from 1",
    ),
    (
        "refers_to",
        Holds::Text,
        "digest of the entry it corrects or judges anew",
    ),
    ("remark", Holds::Text, "what was said by hand"),
    ("verdict", Holds::Text, "pass, fail, unresolved or none"),
    (
        "cause_path",
        Holds::Text,
        "most probable cause of a failure",
    ),
    ("cause_probability", Holds::Real, "its probability, 0 to 1"),
    ("cause_text", Holds::Text, "the same in workshop words"),
    (
        "also",
        Holds::Text,
        "paths of what else is wrong, divided by semicolons",
    ),
    ("limits", Holds::Text, "digest of the limits file"),
    ("design", Holds::Text, "digest of the design file"),
    ("software", Holds::Text, "program and version"),
    ("bench_digest", Holds::Text, "digest of the station file"),
    (
        "bench_oldest_days",
        Holds::Real,
        "age of its oldest calibration, days",
    ),
    (
        "bench_check",
        Holds::Text,
        "digest of the last passed station check",
    ),
    ("temperature_c", Holds::Real, "air temperature, °C"),
    ("pressure_kpa", Holds::Real, "static pressure, kPa"),
    ("humidity_pct", Holds::Real, "relative humidity, %"),
    ("values", Holds::Integer, "how many values were compared"),
    ("values_failed", Holds::Integer, "how many of them failed"),
    (
        "files",
        Holds::Integer,
        "how many raw captures belong to it",
    ),
];

/// Columns of one row per value.
pub const VALUE_COLUMNS: &[Column] = &[
    (
        "station",
        Holds::Text,
        "station whose chain the entry is in",
    ),
    ("number", Holds::Integer, "place in that chain, from 1"),
    ("digest", Holds::Text, "digest of the entry"),
    ("kind", Holds::Text, "kind of the entry"),
    ("at_utc", Holds::Time, "when, UTC"),
    ("unit", Holds::Text, "serial number"),
    ("batch", Holds::Text, "batch"),
    (
        "attempt",
        Holds::Integer,
        "how often the unit had been tested, from 1",
    ),
    ("entry_verdict", Holds::Text, "verdict of the entry"),
    ("name", Holds::Text, "name of the value"),
    ("value_unit", Holds::Text, "unit of the numbers"),
    ("value", Holds::Real, "the value"),
    ("expanded", Holds::Real, "its expanded uncertainty, k = 2"),
    ("low", Holds::Real, "lower limit"),
    ("high", Holds::Real, "upper limit"),
    ("verdict", Holds::Text, "verdict of the value"),
];

/// What a row is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
    /// One row per entry.
    Entries,
    /// One row per value.
    Values,
}

impl Shape {
    /// Its columns.
    #[must_use]
    pub fn columns(self) -> &'static [Column] {
        match self {
            Self::Entries => ENTRY_COLUMNS,
            Self::Values => VALUE_COLUMNS,
        }
    }
}

/// A field.
#[derive(Debug, Clone, PartialEq)]
pub enum Cell<'a> {
    /// Text.
    Text(Cow<'a, str>),
    /// A whole number or a time.
    Integer(i64),
    /// A number.
    Real(f64),
    /// Nothing.
    Empty,
}

/// Where rows go.
pub trait Sink {
    /// Takes a row, in the order of the columns.
    ///
    /// # Errors
    /// What the file system says.
    fn row(&mut self, cells: &[Cell<'_>]) -> std::io::Result<()>;

    /// Ends the file.
    ///
    /// # Errors
    /// What the file system says.
    fn end(self: Box<Self>) -> std::io::Result<()>;
}

/// An export that failed.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// The log.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
    /// The file.
    #[error("the export cannot be written: {0}")]
    File(#[from] std::io::Error),
}

/// Calls `each` for every row of the log that a filter asks for, in the order of writing.
///
/// # Errors
/// [`LedgerError`], and what `each` gives.
pub fn walk(
    store: &mut dyn Store,
    filter: &Filter,
    each: &mut dyn FnMut(&Row<'_>) -> Result<(), LedgerError>,
) -> Result<(), LedgerError> {
    let from = time("from", filter.from.as_ref())?;
    let to = time("to", filter.to.as_ref())?;
    let is = |wanted: &Option<String>, found: Option<&str>| {
        wanted.is_none() || wanted.as_deref() == found
    };
    let wanted = |row: &Row<'_>| {
        filter.kind.is_none_or(|kind| kind.word() == row.kind)
            && filter.verdict.is_none_or(|v| v.word() == row.verdict)
            && is(&filter.unit, Some(row.unit))
            && is(&filter.batch, row.batch)
            && is(&filter.station, Some(row.station))
            && from.is_none_or(|from| row.at_us >= from)
            && to.is_none_or(|to| row.at_us < to)
    };
    let end = store.last_position()? + 1;
    let mut reader = store.reader()?;
    let mut at = 0;
    while at < end {
        let next = end.min(at + 4096);
        reader.read(at, next, &mut |row| {
            if wanted(row) {
                row.prove()?;
                each(row)
            } else {
                Ok(())
            }
        })?;
        at = next;
    }
    Ok(())
}

/// Writes the rows of a shape into a sink; gives back how many entries there were.
///
/// # Errors
/// [`ExportError`].
pub fn write(
    store: &mut dyn Store,
    filter: &Filter,
    shape: Shape,
    mut sink: Box<dyn Sink + '_>,
) -> Result<u64, ExportError> {
    let (mut count, mut failed) = (0, None);
    let walked = walk(store, filter, &mut |row| {
        let at_us = row.at_us;
        let stored = row.record().read()?;
        count += 1;
        let done = match shape {
            Shape::Entries => sink.row(&entry(&stored, at_us)),
            Shape::Values => stored
                .entry
                .values
                .iter()
                .try_for_each(|value| sink.row(&of_value(&stored, at_us, value))),
        };
        done.map_err(|cause| {
            let text = cause.to_string();
            failed = Some(cause);
            LedgerError::System {
                place: "export".to_string(),
                cause: text,
            }
        })
    });
    if let Some(cause) = failed {
        return Err(cause.into());
    }
    walked?;
    sink.end()?;
    Ok(count)
}

fn text(value: &str) -> Cell<'_> {
    Cell::Text(Cow::Borrowed(value))
}

fn maybe(value: Option<&String>) -> Cell<'_> {
    value.map_or(Cell::Empty, |value| text(value))
}

fn real(value: Option<f64>) -> Cell<'static> {
    value.map_or(Cell::Empty, Cell::Real)
}

fn count(value: impl TryInto<i64>) -> Cell<'static> {
    value.try_into().map_or(Cell::Empty, Cell::Integer)
}

fn entry(stored: &Stored, at_us: i64) -> Vec<Cell<'_>> {
    let e = &stored.entry;
    let failed = |v: &&Value| v.verdict == Judgement::Fail;
    vec![
        text(&stored.station),
        count(stored.number),
        text(&stored.previous),
        text(&stored.digest),
        text(e.kind.word()),
        text(&e.at),
        Cell::Integer(at_us),
        text(&e.operator),
        text(&e.unit),
        maybe(e.batch.as_ref()),
        count(e.attempt),
        maybe(e.refers_to.as_ref()),
        maybe(e.remark.as_ref()),
        text(e.verdict.word()),
        maybe(e.cause.as_ref().map(|c| &c.path)),
        real(e.cause.as_ref().map(|c| c.probability)),
        maybe(e.cause.as_ref().map(|c| &c.text)),
        match e.also.as_slice() {
            [] => Cell::Empty,
            list => {
                let paths: Vec<&str> = list.iter().map(|c| c.path.as_str()).collect();
                Cell::Text(Cow::Owned(paths.join(";")))
            }
        },
        text(&e.limits),
        text(&e.design),
        text(&e.software),
        maybe(e.bench.as_ref().map(|b| &b.digest)),
        real(e.bench.as_ref().map(|b| b.oldest_days)),
        maybe(e.bench.as_ref().and_then(|b| b.check.as_ref())),
        real(e.conditions.map(|c| c.temperature_c)),
        real(e.conditions.map(|c| c.pressure_kpa)),
        real(e.conditions.map(|c| c.humidity_pct)),
        count(e.values.len()),
        count(e.values.iter().filter(failed).count()),
        count(e.files.len()),
    ]
}

fn of_value<'a>(stored: &'a Stored, at_us: i64, value: &'a Value) -> Vec<Cell<'a>> {
    let e = &stored.entry;
    vec![
        text(&stored.station),
        count(stored.number),
        text(&stored.digest),
        text(e.kind.word()),
        Cell::Integer(at_us),
        text(&e.unit),
        maybe(e.batch.as_ref()),
        count(e.attempt),
        text(e.verdict.word()),
        text(&value.name),
        text(&value.unit),
        real(value.value),
        real(value.expanded),
        real(value.low),
        real(value.high),
        text(value.verdict.word()),
    ]
}
