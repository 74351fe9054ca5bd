//! `bassay ledger import FILE…`: reference units, or the records of another log as they are.

use super::place::{Place, now, paragraph, short};
use super::prune::ALWAYS;
use crate::cli::Exit;
use crate::cli::failure::Failure;
use crate::cli::output::Output;
use crate::production::entry::{Entry, EntryError, Judgement, Kind};
use crate::production::ledger::captures::captures;
use crate::production::ledger::export::json_lines::read_record;
use crate::production::ledger::reference::{Importing, from_record, from_result, made_from};
use crate::production::ledger::sqlite::Purpose;
use crate::production::ledger::{Filter, LedgerError, Record, Store, Stored};
use crate::production::lookback::Corrections;
use crate::report::text::plain;
use crate::verify::result::{FORMAT as RESULT, Result as Outcome};
use std::collections::HashMap;
use std::path::{Path, PathBuf};

/// Records that are delivered in one transaction.
const BLOCK: usize = 500;

/// Takes reference units from result.json files or from another log's export
#[derive(Debug, clap::Args)]
pub struct Args {
    /// result.json files, or exports with one record per line (--format jsonl)
    #[arg(required = true)]
    files: Vec<PathBuf>,
    /// Code of who imports
    #[arg(long, required_unless_present = "as_written")]
    operator: Option<String>,
    /// Name of the place where you are; its chain takes the new entries
    #[arg(long, required_unless_present = "as_written")]
    station: Option<String>,
    /// Take the records of an export at their places in their own chains, instead of making reference units of them
    #[arg(long)]
    as_written: bool,
    #[command(flatten)]
    place: Place,
}

/// Runs the action.
///
/// # Errors
/// [`Failure`].
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    if args.as_written {
        return as_written(args, out);
    }
    let operator = args.operator.as_deref().unwrap_or_default();
    let station = args.station.as_deref().unwrap_or_default();
    if operator.trim().is_empty() {
        return Err(Failure::input("--operator: found nothing; expected a code"));
    }
    let mut entries: Vec<Entry> = Vec::new();
    for file in &args.files {
        let (made, all) = references(file, operator)?;
        if made.len() < all {
            out.remark(format!(
                "{}: {} of its {all} entries are no inspections and no references, and become no reference units; a correction among them counts for the one that it corrects",
                file.display(),
                all - made.len()
            ));
        }
        entries.extend(made);
    }
    // Nothing is written before all of it can be.
    for entry in &entries {
        entry.body().map_err(Failure::input)?;
    }
    let mut store = args.place.open(Purpose::Write, out)?;
    let mut there = store.select(&Filter {
        kind: Some(Kind::Reference),
        ..Filter::default()
    })?;
    let said = store.select(&Filter {
        kind: Some(Kind::Correction),
        ..Filter::default()
    })?;
    let corrections = Corrections::new(&said);
    let mut done: Vec<Done> = Vec::new();
    for entry in &entries {
        let source = made_from(entry);
        let old = there.iter().find(|old| made_from(&old.entry) == source);
        let new = old.is_none();
        let stored = match old {
            Some(old) => old.clone(),
            None => store.append(station, entry)?,
        };
        if new {
            there.push(stored.clone());
        }
        // What was imported as another judgement is not changed; who imports is told.
        let other =
            (!new && corrections.judgement(&stored).0 != entry.verdict).then_some(entry.verdict);
        done.push(Done { stored, new, other });
    }
    if out.json {
        return out
            .named(
                "bassay-import/1",
                &serde_json::json!({ "references": done }),
            )
            .map(|()| Exit::Done);
    }
    for Done { stored, new, other } in &done {
        out.line(format!(
            "reference unit {}: {}{}, entry {} of «{}»",
            plain(&stored.entry.unit),
            if *new { "" } else { "already there, " },
            stored.entry.verdict.word(),
            stored.number,
            plain(&stored.station)
        ));
        if let Some(verdict) = other {
            let word = verdict.word();
            out.line(paragraph(
                &format!("the file says {word} by now; to let that count: bassay ledger correct {} --verdict {word}", short(&stored.digest)),
                2,
            ));
        }
        if let Some(cause) = &stored.entry.cause {
            out.line(paragraph(
                &format!("its verification names a fault: {}", plain(&cause.text)),
                2,
            ));
        }
    }
    Ok(Exit::Done)
}

/// A reference unit, and whether this import wrote it.
#[derive(serde::Serialize)]
struct Done {
    #[serde(flatten)]
    stored: Stored,
    new: bool,
    /// What the file says by now, where the reference that is there counts as something else.
    #[serde(skip_serializing_if = "Option::is_none")]
    other: Option<Judgement>,
}

/// The references that a file gives, and how many entries it holds.
fn references(file: &Path, operator: &str) -> Result<(Vec<Entry>, usize), Failure> {
    let bytes = crate::files::read_whole(file)?;
    let wrong = |line: usize, what: String| {
        Failure::input(format!(
            "{}:{line}: {what}; expected a result.json ({RESULT}) or an export of a log (--format jsonl)",
            file.display()
        ))
    };
    let text = std::str::from_utf8(&bytes).map_err(|e| wrong(1, e.to_string()))?;
    let (now, digest) = (now(), blake3::hash(&bytes).to_hex());
    let name = file.display().to_string();
    let by = Importing {
        operator,
        now: &now,
        source: &name,
        digest: digest.as_str(),
    };
    if let Ok(format) = serde_json::from_str::<Format>(text) {
        if format.format != RESULT {
            return Err(wrong(1, format!("its format is «{}»", format.format)));
        }
        let result: Outcome =
            serde_json::from_str(text).map_err(|e| wrong(e.line(), e.to_string()))?;
        return Ok((vec![from_result(&result, &by)], 1));
    }
    let mut records: Vec<(usize, Record, Stored)> = Vec::new();
    for (i, line) in lines(text) {
        let record = read_record(line).map_err(|e| wrong(i, e))?;
        let at = |error: &dyn std::fmt::Display| wrong(i, error.to_string());
        record.prove().map_err(|e: LedgerError| at(&e))?;
        let stored = record.clone().read().map_err(|e: LedgerError| at(&e))?;
        records.push((i, record, stored));
    }
    if records.is_empty() {
        return Err(wrong(1, "it holds nothing".to_string()));
    }
    // Corrections stand behind what they correct, the newest last.
    let mut corrections: HashMap<&str, &Stored> = HashMap::new();
    for (_, _, s) in &records {
        if s.entry.kind == Kind::Correction
            && s.entry.verdict != Judgement::None
            && let Some(of) = &s.entry.refers_to
        {
            corrections.insert(of, s);
        }
    }
    let mut list = Vec::new();
    for (i, record, stored) in &records {
        if !matches!(stored.entry.kind, Kind::Inspection | Kind::Reference) {
            continue;
        }
        let correction = corrections.get(stored.digest.as_str()).copied();
        let reference = from_record(record, stored.entry.clone(), correction, &by);
        list.push(reference.map_err(|e: EntryError| wrong(*i, e.to_string()))?);
    }
    if list.is_empty() {
        return Err(wrong(
            1,
            "it holds no inspection and no reference to make a reference unit of".to_string(),
        ));
    }
    Ok((list, records.len()))
}

#[derive(serde::Deserialize)]
struct Format {
    format: String,
}

fn lines(text: &str) -> impl Iterator<Item = (usize, &str)> {
    text.lines()
        .enumerate()
        .map(|(i, line)| (i + 1, line))
        .filter(|(_, line)| !line.trim().is_empty())
}

fn as_written(args: &Args, out: &Output) -> Result<Exit, Failure> {
    use std::io::BufRead;
    let mut store = args.place.open(Purpose::Write, out)?;
    let (mut new, mut all) = (0, 0);
    for file in &args.files {
        let fail = |cause| {
            Failure::from(crate::files::FileError::Read {
                path: file.clone(),
                cause,
            })
        };
        let input = std::io::BufReader::new(std::fs::File::open(file).map_err(fail)?);
        let mut block: Vec<Record> = Vec::new();
        for (i, line) in input.lines().enumerate() {
            let line = line.map_err(fail)?;
            if line.trim().is_empty() {
                continue;
            }
            block.push(read_record(&line).map_err(|e| {
                Failure::input(format!(
                    "{}:{}: {e}; expected an export of a log (--format jsonl)",
                    file.display(),
                    i + 1
                ))
            })?);
            all += 1;
            if block.len() == BLOCK {
                new += store.deliver(&block)?;
                block.clear();
                out.remark(format!("{all} records"));
            }
        }
        new += store.deliver(&block)?;
    }
    let captures = at_hand(args, store.as_mut())?;
    if out.json {
        let document = serde_json::json!({ "records": all, "new": new, "captures": captures });
        return out
            .named("bassay-import-as-written/1", &document)
            .map(|()| Exit::Done);
    }
    out.line(format!("{all} records, {new} of them new."));
    if let Some(text) = captures.words() {
        out.line(paragraph(&text, 0));
    }
    Ok(Exit::Done)
}

/// Where an audit will look for the raw captures that the log names, and how many of them lie there.
#[derive(serde::Serialize)]
struct AtHand {
    named: usize,
    /// `None`: the log is on a server, and an audit must be told the folder.
    folder: Option<String>,
    missing: Option<usize>,
}

fn at_hand(args: &Args, store: &mut dyn Store) -> Result<AtHand, Failure> {
    let mut all = captures(store, ALWAYS)?;
    all.retain(|_, one| !one.removed());
    let archive = args.place.archive(None).ok();
    let missing = archive.as_ref().map(|archive| {
        let gone = all.keys().filter(|d| archive.size(d).is_none());
        gone.count()
    });
    Ok(AtHand {
        named: all.len(),
        folder: archive.map(|a| a.folder().display().to_string()),
        missing,
    })
}

impl AtHand {
    fn words(&self) -> Option<String> {
        if self.named == 0 {
            return None;
        }
        let copy = "copy there the folder LOG.captures that lies beside the log they come from";
        Some(match (&self.folder, self.missing) {
            (Some(folder), Some(0)) => format!(
                "The {} raw captures that the log names lie in {folder}, where an audit looks for them.",
                self.named
            ),
            (Some(folder), Some(missing)) => format!(
                "An export holds no raw captures: {missing} of the {} that the log names are not in {folder}. Until they are, an audit calls the log broken: {copy}, or tell the audit where they are with --archive DIR.",
                self.named
            ),
            _ => format!(
                "An export holds no raw captures. The log names {}; it is on a server, so that an audit must be told where they are: --archive DIR.",
                self.named
            ),
        })
    }
}
