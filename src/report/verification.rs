//! The curves and pictures of a verification.

use super::plot::{Chart, CurveLine, CurveStyle, Scale};
use super::{Figure, ObservationCurves, Quantity};
use crate::measure::Observation;
use crate::model::predict::level_db;
use crate::verify::Verification;
use num_complex::Complex64;

/// Measured, designed and aligned curves of every observation, levels at 1 V of drive.
#[must_use]
pub fn observation_curves(done: &Verification) -> Vec<ObservationCurves> {
    done.compared
        .iter()
        .map(|c| {
            let r = &done.responses[c.response];
            let (quantity, to_db): (Quantity, fn(f64) -> f64) = match r.observation {
                Observation::Impedance => (Quantity::Impedance, |v| 20.0 * v.log10()),
                Observation::Pressure { .. } => (Quantity::Pressure, level_db),
            };
            let db =
                |list: &[Complex64]| list.iter().map(|v| to_db(v.norm())).collect::<Vec<f64>>();
            let deg = |list: &[Complex64]| {
                list.iter()
                    .map(|v| v.arg().to_degrees())
                    .collect::<Vec<f64>>()
            };
            ObservationCurves {
                absolute: r.absolute,
                measured_db: db(&c.measured),
                measured_deg: deg(&c.measured),
                designed_db: db(&c.designed),
                designed_deg: deg(&c.designed),
                aligned_db: db(&c.aligned),
                aligned_deg: deg(&c.aligned),
                uncertainty_db: c
                    .systematic_db
                    .iter()
                    .zip(&c.noise_db)
                    .map(|(s, n)| 2.0 * s.hypot(*n))
                    .collect(),
                usable_hz: r.take.usable_hz,
                frequency_hz: c.frequency_hz.clone(),
                ..ObservationCurves::new(r.observation.label(), quantity)
            }
        })
        .collect()
}

/// Further pictures: distortion of each take that has harmonics.
#[must_use]
pub fn figures(done: &Verification) -> Vec<Figure> {
    let mut list = Vec::new();
    for r in &done.responses {
        if r.harmonics.is_empty() || r.observation == Observation::Impedance {
            continue;
        }
        let mut chart = Chart::over_frequency(
            &format!("Harmonics, {}", r.observation.label()),
            "level over the fundamental in dB",
            Scale::Linear,
            r.take.usable_hz,
        );
        for (n, h) in r.harmonics.iter().enumerate() {
            chart.curves.push(CurveLine {
                label: format!("order {}", h.order),
                x: h.frequency_hz.clone(),
                // What does not stand out of the noise is not drawn.
                y: h.level_db
                    .iter()
                    .zip(&h.floor_db)
                    .map(|(l, f)| if l > f { *l } else { f64::NAN })
                    .collect(),
                style: CurveStyle::Numbered(n),
            });
        }
        if chart
            .curves
            .iter()
            .all(|c| c.y.iter().all(|y| !y.is_finite()))
        {
            continue;
        }
        list.push(Figure {
            caption: "Harmonics against the frequency of the fundamental, as far as they stand out of the noise. A rattle or a leak that whistles shows here first.".to_string(),
            chart,
        });
    }
    list
}
