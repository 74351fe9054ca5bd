//! Rows as Apache Parquet: every column optional, text as UTF-8 strings, times as UTC timestamps in microseconds, zstd.

use super::{Cell, Column, Holds, Sink};
use ::parquet::basic::{Compression, ZstdLevel};
use ::parquet::data_type::{ByteArray, ByteArrayType, DoubleType, Int64Type};
use ::parquet::errors::ParquetError;
use ::parquet::file::properties::WriterProperties;
use ::parquet::file::writer::SerializedFileWriter;
use ::parquet::schema::parser::parse_message_type;
use std::io::Write;
use std::sync::Arc;

/// Rows of one row group.
const GROUP: usize = 65_536;

/// The values of one column that wait for their row group.
enum Waiting {
    Text(Vec<ByteArray>),
    Integer(Vec<i64>),
    Real(Vec<f64>),
}

/// Writes Parquet.
pub struct Parquet<W: Write + Send> {
    writer: SerializedFileWriter<W>,
    /// Per column: which rows have a value, and the values.
    waiting: Vec<(Vec<i16>, Waiting)>,
    rows: usize,
}

fn failed(cause: ParquetError) -> std::io::Error {
    std::io::Error::other(cause)
}

impl<W: Write + Send> Parquet<W> {
    /// Begins a file with these columns.
    ///
    /// # Errors
    /// What the file system says.
    pub fn new(out: W, columns: &[Column]) -> std::io::Result<Self> {
        let fields: String = columns
            .iter()
            .map(|(name, holds, _)| match holds {
                Holds::Text => format!("OPTIONAL BYTE_ARRAY {name} (STRING);"),
                Holds::Integer => format!("OPTIONAL INT64 {name};"),
                Holds::Real => format!("OPTIONAL DOUBLE {name};"),
                Holds::Time => format!("OPTIONAL INT64 {name} (TIMESTAMP(MICROS,true));"),
            })
            .collect();
        let schema =
            parse_message_type(&format!("message ledger {{ {fields} }}")).map_err(failed)?;
        let properties = WriterProperties::builder()
            .set_compression(Compression::ZSTD(ZstdLevel::default()))
            .set_created_by(concat!("bassay ", env!("CARGO_PKG_VERSION")).to_string())
            .build();
        let writer = SerializedFileWriter::new(out, Arc::new(schema), Arc::new(properties))
            .map_err(failed)?;
        let waiting = columns
            .iter()
            .map(|(_, holds, _)| {
                let values = match holds {
                    Holds::Text => Waiting::Text(Vec::new()),
                    Holds::Integer | Holds::Time => Waiting::Integer(Vec::new()),
                    Holds::Real => Waiting::Real(Vec::new()),
                };
                (Vec::new(), values)
            })
            .collect();
        Ok(Self {
            writer,
            waiting,
            rows: 0,
        })
    }

    fn flush(&mut self) -> Result<(), ParquetError> {
        if self.rows == 0 {
            return Ok(());
        }
        let mut group = self.writer.next_row_group()?;
        for (there, values) in &mut self.waiting {
            let Some(mut column) = group.next_column()? else {
                break;
            };
            match values {
                Waiting::Text(list) => {
                    column
                        .typed::<ByteArrayType>()
                        .write_batch(list, Some(there), None)?;
                    list.clear();
                }
                Waiting::Integer(list) => {
                    column
                        .typed::<Int64Type>()
                        .write_batch(list, Some(there), None)?;
                    list.clear();
                }
                Waiting::Real(list) => {
                    column
                        .typed::<DoubleType>()
                        .write_batch(list, Some(there), None)?;
                    list.clear();
                }
            }
            there.clear();
            column.close()?;
        }
        group.close()?;
        self.rows = 0;
        Ok(())
    }
}

impl<W: Write + Send> Sink for Parquet<W> {
    fn row(&mut self, cells: &[Cell<'_>]) -> std::io::Result<()> {
        for ((there, values), cell) in self.waiting.iter_mut().zip(cells) {
            let has = match (values, cell) {
                (Waiting::Text(list), Cell::Text(text)) => {
                    list.push(text.as_bytes().to_vec().into());
                    true
                }
                (Waiting::Integer(list), Cell::Integer(number)) => {
                    list.push(*number);
                    true
                }
                (Waiting::Real(list), Cell::Real(number)) => {
                    list.push(*number);
                    true
                }
                _ => false,
            };
            there.push(i16::from(has));
        }
        self.rows += 1;
        if self.rows == GROUP {
            self.flush().map_err(failed)?;
        }
        Ok(())
    }

    fn end(mut self: Box<Self>) -> std::io::Result<()> {
        self.flush().map_err(failed)?;
        self.writer.finish().map_err(failed)?;
        Ok(())
    }
}
