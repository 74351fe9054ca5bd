//! `bassay ledger export`: the log as CSV, JSON Lines or Parquet.

use super::place::{Place, paragraph};
use super::which::Which;
use crate::cli::Exit;
use crate::cli::failure::Failure;
use crate::cli::output::Output;
use crate::files::{replaced, write_with};
use crate::production::ledger::export::csv::Csv;
use crate::production::ledger::export::json_lines::{JsonLines, write_record};
use crate::production::ledger::export::parquet::Parquet;
use crate::production::ledger::export::{ExportError, Shape, Sink, walk, write};
use crate::production::ledger::sqlite::Purpose;
use crate::production::ledger::{Filter, LedgerError, Store};
use std::io::Write;
use std::path::{Path, PathBuf};

/// Writes the log as CSV, JSON Lines or Parquet, in the order of writing
#[derive(Debug, clap::Args)]
pub struct Args {
    /// File to write
    #[arg(long, value_name = "FILE", required_unless_present = "columns")]
    out: Option<PathBuf>,
    /// Put it in the place of an export of this format that is there
    #[arg(long, requires = "out")]
    replace: bool,
    /// csv, jsonl or parquet; by the end of the file's name if left out
    #[arg(long, value_enum)]
    format: Option<Format>,
    /// One row per entry, or one per value
    #[arg(long, value_enum, default_value_t = Rows::Entries)]
    rows: Rows,
    /// Say what the columns are, and write nothing
    #[arg(long)]
    columns: bool,
    /// The log: a file, or postgres://USER@HOST/DATABASE
    #[arg(long, value_name = "FILE|URL", required_unless_present = "columns")]
    ledger: Option<String>,
    /// With a server: file of this station, which goes on without it
    #[arg(long, value_name = "FILE", requires = "ledger")]
    spool: Option<PathBuf>,
    #[command(flatten)]
    which: Which,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum Format {
    /// Comma-separated text
    Csv,
    /// One JSON object per line; with --rows entries whole records, which another log can import
    Jsonl,
    /// Apache Parquet
    Parquet,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum Rows {
    /// One row per entry
    Entries,
    /// One row per value
    Values,
}

/// Runs the action.
///
/// # Errors
/// [`Failure`].
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    let shape = match args.rows {
        Rows::Entries => Shape::Entries,
        Rows::Values => Shape::Values,
    };
    if args.columns {
        return columns(shape, out);
    }
    let (Some(out_file), Some(ledger)) = (&args.out, &args.ledger) else {
        return Err(Failure::input(
            "expected --ledger and --out, or --columns alone",
        ));
    };
    let place = Place {
        ledger: ledger.clone(),
        spool: args.spool.clone(),
    };
    let format = match args.format {
        Some(format) => format,
        None => by_name(out_file)?,
    };
    let (kind, begins) = match format {
        Format::Csv => ("CSV table of a log", shape.columns()[0].0),
        Format::Jsonl => ("JSON Lines file", "{"),
        Format::Parquet => ("Parquet file", "PAR1"),
    };
    replaced(out_file, kind, &[begins], args.replace)?;
    let filter = args.which.filter()?;
    if filter.latest.is_some() {
        return Err(Failure::input(
            "--latest does not go with export, which writes in the order of writing; choose with --from and --to",
        ));
    }
    let mut store = place.open(Purpose::Read, out)?;
    let count = write_with(out_file, |file| {
        fill(store.as_mut(), &filter, shape, format, file)
    })?
    .map_err(|error| match error {
        ExportError::Ledger(error) => Failure::from(error),
        ExportError::File(_) => Failure::system(error),
    })?;
    if out.json {
        let document = serde_json::json!({ "file": out_file, "entries": count });
        return out.named("bassay-export/1", &document).map(|()| Exit::Done);
    }
    out.line(format!("{count} entries written to {}", out_file.display()));
    Ok(Exit::Done)
}

fn columns(shape: Shape, out: &Output) -> Result<Exit, Failure> {
    if out.json {
        let list: Vec<_> = shape
            .columns()
            .iter()
            .map(|(name, _, meaning)| serde_json::json!({ "name": name, "meaning": meaning }))
            .collect();
        return out
            .named("bassay-columns/1", &serde_json::json!({ "columns": list }))
            .map(|()| Exit::Done);
    }
    for (name, _, meaning) in shape.columns() {
        out.line(format!(
            "{name:<18} {}",
            paragraph(meaning, 19).trim_start()
        ));
    }
    Ok(Exit::Done)
}

fn by_name(file: &Path) -> Result<Format, Failure> {
    match file.extension().and_then(|e| e.to_str()) {
        Some("csv") => Ok(Format::Csv),
        Some("jsonl") => Ok(Format::Jsonl),
        Some("parquet") => Ok(Format::Parquet),
        _ => Err(Failure::input(format!(
            "{}: its name does not tell the format; expected .csv, .jsonl or .parquet, or --format",
            file.display()
        ))),
    }
}

fn fill(
    store: &mut dyn Store,
    filter: &Filter,
    shape: Shape,
    format: Format,
    file: &mut (impl Write + Send),
) -> Result<u64, ExportError> {
    let columns = shape.columns();
    let sink: Box<dyn Sink + '_> = match format {
        Format::Csv => Box::new(Csv::new(file, columns)?),
        Format::Parquet => Box::new(Parquet::new(file, columns)?),
        Format::Jsonl if shape == Shape::Values => Box::new(JsonLines::new(file, columns)),
        Format::Jsonl => return records(store, filter, file),
    };
    write(store, filter, shape, sink)
}

fn records(
    store: &mut dyn Store,
    filter: &Filter,
    file: &mut impl Write,
) -> Result<u64, ExportError> {
    let mut count = 0;
    walk(store, filter, &mut |row| {
        count += 1;
        write_record(file, &row.record()).map_err(|cause| LedgerError::System {
            place: "export".to_string(),
            cause: cause.to_string(),
        })
    })?;
    Ok(count)
}
