//! A response that was measured elsewhere, as delimited text.

use super::take::MeasureError;
use super::{Impulse, Observation, Response, Take};
use crate::curves::{interpolate_log_frequency, read};
use crate::design::captures::CurveFile;
use num_complex::Complex64;

/// Relative standard deviation that a curve without noise information is given: 1 %, a third of a percent of level
/// reading and of reading between its points; judgement.
const RELATIVE: f64 = 0.01;

/// Reads a curve onto the common grid, straight between its points in ln f.
///
/// # Errors
/// [`MeasureError`] for a file that cannot be read or that holds fewer than three points on the grid.
pub fn to_response(curve: &CurveFile) -> Result<Response, MeasureError> {
    let fail = |cause: String| MeasureError::Curve {
        file: curve.file.clone(),
        cause,
    };
    let table = read(&curve.path).map_err(|e| fail(e.to_string()))?;
    let only = table.only_curve().map_err(|e| fail(e.to_string()))?;
    let f = &table.frequency_hz;
    let (low, high) = (
        f.first().copied().unwrap_or(0.0),
        f.last().copied().unwrap_or(0.0),
    );
    let grid = Response::grid(low.max(1.0), high.min(2000.0));
    if grid.len() < 3 {
        return Err(fail(format!(
            "covers {low} to {high} Hz; expected at least a sixteenth of an octave below 2 kHz"
        )));
    }
    let reference = match (&curve.probe, only.is_level()) {
        // A level is dB re 20 µPa; an impedance in dB is re 1 Ω.
        (Some(_), true) => 20e-6,
        _ => 1.0,
    };
    let level = interpolate_log_frequency(f, &only.level_db(), &grid);
    let (real, imaginary, has_phase) = match only.complex() {
        Some(values) => {
            let re: Vec<f64> = values.iter().map(|v| v.re).collect();
            let im: Vec<f64> = values.iter().map(|v| v.im).collect();
            (
                interpolate_log_frequency(f, &re, &grid),
                interpolate_log_frequency(f, &im, &grid),
                true,
            )
        }
        None => (vec![None; grid.len()], vec![None; grid.len()], false),
    };
    let volts = curve.drive_v.unwrap_or(1.0);
    let scale = if curve.probe.is_some() {
        reference / volts
    } else {
        reference
    };
    let value: Vec<Complex64> = (0..grid.len())
        .map(|i| {
            let size = 10f64.powf(level[i].unwrap_or(f64::NAN) / 20.0) * scale;
            let angle = match (real[i], imaginary[i]) {
                (Some(re), Some(im)) => im.atan2(re),
                _ => 0.0,
            };
            Complex64::from_polar(size, angle)
        })
        .collect();
    let digest = super::channels::digest(&curve.path).map_err(|e| fail(e.to_string()))?;
    Ok(Response {
        observation: match &curve.probe {
            Some(probe) => Observation::Pressure {
                probe: probe.clone(),
            },
            None => Observation::Impedance,
        },
        noise_rms: value.iter().map(|v| v.norm() * RELATIVE).collect(),
        calibration_relative: RELATIVE,
        resolution_hz: 0.0,
        absolute: curve.probe.is_none() || curve.drive_v.is_some(),
        timed: false,
        has_phase,
        drive_v: curve.drive_v,
        ahead_ohm: None,
        take: Take {
            file: curve.file.clone(),
            digest,
            sample_rate_hz: 0,
            snr_db: -20.0 * RELATIVE.log10(),
            snr_bands: Vec::new(),
            clipped: false,
            drift_ppm: 0.0,
            drift_sd_ppm: None,
            polarity: 1,
            usable_hz: [grid[0], grid[grid.len() - 1]],
            start_s: 0.0,
            silence: None,
            repeats: Vec::new(),
            warnings: Vec::new(),
        },
        harmonics: Vec::new(),
        impulse: Impulse::default(),
        frequency_hz: grid,
        value,
    })
}
