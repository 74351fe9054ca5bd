//! `bassay align CAPTURES`: fits the free parameters; several sets are the business of `several`.

use super::failure::Failure;
use super::output::Output;
use super::{Exit, load, several};
use crate::report;
use crate::verify::verify;
use serde::Serialize;
use std::path::PathBuf;

/// Fit the free parameters to the captures
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The captures of one unit (captures.toml), or those of several units of one design
    #[arg(required = true)]
    pub captures: Vec<PathBuf>,
    /// Save the result as a new design file, comments and layout kept
    #[arg(long, value_name = "FILE")]
    pub write_design: Option<PathBuf>,
    /// Several units: folder for several.json and a picture of their intervals (units.svg, units.png)
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
}

#[derive(Serialize)]
struct Document<'a> {
    format: &'static str,
    unit: &'a str,
    parameters: &'a [crate::verify::result::Parameter],
    findings: &'a [crate::verify::result::Finding],
    fit: &'a crate::verify::result::Fit,
    correlation: Vec<Vec<f64>>,
    correlation_of: Vec<String>,
    /// How sharply each direction of all coordinates is seen, 1/sd in units of a large change, descending.
    singular_values: &'a [f64],
    /// What is doubtful but usable, each with its remedy.
    warnings: &'a [String],
}

/// Runs the command.
///
/// # Errors
/// [`Failure`] for bad input.
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    let target = args.write_design.as_deref();
    let file = match args.captures.as_slice() {
        [one] if args.out.is_none() => one,
        [_] => {
            return Err(Failure::input(
                "--out belongs to two or more sets of captures; expected more sets, or bassay verify for a report on one",
            ));
        }
        _ => return several::run(&args.captures, target, args.out.as_deref(), out),
    };
    let (design, set) = load::design_and_captures(file)?;
    several::check_target(target, &set.design)?;
    let responses = load::responses(&set, out)?;
    let done = verify(&design, &set, responses, &mut |step| {
        out.remark(format!("  {step}"))
    })
    .map_err(Failure::input)?;
    if let Some(target) = target {
        several::write_one(target, &design, &set, &done)?;
        out.remark(format!("design written: {}", target.display()));
    }
    if out.json {
        let settled = &done.fit.settled;
        let chosen: Vec<usize> = (0..settled.active.len())
            .filter(|&n| {
                done.fit
                    .estimates
                    .iter()
                    .any(|e| e.unknown == settled.active[n])
            })
            .collect();
        let c = &settled.covariance;
        return out
            .document(&Document {
                format: "bassay-alignment/1",
                unit: &done.result.unit,
                parameters: &done.result.parameters,
                findings: &done.result.findings,
                fit: &done.result.fit,
                correlation: chosen
                    .iter()
                    .map(|&i| {
                        chosen
                            .iter()
                            .map(|&j| c[(i, j)] / (c[(i, i)] * c[(j, j)]).sqrt())
                            .collect()
                    })
                    .collect(),
                correlation_of: chosen
                    .iter()
                    .map(|&n| done.fit.unknowns[settled.active[n]].path.clone())
                    .collect(),
                singular_values: &done.fit.identified.singular_values,
                warnings: &done.result.warnings,
            })
            .map(|()| Exit::Done);
    }
    out.line(report::text::parameters(&done.result));
    Ok(Exit::Done)
}
