//! `bassay inspect CAPTURES --limits FILE`: a production test, judged and logged.

use super::copies::of_another;
use super::failure::Failure;
use super::fitness::{calibrated, fit};
use super::output::Output;
use super::{Exit, ledger, load, record};
use crate::design::captures::CaptureSet;
use crate::design::limits::{Limits, Signed};
use crate::design::limits_read;
use crate::design::station;
use crate::files::{PAGE, replaceable, write_whole};
use crate::production::archive::Archive;
use crate::production::entry::{self, Judgement, Kind};
use crate::production::inspect::{Inspection, Logged, inspect_set};
use crate::production::ledger::sqlite::Purpose;
use crate::production::ledger::{Filter, Store, Stored};
use crate::production::lookback::{Corrections, finishes, stands_for};
use crate::report;
use crate::report::text::{labelled, plain};
use serde::Serialize;
use std::io::{BufRead, Write};
use std::path::{Path, PathBuf};

/// Name of a station that nothing names.
const STATION: &str = "station-1";
/// Longest serial number or code, characters.
const LONGEST: usize = 200;

/// Judge one unit by its limits, name what is wrong, and log it
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The captures of one unit (captures.toml); with --record the file is made
    pub captures: PathBuf,
    /// The limits (limits.toml)
    #[arg(long, value_name = "FILE")]
    pub limits: PathBuf,
    /// Log to this ledger: a file, or postgres://…
    #[arg(long, value_name = "PLACE")]
    pub ledger: Option<String>,
    /// Code of the operator
    #[arg(long, value_name = "CODE", default_value = "unknown")]
    pub operator: String,
    /// Serial number; it must be that of the captures
    #[arg(long, value_name = "SERIAL", conflicts_with = "scan")]
    pub serial: Option<String>,
    /// Read the serial number as one line from standard input, as a scanner types it
    #[arg(long)]
    pub scan: bool,
    /// Batch
    #[arg(long, value_name = "BATCH")]
    pub batch: Option<String>,
    /// With a server: file of this station, which goes on without it
    #[arg(long, value_name = "FILE", requires = "ledger")]
    pub spool: Option<PathBuf>,
    /// Folder of raw captures [default: beside the ledger's file]
    #[arg(long, value_name = "DIR", requires = "ledger")]
    pub archive: Option<PathBuf>,
    /// Code of the station [default: that of the captures' station file, or station-1]
    #[arg(long, value_name = "CODE")]
    pub station: Option<String>,
    /// What is to be said of this test in the log
    #[arg(long, value_name = "TEXT")]
    pub remark: Option<String>,
    /// Log it as a reference unit
    #[arg(long)]
    pub reference: bool,
    /// Log it as a measurement of a gauge study, by --operator
    #[arg(long, conflicts_with = "reference", requires = "ledger")]
    pub gauge: bool,
    /// Write the unit's certificate (one HTML page that prints on A4)
    #[arg(long, value_name = "FILE")]
    pub certificate: Option<PathBuf>,
    /// Beep: once for a pass, three times for a failure, twice for neither
    #[arg(long)]
    pub beep: bool,
    /// Record the captures first, as `bassay record` does, with a quick sweep
    #[arg(long, requires = "design")]
    pub record: bool,
    /// The design, with --record
    #[arg(long, value_name = "DESIGN", requires = "record")]
    pub design: Option<PathBuf>,
    /// The station file, with --record
    #[arg(long, value_name = "STATION", requires = "record")]
    pub station_file: Option<PathBuf>,
    /// Devices and channels, with --record.
    #[command(flatten)]
    pub bench: record::BenchArgs,
    /// How loud, with --record.
    #[command(flatten)]
    pub level: record::LevelArgs,
    /// The sweep, with --record.
    #[command(flatten)]
    pub sweep: record::SweepArgs,
    /// The air, with --record.
    #[command(flatten)]
    pub air: record::AirArgs,
    /// A virtual unit, with --record.
    #[command(flatten)]
    pub unreal: record::VirtualArgs,
}

/// Duration of the quick sweep, s: verdict and fit stand with it (docs/inspection.md).
const QUICK_S: f64 = 3.0;

/// What `--json` prints.
#[derive(Serialize)]
struct Document<'a> {
    #[serde(flatten)]
    inspection: &'a Inspection,
    attempt: u32,
    #[serde(skip_serializing_if = "Option::is_none")]
    logged: Option<Place>,
}

/// Where it stands in the log.
#[derive(Serialize)]
struct Place {
    station: String,
    number: u64,
    digest: String,
}

/// Runs the command.
///
/// # Errors
/// [`Failure`] for bad input, or a log that cannot be written.
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    let limits = usable_limits(&args.limits, out)?;
    if let Some(file) = &args.certificate {
        replaceable(file, "page", PAGE)?;
    }
    check_code("--operator", &args.operator)?;
    if let Some(station) = &args.station {
        check_code("--station", station)?;
    }
    if let Some(batch) = &args.batch {
        check_code("--batch", batch)?;
    }
    let scanned = serial(args, out)?;
    // The log is opened first: a test that cannot be logged need not be made.
    let place = args.ledger.as_ref().map(|ledger| ledger::place::Place {
        ledger: ledger.clone(),
        spool: args.spool.clone(),
    });
    let mut ledger = match &place {
        Some(place) => Some(place.open(Purpose::Write, out)?),
        None => None,
    };
    let archive = match &place {
        Some(place) => Some(place.archive(args.archive.as_ref())?),
        None => None,
    };
    if args.record {
        let serial = scanned.clone().ok_or_else(|| {
            Failure::input("--record: whose test is it? expected --serial SERIAL or --scan")
        })?;
        check_pattern(&serial, &limits)?;
        new_file(&args.captures)?;
        may_record(args, &limits, ledger.as_deref_mut())?;
        recorded(args, &serial, &limits, out)?;
    }
    let (design, set) = load::design_and_captures(&args.captures)?;
    let stated = [set.temperature_c, set.pressure_kpa, set.humidity_pct];
    args.air.agrees(&args.captures, stated)?;
    not_ahead(&args.captures, set.taken.as_deref())?;
    let serial = scanned.unwrap_or_else(|| set.unit.clone());
    check_serial(&serial, &set.unit, &limits)?;
    let station = args
        .station
        .clone()
        .or_else(|| set.station.as_ref().map(|s| s.name.clone()))
        .unwrap_or_else(|| STATION.to_string());
    check_code("station", &station)?;
    let attempt = match &mut ledger {
        Some(ledger) => tests_before(ledger.as_mut(), &serial, set.unreal().is_some())? + 1,
        None => 1,
    };
    let check = fit(&station, &limits, ledger.as_deref_mut())?;
    let at = match set.taken.as_deref().map(str::parse::<jiff::Timestamp>) {
        Some(Ok(at)) => at,
        _ => jiff::Timestamp::now(),
    };
    let bench = calibrated(set.station.as_ref(), at, &limits, check)?;
    // Captures are packed while the unit is judged, so that the log never names one that is not kept.
    let (inspected, kept) = rayon::join(
        || -> Result<Inspection, Failure> {
            let responses = load::responses(&set, out)?;
            let (inspection, _) = inspect_set(&design, &set, responses, &limits, &mut |step| {
                out.remark(format!("  {step}"));
            })
            .map_err(Failure::input)?;
            Ok(inspection)
        },
        || archive.as_ref().map_or(Ok(false), |a| keep(a, &set)),
    );
    let mut inspection = inspected?;
    let mut said = Vec::new();
    let earlier = match &mut ledger {
        Some(store) => {
            let there = matches!(kept, Ok(true));
            if let Some(words) = of_another(store.as_mut(), &inspection, there)? {
                inspection.recorded_of_another(words);
            }
            same_recordings(store.as_mut(), &inspection)?
        }
        None => Earlier::None,
    };
    let (attempt, judged_before) = match earlier {
        Earlier::None => (attempt, None),
        Earlier::Judged(earlier) => {
            said.push(format!(
                "the same recordings as test {earlier}, judged again: this is no retest"
            ));
            (attempt, Some(earlier))
        }
        Earlier::Unfinished(earlier) => {
            said.push(format!(
                "the same recordings as test {earlier}, which waited for what is stated beside them: this finishes it"
            ));
            (earlier, None)
        }
    };
    if attempt > 1 {
        out.remark(format!(
            "{serial}: tested before; this is test {attempt}, kept beside the others"
        ));
    }
    let rehearsed = set.unreal().map(String::from);
    if let Some(bench) = &rehearsed {
        said.push(format!("no real unit: recorded from the {bench}"));
    }
    for remark in &said {
        out.remark(format!("{serial}: {remark}"));
    }
    finish(
        args,
        out,
        &inspection,
        &Test {
            attempt,
            station,
            bench,
            judged_before,
            remark: (!said.is_empty()).then(|| said.join("; ")),
            rehearsed,
        },
        ledger,
        kept.map(|_| ()),
    )
}

/// What of a test is not in its captures.
struct Test {
    attempt: u32,
    station: String,
    bench: Option<entry::Bench>,
    /// The earlier test whose recordings these are.
    judged_before: Option<u32>,
    /// What the program itself says of it.
    remark: Option<String>,
    /// The virtual bench or the rehearsal that its captures come from.
    rehearsed: Option<String>,
}

/// Tests of this serial in the log; training on a virtual unit is no test of the real one of its serial, nor the other way.
fn tests_before(ledger: &mut dyn Store, serial: &str, unreal: bool) -> Result<u32, Failure> {
    let tests = ledger
        .select(&Filter {
            kind: Some(Kind::Inspection),
            unit: Some(serial.to_string()),
            ..Filter::default()
        })
        .map_err(Failure::system)?;
    let same = tests.iter().filter(|s| s.entry.is_virtual() == unreal);
    // The same recordings judged anew may share a number.
    Ok(same.map(|s| s.entry.attempt).max().unwrap_or(0))
}

/// What the log has of the same recordings of this unit.
enum Earlier {
    /// Nothing.
    None,
    /// The test of this number judged them.
    Judged(u32),
    /// The test of this number waited for what is stated beside them.
    Unfinished(u32),
}

/// The earlier test of this unit that judged the same recordings.
fn same_recordings(ledger: &mut dyn Store, inspection: &Inspection) -> Result<Earlier, Failure> {
    let tests = ledger.select(&Filter {
        kind: Some(Kind::Inspection),
        unit: Some(inspection.unit.clone()),
        ..Filter::default()
    })?;
    let mut own: Vec<&str> = inspection.files.iter().map(|f| f.digest.as_str()).collect();
    own.sort_unstable();
    let said = ledger.select(&Filter {
        kind: Some(Kind::Correction),
        unit: Some(inspection.unit.clone()),
        ..Filter::default()
    })?;
    let corrections = Corrections::new(&said);
    let Some(earlier) = stands_for(&own, &tests, &corrections) else {
        return Ok(Earlier::None);
    };
    let attempt = earlier.entry.attempt;
    Ok(
        if finishes(&inspection.limits_digest, earlier, &corrections) {
            Earlier::Unfinished(attempt)
        } else {
            Earlier::Judged(attempt)
        },
    )
}

/// How far the time of captures may lie ahead of the clock: a place east of here may write its own day.
const AHEAD: jiff::SignedDuration = jiff::SignedDuration::from_hours(24);

/// Captures of tomorrow are none.
fn not_ahead(captures: &Path, taken: Option<&str>) -> Result<(), Failure> {
    let now = jiff::Timestamp::now();
    match taken.map(str::parse::<jiff::Timestamp>) {
        Some(Ok(at)) if at.duration_since(now) > AHEAD => Err(Failure::input(format!(
            "{}: taken = {at} lies ahead of this computer's clock ({now}); correct taken in this file, or set the clock",
            captures.display()
        ))),
        _ => Ok(()),
    }
}

/// Keeps the raw captures; whether one of them was kept before.
fn keep(archive: &Archive, set: &CaptureSet) -> Result<bool, Failure> {
    let mut there = false;
    let repeats = set.captures.iter().flat_map(|c| &c.repeats);
    let files = set
        .captures
        .iter()
        .map(|c| &c.path)
        .chain(repeats.map(|r| &r.1))
        .chain(set.curves.iter().map(|c| &c.path));
    for path in files {
        let bytes = std::fs::read(path)
            .map_err(|e| Failure::input(format!("{}: cannot be read: {e}", path.display())))?;
        there |= archive
            .size(blake3::hash(&bytes).to_hex().as_str())
            .is_some();
        archive.keep(&bytes)?;
    }
    Ok(there)
}

/// A recorded test needs a file of its own.
fn new_file(captures: &std::path::Path) -> Result<(), Failure> {
    if captures.exists() {
        return Err(Failure::input(format!(
            "{}: is there already; leave --record out to inspect the captures that it names, or give each recorded test a new file",
            captures.display()
        )));
    }
    Ok(())
}

/// A station that may not inspect is told so before anything sounds.
fn may_record(
    args: &Args,
    limits: &Limits,
    ledger: Option<&mut (dyn Store + 'static)>,
) -> Result<(), Failure> {
    let file = args.station_file.as_ref();
    let station = file
        .map(|f| station::read(f).map_err(Failure::input))
        .transpose()?;
    let named = station.as_ref().map(|s| s.name.as_str());
    let name = args.station.as_deref().or(named).unwrap_or(STATION);
    let check = fit(name, limits, ledger)?;
    calibrated(station.as_ref(), jiff::Timestamp::now(), limits, check).map(|_| ())
}

/// Records what the limits judge.
fn recorded(args: &Args, serial: &str, limits: &Limits, out: &Output) -> Result<(), Failure> {
    let mut capture: Vec<String> = Vec::new();
    for band in &limits.bands {
        if !capture.contains(&band.observation) {
            capture.push(band.observation.clone());
        }
    }
    let mut sweep = args.sweep.clone();
    sweep.duration_s = Some(sweep.duration_s.unwrap_or(QUICK_S));
    let session = record::session(
        &record::Args {
            known: record::KnownArgs::default(),
            set: Some(args.captures.clone()),
            design: args.design.clone(),
            unit: Some(serial.to_string()),
            capture,
            out: None,
            takes: 1,
            station: args.station_file.clone(),
            bench: args.bench.clone(),
            level: args.level.clone(),
            sweep,
            air: args.air.clone(),
            unreal: args.unreal.clone(),
        },
        &args.captures,
        out,
    )?;
    if session.missing.is_empty() {
        return Ok(());
    }
    Err(Failure::system(format!(
        "{serial}: not recorded: {}; nothing was judged or logged. Go on with `bassay record --set {}`, then inspect without --record",
        session.missing.join(", "),
        args.captures.display()
    )))
}

/// Limits that may be used: a void signature is refused, a missing one is told.
///
/// # Errors
/// [`Failure`] for a file that is wrong or was changed after it was signed.
pub fn usable_limits(file: &std::path::Path, out: &Output) -> Result<Limits, Failure> {
    let limits = limits_read::read(file).map_err(Failure::input)?;
    match limits.signed() {
        Signed::Sound => {}
        Signed::Not => out.remark(format!(
            "{}: not signed; sign it with `bassay limits sign {} --by CODE` once it is agreed",
            file.display(),
            file.display()
        )),
        Signed::Void => {
            return Err(Failure::input(format!(
                "{}: {}; look at what was changed, then `bassay limits sign {} --by CODE`",
                file.display(),
                limits.signature_words(),
                file.display()
            )));
        }
    }
    Ok(limits)
}

fn serial(args: &Args, out: &Output) -> Result<Option<String>, Failure> {
    if !args.scan {
        return Ok(args.serial.clone());
    }
    out.remark("waiting for the serial number from the scanner");
    let mut line = String::new();
    let mut input = std::io::stdin().lock();
    // A scanner types one line; more than this is something else.
    let mut limited = std::io::Read::take(&mut input, 4096);
    limited
        .read_line(&mut line)
        .map_err(|e| Failure::input(format!("--scan: standard input cannot be read: {e}")))?;
    let serial = line.trim().to_string();
    if serial.is_empty() {
        return Err(Failure::input(
            "--scan: no serial number came; expected one line on standard input",
        ));
    }
    Ok(Some(serial))
}

fn check_code(option: &str, code: &str) -> Result<(), Failure> {
    let sound = !code.trim().is_empty()
        && code.chars().count() <= LONGEST
        && !code.chars().any(char::is_control);
    if sound {
        return Ok(());
    }
    Err(Failure::input(format!(
        "{option} {code:?}: expected a code of 1 to {LONGEST} printable characters"
    )))
}

/// A serial number must match the limits' pattern and be that of the captures.
fn check_serial(serial: &str, captured: &str, limits: &Limits) -> Result<(), Failure> {
    check_pattern(serial, limits)?;
    if serial != captured {
        return Err(Failure::input(format!(
            "serial number {serial:?}: the captures are of unit {captured:?}; test the unit that was recorded, or correct unit in captures.toml"
        )));
    }
    Ok(())
}

/// A serial number must match the limits' pattern.
fn check_pattern(serial: &str, limits: &Limits) -> Result<(), Failure> {
    check_code("serial number", serial)?;
    if let Some(pattern) = &limits.serial_pattern {
        let whole = regex_lite::Regex::new(&format!("^(?:{pattern})$")).map_err(Failure::input)?;
        if !whole.is_match(serial) {
            return Err(Failure::input(format!(
                "serial number {serial:?}: expected one that matches {pattern} ({}); scan it again, or correct serial_pattern",
                limits.file.display()
            )));
        }
    }
    Ok(())
}

/// Logs and shows an inspection.
///
/// # Errors
/// [`Failure`] for a log that cannot be written; the verdict is shown all the same.
fn finish(
    args: &Args,
    out: &Output,
    inspection: &Inspection,
    test: &Test,
    ledger: Option<Box<dyn Store>>,
    kept: Result<(), Failure>,
) -> Result<Exit, Failure> {
    let attempt = test.attempt;
    let now = jiff::Timestamp::now().to_string();
    let remark = [args.remark.clone(), test.remark.clone()]
        .into_iter()
        .flatten()
        .collect::<Vec<_>>()
        .join("; ");
    let entry = inspection.entry(&Logged {
        at: &now,
        operator: &args.operator,
        batch: args.batch.as_deref(),
        attempt,
        kind: if args.reference {
            Kind::Reference
        } else if args.gauge {
            Kind::Gauge
        } else {
            Kind::Inspection
        },
        bench: test.bench.clone(),
        remark: Some(remark.as_str()).filter(|r| !r.is_empty()),
        rehearsed: test.rehearsed.as_deref(),
    });
    // A test whose captures are not kept is not logged: its record would name what nobody can look at.
    let stored = kept.and_then(|()| {
        ledger
            .map(|mut ledger| ledger.append(&test.station, &entry))
            .transpose()
            .map_err(Failure::from)
    });
    let (stored, failed) = match stored {
        Ok(stored) => (stored, None),
        Err(error) => (None, Some(error)),
    };
    show(out, inspection, test, stored.as_ref(), failed.is_some())?;
    if let Some(file) = &args.certificate {
        let page = report::certificate(&report::Certificate {
            entry: &entry,
            design_name: Some(&inspection.design_name),
            limits: Some((&inspection.limits_name, &inspection.limits_signature)),
            place: stored
                .as_ref()
                .map(|s| (s.station.as_str(), s.number, s.digest.as_str())),
            judged_before: test.judged_before,
            later: &[],
        });
        write_whole(file, page.as_bytes())?;
    }
    if args.beep {
        beep(inspection.verdict);
    }
    match failed {
        Some(error) => Err(Failure::system(format!("not logged: {}", error.message))),
        None => Ok(exit(inspection.verdict)),
    }
}

fn show(
    out: &Output,
    inspection: &Inspection,
    test: &Test,
    stored: Option<&Stored>,
    failed: bool,
) -> Result<(), Failure> {
    let attempt = test.attempt;
    if out.json {
        return out.document(&Document {
            inspection,
            attempt,
            logged: stored.map(|s| Place {
                station: s.station.clone(),
                number: s.number,
                digest: s.digest.clone(),
            }),
        });
    }
    let log = match stored {
        Some(s) => format!(
            "{} number {}, digest {}",
            s.station,
            s.number,
            s.digest.get(..12).unwrap_or(&s.digest)
        ),
        None if failed => "NOT LOGGED".to_string(),
        None => "not logged: no --ledger was given".to_string(),
    };
    let mut below = vec![labelled("Log", &log)];
    if let Some(remark) = &test.remark {
        below.push(labelled("Note", &plain(remark)));
    }
    // The same recordings once more are no further test.
    let tests = if test.judged_before.is_some() {
        1
    } else {
        attempt
    };
    out.line(report::inspection::text(
        inspection, tests, out.colour, &below,
    ));
    Ok(())
}

/// The exit of a judgement.
#[must_use]
pub fn exit(verdict: Judgement) -> Exit {
    match verdict {
        Judgement::Pass => Exit::Done,
        Judgement::Fail => Exit::Outside,
        Judgement::Unresolved | Judgement::None => Exit::Unresolved,
    }
}

/// Rings the terminal's bell.
fn beep(verdict: Judgement) {
    let times = match verdict {
        Judgement::Pass => 1,
        Judgement::Fail => 3,
        Judgement::Unresolved | Judgement::None => 2,
    };
    for n in 0..times {
        if n > 0 {
            std::thread::sleep(std::time::Duration::from_millis(150));
        }
        let mut stream = std::io::stderr().lock();
        let _ = stream.write_all(b"\x07");
        let _ = stream.flush();
    }
}
