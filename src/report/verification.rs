//! The curves and pictures of a verification.

use super::plot::{Chart, CurveLine, CurveStyle, RangeBand, Scale};
use super::{Figure, ObservationCurves, Quantity};
use crate::align::problem::whiteners;
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
    list.extend(residuals(done));
    list
}

/// What is left between measured and aligned values, in standard deviations: white where noise and discrepancy are what the fit
/// takes them for.
fn residuals(done: &Verification) -> Vec<Figure> {
    let fit = &done.fit;
    let whiteners = whiteners(&fit.comparison, &fit.settled.kernels);
    let mut list = Vec::new();
    for ((s, w), parts) in fit
        .comparison
        .series
        .iter()
        .zip(&whiteners)
        .zip(&fit.evaluated.residual)
    {
        let x: Vec<f64> = s.x.iter().map(|x| x.exp()).collect();
        let (Some(&low), Some(&high)) = (x.first(), x.last()) else {
            continue;
        };
        let label = done.responses[s.response].observation.label();
        let mut chart = Chart::over_frequency(
            &format!("Whitened residuals, {label}"),
            "standard deviations",
            Scale::Linear,
            [low, high],
        );
        let (mut squares, mut neighbours, mut count) = (0.0, 0.0, 0.0_f64);
        for (n, (part, name)) in parts.iter().zip(["level", "phase"]).enumerate() {
            if n == 1 && !s.has_phase {
                continue;
            }
            let mut y = part.clone();
            w.apply(&mut y);
            squares += y.iter().map(|v| v * v).sum::<f64>();
            neighbours += y.windows(2).map(|p| p[0] * p[1]).sum::<f64>();
            count += y.len() as f64;
            chart.curves.push(CurveLine {
                label: name.to_string(),
                x: x.clone(),
                y,
                style: CurveStyle::Numbered(n),
            });
        }
        chart.bands.push(RangeBand {
            label: "95 of 100 points".to_string(),
            x: vec![low, high],
            low: vec![-1.96; 2],
            high: vec![1.96; 2],
        });
        list.push(Figure {
            caption: format!(
                "Measured against the aligned model, each point less what the points below it say. Mean square {:.2} (1 is expected, less \
                 where the model fits better than the least discrepancy allows); correlation of neighbours {:+.2} (white: 0 ± {:.2}).",
                squares / count,
                neighbours / squares,
                2.0 / count.sqrt()
            ),
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
