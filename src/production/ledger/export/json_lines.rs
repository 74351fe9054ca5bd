//! One JSON object per line: records that another log can take as they are, or rows of a shape.
//!
//! A record's line is `station`, `number`, `previous`, `digest` and `body`; the body stands there as the very text that the
//! digest covers, which is itself an object.

use super::csv::utc;
use super::{Cell, Column, Holds, Sink};
use crate::production::ledger::Record;
use serde::{Deserialize, Serialize};
use serde_json::value::RawValue;
use std::borrow::Cow;
use std::io::Write;

#[derive(Serialize, Deserialize)]
struct Line<'a> {
    station: Cow<'a, str>,
    number: u64,
    previous: Cow<'a, str>,
    digest: Cow<'a, str>,
    #[serde(borrow)]
    body: Cow<'a, RawValue>,
}

/// Writes a record.
///
/// # Errors
/// What the file system says; a body that is no JSON.
pub fn write_record(out: &mut dyn Write, record: &Record) -> std::io::Result<()> {
    let body: &RawValue = serde_json::from_str(&record.body)?;
    let line = Line {
        station: (&record.station).into(),
        number: record.number,
        previous: (&record.previous).into(),
        digest: (&record.digest).into(),
        body: Cow::Borrowed(body),
    };
    serde_json::to_writer(&mut *out, &line)?;
    out.write_all(b"\n")
}

/// Reads a record's line.
///
/// # Errors
/// What is wrong with it.
pub fn read_record(text: &str) -> Result<Record, String> {
    let line: Line<'_> = serde_json::from_str(text).map_err(|cause| cause.to_string())?;
    Ok(Record {
        station: line.station.into_owned(),
        number: line.number,
        previous: line.previous.into_owned(),
        digest: line.digest.into_owned(),
        body: line.body.get().to_string(),
    })
}

/// Writes rows as objects with the columns' names.
pub struct JsonLines<W: Write> {
    out: W,
    columns: &'static [Column],
}

impl<W: Write> JsonLines<W> {
    /// Of these columns.
    pub fn new(out: W, columns: &'static [Column]) -> Self {
        Self { out, columns }
    }
}

impl<W: Write> Sink for JsonLines<W> {
    fn row(&mut self, cells: &[Cell<'_>]) -> std::io::Result<()> {
        let object: serde_json::Map<String, serde_json::Value> = cells
            .iter()
            .zip(self.columns)
            .map(|(cell, column)| {
                let value = match cell {
                    Cell::Text(text) => text.as_ref().into(),
                    Cell::Integer(us) if column.1 == Holds::Time => utc(*us).into(),
                    Cell::Integer(number) => (*number).into(),
                    Cell::Real(number) => (*number).into(),
                    Cell::Empty => serde_json::Value::Null,
                };
                (column.0.to_string(), value)
            })
            .collect();
        serde_json::to_writer(&mut self.out, &object)?;
        self.out.write_all(b"\n")
    }

    fn end(mut self: Box<Self>) -> std::io::Result<()> {
        self.out.flush()
    }
}
