//! `bassay ledger prune`: removes raw captures by the rules of retention, and writes down which.

use super::place::{Place, now};
use crate::cli::Exit;
use crate::cli::failure::Failure;
use crate::cli::output::Output;
use crate::production::entry::{Entry, Kind, RawFile, microseconds};
use crate::production::ledger::Filter;
use crate::production::ledger::captures::{Rules, captures, expired};
use crate::production::ledger::export::walk;
use std::path::PathBuf;

/// Rules under which nothing is ever removed.
pub(super) const ALWAYS: Rules = Rules {
    failed_days: f64::INFINITY,
    passed_days: f64::INFINITY,
};

/// Removes raw captures that no rule wants any longer; a new entry names them
#[derive(Debug, clap::Args)]
pub struct Args {
    /// How long captures of units that failed or could not be judged are kept, days
    #[arg(long, value_name = "DAYS", value_parser = days)]
    failed_days: f64,
    /// How long captures of units that passed, of station checks and of gauge studies are kept, days
    #[arg(long, value_name = "DAYS", value_parser = days)]
    passed_days: f64,
    /// Code of who removes them
    #[arg(long)]
    operator: String,
    /// Name of the place where you are; its chain takes the new entry
    #[arg(long)]
    station: String,
    /// Only say what would be removed
    #[arg(long)]
    dry_run: bool,
    /// Folder of the raw captures; beside the file if left out
    #[arg(long, value_name = "DIR")]
    archive: Option<PathBuf>,
    #[command(flatten)]
    place: Place,
}

fn days(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(days) if days >= 0.0 => Ok(days),
        _ => Err("expected days, 0 or more".to_string()),
    }
}

/// Runs the action.
///
/// # Errors
/// [`Failure`].
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    if args.operator.trim().is_empty() {
        return Err(Failure::input("--operator: found nothing; expected a code"));
    }
    let archive = args.place.archive(args.archive.as_ref())?;
    let mut store = args.place.open_existing(out)?;
    let rules = Rules {
        failed_days: args.failed_days,
        passed_days: args.passed_days,
    };
    let at = now();
    // What an entry says decides what goes: each must be what was written.
    walk(store.as_mut(), &Filter::default(), &mut |_| Ok(()))?;
    let all = captures(store.as_mut(), rules)?;
    let list = expired(&all, &archive, microseconds(&at).unwrap_or(i64::MIN));
    let packed: u64 = list
        .iter()
        .filter_map(|c| archive.size(&c.file.digest))
        .sum();
    let files: Vec<RawFile> = list.iter().map(|c| c.file.clone()).collect();
    if !args.dry_run && !files.is_empty() {
        let remark = format!(
            "kept {} days after a failure, {} after a pass",
            args.failed_days, args.passed_days
        );
        // First the entry: a capture that is named as removed and still lies there is no harm, the reverse is.
        let entry = Entry {
            remark: Some(remark),
            files: files.clone(),
            ..Entry::blank(Kind::Retention, &at, &args.operator)
        };
        store.append(&args.station, &entry)?;
        for file in &files {
            archive.remove(&file.digest)?;
        }
    }
    if out.json {
        let document = serde_json::json!({
            "removed": !args.dry_run, "files": files, "packed_bytes": packed, "named": all.len(),
        });
        return out
            .named("bassay-retention/1", &document)
            .map(|()| Exit::Done);
    }
    let verb = if args.dry_run { "would go" } else { "removed" };
    out.line(format!(
        "{} of {} captures {verb}, {:.1} MB.",
        files.len(),
        all.len(),
        packed as f64 / 1e6
    ));
    Ok(Exit::Done)
}
