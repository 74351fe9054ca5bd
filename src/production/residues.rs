//! The non-linear residue of the microphone captures of one unit: reads each microphone's channel at its full rate.

use crate::design::captures::{Capture, CaptureKind, CaptureSet};
use crate::measure::{MeasureError, Observation, Response};
use crate::signal::residue::{Residue, residue};
use crate::signal::sweep::Sweep;
use crate::signal::wav;
use rayon::prelude::*;
use std::fs::File;
use std::io::BufReader;

/// By observation and band of the excitation; captures without a sweep or silence give nothing.
///
/// # Errors
/// [`MeasureError`] for a file that cannot be read.
pub fn residues(
    set: &CaptureSet,
    responses: &[Response],
) -> Result<Vec<(String, Vec<Residue>)>, MeasureError> {
    let Some(sweep) = set.sweep.map(Sweep::new).transpose()? else {
        return Ok(Vec::new());
    };
    set.captures
        .par_iter()
        .filter_map(|capture| {
            let CaptureKind::Pressure {
                probe,
                microphone_channel,
                ..
            } = &capture.kind
            else {
                return None;
            };
            let wanted = Observation::Pressure {
                probe: probe.clone(),
            };
            let response = responses
                .iter()
                .find(|r| r.observation == wanted && r.take.file == capture.file)?;
            Some(
                of(capture, *microphone_channel, response.take.start_s, &sweep)
                    .map(|list| (probe.clone(), list)),
            )
        })
        .collect()
}

fn of(
    capture: &Capture,
    channel: usize,
    start_s: f64,
    sweep: &Sweep,
) -> Result<Vec<Residue>, MeasureError> {
    let input = File::open(&capture.path).map_err(|cause| MeasureError::Open {
        file: capture.file.clone(),
        cause: cause.to_string(),
    })?;
    let mut samples = Vec::new();
    let head = wav::read(BufReader::with_capacity(1 << 16, input), |head, block| {
        // A channel that is not there was refused when the responses were made.
        samples.extend(block.iter().skip(channel - 1).step_by(head.channels));
    })
    .map_err(|cause| MeasureError::Wav {
        file: capture.file.clone(),
        cause,
    })?;
    Ok(residue(
        &samples,
        f64::from(head.sample_rate_hz),
        start_s,
        sweep,
    ))
}
