//! `bassay limits make`.

use super::sources;
use crate::cli::Exit;
use crate::cli::failure::Failure;
use crate::cli::load;
use crate::cli::output::Output;
use crate::design::limits::{Decision, Environment, METHODS, Method, RULES, Rule, StationRule};
use crate::design::{Design, limits_read, limits_write, read};
use crate::files::{replaceable, replaced, write_whole};
use crate::measure::Response;
use crate::model::monte_carlo::{
    Drawing, DrawnBand, SpreadError, draw_differences, judged_frequencies,
};
use crate::production::entry::Kind;
use crate::production::limits::odds::{by_band, overall};
use crate::production::limits::offset::enough;
use crate::production::limits::{Accepted, Made, Wanted, make};
use crate::production::tolerance::two_sided_factor;
use crate::report;
use crate::verify::spread::{of_design, of_units_like};
use crate::verify::verify;
use serde::Serialize;
use std::path::PathBuf;

/// Make limits from accepted units, from the design's tolerances, from both, or by hand
#[derive(Debug, clap::Args)]
#[command(allow_negative_numbers = true)]
pub struct Args {
    /// The design (design.toml)
    design: PathBuf,
    /// The limits file to write
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
    /// Accepted units: captures.toml, or result.json of verify
    #[arg(long, value_name = "FILE", num_args = 1..)]
    unit: Vec<PathBuf>,
    /// Accepted units of this ledger
    #[arg(long, value_name = "PLACE")]
    ledger: Option<String>,
    /// Which entries of the ledger count
    #[arg(long, value_parser = ["reference", "inspection"], default_value = "reference")]
    kind: String,
    /// What the limits come from [default: both with units, model without]
    #[arg(long, value_parser = ["units", "model", "both", "hand"])]
    method: Option<String>,
    /// With method model: about the model aligned to this unit, not about the design
    #[arg(long, value_name = "CAPTURES")]
    aligned: Option<PathBuf>,
    /// Share of units that each limit is to hold
    #[arg(long, default_value_t = 0.99)]
    content: f64,
    /// Confidence that it holds them
    #[arg(long, default_value_t = 0.95)]
    confidence: f64,
    /// Decision near a limit [default: conformity for limits by hand, else simple, because those describe measured values]
    #[arg(long, value_parser = ["conformity", "non-conformity", "simple"])]
    rule: Option<String>,
    /// Guard band over the standard uncertainty
    #[arg(long, default_value_t = limits_read::USUAL_GUARD)]
    guard: f64,
    /// Units to draw from the tolerances
    #[arg(long, default_value_t = 10_000)]
    drawn: u32,
    /// Seed of the drawn units
    #[arg(long, default_value_t = 1)]
    seed: u32,
    /// Half-width of acoustic bands by hand, dB [default: the spec's tolerance]
    #[arg(long, value_name = "DB")]
    hand_db: Option<f64>,
    /// Half-width of impedance bands by hand, dB [default: the spec's tolerance]
    #[arg(long, value_name = "DB")]
    hand_impedance_db: Option<f64>,
    /// Most noise far above the sweep over the loudest response, dB (such as -50)
    #[arg(long, value_name = "DB", allow_negative_numbers = true)]
    residue_db: Option<f64>,
    /// No limit beyond the spec's tolerance
    #[arg(long)]
    within_tolerance: bool,
    /// Pattern that a serial number must match
    #[arg(long, value_name = "REGEX")]
    serial_pattern: Option<String>,
    /// Temperatures in which a test counts, °C
    #[arg(long, value_name = "LOW,HIGH", value_parser = range, allow_hyphen_values = true)]
    temperature_c: Option<[f64; 2]>,
    /// Most hours since the station's last passed check
    #[arg(long, value_name = "H")]
    check_within_h: Option<f64>,
    /// Most days since the station's oldest calibration
    #[arg(long, value_name = "DAYS")]
    calibrated_within_days: Option<f64>,
    /// Folder for pictures of the limits
    #[arg(long, value_name = "DIR")]
    pictures: Option<PathBuf>,
    /// Put them in the place of limits that are there, signed or not
    #[arg(long)]
    replace: bool,
}

/// Fewest units to draw, of which a scatter can be told.
const LEAST_DRAWN: u32 = 100;
/// Most: some minutes of drawing.
const MOST_DRAWN: u32 = 1_000_000;
/// How a limits file of ours begins.
const FIRST_LINE: &str = "format = \"bassay-limits";

/// What `--json` prints.
#[derive(Serialize)]
struct Document<'a> {
    format: &'static str,
    file: String,
    units: usize,
    method: Method,
    bands: Vec<report::limits::Row<'a>>,
    overall: Option<crate::production::limits::odds::WholeOdds>,
    remarks: &'a [String],
}

/// The file that would be replaced must be limits, and somebody must have asked for it: they may be signed, or their tables
/// written by hand.
fn may_write(args: &Args) -> Result<(), Failure> {
    replaceable(&args.out, "limits file", &[FIRST_LINE])?;
    let signed = limits_read::read(&args.out)
        .ok()
        .and_then(|old| old.signature);
    match signed {
        Some(by) if !args.replace => Err(Failure::input(format!(
            "{}: is signed by {} on {}; expected another name, or --replace",
            args.out.display(),
            by.by,
            by.date
        ))),
        _ => Ok(replaced(
            &args.out,
            "limits file",
            &[FIRST_LINE],
            args.replace,
        )?),
    }
}

/// Runs the command.
///
/// # Errors
/// [`Failure`] for bad input or a file that cannot be written.
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    may_write(args)?;
    let design = read::read(&args.design).map_err(Failure::input)?;
    // Everything that the options alone can have wrong, ahead of minutes of fits.
    let wanted = wanted(args, !args.unit.is_empty() || args.ledger.is_some())?;
    sound(args, &design, &wanted)?;
    let mut accepted: Vec<Accepted> = Vec::new();
    for path in &args.unit {
        let unit = sources::file(path, &design, out)?;
        if accepted.iter().any(|a| a.serial == unit.serial) {
            return Err(Failure::input(format!(
                "{}: unit {} is given twice; two tests of one unit would make the spread too small",
                path.display(),
                unit.serial
            )));
        }
        accepted.push(unit);
    }
    if let Some(place) = &args.ledger {
        let kind = Kind::of(&args.kind).unwrap_or(Kind::Reference);
        let found = sources::ledger(place, kind, &design, out)?;
        let known: Vec<String> = accepted.iter().map(|a| a.serial.clone()).collect();
        accepted.extend(found.into_iter().filter(|a| !known.contains(&a.serial)));
    }
    if matches!(wanted.method, Method::Units | Method::Both) && accepted.is_empty() {
        return Err(no_units());
    }
    sources::own_recordings(&accepted)?;
    let drawn = drawn(args, &design, &wanted, out)?;
    let unknowns = crate::align::unknowns::unknowns(&design, &[]);
    let made = make(&design, &accepted, &drawn, &unknowns, &wanted).map_err(Failure::input)?;
    let text = limits_write::text(&made.limits);
    // What is written must be readable: a pattern that is none is refused before the file is there.
    let limits = limits_read::read_text(&text, &args.out).map_err(Failure::input)?;
    write_whole(&args.out, text.as_bytes())?;
    let odds = by_band(&limits, &made.bands);
    let whole = overall(&limits, &made.bands, &drawn, u64::from(args.seed) + 1);
    let rows = report::limits::rows(&limits, &made.bands, &odds);
    if let Some(folder) = &args.pictures {
        for (stem, chart) in report::limits::charts(&limits, &[]) {
            report::chart_to_files(folder, &stem, &chart).map_err(Failure::system)?;
        }
    }
    show(args, out, &made, accepted.len(), rows, whole)?;
    Ok(Exit::Done)
}

fn show(
    args: &Args,
    out: &Output,
    made: &Made,
    units: usize,
    rows: Vec<report::limits::Row<'_>>,
    whole: Option<crate::production::limits::odds::WholeOdds>,
) -> Result<(), Failure> {
    if out.json {
        return out.document(&Document {
            format: "bassay-limits-made/1",
            file: args.out.display().to_string(),
            units,
            method: made.limits.origin.method,
            bands: rows,
            overall: whole,
            remarks: &made.remarks,
        });
    }
    out.line(report::limits::text(
        &made.limits,
        units,
        &rows,
        whole,
        true,
    ));
    for remark in &made.remarks {
        out.line(report::text::labelled("Note", remark));
    }
    out.line(format!("\nLimits: {}", args.out.display()));
    out.line(report::text::labelled(
        "Next",
        &format!(
            "look at them, then: bassay limits sign {} --by CODE",
            args.out.display()
        ),
    ));
    Ok(())
}

fn no_units() -> Failure {
    Failure::input(
        "no accepted units; expected --unit with captures or results, or --ledger (limits without units: --method model)",
    )
}

/// Whether the options can lead to limits of this design at all.
fn sound(args: &Args, design: &Design, wanted: &Wanted) -> Result<(), Failure> {
    let given = !args.unit.is_empty() || args.ledger.is_some();
    let draws = matches!(wanted.method, Method::Model | Method::Both);
    if matches!(wanted.method, Method::Units | Method::Both) && !given {
        return Err(no_units());
    }
    let files = args.unit.iter().chain(&args.aligned);
    if let Some(missing) = files.into_iter().find(|path| !path.is_file()) {
        return Err(Failure::input(format!(
            "{}: is no file that can be read; expected captures.toml or result.json",
            missing.display()
        )));
    }
    if args.aligned.is_some() && wanted.method != Method::Model {
        return Err(Failure::input(
            "--aligned: moves the limits of the model to a unit; expected --method model beside it",
        ));
    }
    if let Some(pattern) = &args.serial_pattern {
        regex_lite::Regex::new(pattern)
            .map_err(|e| Failure::input(format!("--serial-pattern {pattern:?}: {e}")))?;
    }
    if let Some(folder) = &args.pictures
        && folder.exists()
        && !folder.is_dir()
    {
        return Err(Failure::input(format!(
            "--pictures {}: is a file; expected a folder",
            folder.display()
        )));
    }
    if !(LEAST_DRAWN..=MOST_DRAWN).contains(&args.drawn) {
        return Err(Failure::input(format!(
            "--drawn {}: expected {LEAST_DRAWN} to {MOST_DRAWN} units",
            args.drawn
        )));
    }
    if draws && args.aligned.is_none() && of_design(design, &[]) == Err(SpreadError::Nothing) {
        return Err(Failure::input(format!(
            "{}: states no tolerances, from which units could be drawn; expected a [tolerance], or --method units or hand",
            args.design.display()
        )));
    }
    if wanted.method == Method::Model
        && !enough(args.drawn as usize, wanted.content, wanted.confidence)
            .map_err(Failure::input)?
    {
        return Err(Failure::input(format!(
            "--drawn {}: so few units do not hold {} with confidence {} by order statistics; expected more of them, or less of \
             --content or --confidence",
            args.drawn, wanted.content, wanted.confidence
        )));
    }
    if wanted.method == Method::Units && args.ledger.is_none() {
        two_sided_factor(args.unit.len(), wanted.content, wanted.confidence)
            .map_err(|e| Failure::input(format!("--method units: {e}")))?;
    }
    Ok(())
}

/// Two numbers with a comma, the lower one first.
fn range(text: &str) -> Result<[f64; 2], String> {
    let expected = || "expected LOW,HIGH with the lower one first, such as 15,25".to_string();
    let (low, high) = text.split_once(',').ok_or_else(expected)?;
    match (low.trim().parse::<f64>(), high.trim().parse::<f64>()) {
        (Ok(low), Ok(high)) if low < high && low.is_finite() && high.is_finite() => Ok([low, high]),
        _ => Err(expected()),
    }
}

fn word<T: Copy>(words: &[(&str, T)], found: &str) -> Option<T> {
    words.iter().find(|(w, _)| *w == found).map(|(_, m)| *m)
}

fn wanted(args: &Args, units: bool) -> Result<Wanted, Failure> {
    let usual = if units { Method::Both } else { Method::Model };
    let method = args.method.as_deref().and_then(|w| word(&METHODS, w));
    let method = method.unwrap_or(usual);
    let usual_rule = if method == Method::Hand {
        Rule::Conformity
    } else {
        Rule::Simple
    };
    let rule = args
        .rule
        .as_deref()
        .and_then(|w| word(&RULES, w))
        .unwrap_or(usual_rule);
    if !(args.guard >= 0.0 && args.guard <= 10.0) {
        return Err(Failure::input(format!(
            "--guard {}: expected 0 to 10 times the standard uncertainty",
            args.guard
        )));
    }
    for (option, half) in [
        ("--hand-db", args.hand_db),
        ("--hand-impedance-db", args.hand_impedance_db),
    ] {
        if let Some(db) = half
            && !(db > 0.0 && db <= 100.0)
        {
            return Err(Failure::input(format!(
                "{option} {db}: expected more than 0 and at most 100 dB"
            )));
        }
        if half.is_some() && method != Method::Hand {
            return Err(Failure::input(format!(
                "{option}: sets limits by hand; expected --method hand beside it"
            )));
        }
    }
    for (option, share) in [
        ("--content", args.content),
        ("--confidence", args.confidence),
    ] {
        if !(share > 0.0 && share < 1.0) {
            return Err(Failure::input(format!(
                "{option} {share}: expected a share between 0 and 1, such as 0.95"
            )));
        }
    }
    for (option, number, range, unit) in [
        ("--residue-db", args.residue_db, -200.0..=-1.0, "dB"),
        ("--check-within-h", args.check_within_h, 0.01..=1e6, "h"),
        (
            "--calibrated-within-days",
            args.calibrated_within_days,
            0.01..=1e6,
            "days",
        ),
    ] {
        if let Some(v) = number
            && !range.contains(&v)
        {
            return Err(Failure::input(format!(
                "{option} {v}: expected {} to {} {unit}",
                range.start(),
                range.end()
            )));
        }
    }
    Ok(Wanted {
        method,
        content: args.content,
        confidence: args.confidence,
        decision: Decision {
            rule,
            guard_factor: args.guard,
        },
        hand_db: args.hand_db,
        hand_impedance_db: args.hand_impedance_db,
        residue_db: args.residue_db,
        within_tolerance: args.within_tolerance,
        environment: Environment {
            temperature_c: args.temperature_c,
            ..Environment::default()
        },
        station: StationRule {
            check_within_h: args.check_within_h,
            calibrated_within_days: args.calibrated_within_days,
        },
        serial_pattern: args.serial_pattern.clone(),
        made: jiff::Timestamp::now()
            .strftime("%Y-%m-%dT%H:%M:%SZ")
            .to_string(),
        seed: args.seed,
    })
}

/// Units drawn from the tolerances, band by band; none where the design states no tolerance and the method needs none.
fn drawn(
    args: &Args,
    design: &Design,
    wanted: &Wanted,
    out: &Output,
) -> Result<Vec<DrawnBand>, Failure> {
    let drawing = Drawing {
        units: args.drawn as usize,
        seed: u64::from(args.seed),
        frequency_hz: match design.target {
            Some(_) => judged_frequencies(design),
            None => Response::grid(20.0 / 1.15, 200.0 * 1.15),
        },
    };
    let needed = matches!(wanted.method, Method::Model | Method::Both);
    let (design, spread) = match &args.aligned {
        Some(captures) => {
            let (theirs, set) = load::design_and_captures(captures)?;
            if theirs.digest != design.digest {
                return Err(Failure::input(format!(
                    "--aligned {}: it names another design file than {}",
                    captures.display(),
                    args.design.display()
                )));
            }
            let responses = load::responses(&set, out)?;
            let done = verify(&theirs, &set, responses, &mut |step| {
                out.remark(format!("  {step}"));
            })
            .map_err(Failure::input)?;
            (done.fit.designed.clone(), of_units_like(&done.fit))
        }
        None => (design.clone(), of_design(design, &[])),
    };
    let spread = match spread {
        Err(SpreadError::Nothing) if !needed => return Ok(Vec::new()),
        other => other.map_err(Failure::input)?,
    };
    out.remark(format!("drawing {} units from the tolerances", args.drawn));
    draw_differences(&design, &design.air, &spread, &drawing).map_err(Failure::input)
}
