//! `bassay gauge`: how much of the tolerance the measurement itself takes.

use super::Exit;
use super::failure::Failure;
use super::ledger::choose::ChoiceArgs;
use super::ledger::place::Place;
use super::ledger::trend::two_limits;
use super::ledger::which::{Which, nearest};
use super::output::Output;
use crate::design::limits_read;
use crate::files::read_whole;
use crate::production::capability::Estimate;
use crate::production::entry::Kind;
use crate::production::gauge::{Grade, mean_squares};
use crate::production::gauge_interval::{GaugeStudy, gauge_study};
use crate::production::gauge_table::{Measurement, crossed};
use crate::production::ledger::Filter;
use crate::production::lookback::names;
use crate::production::unit::{band_name, parts};
use crate::report;
use crate::report::gauge::Held;
use crate::report::inspection::name_of;
use serde::Serialize;
use std::path::{Path, PathBuf};

/// Gauge study: repeats of one person, differences between people, share of the tolerance
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Measurements: a table with the columns part, operator, value (and repeat, which is not needed)
    #[arg(
        value_name = "FILE.csv",
        required_unless_present = "ledger",
        conflicts_with = "ledger"
    )]
    file: Option<PathBuf>,
    /// Entries of kind gauge in this log instead (the unit is the part): a file, or postgres://…
    #[arg(long, value_name = "FILE|URL", requires = "name")]
    ledger: Option<String>,
    #[command(flatten)]
    which: Which,
    /// Count virtual units beside real ones
    #[arg(long, requires = "ledger")]
    virtual_too: bool,
    /// Name of the value, as the log and the limits have it
    #[arg(long, value_name = "NAME")]
    name: Option<String>,
    /// Limits of the value
    #[arg(
        long,
        value_name = "LOW,HIGH",
        conflicts_with = "limits",
        allow_hyphen_values = true
    )]
    tolerance: Option<String>,
    /// Take the limits of the value from this file
    #[arg(long, value_name = "FILE", requires = "name")]
    limits: Option<PathBuf>,
    /// Count the interaction of parts and people among the repeats
    #[arg(long)]
    pool: bool,
}

fn cut(text: &str) -> String {
    text.chars().take(40).collect()
}

/// Where and what is wrong with a row, behind the file's name.
fn odd_row(error: &csv::Error) -> String {
    match error.kind() {
        csv::ErrorKind::UnequalLengths {
            pos,
            expected_len,
            len,
        } => format!(
            ", line {}: found {len} fields; expected {expected_len}, as in line 1",
            pos.as_ref().map_or(0, csv::Position::line)
        ),
        csv::ErrorKind::Utf8 { pos, .. } => format!(
            ", line {}: the bytes are not UTF-8 text; expected a table as text",
            pos.as_ref().map_or(0, csv::Position::line)
        ),
        _ => format!(": {error}"),
    }
}

/// The measurements of a table in long form.
fn table(path: &Path) -> Result<Vec<Measurement>, Failure> {
    let bytes = read_whole(path)?;
    let shown = path.display();
    let first = bytes.split(|b| *b == b'\n').next().unwrap_or(&[]);
    let delimiter = [b';', b'\t']
        .into_iter()
        .find(|d| first.contains(d))
        .unwrap_or(b',');
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(delimiter)
        .comment(Some(b'#'))
        .trim(csv::Trim::All)
        .from_reader(bytes.as_slice());
    let odd = |e: csv::Error| Failure::input(format!("{shown}{}", odd_row(&e)));
    let header = reader.headers().map_err(odd)?.clone();
    let known = ["part", "operator", "value", "repeat"];
    let plain = |name: &str| name.trim_start_matches('\u{feff}').to_lowercase();
    for name in &header {
        if !known.contains(&plain(name).as_str()) {
            return Err(Failure::input(format!(
                "{shown}, line 1: column «{}» is not known; expected part, operator, value, and perhaps repeat",
                name.chars().take(40).collect::<String>()
            )));
        }
    }
    let column = |wanted: &str| {
        header.iter().position(|n| plain(n) == wanted).ok_or_else(|| {
            let found: Vec<String> = header.iter().map(|n| cut(&plain(n))).collect();
            Failure::input(format!(
                "{shown}, line 1: there is no column «{wanted}»; found {}; expected part, operator, value",
                if bytes.is_empty() { "an empty file".to_owned() } else { found.join(", ") }
            ))
        })
    };
    let (part, person, value) = (column("part")?, column("operator")?, column("value")?);
    let mut list = Vec::new();
    for row in reader.records() {
        let row = row.map_err(odd)?;
        let line = row.position().map_or(0, csv::Position::line);
        let place = format!("{shown}, line {line}");
        let field = |i: usize| row.get(i).unwrap_or("");
        let number = field(value).replace('−', "-");
        let number: f64 = number.parse().map_err(|_| {
            Failure::input(format!(
                "{place}: value «{}»; expected a number with a decimal point",
                field(value).chars().take(40).collect::<String>()
            ))
        })?;
        for (column, name) in [(part, "part"), (person, "operator")] {
            if field(column).is_empty() {
                return Err(Failure::input(format!(
                    "{place}: {name} is empty; expected a name or a code"
                )));
            }
        }
        list.push(Measurement {
            part: field(part).to_owned(),
            person: field(person).to_owned(),
            value: number,
            place: format!("line {line}"),
        });
    }
    Ok(list)
}

/// Most entries of a study that are read.
const MOST: usize = 100_000;

/// The measurements that the log has of a value, and their unit.
fn logged(
    args: &Args,
    place: &str,
    name: &str,
    out: &Output,
) -> Result<(Vec<Measurement>, String), Failure> {
    let choice = ChoiceArgs {
        place: Place {
            ledger: place.to_owned(),
            spool: None,
        },
        which: args.which.clone(),
        virtual_too: args.virtual_too,
    };
    let chosen = choice.read(Kind::Gauge, MOST, out)?;
    let mut unit = String::new();
    let mut list = Vec::new();
    for stored in &chosen.entries {
        let Some(value) = stored.entry.values.iter().find(|v| v.name == name) else {
            continue;
        };
        let Some(number) = value.value else { continue };
        unit.clone_from(&value.unit);
        list.push(Measurement {
            part: stored.entry.unit.clone(),
            person: stored.entry.operator.clone(),
            value: number,
            place: format!("{} number {}", stored.station, stored.number),
        });
    }
    if list.is_empty() {
        let known = names(&chosen.entries);
        let known: Vec<&str> = known.iter().map(|k| k.0.as_str()).collect();
        return Err(Failure::input(match (&chosen.missing, known.is_empty()) {
            (Some(missing), _) => format!("{place}: {missing}"),
            (None, true) => format!(
                "{place}: no entry of kind gauge ({}); log a study first with `inspect --gauge`, or give a table",
                chosen.what
            ),
            (None, false) => format!(
                "{place}: none of the {} of kind gauge has a number of the name «{}»; {}",
                chosen.what,
                cut(name),
                nearest(name, &known)
            ),
        }));
    }
    Ok((list, unit))
}

/// The limits that a file has for a value.
fn from_file(path: &Path, name: &str) -> Result<[Option<f64>; 2], Failure> {
    let limits = limits_read::read(path).map_err(Failure::input)?;
    let found = match parts(name) {
        Some(("band", observation, Some(center_hz))) => limits
            .band(observation, center_hz)
            .map(|b| [Some(b.low_db), Some(b.high_db)]),
        Some(_) => None,
        None => limits
            .parameters
            .iter()
            .find(|p| p.path == name)
            .map(|p| [p.low, p.high]),
    };
    found.ok_or_else(|| {
        let bands = limits.bands.iter();
        let known: Vec<String> = bands
            .map(|b| band_name(&b.observation, b.center_hz))
            .chain(limits.parameters.iter().map(|p| p.path.clone()))
            .collect();
        let known: Vec<&str> = known.iter().map(String::as_str).collect();
        Failure::input(format!(
            "{}: it has no limits for «{}»; {}; expected one of them, or --tolerance LOW,HIGH",
            path.display(),
            cut(name),
            nearest(name, &known)
        ))
    })
}

#[derive(Serialize)]
struct Document<'a> {
    format: &'static str,
    software: String,
    name: &'a str,
    unit: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    limits: Option<[f64; 2]>,
    #[serde(flatten)]
    study: &'a GaugeStudy,
    #[serde(skip_serializing_if = "Option::is_none")]
    tolerance_share: Option<Estimate>,
    #[serde(skip_serializing_if = "Option::is_none")]
    grade: Option<Grade>,
    distinct_categories: f64,
}

/// Runs the command.
///
/// # Errors
/// [`Failure`] for a table or a log that holds no complete study.
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    let limits = match (&args.tolerance, &args.limits, &args.name) {
        (Some(text), _, _) => Some(two_limits("--tolerance", text)?),
        (None, Some(path), Some(name)) => Some(from_file(path, name)?),
        _ => None,
    };
    let limits = match limits {
        Some([Some(low), Some(high)]) => Some([low, high]),
        Some(_) => {
            let of = match (&args.tolerance, &args.limits) {
                (None, Some(path)) => path.display().to_string(),
                _ => "--tolerance".to_owned(),
            };
            return Err(Failure::input(format!(
                "{of}: found one limit; a share of the tolerance needs both: expected --tolerance LOW,HIGH"
            )));
        }
        None => None,
    };
    if args.file.is_some() && args.which.filter()? != Filter::default() {
        return Err(Failure::input(
            "options that choose entries go with --ledger; a table is taken whole",
        ));
    }
    let (list, unit) = match (&args.file, &args.ledger, &args.name) {
        (Some(file), _, _) => (table(file)?, String::new()),
        (None, Some(place), Some(name)) => logged(args, place, name, out)?,
        _ => return Err(Failure::input("expected a table, or --ledger with --name")),
    };
    let source = match (&args.file, &args.ledger) {
        (Some(file), _) => file.display().to_string(),
        (None, place) => place.clone().unwrap_or_default(),
    };
    let value = crossed(&list).map_err(|e| Failure::input(format!("{source}: {e}")))?;
    // Differences that only rounding of a computation leaves are none.
    let largest = list.iter().map(|m| m.value.abs()).fold(0.0, f64::max);
    let squares = mean_squares(&value)
        .filter(|m| m.repeats > (1e-9 * largest).powi(2))
        .ok_or_else(|| {
            Failure::input(format!(
                "{source}: all repeats are the same: the values were rounded or copied; note more digits"
            ))
        })?;
    let study = gauge_study(squares, args.pool, 0.95);
    let held = Held {
        name: args.name.as_deref().map_or("one value".to_owned(), name_of),
        unit,
        limits,
    };
    let share = report::gauge::share(&study, &held);
    if out.json {
        out.document(&Document {
            format: "bassay-gauge/1",
            software: crate::production::inspect::software(),
            name: args.name.as_deref().unwrap_or(""),
            unit: &held.unit,
            limits,
            study: &study,
            tolerance_share: share,
            grade: share.map(|s| Grade::of(s.value)),
            distinct_categories: study.components.categories(),
        })?;
    }
    out.line(report::gauge::text(&study, &held).trim_end());
    Ok(Exit::Done)
}
