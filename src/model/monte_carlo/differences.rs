//! The drawn units one by one: each one's difference from the design by one-third octave.

use super::{Drawing, Spread, SpreadError, band_differences, bands_of, draw};
use crate::design::{AirConditions, Design};
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
    let edges = bands_of(design, f);
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::design::read::read;
    use crate::model::monte_carlo::{band_frequencies, draw_units};
    use crate::verify::spread::of_design;
    use std::path::Path;

    /// DERIVED: the units one by one have the mean and the standard deviation that the summary states.
    #[test]
    fn the_units_are_those_of_the_summary() {
        let design = read(Path::new("tests/designs/dome.toml")).unwrap();
        let spread = of_design(&design, &[]).unwrap();
        let drawing = Drawing {
            units: 200,
            seed: 5,
            frequency_hz: band_frequencies(&design),
        };
        let summary = draw_units(&design, &design.air, &spread, &drawing).unwrap();
        let bands = draw_differences(&design, &design.air, &spread, &drawing).unwrap();
        let stated = summary
            .observations
            .iter()
            .flat_map(|o| o.bands.iter().map(|b| (&o.observation, b)));
        let mut seen = 0;
        for ((observation, b), drawn) in stated.zip(&bands) {
            assert_eq!(
                (observation, b.center_hz),
                (&drawn.observation, drawn.center_hz)
            );
            let n = drawn.difference_db.len() as f64;
            let mean = drawn.difference_db.iter().sum::<f64>() / n;
            let var = drawn
                .difference_db
                .iter()
                .map(|d| (d - mean).powi(2))
                .sum::<f64>()
                / (n - 1.0);
            assert!((mean - b.mean_db).abs() < 1e-12 && (var.sqrt() - b.sd_db).abs() < 1e-12);
            seen += 1;
        }
        assert_eq!(seen, bands.len());
        assert!(seen > 20);
    }
}
