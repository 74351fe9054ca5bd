//! `bassay station check STATION WAV`: a known resistor through the jig, logged.

use super::source;
use crate::cli::failure::Failure;
use crate::cli::inspect::exit;
use crate::cli::ledger::place::{Place, now, paragraph, short};
use crate::cli::output::Output;
use crate::cli::{Exit, record};
use crate::design::station::Check;
use crate::design::station_write::Section;
use crate::measure::calibration::loopback::equal_gain;
use crate::measure::calibration::pair::{self, Channels};
use crate::production::entry::{Bench, Entry, Judgement, Kind, RawFile, Value};
use crate::production::ledger::sqlite::Purpose;
use crate::production::ledger::{Filter, Store, Stored};
use crate::production::station_check::{gain_ratio, resistor, verdict};
use crate::production::station_fit::AHEAD;
use serde::Serialize;
use std::path::{Path, PathBuf};

/// Check the station with a known resistor, and log it
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The station file
    station: PathBuf,
    /// The take of the known resistor through the jig
    wav: PathBuf,
    /// A take with both inputs on one point as well: checks the ratio of gains
    #[arg(long, value_name = "FILE")]
    equal_gain: Option<PathBuf>,
    /// The known resistor, Ω; it is written into the station file
    #[arg(long, value_name = "OHM")]
    resistor_ohm: Option<f64>,
    /// Code of who checks
    #[arg(long, value_name = "CODE")]
    operator: String,
    /// When it was recorded [default: now]
    #[arg(long, value_name = "TIME")]
    taken: Option<jiff::Timestamp>,
    /// Folder of raw captures [default: beside the ledger's file]
    #[arg(long, value_name = "DIR")]
    archive: Option<PathBuf>,
    #[command(flatten)]
    place: Place,
    #[command(flatten)]
    sweep: record::SweepArgs,
}

#[derive(Serialize)]
struct Document<'a> {
    format: &'static str,
    station: &'a str,
    number: u64,
    digest: &'a str,
    verdict: Judgement,
    values: &'a [Value],
}

fn bytes(path: &Path) -> Result<Vec<u8>, Failure> {
    std::fs::read(path)
        .map_err(|e| Failure::input(format!("{}: cannot be read: {e}", path.display())))
}

fn raw(file: &Path, bytes: &[u8]) -> RawFile {
    RawFile {
        name: file
            .file_name()
            .map_or_else(String::new, |n| n.to_string_lossy().into_owned()),
        digest: blake3::hash(bytes).to_hex().to_string(),
        bytes: bytes.len() as u64,
    }
}

/// Takes that no check in the log has: one take, used every morning, would check nothing.
fn unused(store: &mut dyn Store, files: &[&Path], raw: &[RawFile]) -> Result<(), Failure> {
    let checks = store.select(&Filter {
        kind: Some(Kind::StationCheck),
        ..Filter::default()
    })?;
    for (file, raw) in files.iter().zip(raw) {
        let has = |s: &&Stored| s.entry.files.iter().any(|f| f.digest == raw.digest);
        if let Some(old) = checks.iter().find(has) {
            return Err(Failure::input(format!(
                "{}: is a take of an earlier check, entry {} of station «{}» ({}, digest {}); expected a new take. Nothing was logged",
                file.display(),
                old.number,
                old.station,
                old.entry.measured(),
                short(&old.digest)
            )));
        }
    }
    Ok(())
}

/// Whether a reading is no resistor at all: known to no better than itself, or a hundred times off.
fn tells_nothing(read: &Value, resistor_ohm: f64) -> bool {
    let value = read.value.unwrap_or(f64::NAN);
    let near = (0.01..100.0).contains(&(value / resistor_ohm));
    !near || read.expanded.is_none_or(|u| u > value)
}

/// Runs the action: 0 passed, 1 failed, 3 neither can be said.
///
/// # Errors
/// [`Failure`] for a take that cannot be used (nothing is then logged), or a log that cannot be written.
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    if args.operator.trim().is_empty() {
        return Err(Failure::input("--operator: found nothing; expected a code"));
    }
    let now_is = jiff::Timestamp::now();
    if let Some(taken) = args.taken.filter(|t| t.duration_since(now_is) > AHEAD) {
        return Err(Failure::input(format!(
            "--taken {taken}: lies ahead of this machine's clock, which says {}; expected when the take was recorded, or a clock that is right. Nothing was logged",
            now()
        )));
    }
    let mut station = source::station(&args.station)?;
    if let Some(ohm) = args.resistor_ohm
        && station.check.is_none_or(|c| c.resistor_ohm != ohm)
    {
        let check = Check {
            resistor_ohm: ohm,
            tolerance: station.check.map_or(0.01, |c| c.tolerance),
            every_hours: station.check.map_or(24.0, |c| c.every_hours),
        };
        station = source::save(&args.station, &station.name, &Section::Check(check))?;
    }
    let shown = args.station.display();
    let Some(check) = station.check else {
        return Err(Failure::input(format!(
            "{shown}: [check] is missing; expected --resistor-ohm OHM, or [check] with resistor_ohm"
        )));
    };
    let Some(jig) = &station.jig else {
        return Err(Failure::input(format!(
            "{shown}: [jig] is missing; calibrate it first: `bassay station jig`"
        )));
    };
    let channels = Channels {
        first: station.card.source_channel,
        second: station.card.load_channel,
    };
    let sweep = source::sweep(&args.sweep)?;
    let card = source::card(Some(&station))?;
    let mut store = args.place.open(Purpose::Write, out)?;
    let archive = args.place.archive(args.archive.as_ref())?;
    let files: Vec<&Path> = std::iter::once(&args.wav)
        .chain(&args.equal_gain)
        .map(PathBuf::as_path)
        .collect();
    let takes = files
        .iter()
        .map(|file| bytes(file))
        .collect::<Result<Vec<_>, _>>()?;
    let raw: Vec<RawFile> = files.iter().zip(&takes).map(|(f, b)| raw(f, b)).collect();
    unused(store.as_mut(), &files, &raw)?;
    out.remark(format!("reading {}", args.wav.display()));
    let pair = pair::read(&args.wav, channels, &sweep, card.as_ref())?;
    source::same_bench(
        &args.station,
        Some(&station),
        &args.wav,
        pair.device.as_deref(),
    )?;
    let mut values = resistor(&pair, jig, &check);
    if let Some(read) = values
        .first()
        .filter(|v| tells_nothing(v, check.resistor_ohm))
    {
        return Err(Failure::input(format!(
            "{}: {:.3e} Ω are read, and {} Ω should be there: both inputs carry the same signal, or none; expected a take of the known resistor in the jig. Nothing was logged",
            args.wav.display(),
            read.value.unwrap_or(f64::NAN),
            check.resistor_ohm
        )));
    }
    if let Some(file) = &args.equal_gain {
        out.remark(format!("reading {}", file.display()));
        let pair = pair::read(file, channels, &sweep, card.as_ref())?;
        source::same_bench(&args.station, Some(&station), file, pair.device.as_deref())?;
        let found = equal_gain(&pair)?;
        values.push(gain_ratio(&found, jig, &check));
    }
    for take in &takes {
        archive.keep(take)?;
    }
    let judged = verdict(&values);
    let entry = Entry {
        verdict: judged,
        taken: args.taken.map(|t| t.to_string()),
        bench: Some(Bench {
            digest: station.digest.clone(),
            oldest_days: station
                .oldest_days(args.taken.unwrap_or(now_is))
                .unwrap_or(1e6),
            check: None,
        }),
        values,
        files: raw,
        ..Entry::blank(Kind::StationCheck, &now(), &args.operator)
    };
    let stored = store.append(&station.name, &entry)?;
    if out.json {
        out.document(&Document {
            format: "bassay-station-check/1",
            station: &stored.station,
            number: stored.number,
            digest: &stored.digest,
            verdict: judged,
            values: &entry.values,
        })?;
        return Ok(exit(judged));
    }
    let word = match judged {
        Judgement::Pass => "PASS",
        Judgement::Fail => "FAIL",
        Judgement::Unresolved | Judgement::None => "CANNOT TELL",
    };
    out.line(format!(
        "station {}: {word} (± is k = 2, 95 %)\n",
        station.name
    ));
    for v in &entry.values {
        let number = |x: Option<f64>| x.map_or("-".to_string(), |x| format!("{x:.4}"));
        out.line(format!(
            "{:<14} {:>10} ± {:>7} {:<2} limits {:>8} to {:>8}  {}",
            v.name,
            number(v.value),
            number(v.expanded),
            v.unit,
            number(v.low),
            number(v.high),
            v.verdict.word()
        ));
    }
    if judged != Judgement::Pass {
        out.line(paragraph(
            "Look at clamps, leads and the known resistor, and check again; then calibrate the jig anew.",
            0,
        ));
    }
    out.line(format!(
        "logged as {} number {}, digest {}",
        stored.station,
        stored.number,
        short(&stored.digest)
    ));
    source::remind(&station, out);
    Ok(exit(judged))
}
