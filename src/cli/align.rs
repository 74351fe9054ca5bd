//! `bassay align CAPTURES`: fits the free parameters.

use super::failure::Failure;
use super::output::Output;
use super::{Exit, load};
use crate::report;
use crate::verify::verify;
use serde::Serialize;
use std::path::PathBuf;

/// Fit the free parameters to the captures
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The captures of one unit (captures.toml)
    pub captures: PathBuf,
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
}

/// Runs the command.
///
/// # Errors
/// [`Failure`] for bad input.
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    let (design, set) = load::design_and_captures(&args.captures)?;
    let responses = load::responses(&set, out)?;
    let done = verify(&design, &set, responses, &mut |step| {
        out.remark(format!("  {step}"))
    })
    .map_err(Failure::input)?;
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
            })
            .map(|()| Exit::Done);
    }
    out.line(report::text::parameters(&done.result));
    Ok(Exit::Done)
}
