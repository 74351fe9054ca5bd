//! Rows as comma-separated text: RFC 4180 quoting, decimal point, one header line, UTF-8, `\n`.

use super::{Cell, Column, Holds, Sink};
use std::io::Write;

/// Writes CSV.
pub struct Csv<W: Write> {
    out: W,
    columns: &'static [Column],
    line: String,
}

impl<W: Write> Csv<W> {
    /// Writes the header line.
    ///
    /// # Errors
    /// What the file system says.
    pub fn new(mut out: W, columns: &'static [Column]) -> std::io::Result<Self> {
        let names: Vec<&str> = columns.iter().map(|column| column.0).collect();
        writeln!(out, "{}", names.join(","))?;
        Ok(Self {
            out,
            columns,
            line: String::new(),
        })
    }
}

impl<W: Write> Sink for Csv<W> {
    fn row(&mut self, cells: &[Cell<'_>]) -> std::io::Result<()> {
        self.line.clear();
        for (i, (cell, column)) in cells.iter().zip(self.columns).enumerate() {
            if i > 0 {
                self.line.push(',');
            }
            match cell {
                Cell::Text(text) if text.contains([',', '"', '\n', '\r']) => {
                    self.line.push('"');
                    self.line += &text.replace('"', "\"\"");
                    self.line.push('"');
                }
                Cell::Text(text) => self.line += text,
                Cell::Integer(us) if column.1 == Holds::Time => self.line += &utc(*us),
                Cell::Integer(number) => self.line += &number.to_string(),
                Cell::Real(number) => self.line += &number.to_string(),
                Cell::Empty => {}
            }
        }
        self.line.push('\n');
        self.out.write_all(self.line.as_bytes())
    }

    fn end(mut self: Box<Self>) -> std::io::Result<()> {
        self.out.flush()
    }
}

/// A time in UTC; empty for one that no calendar has.
pub(super) fn utc(us: i64) -> String {
    jiff::Timestamp::from_microsecond(us).map_or_else(|_| String::new(), |t| t.to_string())
}
