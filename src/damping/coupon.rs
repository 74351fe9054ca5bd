//! Specific resistance of a cloth sample from its captures, with an interval.
//!
//! ```text
//! H         second over first pressure (see [`super::pressure_ratio`])
//! z(f)      specific impedance of the sample (see [`super::tube`])
//! Re z(f)   = R + b·(f/f_max)², b only where it stands out of its own error
//! Im z(f)   = ω·m
//! σ²(f)     = noise + distances and temperature + τ²,   τ² what the values scatter beyond that
//! u²(R)     = noise of the fit + Σ (distance, temperature)² + calibration² + τ²
//! ```
//!
//! The errors of distances, temperature and calibration are common to all frequencies and do not average out; nor is
//! the scatter τ divided by the number of frequencies, because what causes it (leaks at the rim, a sample that moves) is
//! smooth over frequency.

use super::pressure_ratio::{Ratio, RatioError, ratio};
use super::tube::Tube;
use crate::align::interval::interval_95;
use crate::design::coupon::{Coupon, Method};
use crate::design::materials::Material;
use num_complex::Complex64;
use serde::Serialize;
use std::f64::consts::TAU;

/// Relative standard uncertainty of the ratio of two microphones that were not exchanged: 0.4 dB and 3° (common
/// practice, no published source).
const NOT_EXCHANGED: f64 = 0.05;
/// Relative spread from piece to piece that is assumed of a material of which one sample was measured (common practice, no
/// published source).
const ONE_PIECE: f64 = 0.05;
/// What is left after the exchange (common practice, no published source).
const EXCHANGED: f64 = 0.002;
/// Largest noise of a ratio, relative, that is used.
const NOISIEST: f64 = 0.1;
/// Fewest frequencies that make a result.
const FEWEST: usize = 8;
/// Largest half width of the 95 % interval over the resistance that still tells something.
const WIDEST: f64 = 0.5;

/// A coupon that cannot be evaluated.
#[derive(Debug, thiserror::Error)]
pub enum CouponError {
    /// A capture or the sweep cannot be used.
    #[error(transparent)]
    Ratio(#[from] RatioError),
    /// The measures of the tube leave nothing.
    #[error(
        "the tube allows {low_hz:.0} to {high_hz:.0} Hz and the sweep runs from {start_hz:.0} to {stop_hz:.0} Hz: nothing is left; change spacing_m or the sweep"
    )]
    NoBand {
        /// Lowest of the tube, Hz.
        low_hz: f64,
        /// Highest of the tube, Hz.
        high_hz: f64,
        /// Start of the sweep, Hz.
        start_hz: f64,
        /// End of the sweep, Hz.
        stop_hz: f64,
    },
}

/// A value with its standard deviation and 95 % interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Value {
    /// Value, SI.
    pub value: f64,
    /// Standard deviation.
    pub sd: f64,
    /// Low end of the 95 % interval.
    pub low95: f64,
    /// High end of the 95 % interval.
    pub high95: f64,
}

impl Value {
    /// With the normal 95 % interval.
    #[must_use]
    pub fn new(value: f64, sd: f64) -> Self {
        let [low95, high95] = interval_95(value, sd, None);
        Self {
            value,
            sd,
            low95,
            high95,
        }
    }
}

/// Parts of the standard deviation of the resistance of all layers, Pa·s/m.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
pub struct Parts {
    /// Noise of the captures.
    pub noise: f64,
    /// Distances in the tube.
    pub distances: f64,
    /// Temperature.
    pub temperature: f64,
    /// Gain and phase of the microphones.
    pub calibration: f64,
    /// Scatter over frequency.
    pub scatter: f64,
}

/// The sample's impedance at one frequency, all layers.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Point {
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// Specific resistance, Pa·s/m.
    pub resistance_pa_s_per_m: f64,
    /// Specific reactance, Pa·s/m.
    pub reactance_pa_s_per_m: f64,
    /// Standard deviation of either, Pa·s/m.
    pub sd_pa_s_per_m: f64,
}

/// What a coupon shows.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CouponResult {
    /// `bassay-coupon-result/1`.
    pub format: &'static str,
    /// Name of the material.
    pub name: String,
    /// Layers in the tube.
    pub layers: u32,
    /// Whether the resistance can be told.
    pub told: bool,
    /// Why not, where it cannot.
    pub why_not: Option<String>,
    /// Specific resistance of one layer, Pa·s/m.
    pub specific_pa_s_per_m: Option<Value>,
    /// Mass per area of one layer from the reactance, kg/m²; `None` where nothing was told.
    pub areal_mass_kg_per_m2: Option<Value>,
    /// Band that was used, Hz.
    pub used_hz: Option<[f64; 2]>,
    /// Band that the tube's measures allow, Hz.
    pub allowed_hz: [f64; 2],
    /// Whether the resistance grows with frequency beyond its own error: then the value is that towards low frequency.
    pub grows_with_frequency: bool,
    /// Whether the microphones were exchanged, or one microphone heard both places.
    pub calibrated: bool,
    /// Parts of the standard deviation, all layers, Pa·s/m.
    pub parts: Parts,
    /// Impedance over frequency, all layers.
    pub points: Vec<Point>,
    /// Doubtful but usable.
    pub warnings: Vec<String>,
    /// Digest of the coupon file.
    pub digest: String,
}

impl CouponResult {
    /// The material for the materials file, if the resistance was told. `source` says where the numbers come from.
    ///
    /// One sample does not show how pieces differ: 5 % is added, and the source says so.
    #[must_use]
    pub fn material(&self, source: &str, measured: Option<String>) -> Option<Material> {
        let value = self.specific_pa_s_per_m.filter(|_| self.told)?;
        Some(Material {
            name: self.name.clone(),
            specific_pa_s_per_m: value.value,
            sd_pa_s_per_m: value.sd.hypot(ONE_PIECE * value.value),
            // A mass that is not told from zero is no entry.
            areal_mass_kg_per_m2: self
                .areal_mass_kg_per_m2
                .filter(|m| m.low95 > 0.0)
                .map(|m| m.value),
            source: format!(
                "{source}; one sample, {:.0} % from piece to piece assumed",
                100.0 * ONE_PIECE
            ),
            measured,
        })
    }
}

/// Measures a coupon from its captures.
///
/// # Errors
/// [`CouponError`] for a capture that cannot be used, or a tube that leaves no band.
pub fn measure(coupon: &Coupon) -> Result<CouponResult, CouponError> {
    let tube = Tube::of(coupon);
    let allowed = tube.limits_hz();
    let sweep = &coupon.sweep;
    if allowed[0].max(sweep.start_hz) >= allowed[1].min(sweep.stop_hz) {
        return Err(CouponError::NoBand {
            low_hz: allowed[0],
            high_hz: allowed[1],
            start_hz: sweep.start_hz,
            stop_hz: sweep.stop_hz,
        });
    }
    let mut warnings = Vec::new();
    let ratio = ratio(coupon, &mut warnings)?;
    warnings.extend(doubts(coupon, &tube, &ratio));
    Ok(evaluate(coupon, &tube, &ratio, warnings))
}

/// What is doubtful about the measures.
fn doubts(coupon: &Coupon, tube: &Tube, ratio: &Ratio) -> Vec<String> {
    let mut list = Vec::new();
    let [low, high] = tube.limits_hz();
    let (start, stop) = (coupon.sweep.start_hz, coupon.sweep.stop_hz);
    if start < low || stop > high {
        list.push(format!(
            "the tube's measures allow {low:.0} to {high:.0} Hz; nothing outside is used"
        ));
    }
    if !ratio.calibrated {
        list.push(
            "the microphones were not exchanged: 0.4 dB and 3° between them are assumed, which widens the interval; add a capture with the channels exchanged".to_string(),
        );
    }
    if coupon.method == Method::TwoMicrophone && coupon.near_m < 0.5 * tube.section.largest_m() {
        list.push(format!(
            "near_m, {} m, is less than half the tube's width: the sample's own near field may reach the microphone",
            coupon.near_m
        ));
    }
    list
}

/// One frequency of the evaluation.
struct Row {
    f: f64,
    z: Complex64,
    noise: f64,
    /// Changes of z by one standard deviation of: spacing, near, behind, from end, temperature, calibration (level,
    /// phase).
    shift: [Complex64; 7],
}

/// The evaluation from a ratio on. `warnings` go into the result.
#[must_use]
pub fn evaluate(
    coupon: &Coupon,
    tube: &Tube,
    ratio: &Ratio,
    warnings: Vec<String>,
) -> CouponResult {
    let allowed_hz = tube.limits_hz();
    let calibration = if ratio.calibrated {
        EXCHANGED
    } else {
        NOT_EXCHANGED
    };
    let mut rows = Vec::new();
    for ((&f, &h), &noise) in ratio
        .frequency_hz
        .iter()
        .zip(&ratio.value)
        .zip(&ratio.noise)
    {
        if !(allowed_hz[0]..=allowed_hz[1]).contains(&f) || noise.is_nan() || noise > NOISIEST {
            continue;
        }
        let z = tube.sample(f, h);
        let step = h * 1e-6;
        let slope = (tube.sample(f, h + step) - z) / step;
        let other = |change: &dyn Fn(&mut Tube)| {
            let mut t = *tube;
            change(&mut t);
            t.sample(f, h) - z
        };
        let d = coupon.distance_sd_m;
        let shift = [
            other(&|t| t.spacing_m += d),
            other(&|t| t.near_m += d),
            other(&|t| t.behind_m += d),
            other(&|t| t.from_end_m += d),
            other(&|t| t.conditions.temperature_c += coupon.temperature_sd_k),
            slope * h * calibration,
            slope * h * Complex64::new(0.0, calibration),
        ]
        .map(|v| {
            if v.is_finite() {
                v
            } else {
                Complex64::default()
            }
        });
        let noise = (slope * h).norm() * noise / std::f64::consts::SQRT_2;
        if z.is_finite() && noise.is_finite() {
            rows.push(Row { f, z, noise, shift });
        }
    }
    let layers = f64::from(coupon.layers);
    let mut result = CouponResult {
        format: "bassay-coupon-result/1",
        name: coupon.name.clone(),
        layers: coupon.layers,
        told: false,
        why_not: None,
        specific_pa_s_per_m: None,
        areal_mass_kg_per_m2: None,
        used_hz: None,
        allowed_hz,
        grows_with_frequency: false,
        calibrated: ratio.calibrated,
        parts: Parts::default(),
        points: Vec::new(),
        warnings,
        digest: coupon.digest.clone(),
    };
    if rows.len() < FEWEST {
        result.why_not = Some(format!(
            "the signal is too weak: {} frequencies between {:.0} and {:.0} Hz have less than {:.0} % of noise, {FEWEST} are needed; play louder or longer, and look at the cabling",
            rows.len(),
            allowed_hz[0],
            allowed_hz[1],
            100.0 * NOISIEST
        ));
        return result;
    }
    let resistance = fit(&rows, &|z| z.re, &|x| vec![1.0, x * x], true);
    let reactance = fit(&rows, &|z| z.im, &|x| vec![x], false);
    let highest = rows.last().map_or(1.0, |r| r.f);
    result.used_hz = Some([rows[0].f, highest]);
    result.grows_with_frequency = resistance.columns == 2;
    result.parts = resistance.parts;
    result.points = rows
        .iter()
        .map(|r| Point {
            frequency_hz: r.f,
            resistance_pa_s_per_m: r.z.re,
            reactance_pa_s_per_m: r.z.im,
            sd_pa_s_per_m: own_variance(r, &|z| z.re).sqrt(),
        })
        .collect();
    let value = Value::new(resistance.value / layers, resistance.sd / layers);
    result.specific_pa_s_per_m = Some(value);
    let per_omega = TAU * highest * layers;
    result.areal_mass_kg_per_m2 = Some(Value::new(
        reactance.value / per_omega,
        reactance.sd / per_omega,
    ));
    if value.value <= 0.0 || value.high95 - value.value > WIDEST * value.value {
        let p = resistance.parts;
        let causes = [
            (p.noise, "noise: play louder or longer"),
            (
                p.distances,
                "distances: measure them more closely, or use a longer tube behind the sample",
            ),
            (
                p.temperature,
                "temperature: state temperature_c, measured in the tube",
            ),
            (
                p.calibration,
                "the microphones: add a capture with them exchanged",
            ),
            (
                p.scatter,
                "scatter over frequency: seal the rim of the sample, and stretch it",
            ),
        ];
        let worst = causes
            .iter()
            .max_by(|a, b| a.0.total_cmp(&b.0))
            .map_or("", |c| c.1);
        result.why_not = Some(format!(
            "the interval is wider than {:.0} % of the value; most of it comes from {worst}",
            100.0 * WIDEST
        ));
        return result;
    }
    result.told = true;
    result
}

/// Variance of one part of z at one frequency, without scatter.
fn own_variance(row: &Row, part: &dyn Fn(Complex64) -> f64) -> f64 {
    row.noise.powi(2) + row.shift.iter().map(|s| part(*s).powi(2)).sum::<f64>()
}

struct Fitted {
    value: f64,
    sd: f64,
    columns: usize,
    parts: Parts,
}

/// Weighted least squares of one part of z over x = f/f_max; the first coefficient with its standard deviation. With
/// `trim` the second column is used only where its coefficient is above twice its own error.
fn fit(
    rows: &[Row],
    part: &dyn Fn(Complex64) -> f64,
    columns: &dyn Fn(f64) -> Vec<f64>,
    trim: bool,
) -> Fitted {
    let highest = rows.last().map_or(1.0, |r| r.f);
    let own: Vec<f64> = rows
        .iter()
        .map(|r| own_variance(r, part).max(1e-12))
        .collect();
    let wide = columns(1.0).len();
    let solve = |count: usize, tau2: f64| {
        let design: Vec<Vec<f64>> = rows
            .iter()
            .map(|r| {
                let mut c = columns(r.f / highest);
                c.truncate(count);
                c
            })
            .collect();
        let weight: Vec<f64> = own.iter().map(|v| 1.0 / (v + tau2)).collect();
        // Rows of (XᵀWX)⁻¹XᵀW for one or two columns.
        let product = |a: usize, b: usize| -> f64 {
            design
                .iter()
                .zip(&weight)
                .map(|(x, w)| w * x[a] * x[b])
                .sum()
        };
        let linear: Vec<Vec<f64>> = if count == 1 {
            let all = product(0, 0);
            vec![
                design
                    .iter()
                    .zip(&weight)
                    .map(|(x, w)| w * x[0] / all)
                    .collect(),
            ]
        } else {
            let (a, b, c) = (product(0, 0), product(0, 1), product(1, 1));
            let det = a * c - b * b;
            let row = |p: f64, q: f64| -> Vec<f64> {
                design
                    .iter()
                    .zip(&weight)
                    .map(|(x, w)| w * (p * x[0] + q * x[1]) / det)
                    .collect()
            };
            vec![row(c, -b), row(-b, a)]
        };
        let coefficient: Vec<f64> = linear
            .iter()
            .map(|l| l.iter().zip(rows).map(|(l, r)| l * part(r.z)).sum())
            .collect();
        // Scatter beyond the frequencies' own errors.
        let mut beyond = 0.0;
        for ((x, w), (r, v)) in design.iter().zip(&weight).zip(rows.iter().zip(&own)) {
            let fitted: f64 = x.iter().zip(&coefficient).map(|(x, c)| x * c).sum();
            beyond += w * ((part(r.z) - fitted).powi(2) - v);
        }
        let tau2 = (beyond / weight.iter().sum::<f64>()).max(0.0);
        (linear, coefficient, tau2)
    };
    let settled = |count: usize| {
        let mut tau2 = 0.0;
        let mut last = solve(count, tau2);
        for _ in 0..20 {
            tau2 = last.2;
            last = solve(count, tau2);
        }
        last
    };
    let parts_of = |linear: &[f64], tau2: f64| {
        let common = |n: usize| -> f64 {
            linear
                .iter()
                .zip(rows)
                .map(|(l, r)| l * part(r.shift[n]))
                .sum()
        };
        let noise: f64 = linear
            .iter()
            .zip(rows)
            .map(|(l, r)| (l * r.noise).powi(2))
            .sum();
        Parts {
            noise: noise.sqrt(),
            distances: (0..4).map(|n| common(n).powi(2)).sum::<f64>().sqrt(),
            temperature: common(4).abs(),
            calibration: common(5).hypot(common(6)),
            scatter: tau2.sqrt(),
        }
    };
    let total = |p: &Parts| {
        (p.noise.powi(2)
            + p.distances.powi(2)
            + p.temperature.powi(2)
            + p.calibration.powi(2)
            + p.scatter.powi(2))
        .sqrt()
    };
    let mut count = if trim { 1 } else { wide };
    let mut chosen = settled(count);
    if trim && wide > 1 {
        let both = settled(2);
        let error = total(&parts_of(&both.0[1], both.2));
        if both.1[1].abs() > 2.0 * error {
            (count, chosen) = (2, both);
        }
    }
    let parts = parts_of(&chosen.0[0], chosen.2);
    Fitted {
        value: chosen.1[0],
        sd: total(&parts),
        columns: count,
        parts,
    }
}
