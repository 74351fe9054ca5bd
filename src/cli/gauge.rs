//! `bassay gauge`: how much of the tolerance the measurement itself takes.

use super::Exit;
use super::failure::Failure;
use super::ledger::choose::ChoiceArgs;
use super::ledger::place::Place;
use super::ledger::trend::two_limits;
use super::ledger::which::Which;
use super::output::Output;
use crate::design::limits_read;
use crate::files::read_whole;
use crate::production::capability::Estimate;
use crate::production::entry::Kind;
use crate::production::gauge::{Grade, mean_squares};
use crate::production::gauge_interval::{GaugeStudy, gauge_study};
use crate::production::gauge_table::{Measurement, crossed};
use crate::production::ledger::Filter;
use crate::production::unit::parts;
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
    let header = reader
        .headers()
        .map_err(|e| Failure::input(format!("{shown}: {e}")))?
        .clone();
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
    let column =
        |wanted: &str| {
            header.iter().position(|n| plain(n) == wanted).ok_or_else(|| {
            Failure::input(format!(
                "{shown}, line 1: there is no column «{wanted}»; expected part, operator, value"
            ))
        })
        };
    let (part, person, value) = (column("part")?, column("operator")?, column("value")?);
    let mut list = Vec::new();
    for row in reader.records() {
        let row = row.map_err(|e| Failure::input(format!("{shown}: {e}")))?;
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
        if field(part).is_empty() || field(person).is_empty() {
            return Err(Failure::input(format!(
                "{place}: part or operator is empty; expected a name or a code"
            )));
        }
        list.push(Measurement {
            part: field(part).to_owned(),
            person: field(person).to_owned(),
            value: number,
            place,
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
        return Err(Failure::input(format!(
            "{name}: no entry of kind gauge has this value ({}); log a study first, or give a table",
            chosen.what
        )));
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
        Failure::input(format!(
            "{}: it has no two limits for «{name}»; expected a band or a parameter of that name, or --tolerance LOW,HIGH",
            path.display()
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
            return Err(Failure::input(
                "a share of the tolerance needs both limits; this value has one: give --tolerance LOW,HIGH",
            ));
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
    let value = crossed(&list).map_err(Failure::input)?;
    // Differences that only rounding of a computation leaves are none.
    let largest = list.iter().map(|m| m.value.abs()).fold(0.0, f64::max);
    let squares = mean_squares(&value)
        .filter(|m| m.repeats > (1e-9 * largest).powi(2))
        .ok_or_else(|| {
            Failure::input(
                "all repeats are the same: the values were rounded or copied; note more digits",
            )
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
