//! The mismatch by one-third octave, with its uncertainty and its verdict.
//!
//! ```text
//! d_i = 20·lg|M_i/S_i|         in each grid point, M measured, S simulated
//! E   = mean of d_i over the band
//! u²  = u_noise² + u_calibration² + u_numerical² + u_input²,   U = 2u
//! within:  |E| + U ≤ tolerance      outside: |E| − U > tolerance      else unresolved
//! ```
//!
//! u_numerical: numbers and form of one-dimensional theory, [`super::form`]; u_noise: the band's noise over √(independent points); u_calibration: level or reference resistor; u_input: the
//! tolerances of what was not fitted, through the model's own derivatives. ASME V&V 20-2009 (from memory).

use super::form;
use super::result::{Band, Judged, Verdict};
use crate::align::residual::{Comparison, Nuisance};
use crate::align::unknowns::{Role, Unknown};
use crate::design::Design;
use crate::measure::{Observation, Response};
use crate::signal::bands::{ThirdOctave, third_octaves};
use num_complex::Complex64;

/// dB per neper.
pub const DB: f64 = 8.685_889_638_065_037;

/// Tolerances that hold where the design has no `[target]`.
pub const DEFAULT_TOLERANCE_DB: f64 = 1.5;
/// The same for |Z|, as a fraction.
pub const DEFAULT_TOLERANCE_IMPEDANCE: f64 = 0.10;

/// One observation compared with both models on its grid.
#[derive(Debug, Clone)]
pub struct Compared {
    /// Index of the response.
    pub response: usize,
    /// Frequencies, Hz.
    pub frequency_hz: Vec<f64>,
    /// Measured values, Ω or Pa/V (scaled to the model where the level is free).
    pub measured: Vec<Complex64>,
    /// As designed.
    pub designed: Vec<Complex64>,
    /// As aligned.
    pub aligned: Vec<Complex64>,
    /// Standard uncertainty of each difference without the noise, dB.
    pub systematic_db: Vec<f64>,
    /// The part of it that is the measurement's: level or reference resistor, and air temperature, dB.
    pub measurement_db: Vec<f64>,
    /// The part of it that is the form of the model, dB.
    pub form_db: Vec<f64>,
    /// Standard deviation of the noise of each point, dB.
    pub noise_db: Vec<f64>,
    /// How many neighbours share their noise.
    pub shared: Vec<f64>,
}

/// Lays measured, designed and aligned values side by side. The first pair is the design and the speed of sound, the
/// last the fitted nuisance terms and their standard deviations.
///
/// `input` holds, for each series, the level derivatives of the uncertain inputs that were not fitted:
/// (standard deviation of the input, nepers per unit at each point).
#[must_use]
pub fn compare(
    (design, speed_m_per_s): (&Design, f64),
    comparison: &Comparison,
    responses: &[Response],
    designed: &[Vec<Complex64>],
    aligned: &[Vec<Complex64>],
    input: &[Vec<(f64, Vec<f64>)>],
    (nuisance, nuisance_sd): (&[f64], &[f64]),
) -> Vec<Compared> {
    comparison
        .series
        .iter()
        .enumerate()
        .map(|(n, s)| {
            let r = &responses[s.response];
            let frequency_hz: Vec<f64> = s
                .place
                .iter()
                .map(|&i| comparison.frequency_hz[i])
                .collect();
            let gain = s
                .nuisance
                .iter()
                .find(|(kind, _)| *kind == Nuisance::Gain)
                .map_or(0, |&(_, i)| i);
            // A free level is taken out: the fitted gain for both models, so that the shapes are compared.
            let scale = if r.absolute {
                1.0
            } else {
                (-nuisance[gain]).exp()
            };
            let mut turn = vec![0.0; s.x.len()];
            for &(kind, index) in &s.nuisance {
                if matches!(kind, Nuisance::Delay | Nuisance::Drift) {
                    for (i, (t, &f)) in turn.iter_mut().zip(&frequency_hz).enumerate() {
                        *t += s.effect(kind, i, f).1 * nuisance[index];
                    }
                }
            }
            let measured: Vec<Complex64> = s
                .measured
                .iter()
                .zip(&turn)
                .map(|(m, t)| m * Complex64::from_polar(scale, -t))
                .collect();
            let level_db = if r.absolute {
                r.calibration_relative * DB
            } else {
                nuisance_sd[gain] * DB
            };
            let kind = form::kind(design, &r.observation);
            let temperature_sd_k = comparison
                .nuisance_of
                .iter()
                .position(|n| n.1 == Nuisance::Temperature)
                .map_or(0.0, |n| comparison.nuisance_sd[n]);
            let measurement_db: Vec<f64> = (0..s.x.len())
                .map(|i| {
                    let warm = s
                        .per_kelvin
                        .get(i)
                        .map_or(0.0, |k| k.re * temperature_sd_k * DB);
                    level_db.hypot(warm)
                })
                .collect();
            let form_db: Vec<f64> = frequency_hz
                .iter()
                .map(|&f| form::uncertainty_db(design, kind, f, speed_m_per_s))
                .collect();
            let systematic_db = (0..s.x.len())
                .map(|i| {
                    let inputs: f64 = input[n]
                        .iter()
                        .map(|(sd, slope)| (sd * slope[i] * DB).powi(2))
                        .sum();
                    (measurement_db[i].powi(2) + form_db[i].powi(2) + inputs).sqrt()
                })
                .collect();
            let noise_db = s
                .place
                .iter()
                .enumerate()
                .map(|(i, _)| {
                    let at = nearest(&r.frequency_hz, frequency_hz[i]);
                    r.noise_rms[at] / r.value[at].norm() / std::f64::consts::SQRT_2 * DB
                })
                .collect();
            let shared = frequency_hz
                .iter()
                .map(|f| (r.resolution_hz / (f * (2f64.powf(1.0 / 48.0) - 1.0))).max(1.0))
                .collect();
            Compared {
                response: s.response,
                measured,
                designed: designed[n].clone(),
                aligned: aligned[n].clone(),
                systematic_db,
                measurement_db,
                form_db,
                noise_db,
                shared,
                frequency_hz,
            }
        })
        .collect()
}

fn nearest(list: &[f64], f: f64) -> usize {
    let i = list.partition_point(|&x| x < f * 0.9999);
    i.min(list.len().saturating_sub(1))
}

/// Mean over a band of 20·lg|a/b|, dB; `None` without points.
fn mean_db(a: &[Complex64], b: &[Complex64], inside: &[usize]) -> Option<f64> {
    if inside.is_empty() {
        return None;
    }
    let sum: f64 = inside
        .iter()
        .map(|&i| 20.0 * (a[i].norm() / b[i].norm()).log10())
        .sum();
    Some(sum / inside.len() as f64)
}

/// Which points of a grid lie in a band.
#[must_use]
pub fn inside(frequency_hz: &[f64], band: &ThirdOctave) -> Vec<usize> {
    (0..frequency_hz.len())
        .filter(|&i| band.low_hz <= frequency_hz[i] && frequency_hz[i] < band.high_hz)
        .collect()
}

/// Third octaves whose midband lies in the judged band of the design (or anywhere, without a target).
#[must_use]
pub fn judged_bands(design: &Design, low_hz: f64, high_hz: f64) -> Vec<ThirdOctave> {
    let range = design.target.map_or([low_hz, high_hz], |t| t.band_hz);
    third_octaves(low_hz, high_hz)
        .into_iter()
        .filter(|b| b.belongs_to(range))
        .collect()
}

/// Tolerance of an observation, dB.
#[must_use]
pub fn tolerance_db(design: &Design, observation: &Observation) -> f64 {
    match observation {
        Observation::Impedance => {
            let fraction = design
                .target
                .map_or(DEFAULT_TOLERANCE_IMPEDANCE, |t| t.tolerance_impedance);
            20.0 * (1.0 + fraction).log10()
        }
        Observation::Pressure { .. } => design
            .target
            .map_or(DEFAULT_TOLERANCE_DB, |t| t.tolerance_db),
    }
}

/// Whether a band of a take can be judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reach {
    /// It can.
    Whole,
    /// The sweep, or the curve, does not cover it.
    Unswept,
    /// It does not lie in the usable range, which is where the signal stands far enough over the noise without a gap.
    Quiet,
}

/// Whether a band of this take can be judged: the one rule for `verify` and for the operator at the bench. Edges may be
/// missed by 2 %, a tenth of a band.
#[must_use]
pub fn reach(response: &Response, band: &ThirdOctave) -> Reach {
    let covers = |[low, high]: [f64; 2]| band.low_hz >= low * 0.98 && band.high_hz <= high * 1.02;
    let ends = (
        response.frequency_hz.first().copied(),
        response.frequency_hz.last().copied(),
    );
    match ends {
        (Some(low), Some(high)) if covers([low, high]) => {
            if covers(response.take.usable_hz) {
                Reach::Whole
            } else {
                Reach::Quiet
            }
        }
        _ => Reach::Unswept,
    }
}

/// Signal over noise of this band of the take, dB; NaN where the take has none.
#[must_use]
pub fn snr_db(response: &Response, band: &ThirdOctave) -> f64 {
    let apart = |center_hz: f64| (center_hz / band.center_hz).log2().abs();
    let bands = response.take.snr_bands.iter();
    bands
        // Half a third of an octave, and a little for rounded midbands.
        .filter(|b| apart(b.0) < 1.0 / 6.0)
        .min_by(|a, b| apart(a.0).total_cmp(&apart(b.0)))
        .map_or(f64::NAN, |b| b.1)
}

/// Standard parts of the uncertainty of a band, dB.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Parts {
    /// Noise of the band's mean.
    pub noise_db: f64,
    /// Level or reference resistor, and air temperature.
    pub measurement_db: f64,
    /// Form of the model.
    pub form_db: f64,
    /// Tolerances of what was not fitted.
    pub inputs_db: f64,
}

/// Variance of the noise of the mean of points, dB².
fn noise_variance(compared: &Compared, points: &[usize]) -> f64 {
    let independent: f64 = points
        .iter()
        .map(|&i| 1.0 / compared.shared[i])
        .sum::<f64>()
        .max(1.0);
    points
        .iter()
        .map(|&i| compared.noise_db[i].powi(2))
        .sum::<f64>()
        / points.len() as f64
        / independent
}

/// What the uncertainty of a band is made of; `None` without points.
#[must_use]
pub fn parts(compared: &Compared, band: &ThirdOctave) -> Option<Parts> {
    let points = inside(&compared.frequency_hz, band);
    if points.is_empty() {
        return None;
    }
    let mean = |each: &[f64]| points.iter().map(|&i| each[i]).sum::<f64>() / points.len() as f64;
    let [all, measurement_db, form_db] = [
        &compared.systematic_db,
        &compared.measurement_db,
        &compared.form_db,
    ]
    .map(|each| mean(each));
    Some(Parts {
        noise_db: noise_variance(compared, &points).sqrt(),
        measurement_db,
        form_db,
        inputs_db: (all.powi(2) - measurement_db.powi(2) - form_db.powi(2))
            .max(0.0)
            .sqrt(),
    })
}

/// Bands of one observation.
///
/// A band of the target in which the SNR is too low, or that the sweep or the curve does not cover, is listed as
/// `unresolved`: nothing there is judged.
#[must_use]
pub fn bands(
    design: &Design,
    response: &Response,
    compared: &Compared,
    judged: Judged,
) -> Vec<Band> {
    let swept = (
        response.frequency_hz.first().copied(),
        response.frequency_hz.last().copied(),
    );
    let (Some(lowest), Some(highest)) = swept else {
        return Vec::new();
    };
    let tolerance = tolerance_db(design, &response.observation);
    let mut list = Vec::new();
    let [from, to] = design.target.map_or([lowest, highest], |t| t.band_hz);
    for band in judged_bands(design, lowest.min(from), highest.max(to)) {
        let reach = reach(response, &band);
        let points = inside(&compared.frequency_hz, &band);
        if reach == Reach::Unswept && design.target.is_none() {
            continue;
        }
        let mut entry = Band {
            disturbed: false,
            observation: response.observation.label().to_string(),
            center_hz: band.nominal_hz,
            low_hz: band.low_hz,
            high_hz: band.high_hz,
            designed_difference_db: f64::NAN,
            aligned_difference_db: f64::NAN,
            rms_difference_db: f64::NAN,
            largest_difference_db: f64::NAN,
            expanded_uncertainty_db: f64::NAN,
            measurement_uncertainty_db: f64::NAN,
            snr_db: snr_db(response, &band),
            tolerance_db: tolerance,
            verdict: Verdict::Unresolved,
        };
        let (Some(designed), Some(aligned)) = (
            mean_db(&compared.measured, &compared.designed, &points),
            mean_db(&compared.measured, &compared.aligned, &points),
        ) else {
            list.push(entry);
            continue;
        };
        let against = match judged {
            Judged::Designed => &compared.designed,
            Judged::Aligned => &compared.aligned,
        };
        let each: Vec<f64> = points
            .iter()
            .map(|&i| 20.0 * (compared.measured[i].norm() / against[i].norm()).log10())
            .collect();
        let count = each.len() as f64;
        let noise2 = noise_variance(compared, &points);
        // What is systematic moves the whole band.
        let with_noise = |each: &[f64]| {
            let mean = points.iter().map(|&i| each[i]).sum::<f64>() / count;
            2.0 * (noise2 + mean * mean).sqrt()
        };
        let expanded = with_noise(&compared.systematic_db);
        let difference = if judged == Judged::Designed {
            designed
        } else {
            aligned
        };
        entry.designed_difference_db = designed;
        entry.aligned_difference_db = aligned;
        entry.rms_difference_db = (each.iter().map(|d| d * d).sum::<f64>() / count).sqrt();
        entry.largest_difference_db = each
            .iter()
            .copied()
            .max_by(|a, b| a.abs().total_cmp(&b.abs()))
            .unwrap_or(f64::NAN);
        entry.expanded_uncertainty_db = expanded;
        entry.measurement_uncertainty_db = with_noise(&compared.measurement_db);
        entry.verdict = if reach == Reach::Whole {
            judge(difference, expanded, tolerance)
        } else {
            Verdict::Unresolved
        };
        list.push(entry);
    }
    list
}

/// The verdict on one difference.
#[must_use]
pub fn judge(difference_db: f64, expanded_db: f64, tolerance_db: f64) -> Verdict {
    if difference_db.abs() + expanded_db <= tolerance_db {
        Verdict::Within
    } else if difference_db.abs() - expanded_db > tolerance_db {
        Verdict::Outside
    } else {
        // Also where a number is missing.
        Verdict::Unresolved
    }
}

/// The verdict on the unit: the worst of its bands; without bands nothing can be said.
#[must_use]
pub fn overall(bands: &[Band]) -> Verdict {
    if bands.iter().any(|b| b.verdict == Verdict::Outside) {
        Verdict::Outside
    } else if bands.is_empty() || bands.iter().any(|b| b.verdict == Verdict::Unresolved) {
        Verdict::Unresolved
    } else {
        Verdict::Within
    }
}

/// Inputs that enter the uncertainty because they were not fitted.
#[must_use]
pub fn uncertain_inputs(unknowns: &[Unknown]) -> Vec<&Unknown> {
    unknowns
        .iter()
        .filter(|u| u.role == Role::Toleranced)
        .collect()
}
