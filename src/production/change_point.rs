//! When a process began to change: from values in order, with an interval.
//!
//! ```text
//! x_t = μ + b·g_τ(t) + ε_t      g_τ: 0 up to value τ; then 1 (a jump), or (t − τ)/(n − τ) (a drift); ε normal, σ²
//! prior  μ flat, p(σ) ∝ 1/σ, b ~ N(0, κ²σ²), τ equally likely at every value but the last, jump and drift too
//!        no change as likely as any, and one odd value (g = 1 at one place) as likely as no change: neither lasts
//!
//! p(x | τ) ∝ (1 + κ²·G)^(−1/2)·(X − κ²·C²/(1 + κ²·G))^(−(n − 1)/2)       X, G, C: sums of squares of x and g, of their product
//! E(b | τ) = κ²·C/(1 + κ²·G)                                            about their means
//! ```
//!
//! The interval holds the values of τ that carry 95 % of the probability between them, from the quantiles at 2.5 % on both ends.
//!
//! **Range.** n ≥ 8 values; one change; κ = 3 because a change that matters is between one and several standard deviations, and
//! the answer depends little on it (`tests/lookback` counts how often the interval holds the truth).
//!
//! References: Smith 1975, Biometrika 62:407 (the posterior of a change point); Perry & Pignatiello 2006 (drifts), both from
//! memory; the sums follow from the normal linear model (DERIVED).

use serde::Serialize;

/// κ.
const SIZE: f64 = 3.0;
/// Fewest values.
pub const LEAST: usize = 8;

/// When the values began to change.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChangePoint {
    /// Probability that there was a change at all.
    pub probability: f64,
    /// Place of the first changed value, from 0: the median.
    pub first: usize,
    /// Lower end of the 95 % interval of that place.
    pub low95: usize,
    /// Upper end.
    pub high95: usize,
    /// Probability that it grew rather than jumped, given a change.
    pub drift: f64,
    /// By how much the last value's mean differs from that before the change, unit of the values.
    pub size: f64,
}

/// The change in `values`; `None` for too few values, or values that do not differ.
#[must_use]
pub fn change_point(values: &[f64]) -> Option<ChangePoint> {
    let n = values.len();
    if n < LEAST || values.iter().any(|v| !v.is_finite()) {
        return None;
    }
    let count = n as f64;
    let mean = values.iter().sum::<f64>() / count;
    let x: Vec<f64> = values.iter().map(|v| v - mean).collect();
    let squares: f64 = x.iter().map(|v| v * v).sum();
    if squares <= count * (1e-12 * mean.abs()).powi(2) {
        return None;
    }
    let k2 = SIZE * SIZE;
    let log_weight = |g: f64, c: f64| {
        let left = (squares - k2 * c * c / (1.0 + k2 * g)).max(1e-300);
        -0.5 * (k2 * g).ln_1p() - 0.5 * (count - 1.0) * left.ln()
    };
    // From the end: sums of x_t and of t·x_t over what lies after τ.
    let (mut plain, mut weighted) = (0.0, 0.0);
    let mut jump = Vec::new();
    let mut drift = Vec::new();
    for tau in (1..n).rev() {
        // τ values are unchanged; the value of place τ is the first changed one.
        let m = (n - tau) as f64;
        plain += x[tau];
        weighted += x[tau] * tau as f64;
        if tau == n - 1 {
            // One value does not last.
            continue;
        }
        let g = m * (1.0 - m / count);
        jump.push((tau, log_weight(g, plain), k2 * plain / (1.0 + k2 * g)));
        // g = (t − τ + 1)/m for place t.
        let c = (weighted - (tau as f64 - 1.0) * plain) / m;
        let sum = 0.5 * (m + 1.0);
        let g = (m + 1.0) * (2.0 * m + 1.0) / (6.0 * m) - sum * sum / count;
        drift.push((tau, log_weight(g, c), k2 * c / (1.0 + k2 * g)));
    }
    let none = -0.5 * (count - 1.0) * squares.ln();
    let odd: Vec<f64> = x
        .iter()
        .map(|v| log_weight(1.0 - 1.0 / count, *v))
        .collect();
    let most = jump
        .iter()
        .chain(&drift)
        .map(|p| p.1)
        .chain(odd.iter().copied());
    let most = most.fold(none, f64::max);
    let mut at = vec![0.0; n];
    let (mut size, mut drifted, mut changed) = (0.0, 0.0, 0.0);
    for (list, drifts) in [(&jump, false), (&drift, true)] {
        for &(tau, log, b) in list {
            let p = (log - most).exp();
            at[tau] += p;
            changed += p;
            size += p * b;
            if drifts {
                drifted += p;
            }
        }
    }
    let kinds = (jump.len() + drift.len()) as f64;
    let single: f64 = odd.iter().map(|o| (o - most).exp()).sum();
    let same = kinds * ((none - most).exp() + single / count);
    let quantile = |share: f64| {
        let mut sum = 0.0;
        at.iter()
            .position(|p| {
                sum += p;
                sum >= share * changed
            })
            .unwrap_or(n - 1)
    };
    Some(ChangePoint {
        probability: changed / (changed + same),
        first: quantile(0.5),
        low95: quantile(0.025),
        high95: quantile(0.975),
        drift: drifted / changed,
        size: size / changed,
    })
}
