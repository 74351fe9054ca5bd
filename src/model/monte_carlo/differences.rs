//! The drawn units one by one: each one's difference from the design by one-third octave.

use super::{Drawing, Spread, SpreadError, band_differences, draw};
use crate::design::{AirConditions, Design};
use crate::signal::bands::third_octaves;
use rayon::prelude::*;

/// One one-third octave of one observation over all drawn units.
#[derive(Debug, Clone, PartialEq)]
pub struct DrawnBand {
    /// `impedance` or the probe's name.
    pub observation: String,
    /// Nominal midband frequency, Hz.
    pub center_hz: f64,
    /// Mean difference from the design over the frequencies inside, dB, by unit; units without a finite response are left out.
    pub difference_db: Vec<f64>,
}

/// Draws units and gives every one's difference from the design, by observation and band.
///
/// # Errors
/// [`SpreadError`].
pub fn draw_differences(
    design: &Design,
    air: &AirConditions,
    spread: &Spread,
    drawing: &Drawing,
) -> Result<Vec<DrawnBand>, SpreadError> {
    let (designed, drawn, _) = draw(design, air, spread, drawing)?;
    let f = &drawing.frequency_hz;
    let count = f.len();
    let edges = third_octaves(f[0], f[count - 1] * (1.0 + 1e-9));
    let bands: Vec<(usize, usize)> = (0..designed.len() / count)
        .flat_map(|k| (0..edges.len()).map(move |b| (k, b)))
        .collect();
    let list: Vec<Option<DrawnBand>> = bands
        .par_iter()
        .map(|&(k, b)| {
            let inside: Vec<usize> = (0..count)
                .filter(|&i| f[i] >= edges[b].low_hz && f[i] < edges[b].high_hz)
                .map(|i| k * count + i)
                .collect();
            Some(DrawnBand {
                observation: match k {
                    0 => "impedance".to_string(),
                    _ => design.probes[k - 1].name.clone(),
                },
                center_hz: edges[b].nominal_hz,
                difference_db: band_differences(&drawn, &inside)?,
            })
        })
        .collect();
    Ok(list.into_iter().flatten().collect())
}
