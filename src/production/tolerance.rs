//! Statistical tolerance intervals: limits from a few accepted units that hold, with a stated confidence, at least a stated
//! share of all units to come.
//!
//! From a normal population, with mean x̄ and standard deviation s of n units (s with ν degrees of freedom, n − 1 as a rule):
//!
//! ```text
//! one side   x̄ + k·s      P(T_ν(δ) ≤ k·√n) = γ,   δ = √n·Φ⁻¹(p)           (noncentral t)
//! both       x̄ ± k·s      2·√n·∫₀^∞ φ(√n·x)·P(χ²_ν > ν·r(x)²/k²) dx = γ,   Φ(x + r) − Φ(x − r) = p
//! ```
//!
//! The noncentral t probability is taken as the mean of Φ(√n·(k·w − Φ⁻¹(p))) over w = s/σ, by the trapezoidal rule in ln w,
//! which converges faster than any power because the density and all its derivatives vanish at both ends; so does the second integral.
//!
//! Without any assumption of a distribution, from order statistics: leaving out m of n + 1 spaces (m = 1: between one end of the
//! axis and the largest value; m = 2: between least and largest) the share held has a beta distribution,
//!
//! ```text
//! P(share ≥ p) = P(Bin(n, 1 − p) ≥ m) = 1 − Σ_{i<m} C(n, i)·(1 − p)^i·p^(n−i)
//! ```
//!
//! | symbol | variable | unit |
//! | --- | --- | --- |
//! | n | `sample` | 1 |
//! | ν | `degrees` | 1 |
//! | p | `content` | 1 |
//! | γ | `confidence` | 1 |
//! | k | factor | 1 |
//!
//! **Range.** n ≥ 2, ν ≥ 1, 0 < p < 1, 0 < γ < 1; factors are good to 1e-9 relative for n up to 5000 (checked against
//! scipy, `tests/tolerance_factors.rs`). The factors for a normal population are right for one only: skewed
//! populations need more units and [`excluded`].
//!
//! References: ISO 16269-6:2014; Odeh & Owen 1980, Tables for normal tolerance limits (from memory); Wilks 1941, Ann. Math.
//! Statist. 12:91 (order statistics, from memory).

use crate::special::probability::{gamma_tail, normal_cdf, normal_density, normal_quantile};
use serde::Serialize;
use thiserror::Error;

/// Why there is no interval.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum ToleranceError {
    /// A share that is none.
    #[error(
        "the {what} is {value}: expected a number between 0 and 1, both excluded, such as 0.95"
    )]
    Share {
        /// Content or confidence.
        what: &'static str,
        /// What was given.
        value: f64,
    },
    /// Too few units.
    #[error("{found} accepted unit(s): limits need at least {needed}; accept more units first")]
    Units {
        /// How many there are.
        found: usize,
        /// How many are needed.
        needed: usize,
    },
    /// A value that is no number.
    #[error("unit {index} of the sample has the value {value}: expected a finite number")]
    Value {
        /// Which, from 0.
        index: usize,
        /// Its value.
        value: f64,
    },
    /// So extreme a demand that no number holds the factor.
    #[error(
        "no finite factor for {sample} units, content {content} and confidence {confidence}: ask for less confidence, or accept more units"
    )]
    Unbounded {
        /// Units.
        sample: usize,
        /// Content.
        content: f64,
        /// Confidence.
        confidence: f64,
    },
}

/// Which ends an interval has.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Sides {
    /// A lower limit only.
    Lower,
    /// An upper limit only.
    Upper,
    /// Both.
    Both,
}

/// A tolerance interval of a normal population.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ToleranceInterval {
    /// Lower limit, unit of the values; `None` for an upper one alone.
    pub low: Option<f64>,
    /// Upper limit; `None` for a lower one alone.
    pub high: Option<f64>,
    /// Mean of the sample.
    pub mean: f64,
    /// Its standard deviation (n − 1).
    pub sd: f64,
    /// k.
    pub factor: f64,
    /// Units.
    pub sample: usize,
    /// p.
    pub content: f64,
    /// γ.
    pub confidence: f64,
}

/// Limits that hold at least `content` of a normal population with `confidence`, from measured values.
///
/// # Errors
/// [`ToleranceError`] for fewer than two values, one that is not finite, or a share outside (0, 1).
pub fn normal_interval(
    values: &[f64],
    sides: Sides,
    content: f64,
    confidence: f64,
) -> Result<ToleranceInterval, ToleranceError> {
    let sample = values.len();
    if let Some(index) = values.iter().position(|v| !v.is_finite()) {
        let value = values[index];
        return Err(ToleranceError::Value { index, value });
    }
    let factor = match sides {
        Sides::Both => two_sided_factor(sample, content, confidence)?,
        Sides::Lower | Sides::Upper => one_sided_factor(sample, content, confidence)?,
    };
    let n = sample as f64;
    let mean = values.iter().sum::<f64>() / n;
    let squares: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
    let sd = (squares / (n - 1.0)).sqrt();
    Ok(ToleranceInterval {
        low: (sides != Sides::Upper).then_some(mean - factor * sd),
        high: (sides != Sides::Lower).then_some(mean + factor * sd),
        mean,
        sd,
        factor,
        sample,
        content,
        confidence,
    })
}

/// k of a limit on one side, from `sample` units.
///
/// # Errors
/// [`ToleranceError`] for fewer than two units or a share outside (0, 1).
pub fn one_sided_factor(
    sample: usize,
    content: f64,
    confidence: f64,
) -> Result<f64, ToleranceError> {
    sound(sample, content, confidence)?;
    one_sided_factor_pooled(sample, sample - 1, content, confidence)
}

/// k of limits on both sides, from `sample` units.
///
/// # Errors
/// As [`one_sided_factor`].
pub fn two_sided_factor(
    sample: usize,
    content: f64,
    confidence: f64,
) -> Result<f64, ToleranceError> {
    sound(sample, content, confidence)?;
    two_sided_factor_pooled(sample, sample - 1, content, confidence)
}

/// k of a limit on one side where the mean is that of `sample` units and the standard deviation has `degrees` of freedom
/// (pooled over several samples, for example).
///
/// # Errors
/// [`ToleranceError`] for no unit, no degree of freedom, or a share outside (0, 1).
pub fn one_sided_factor_pooled(
    sample: usize,
    degrees: usize,
    content: f64,
    confidence: f64,
) -> Result<f64, ToleranceError> {
    shares(content, confidence)?;
    units(sample, 1)?;
    units(degrees, 1)?;
    let (n, nu) = (sample as f64, degrees as f64);
    let z = normal_quantile(content);
    let ratio = ratios(nu, (n * z * z + 2.0 * nu + 1.0).sqrt());
    let reached = |k: f64| -> f64 {
        ratio
            .iter()
            .map(|&(w, weight)| weight * normal_cdf(n.sqrt() * (k * w - z)))
            .sum()
    };
    rising(reached, confidence, 1.0).ok_or(ToleranceError::Unbounded {
        sample,
        content,
        confidence,
    })
}

/// k of limits on both sides where the mean is that of `sample` units and the standard deviation has `degrees` of freedom
/// (ISO 16269-6 tabulates `degrees` = m·(n − 1) for m samples of n units).
///
/// # Errors
/// As [`one_sided_factor_pooled`].
pub fn two_sided_factor_pooled(
    sample: usize,
    degrees: usize,
    content: f64,
    confidence: f64,
) -> Result<f64, ToleranceError> {
    shares(content, confidence)?;
    units(sample, 1)?;
    units(degrees, 1)?;
    let (n, nu) = (sample as f64, degrees as f64);
    let least = normal_quantile(0.5 + 0.5 * content);
    // The chi-squared probability falls over a relative 1/√(2ν) of r, which grows by at most 1/√n per unit of y.
    let step = (0.25 * least * (n / (2.0 * nu)).sqrt()).clamp(2e-3, 0.1);
    let count = (9.0 / step).ceil() as usize;
    // (weight, ν·r²/2), y = √n·x.
    let nodes: Vec<(f64, f64)> = (0..=count)
        .map(|i| {
            let y = i as f64 * step;
            // The integrand is even: the trapezoidal rule over the whole axis.
            let times = if i == 0 { 1.0 } else { 2.0 };
            let r = radius(y / n.sqrt(), content, least);
            (times * step * normal_density(y), 0.5 * nu * r * r)
        })
        .collect();
    let reached = |k: f64| -> f64 {
        nodes
            .iter()
            .map(|&(weight, half)| weight * gamma_tail(0.5 * nu, half / (k * k)))
            .sum()
    };
    rising(reached, confidence, least).ok_or(ToleranceError::Unbounded {
        sample,
        content,
        confidence,
    })
}

/// Confidence that what `sample` units leave after giving up `excluded` of the n + 1 spaces between them holds at least
/// `content` of any population. `excluded` = 1: all below the largest value; 2: between least and largest.
#[must_use]
pub fn order_confidence(sample: usize, excluded: usize, content: f64) -> f64 {
    if excluded > sample {
        return 0.0;
    }
    if excluded == 0 || content <= 0.0 {
        return 1.0;
    }
    if content >= 1.0 {
        return 0.0;
    }
    // Each term in its logarithm: pⁿ is below what a number holds for many units.
    let (n, odds) = (sample as f64, ((1.0 - content) / content).ln());
    let mut term = n * content.ln();
    let mut below = 0.0;
    for i in 0..excluded {
        below += term.exp();
        let i = i as f64;
        term += ((n - i) / (i + 1.0)).ln() + odds;
    }
    (1.0 - below).max(0.0)
}

/// Most spaces that may be given up so that the rest holds `content` with `confidence`; `None` where even one is too many,
/// because there are too few units.
///
/// # Errors
/// [`ToleranceError::Share`].
pub fn excluded(
    sample: usize,
    content: f64,
    confidence: f64,
) -> Result<Option<usize>, ToleranceError> {
    shares(content, confidence)?;
    // Falls with the number given up: halve.
    let (mut holds, mut fails) = (0, sample + 1);
    while fails - holds > 1 {
        let middle = holds + (fails - holds) / 2;
        if order_confidence(sample, middle, content) >= confidence {
            holds = middle;
        } else {
            fails = middle;
        }
    }
    Ok((holds > 0).then_some(holds))
}

/// Fewest units of which `excluded` spaces may be given up (1: the largest value is the limit; 2: least and largest are).
///
/// # Errors
/// [`ToleranceError::Share`]; [`ToleranceError::Unbounded`] above 10⁹ units.
pub fn sample_size(
    excluded: usize,
    content: f64,
    confidence: f64,
) -> Result<usize, ToleranceError> {
    shares(content, confidence)?;
    let enough = |sample: usize| order_confidence(sample, excluded, content) >= confidence;
    let mut high = excluded.max(1);
    while !enough(high) {
        if high > 1_000_000_000 {
            return Err(ToleranceError::Unbounded {
                sample: high,
                content,
                confidence,
            });
        }
        high *= 2;
    }
    let mut low = high / 2;
    while high - low > 1 {
        let middle = low + (high - low) / 2;
        if enough(middle) {
            high = middle;
        } else {
            low = middle;
        }
    }
    Ok(high)
}

fn shares(content: f64, confidence: f64) -> Result<(), ToleranceError> {
    for (what, value) in [("content", content), ("confidence", confidence)] {
        if !(value > 0.0 && value < 1.0) {
            return Err(ToleranceError::Share { what, value });
        }
    }
    Ok(())
}

fn units(found: usize, needed: usize) -> Result<(), ToleranceError> {
    if found < needed {
        return Err(ToleranceError::Units { found, needed });
    }
    Ok(())
}

fn sound(sample: usize, content: f64, confidence: f64) -> Result<(), ToleranceError> {
    shares(content, confidence)?;
    units(sample, 2)
}

/// Values of w = √(χ²_ν/ν) and their probabilities, in steps of ln w that follow what changes over 1/`rate`.
pub(super) fn ratios(nu: f64, rate: f64) -> Vec<(f64, f64)> {
    let step = 0.25 / rate;
    // Density of u = ln w over that at its mode, u = 0: exp(ν·(u − (e^(2u) − 1)/2)).
    let density = |i: i64| {
        let u = i as f64 * step;
        (u.exp(), (nu * (u - 0.5 * (2.0 * u).exp_m1())).exp())
    };
    let mut list = vec![density(0)];
    for sign in [-1, 1] {
        let mut i = 1;
        loop {
            let node = density(sign * i);
            if node.1 < 1e-18 {
                break;
            }
            list.push(node);
            i += 1;
        }
    }
    let total: f64 = list.iter().map(|node| node.1).sum();
    for node in &mut list {
        node.1 /= total;
    }
    list
}

/// r with Φ(x + r) − Φ(x − r) = p, for x ≥ 0; `least` is the one at x = 0.
fn radius(x: f64, content: f64, least: f64) -> f64 {
    let (mut low, mut high) = (least, least + x);
    let mut r = high;
    for _ in 0..100 {
        // Both as tails: for large x they are small and must not be differences from 1.
        let excess = normal_cdf(r - x) - normal_cdf(-x - r) - content;
        if excess > 0.0 {
            high = r;
        } else {
            low = r;
        }
        let newton = r - excess / (normal_density(r - x) + normal_density(x + r));
        let next = if (low..=high).contains(&newton) {
            newton
        } else {
            0.5 * (low + high)
        };
        if (next - r).abs() <= 1e-15 * next {
            return next;
        }
        r = next;
    }
    r
}

/// Where a rising function reaches `wanted`, from a positive first guess.
fn rising(reached: impl Fn(f64) -> f64, wanted: f64, guess: f64) -> Option<f64> {
    let (mut low, mut high) = (0.0, guess.max(1e-3));
    while reached(high) < wanted {
        low = high;
        high *= 2.0;
        if high > 1e15 {
            return None;
        }
    }
    if low == 0.0 {
        // Below the median with little confidence the factor of one side is negative.
        let mut span = high;
        while reached(low) > wanted {
            high = low;
            low -= span;
            span *= 2.0;
            if low < -1e15 {
                return None;
            }
        }
    }
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        if middle <= low || middle >= high {
            break;
        }
        if reached(middle) < wanted {
            low = middle;
        } else {
            high = middle;
        }
    }
    Some(0.5 * (low + high))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// DERIVED: for n = 2 and content ½ the one-sided factor is that of the mean: Student's t over √n.
    #[test]
    fn limit_of_the_median_is_students() {
        // PUBLISHED (from memory): t(0.95; 1) = 6.313752, t(0.95; 9) = 1.833113.
        for (n, t) in [(2, 6.313_752), (10, 1.833_113)] {
            let k = one_sided_factor(n, 0.5, 0.95).unwrap() * (n as f64).sqrt();
            assert!((k - t).abs() < 1e-6, "{n} {k}");
        }
    }

    /// DERIVED: with many units both factors go to those of the known population.
    #[test]
    fn many_units_know_the_population() {
        let both = two_sided_factor(1_000_000, 0.95, 0.5).unwrap();
        let one = one_sided_factor(1_000_000, 0.95, 0.5).unwrap();
        // The next terms are of order 1/n.
        assert!((both - 1.959_964).abs() < 5e-6, "{both}");
        assert!((one - 1.644_854).abs() < 5e-6, "{one}");
    }

    /// DERIVED: more of anything asked makes the interval wider, more units narrower.
    #[test]
    fn factors_rise_and_fall_as_they_should() {
        for factor in [one_sided_factor, two_sided_factor] {
            let k = |n, p, g| factor(n, p, g).unwrap();
            assert!(k(10, 0.95, 0.95) < k(10, 0.99, 0.95));
            assert!(k(10, 0.95, 0.95) < k(10, 0.95, 0.99));
            assert!(k(10, 0.95, 0.95) > k(11, 0.95, 0.95));
        }
        assert!(one_sided_factor(10, 0.2, 0.1).unwrap() < 0.0);
    }

    #[test]
    fn interval_of_a_small_sample() {
        let values = [9.0, 10.0, 11.0];
        let both = normal_interval(&values, Sides::Both, 0.95, 0.95).unwrap();
        assert_eq!((both.mean, both.sd, both.sample), (10.0, 1.0, 3));
        // PUBLISHED: Meeker, Hahn & Escobar 2017, table J.5b: 9.789 for n = 3, 0.95/0.95.
        assert!((both.high.unwrap() - 19.789).abs() < 5e-4);
        assert!((both.low.unwrap() - 0.211).abs() < 5e-4);
        let upper = normal_interval(&values, Sides::Upper, 0.95, 0.95).unwrap();
        assert!(upper.low.is_none() && upper.high.unwrap() < 19.789);
    }

    #[test]
    fn nonsense_is_refused() {
        assert_eq!(
            two_sided_factor(1, 0.95, 0.95),
            Err(ToleranceError::Units {
                found: 1,
                needed: 2
            })
        );
        for bad in [0.0, 1.0, -0.5, f64::NAN] {
            assert!(one_sided_factor(5, bad, 0.95).is_err());
            assert!(two_sided_factor(5, 0.95, bad).is_err());
            assert!(excluded(5, bad, 0.95).is_err() && sample_size(2, 0.95, bad).is_err());
        }
        let bad = normal_interval(&[1.0, f64::NAN], Sides::Both, 0.95, 0.95);
        assert!(matches!(bad, Err(ToleranceError::Value { index: 1, .. })));
        assert!(normal_interval(&[], Sides::Both, 0.95, 0.95).is_err());
    }
}
