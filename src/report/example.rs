//! An example for the tests and for the eye: a bass unit whose seam leaks and whose duct is a little long.

use super::{Figure, ObservationCurves, Quantity};
use crate::model::weather::{LevelChange, Weather};
use crate::report::plot::{Chart, CurveLine, CurveStyle, Scale};
use crate::verify::result::*;

fn grid() -> Vec<f64> {
    crate::signal::grid::log_grid(5.0, 500.0, 48)
}

fn resonance(f: f64, at: f64, q: f64, height_db: f64) -> f64 {
    let x = q * (f / at - at / f);
    height_db / (1.0 + x * x)
}

fn seen(label: &str, quantity: Quantity, usable_hz: [f64; 2]) -> ObservationCurves {
    let mut seen = ObservationCurves::new(label, quantity);
    seen.frequency_hz = grid();
    seen.usable_hz = usable_hz;
    for &f in &seen.frequency_hz {
        let (designed, aligned) = match quantity {
            Quantity::Impedance => {
                let z = |shift: f64| {
                    15.5 + resonance(f, 22.0 * shift, 2.2, 14.0)
                        + resonance(f, 61.0 * shift, 3.0, 11.0)
                        + resonance(f, 118.0 * shift, 4.0, 7.0)
                };
                (
                    z(1.0),
                    z(0.965) - 1.2 * (-((f / 22.0).ln() / 0.4).powi(2)).exp(),
                )
            }
            Quantity::Pressure => {
                let p = |shift: f64| {
                    92.0 - 10.0 * (1.0 + (18.0 / f).powi(6)).log10()
                        - 10.0 * (1.0 + (f / 150.0).powi(4)).log10()
                        + resonance(f, 45.0 * shift, 4.0, 3.0)
                        - resonance(f, 92.0 * shift, 9.0, 5.0)
                };
                (
                    p(1.0),
                    p(0.965) - 2.6 * (-((f / 20.0).ln() / 0.5).powi(2)).exp(),
                )
            }
        };
        let noise_db = 0.12 + 2.0 * (7.0 / f).powi(3) + 0.4 * (f / 500.0).powi(3);
        let wobble = noise_db * 0.3 * ((f.ln() * 41.0).sin() + (f.ln() * 97.0).sin());
        seen.measured_db.push(aligned + wobble);
        seen.measured_deg.push(-f / 3.0);
        seen.designed_db.push(designed);
        seen.designed_deg.push(-f / 3.0);
        seen.aligned_db.push(aligned);
        seen.aligned_deg.push(-f / 3.0);
        seen.uncertainty_db.push(0.3 + noise_db);
    }
    seen
}

/// Curves of the impedance and two microphones.
pub(crate) fn curves() -> Vec<ObservationCurves> {
    vec![
        seen("impedance", Quantity::Impedance, [6.0, 480.0]),
        seen("mouth-near", Quantity::Pressure, [9.0, 420.0]),
    ]
}

/// A further figure.
pub(crate) fn figures() -> Vec<Figure> {
    let mut chart = Chart::over_frequency(
        "Harmonics of mouth-near",
        "level over the fundamental in dB",
        Scale::Linear,
        [5.0, 200.0],
    );
    for order in 2..=5usize {
        let x: Vec<f64> = grid().into_iter().filter(|f| *f < 200.0).collect();
        let y = x
            .iter()
            .map(|f| -38.0 - 6.0 * order as f64 - 12.0 * (f / 20.0).log2().abs())
            .collect();
        chart.curves.push(CurveLine {
            label: format!("harmonic {order}"),
            x,
            y,
            style: CurveStyle::Numbered(order - 2),
        });
    }
    vec![Figure {
        caption: "Harmonic distortion of the take at the drive level used.".to_owned(),
        chart,
    }]
}

fn bands() -> Vec<Band> {
    let mut bands = Vec::new();
    for seen in curves() {
        let tolerance_db = if seen.quantity == Quantity::Impedance {
            20.0 * 1.1f64.log10()
        } else {
            1.5
        };
        for n in -20..=-4 {
            let center_hz = 1000.0 * 10f64.powf(f64::from(n) / 10.0);
            let (low_hz, high_hz) = (center_hz * 10f64.powf(-0.05), center_hz * 10f64.powf(0.05));
            let inside: Vec<usize> = (0..seen.frequency_hz.len())
                .filter(|&i| (low_hz..high_hz).contains(&seen.frequency_hz[i]))
                .collect();
            let mean = |from: &dyn Fn(usize) -> f64| {
                inside.iter().map(|&i| from(i)).sum::<f64>() / inside.len() as f64
            };
            let designed_difference_db = mean(&|i| seen.measured_db[i] - seen.designed_db[i]);
            let aligned_difference_db = mean(&|i| seen.measured_db[i] - seen.aligned_db[i]);
            let expanded_uncertainty_db = mean(&|i| seen.uncertainty_db[i]);
            let size = designed_difference_db.abs();
            let verdict = if size + expanded_uncertainty_db <= tolerance_db {
                Verdict::Within
            } else if size - expanded_uncertainty_db > tolerance_db {
                Verdict::Outside
            } else {
                Verdict::Unresolved
            };
            bands.push(Band {
                disturbed: false,
                observation: seen.label.clone(),
                center_hz,
                low_hz,
                high_hz,
                designed_difference_db,
                aligned_difference_db,
                rms_difference_db: mean(&|i| (seen.measured_db[i] - seen.designed_db[i]).powi(2))
                    .sqrt(),
                largest_difference_db: designed_difference_db * 1.3,
                expanded_uncertainty_db,
                measurement_uncertainty_db: 0.5 * expanded_uncertainty_db,
                snr_db: 62.0 - f64::from(n + 12).abs(),
                tolerance_db,
                verdict,
            });
        }
    }
    bands
}

/// A result that is outside its tolerance.
pub(crate) fn result() -> Result {
    let parameter = |path: &str, unit: &str, designed: f64, fitted: f64, half: f64| Parameter {
        path: path.to_owned(),
        unit: unit.to_owned(),
        designed,
        fitted,
        low95: fitted - half,
        high95: fitted + half,
        identifiable: true,
        confounded_with: None,
        correlation: None,
        interval: IntervalKind::Laplace,
        laplace95: Some([fitted - half, fitted + half]),
        open_low: false,
        open_high: false,
        among: Vec::new(),
    };
    let capture = |file: &str, quantity: &str, probe: Option<&str>, usable_hz| Capture {
        file: file.to_owned(),
        quantity: quantity.to_owned(),
        probe: probe.map(str::to_owned),
        snr_db: 61.4,
        clipped: false,
        drift_ppm: 12.3,
        polarity: 1,
        usable_hz,
        repeats: Vec::new(),
    };
    let digest = |c: char| c.to_string().repeat(64);
    let mut confounded = parameter("opening.mouth.end_correction", "", 1.0, 1.12, 0.31);
    confounded.identifiable = false;
    confounded.confounded_with = Some("duct.d1.length".to_owned());
    confounded.correlation = Some(-0.98);
    Result {
        format: FORMAT.to_owned(),
        software: "bassay 0.1.0".to_owned(),
        unit: "proto-2".to_owned(),
        design: DesignMark { name: "Dome bass unit, prototype 2".to_owned(), digest: digest('4') },
        taken: Some("2026-03-14T10:20:00Z".to_owned()),
        rehearsed: None,
        verdict: Verdict::Outside,
        judged: Judged::Designed,
        captures: vec![
            capture("impedance.wav", "impedance", None, [6.0, 480.0]),
            capture("mouth-near.wav", "pressure", Some("mouth-near"), [9.0, 420.0]),
        ],
        bands: bands(),
        parameters: vec![
            parameter("driver.cms", "m/N", 1.5e-4, 1.62e-4, 0.05e-4),
            parameter("driver.rms", "kg/s", 4.0, 4.4, 0.5),
            parameter("leak.seam.resistance", "Pa·s/m³", 2.0e6, 0.412e6, 0.031e6),
            parameter("resistor.r1.resistance", "Pa·s/m³", 4.0e4, 3.91e4, 0.17e4),
            parameter("duct.d1.length", "m", 0.62, 0.6531, 0.0032),
            parameter("duct.*.loss", "", 1.0, 1.31, 0.22),
            confounded,
        ],
        findings: vec![
            Finding {
                path: "leak.seam.resistance".to_owned(),
                probability: 0.94,
                text: "The seam of the rear box leaks five times as much as allowed: like a slot 300 mm long and \
                       0.7 mm wide in an 18 mm board."
                    .to_owned(),
                remedy: Some("Glue and clamp the rear panel again, or caulk the seam; then measure again.".to_owned()),
                size: Some(-0.794),
                low95: Some(-0.81),
                high95: Some(-0.778),
                effect_db: vec![
                    Effect { observation: "mouth-near".to_owned(), center_hz: 19.95, db: -2.6 },
                    Effect { observation: "impedance".to_owned(), center_hz: 22.4, db: -1.2 },
                ],
                instead: vec![Instead {
                    path: "chamber.rear-box.volume".to_owned(),
                    probability: 0.05,
                    text: "chamber rear-box: volume 9 % above the design".to_owned(),
                }],
                next: Some("measure the pressure at box-inside: there the two differ by up to 2.1 dB, at 20 Hz".to_owned()),
            },
            Finding {
                path: "duct.d1.length".to_owned(),
                probability: 0.71,
                text: "Duct d1 is 33 mm longer than drawn.".to_owned(),
                remedy: Some("Check the first fold: the divider may sit too far back.".to_owned()),
                size: Some(0.053),
                low95: Some(0.048),
                high95: Some(0.059),
                effect_db: vec![],
                instead: Vec::new(),
                next: None,
            },
        ],
        not_excluded: Vec::new(),
        next: None,
        fit: Fit {
            converged: true,
            iterations: 9,
            cost: 412.7,
            degrees_of_freedom: 1196,
            seconds: 1.84,
            ended: Some("the cost no longer falls".to_owned()),
            discrepancy: vec![
                Discrepancy { observation: "impedance".to_owned(), sd_db: 0.15, length_octaves: 0.31 },
                Discrepancy { observation: "mouth-near".to_owned(), sd_db: 0.22, length_octaves: 0.4 },
            ],
        },
        conditions: Conditions {
            temperature_c: 17.5,
            pressure_kpa: 100.2,
            humidity_pct: 40.0,
            speed_of_sound_m_per_s: 341.9,
        },
        files: vec![
            FileDigest { path: "design.toml".to_owned(), role: "design".to_owned(), digest: digest('4') },
            FileDigest { path: "mouth-near.wav".to_owned(), role: "capture".to_owned(), digest: digest('c') },
        ],
        near_fields: vec![NearField { probe: "mouth-near".to_owned(), valid_to_hz: 300.0 }],
        far_field: None,
        exchanged: None,
        no_far_field: Some("there is no near-field capture of opening port".to_owned()),
        weather: Some(Weather {
            from_c: 17.5,
            to_c: 5.0,
            peaks_hz: vec![[23.4, 22.9], [61.0, 59.7]],
            largest_change: Some(LevelChange { db: -0.9, hz: 31.0 }),
        }),
        assumptions: vec![
            "Counts as exact, because it has neither a tolerance nor is it free: driver.sd, chamber.rear-box.volume."
                .to_owned(),
            "The openings lie in one infinite rigid plane.".to_owned(),
        ],
        warnings: vec![
            "mouth-near.wav: mains hum at 50 Hz stands 14 dB above its surroundings. Move the microphone cable away \
             from the power supply."
                .to_owned(),
        ],
    }
}
