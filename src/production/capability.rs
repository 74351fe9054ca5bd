//! Capability of a process of normal values, with intervals for what a sample can tell of it.
//!
//! ```text
//! Cp = (high − low)/(6σ)     Cpk = min(high − μ, μ − low)/(3σ)
//! share outside = Φ((low − μ)/σ) + Φ((μ − high)/σ)
//!
//! Cp    its estimate times √(χ²_ν,α/2/ν) and √(χ²_ν,1−α/2/ν), ν = n − 1                       exact
//! z     = (limit − μ)/σ of one limit from k = (limit − x̄)/s:  P(T_ν(√n·z) ≤ √n·k) = 1 − α/2 and α/2   exact (noncentral t)
//! Cpk   lower end z_lower/3 of the nearer limit; upper end the Cpk of a centred process that gives so small an
//!       estimate with probability α/2
//! ```
//!
//! The estimate of Cpk also depends on how far the other limit is, which no sample tells exactly. The lower end is exact for a
//! process far off the middle and the upper one for a centred process; between them the interval holds at least as often as it says. Where the mean itself lies
//! outside, the one limit rules and both ends are its own.
//!
//! | symbol | variable | unit |
//! | --- | --- | --- |
//! | μ, σ | `mean`, `sd` | that of the values |
//! | n | `sample` | 1 |
//! | 1 − α | `confidence` | 1 |
//!
//! **Range.** n ≥ 2, independent normal values of a steady process; σ is the standard deviation of all values (n − 1), not that of
//! neighbours.
//!
//! References: ISO 22514 (from memory); Bissell 1990, Appl. Stat. 39:331 (the usual approximation, against which the interval is
//! tested; from memory); Kushler & Hurley 1992, J. Qual. Technol. 24:188 (bounds of Cpk, from memory).

use super::tolerance::ratios;
use crate::several::chi_squared;
use crate::special::gauss_legendre;
use crate::special::probability::{gamma_tail, normal_cdf, normal_density};
use serde::Serialize;

/// Capability of a process against two limits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Capability {
    /// Cp: width of the tolerance over that of the process.
    pub cp: f64,
    /// Cpk: the same for the nearer limit.
    pub cpk: f64,
    /// Share of values outside the limits.
    pub outside: f64,
}

/// From mean, standard deviation and limits, all in one unit; `None` unless low < high and the deviation is positive.
#[must_use]
pub fn capability(mean: f64, sd: f64, low: f64, high: f64) -> Option<Capability> {
    if !(low < high && sd > 0.0 && sd.is_finite() && mean.is_finite()) {
        return None;
    }
    Some(Capability {
        cp: (high - low) / (6.0 * sd),
        cpk: (high - mean).min(mean - low) / (3.0 * sd),
        outside: normal_cdf((low - mean) / sd) + normal_cdf((mean - high) / sd),
    })
}

/// An estimate with the ends of its interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Estimate {
    /// Estimate.
    pub value: f64,
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// What a sample says of the capability.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SampleCapability {
    /// Values.
    pub sample: usize,
    /// Their mean.
    pub mean: f64,
    /// Their standard deviation (n − 1).
    pub sd: f64,
    /// Lower limit.
    pub low: Option<f64>,
    /// Upper limit.
    pub high: Option<f64>,
    /// Cp; `None` with one limit only.
    pub cp: Option<Estimate>,
    /// Cpk.
    pub cpk: Estimate,
    /// Share outside the limits.
    pub outside: Estimate,
    /// Confidence of the intervals.
    pub confidence: f64,
}

/// Capability from values and one or two limits; `None` for fewer than two finite values, no spread, no limit or low ≥ high.
#[must_use]
pub fn sample_capability(
    values: &[f64],
    low: Option<f64>,
    high: Option<f64>,
    confidence: f64,
) -> Option<SampleCapability> {
    let n = values.len();
    if n < 2 || values.iter().any(|v| !v.is_finite()) || low.or(high).is_none() {
        return None;
    }
    if let (Some(low), Some(high)) = (low, high)
        && low >= high
    {
        return None;
    }
    let mean = values.iter().sum::<f64>() / n as f64;
    let squares: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
    let sd = (squares / (n as f64 - 1.0)).sqrt();
    if sd.is_nan() || sd <= 1e-12 * mean.abs() {
        return None;
    }
    let nu = n as f64 - 1.0;
    let side = 0.5 * (1.0 - confidence);
    let cp = low.zip(high).map(|(low, high)| {
        let value = (high - low) / (6.0 * sd);
        Estimate {
            value,
            low: value * (chi_squared::quantile(nu, side) / nu).sqrt(),
            high: value * (chi_squared::quantile(nu, 1.0 - side) / nu).sqrt(),
        }
    });
    // Distances of the limits, in s.
    let distances: Vec<f64> = [
        low.map(|low| (mean - low) / sd),
        high.map(|high| (high - mean) / sd),
    ]
    .into_iter()
    .flatten()
    .collect();
    let nearer = distances.iter().copied().fold(f64::INFINITY, f64::min);
    let [z_low, z_high] = distance_interval(nearer, n, confidence);
    let upper = if distances.len() == 2 && nearer > 0.0 {
        centred_upper(nearer / 3.0, n, side)
    } else {
        z_high / 3.0
    };
    // Both limits at once: each with half of what may be missed.
    let each = 1.0 - (1.0 - confidence) / distances.len() as f64;
    let (mut outside, mut least, mut most) = (0.0, 0.0_f64, 0.0);
    for &k in &distances {
        let [z_low, z_high] = distance_interval(k, n, each);
        outside += normal_cdf(-k);
        least = least.max(normal_cdf(-z_high));
        most += normal_cdf(-z_low);
    }
    Some(SampleCapability {
        sample: n,
        mean,
        sd,
        low,
        high,
        cp,
        cpk: Estimate {
            value: nearer / 3.0,
            low: z_low / 3.0,
            high: upper,
        },
        outside: Estimate {
            value: outside,
            low: least,
            high: most.min(1.0),
        },
        confidence,
    })
}

/// Interval of (limit − μ)/σ from k = (limit − x̄)/s of `sample` values.
#[must_use]
pub fn distance_interval(k: f64, sample: usize, confidence: f64) -> [f64; 2] {
    let (n, nu) = (sample as f64, sample as f64 - 1.0);
    let side = 0.5 * (1.0 - confidence);
    // The nodes follow the larger of the distances that are tried.
    let reach = 10.0 / n.sqrt() + 10.0 * k.abs() / (2.0 * nu).sqrt() + 1.0;
    let rate = (n * (k.abs() + reach).powi(2) + 2.0 * nu + 1.0).sqrt();
    let nodes = ratios(nu, rate);
    let reached = |z: f64| -> f64 {
        nodes
            .iter()
            .map(|&(w, weight)| weight * normal_cdf(n.sqrt() * (k * w - z)))
            .sum()
    };
    [1.0 - side, side].map(|wanted| falling(&reached, wanted, k - reach, k + reach))
}

/// Cpk of a centred process whose estimate is at most `found` with probability `side`.
///
/// The estimate is larger where s < (d − |x̄|)/(3·found), d half the tolerance: P = 2·∫ φ(y)·P(χ²_ν < ν·((3·Cpk − y/√n)/(3·found))²) dy over
/// 0 < y < 3·√n·Cpk.
fn centred_upper(found: f64, sample: usize, side: f64) -> f64 {
    let (n, nu) = (sample as f64, sample as f64 - 1.0);
    // 60 nodes: 1e-10, where the χ² probability falls most steeply (n of some hundreds).
    let nodes = gauss_legendre(60);
    let smaller = |cpk: f64| -> f64 {
        let end = (3.0 * n.sqrt() * cpk).min(9.0);
        let larger: f64 = nodes
            .iter()
            .map(|(x, weight)| {
                let y = 0.5 * end * (1.0 + x);
                let w = (3.0 * cpk - y / n.sqrt()) / (3.0 * found);
                weight * end * normal_density(y) * (1.0 - gamma_tail(0.5 * nu, 0.5 * nu * w * w))
            })
            .sum();
        1.0 - larger
    };
    let top = found * (1.0 + 20.0 / (2.0 * nu).sqrt()) + 10.0 / n.sqrt();
    falling(&smaller, side, 0.0, top)
}

/// x in the bracket at which a falling function has a value; the nearer end where it has none there.
fn falling(of: &dyn Fn(f64) -> f64, wanted: f64, mut low: f64, mut high: f64) -> f64 {
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if of(middle) > wanted {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}
