//! `bassay damping CAPTURES`: what the damping resistors are in place, and what to change.

use super::failure::Failure;
use super::output::Output;
use super::{Exit, load};
use crate::damping::in_place::{Calibration, calibrate};
use crate::damping::level::{by_level, levels_v};
use crate::damping::ripple::Place;
use crate::damping::{Damping, Target, Wanted, assess, check};
use crate::design::captures::CaptureSet;
use crate::design::{Design, materials};
use crate::files::write_whole;
use crate::measure::Response;
use crate::report;
use std::path::{Path, PathBuf};

/// Measured resistance of each damping resistor, and what to change
#[derive(Debug, clap::Args)]
#[command(allow_negative_numbers = true)]
pub struct Args {
    /// The captures of one unit (captures.toml)
    pub captures: PathBuf,
    /// The same unit at another drive level: shows whether the resistors are linear
    pub second: Option<PathBuf>,
    /// What is wanted: design, least-ripple, or a specific resistance in Pa·s/m (Pa·s/m³ where a resistor has no area)
    #[arg(
        long,
        default_value = "design",
        value_name = "design|VALUE|least-ripple"
    )]
    pub target: String,
    /// Materials at hand (materials.toml), for recipes in layers and open area
    #[arg(long, value_name = "FILE")]
    pub materials: Option<PathBuf>,
    /// Change this resistor only; may be given more than once
    #[arg(long, value_name = "NAME")]
    pub resistor: Vec<String>,
    /// Probe at which the level is taken [default: 1 m in front of the openings]
    #[arg(long, value_name = "PROBE")]
    pub at: Option<String>,
    /// Folder for damping.json, damping.html and pictures [default: the captures file's folder + /damping]
    #[arg(long)]
    pub out: Option<PathBuf>,
}

/// Runs the command.
///
/// # Errors
/// [`Failure`] for bad input or a file that cannot be written.
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    let target = target(&args.target)?;
    let (design, set) = load::design_and_captures(&args.captures)?;
    let wanted = Wanted {
        target,
        resistors: args.resistor.clone(),
        place: place(&design, args.at.as_deref())?,
        materials: match &args.materials {
            Some(file) => materials::read(file).map_err(Failure::input)?,
            None => Vec::new(),
        },
    };
    check(&design, &wanted).map_err(Failure::input)?;
    let (low, high, doubts) = calibrations(args, &design, &set, out)?;
    let mut done = assess(
        &design,
        &set.unit,
        &low,
        high.as_ref(),
        &wanted,
        &mut |step| out.remark(format!("  {step}")),
    )
    .map_err(Failure::input)?;
    done.warnings.extend(doubts);
    let folder = args.out.clone().unwrap_or_else(|| {
        let beside = args.captures.parent().unwrap_or_else(|| Path::new(""));
        beside.join("damping")
    });
    let page = write(&done, &folder)?;
    if out.json {
        out.document(&done)?;
    } else {
        out.line(report::damping::summary(&done, Some(&page)));
    }
    Ok(if done.is_unresolved() {
        Exit::Unresolved
    } else {
        Exit::Done
    })
}

fn target(word: &str) -> Result<Target, Failure> {
    match word {
        "design" => Ok(Target::Design),
        "least-ripple" => Ok(Target::LeastRipple),
        number => match number.parse::<f64>() {
            Ok(v) if v.is_finite() && (1e-3..=1e15).contains(&v) => Ok(Target::Value(v)),
            _ => Err(Failure::input(format!(
                "--target {}: expected design, least-ripple, or a resistance such as 400 (Pa·s/m; Pa·s/m³ where a resistor has no area)",
                crate::design::problem::quoted(word)
            ))),
        },
    }
}

fn place(design: &Design, probe: Option<&str>) -> Result<Place, Failure> {
    let Some(name) = probe else {
        return Ok(Place::OneMetre);
    };
    match design.probes.iter().position(|p| p.name == name) {
        Some(n) => Ok(Place::Probe(n)),
        None => {
            let known: Vec<&str> = design.probes.iter().map(|p| p.name.as_str()).collect();
            Err(Failure::input(format!(
                "--at {}: the design has no such probe; expected one of {}, or no --at",
                crate::design::problem::quoted(name),
                known.join(", ")
            )))
        }
    }
}

/// One calibration per level, the lower one first.
fn calibrations(
    args: &Args,
    design: &Design,
    set: &CaptureSet,
    out: &Output,
) -> Result<(Calibration, Option<Calibration>, Vec<String>), Failure> {
    let mut levels: Vec<(CaptureSet, Vec<Response>)> = Vec::new();
    let first = load::responses(set, out)?;
    let mut doubts = load::doubts(set, &first);
    if let Some(file) = &args.second {
        let (other, second) = load::design_and_captures(file)?;
        if other.digest != design.digest {
            return Err(Failure::input(format!(
                "{}: its design, {}, is another file than that of {}; expected the same unit and design at another level",
                file.display(),
                second.design.display(),
                args.captures.display()
            )));
        }
        if second.unit != set.unit {
            return Err(Failure::input(format!(
                "{}: its unit is {}, that of {} is {}; expected one unit at two levels (make the two `unit` keys the same if it is)",
                file.display(),
                second.unit,
                args.captures.display(),
                set.unit
            )));
        }
        levels.push((set.clone(), first));
        let responses = load::responses(&second, out)?;
        doubts.extend(load::doubts(&second, &responses));
        levels.push((second, responses));
        let drive = |r: &[Response]| levels_v(r).last().copied().unwrap_or(f64::INFINITY);
        levels.sort_by(|a, b| drive(&a.1).total_cmp(&drive(&b.1)));
    } else {
        for responses in by_level(&first) {
            levels.push((set.clone(), responses));
        }
    }
    let count = levels.len();
    let mut last = levels.pop();
    let low = if levels.is_empty() {
        last.take()
    } else {
        Some(levels.swap_remove(0))
    };
    let run = |(set, responses): (CaptureSet, Vec<Response>), n: usize| {
        if count > 1 {
            out.remark(format!("drive level {n}"));
        }
        calibrate(design, &set, responses, &mut |step| {
            out.remark(format!("  {step}"))
        })
        .map_err(Failure::input)
    };
    let Some(low) = low else {
        return Err(Failure::input("there are no captures to calibrate from"));
    };
    let low = run(low, 1)?;
    let high = last.map(|l| run(l, 2)).transpose()?;
    Ok((low, high, doubts))
}

/// Writes `damping.json`, `damping.html` and the pictures; gives the page's path.
fn write(done: &Damping, folder: &Path) -> Result<PathBuf, Failure> {
    let json = serde_json::to_vec_pretty(done).map_err(Failure::system)?;
    write_whole(&folder.join("damping.json"), &json)?;
    for (stem, chart) in report::damping::charts(done) {
        report::chart_to_files(folder, &stem, &chart).map_err(Failure::system)?;
    }
    let page = folder.join("damping.html");
    write_whole(&page, report::damping_page(done).as_bytes())?;
    Ok(page)
}
