//! When a process began to change: from values in order, with an interval.
//!
//! ```text
//! x_t = μ + b·g_τ(t) + ε_t      g_τ: 0 up to value τ; then 1 (a jump), or (t − τ)/(n − τ) (a drift); ε normal, σ²
//!                               or 1 from one place to another and 0 behind it: a stretch that came and went
//! prior  μ flat, p(σ) ∝ 1/σ, b ~ N(0, κ²σ²), τ equally likely at every value but the last, jump and drift too
//!        no change as likely as any; one odd value (g = 1 at one place), and a stretch from anywhere to anywhere, each as
//!        likely as no change: neither lasts
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
/// Fewest values ahead of a stretch and behind it; half as many as it has itself, if that is more. Otherwise the rest could be the
/// stretch as well.
const BESIDE: usize = 5;
/// Longest stretch, as a share of all values: of a longer one the rest would be the stretch.
const LONGEST: f64 = 1.0 / 3.0;
/// Ends of a stretch that are looked at, at most; longer series are looked at in steps.
const ENDS: usize = 1000;

/// A stretch that stands apart from what is before and behind it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Stretch {
    /// Probability that there is such a stretch, rather than no change, an odd value or a change that lasts.
    pub probability: f64,
    /// Place of its first value, from 0: the median, and the 95 % interval.
    pub first: [usize; 3],
    /// Place of its last value: the same.
    pub last: [usize; 3],
    /// By how much its mean differs from the rest, unit of the values.
    pub size: f64,
}

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
    /// The stretch that came and went, as far as the values show one.
    pub stretch: Option<Stretch>,
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
    let stretches = stretches(&x, log_weight);
    let most = most
        .chain(stretches.iter().map(|s| s.log))
        .fold(none, f64::max);
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
    let (mut begins, mut ends) = (vec![0.0; n], vec![0.0; n]);
    let (mut passing, mut height) = (0.0, 0.0);
    for s in &stretches {
        let p = (s.log - most).exp();
        begins[s.from] += p;
        ends[s.to - 1] += p;
        passing += p;
        height += p * s.size;
    }
    let apart = kinds * passing / stretches.len().max(1) as f64;
    let same = kinds * ((none - most).exp() + single / count) + apart;
    let [first, low95, high95] = quantiles(&at);
    Some(ChangePoint {
        stretch: (passing > 0.0).then(|| Stretch {
            probability: apart / (changed + same),
            first: quantiles(&begins),
            last: quantiles(&ends),
            size: height / passing,
        }),
        probability: changed / (changed + same),
        first,
        low95,
        high95,
        drift: drifted / changed,
        size: size / changed,
    })
}

/// One stretch: places `from..to` and what the values say of it.
struct Weighed {
    from: usize,
    to: usize,
    log: f64,
    size: f64,
}

/// All stretches of two values or more with values ahead and behind; x about its mean.
fn stretches(x: &[f64], log_weight: impl Fn(f64, f64) -> f64) -> Vec<Weighed> {
    let n = x.len();
    let count = n as f64;
    let mut sums = vec![0.0; n + 1];
    for (i, v) in x.iter().enumerate() {
        sums[i + 1] = sums[i] + v;
    }
    let step = n.div_ceil(ENDS);
    let k2 = SIZE * SIZE;
    let mut list = Vec::new();
    for from in (BESIDE..n).step_by(step) {
        let longest = from + (LONGEST * count) as usize;
        for to in (from + 2..=longest.min(n)).step_by(step) {
            let beside = BESIDE.max((to - from) / 2);
            if n - to < beside || from < beside {
                break;
            }
            let m = (to - from) as f64;
            let g = m * (1.0 - m / count);
            let c = sums[to] - sums[from];
            list.push(Weighed {
                from,
                to,
                log: log_weight(g, c),
                size: k2 * c / (1.0 + k2 * g),
            });
        }
    }
    list
}

/// Median, and the places that hold 95 % between them.
fn quantiles(weights: &[f64]) -> [usize; 3] {
    let all: f64 = weights.iter().sum();
    [0.5, 0.025, 0.975].map(|share| {
        let mut sum = 0.0;
        weights
            .iter()
            .position(|p| {
                sum += p;
                sum >= share * all
            })
            .unwrap_or(weights.len().saturating_sub(1))
    })
}
