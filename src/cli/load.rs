//! Reading a design and its captures for a command, and telling progress.

use super::failure::Failure;
use super::output::Output;
use crate::design::captures::CaptureSet;
use crate::design::{Design, captures_read, read};
use crate::measure::{self, MeasureError, Response, warning_text};
use std::path::Path;

/// A captures file and the design that it names, checked against each other.
///
/// # Errors
/// [`Failure`] with every problem that was found.
pub fn design_and_captures(captures: &Path) -> Result<(Design, CaptureSet), Failure> {
    let set = captures_read::read(captures).map_err(Failure::input)?;
    let design = read::read(&set.design).map_err(Failure::input)?;
    captures_read::check_against(&set, &design).map_err(Failure::input)?;
    Ok((design, set))
}

/// What is doubtful but usable about the captures: the station's calibrations and the takes.
#[must_use]
pub fn doubts(set: &CaptureSet, responses: &[Response]) -> Vec<String> {
    set.doubts()
        .iter()
        .map(ToString::to_string)
        .chain(responses.iter().flat_map(|r| warning_text::of(r, None)))
        .collect()
}

/// The responses of a capture set.
///
/// # Errors
/// [`Failure`] for a capture that cannot be used.
pub fn responses(set: &CaptureSet, out: &Output) -> Result<Vec<Response>, Failure> {
    out.remark(format!(
        "unit {}: {} captures",
        set.unit,
        set.captures.len() + set.curves.len()
    ));
    measure::load(set, &mut |step| out.remark(format!("  {step}")))
        .map_err(|error: MeasureError| Failure::input(error))
}
