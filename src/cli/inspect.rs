//! `bassay inspect CAPTURES --limits FILE`: a production test, judged and logged.

use super::failure::Failure;
use super::output::Output;
use super::{Exit, book, load};
use crate::design::limits::{Limits, Signed};
use crate::design::limits_read;
use crate::files::write_whole;
use crate::production::entry::{Judgement, Kind};
use crate::production::inspect::{Inspection, Logged, inspect_set};
use crate::production::ledger::sqlite::Purpose;
use crate::production::ledger::{Filter, Ledger, Stored};
use crate::report;
use crate::report::text::labelled;
use serde::Serialize;
use std::io::{BufRead, Write};
use std::path::PathBuf;

/// Longest serial number or code, characters.
const LONGEST: usize = 200;

/// Judge one unit by its limits, name what is wrong, and log it
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The captures of one unit (captures.toml)
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
    /// Code of the station
    #[arg(long, value_name = "CODE", default_value = "station-1")]
    pub station: String,
    /// What is to be said of this test in the log
    #[arg(long, value_name = "TEXT")]
    pub remark: Option<String>,
    /// Log it as a reference unit
    #[arg(long)]
    pub reference: bool,
    /// Write the unit's certificate (one HTML page that prints on A4)
    #[arg(long, value_name = "FILE")]
    pub certificate: Option<PathBuf>,
    /// Beep: once for a pass, three times for a failure, twice for neither
    #[arg(long)]
    pub beep: bool,
}

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
    let (design, set) = load::design_and_captures(&args.captures)?;
    let serial = serial(args, out)?.unwrap_or_else(|| set.unit.clone());
    check_serial(&serial, &set.unit, &limits)?;
    for (option, code) in [("--operator", &args.operator), ("--station", &args.station)] {
        check_code(option, code)?;
    }
    // The log is opened first: a test that cannot be logged need not be made.
    let mut ledger = match &args.ledger {
        Some(place) => Some(book::open(place, Purpose::Write)?),
        None => None,
    };
    let attempt = match &mut ledger {
        Some(ledger) => ledger.attempts(&serial).map_err(Failure::system)? + 1,
        None => 1,
    };
    if attempt > 1 {
        out.remark(format!(
            "{serial}: tested before; this is test {attempt}, kept beside the others"
        ));
    }
    if let Some(hours) = limits.station.check_within_h {
        checked(&args.station, hours, ledger.as_deref_mut())?;
    }
    let responses = load::responses(&set, out)?;
    let (inspection, _) = inspect_set(&design, &set, responses, &limits, &mut |step| {
        out.remark(format!("  {step}"));
    })
    .map_err(Failure::input)?;
    finish(args, out, &inspection, attempt, ledger)
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

/// The station's last check in the log must have passed, and lately.
fn checked(
    station: &str,
    hours: f64,
    ledger: Option<&mut (dyn Ledger + '_)>,
) -> Result<(), Failure> {
    let refuse = |why: String| {
        Err(Failure::system(format!(
            "station {station}: {why}; check it with `bassay station check` and test the unit then (the limits ask for a passed check within {hours} h)"
        )))
    };
    let Some(ledger) = ledger else {
        return refuse("no --ledger was given that would hold its checks".to_string());
    };
    let last = ledger
        .select(&Filter {
            kind: Some(Kind::StationCheck),
            station: Some(station.to_string()),
            latest: Some(1),
            ..Filter::default()
        })
        .map_err(Failure::system)?;
    let Some(last) = last.last() else {
        return refuse("it was never checked".to_string());
    };
    if last.entry.verdict != Judgement::Pass {
        return refuse(format!("its check of {} did not pass", last.entry.at));
    }
    let at: jiff::Timestamp = last.entry.at.parse().map_err(Failure::system)?;
    let age_h = jiff::Timestamp::now().duration_since(at).as_secs_f64() / 3600.0;
    if age_h > hours {
        return refuse(format!("its last check is {age_h:.0} h old"));
    }
    Ok(())
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
    if serial != captured {
        return Err(Failure::input(format!(
            "serial number {serial:?}: the captures are of unit {captured:?}; test the unit that was recorded, or correct unit in captures.toml"
        )));
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
    attempt: u32,
    ledger: Option<Box<dyn Ledger>>,
) -> Result<Exit, Failure> {
    let now = jiff::Timestamp::now().to_string();
    let entry = inspection.entry(&Logged {
        at: inspection.taken.as_deref().unwrap_or(&now),
        operator: &args.operator,
        batch: args.batch.as_deref(),
        attempt,
        kind: if args.reference {
            Kind::Reference
        } else {
            Kind::Inspection
        },
        bench: None,
        remark: args.remark.as_deref(),
    });
    let stored = ledger
        .map(|mut ledger| ledger.append(&args.station, &entry))
        .transpose();
    let (stored, failed) = match stored {
        Ok(stored) => (stored, None),
        Err(error) => (None, Some(error)),
    };
    show(out, inspection, attempt, stored.as_ref(), failed.is_some())?;
    if let Some(file) = &args.certificate {
        let page = report::certificate(&report::Certificate {
            entry: &entry,
            design_name: Some(&inspection.design_name),
            limits: Some((&inspection.limits_name, &inspection.limits_signature)),
            place: stored
                .as_ref()
                .map(|s| (s.station.as_str(), s.number, s.digest.as_str())),
        });
        write_whole(file, page.as_bytes())?;
    }
    if args.beep {
        beep(inspection.verdict);
    }
    match failed {
        Some(error) => Err(Failure::system(format!("not logged: {error}"))),
        None => Ok(exit(inspection.verdict)),
    }
}

fn show(
    out: &Output,
    inspection: &Inspection,
    attempt: u32,
    stored: Option<&Stored>,
    failed: bool,
) -> Result<(), Failure> {
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
    let below = [labelled("Log", &log)];
    out.line(report::inspection::text(
        inspection, attempt, out.colour, &below,
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
