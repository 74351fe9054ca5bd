//! The curves and pictures of a verification.

use super::plot::{Chart, CurveLine, CurveStyle, RangeBand, Scale};
use super::{Figure, ObservationCurves, Quantity};
use crate::measure::Observation;
use crate::model::predict::level_db;
use crate::verify::Verification;
use crate::verify::far_field::FarField;
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
                near_to_hz: done
                    .result
                    .near_fields
                    .iter()
                    .find(|n| n.probe == r.observation.label())
                    .map(|n| n.valid_to_hz),
                frequency_hz: c.frequency_hz.clone(),
                ..ObservationCurves::new(r.observation.label(), quantity)
            }
        })
        .collect()
}

/// Further pictures: the far field from the near fields, distortion of each take that has harmonics.
#[must_use]
pub fn figures(done: &Verification) -> Vec<Figure> {
    let mut list: Vec<Figure> = done.result.far_field.iter().map(far_field).collect();
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

/// Measured and simulated far field.
fn far_field(far: &FarField) -> Figure {
    let first = far.frequency_hz.first().copied().unwrap_or(1.0);
    let last = far.frequency_hz.last().copied().unwrap_or(2.0);
    let mut chart = Chart::over_frequency(
        "Far field at 1 m from the near fields",
        if far.absolute {
            "level in dB re 20 µPa"
        } else {
            "level in dB (gain fitted)"
        },
        Scale::Linear,
        [first, last],
    );
    for (label, y, style) in [
        ("measured", &far.measured_db, CurveStyle::Measured),
        ("designed", &far.designed_db, CurveStyle::Designed),
        ("aligned", &far.aligned_db, CurveStyle::Aligned),
    ] {
        chart.curves.push(CurveLine {
            label: label.to_owned(),
            x: far.frequency_hz.clone(),
            y: y.clone(),
            style,
        });
    }
    let edge = |sign: f64| -> Vec<f64> {
        let pairs = far.measured_db.iter().zip(&far.expanded_uncertainty_db);
        pairs.map(|(l, u)| l + sign * u).collect()
    };
    chart.bands.push(RangeBand {
        label: "uncertainty of the difference (k = 2)".to_owned(),
        x: far.frequency_hz.clone(),
        low: edge(-1.0),
        high: edge(1.0),
    });
    Figure {
        caption: format!(
            "Complex sum of the near fields {}, valid up to {:.0} Hz: what the unit does at 1 m without a room \
             around it.",
            far.probes.join(", "),
            far.valid_to_hz
        ),
        chart,
    }
}
