//! Limits about what a simulation says, where all units may lie off it alike.
//!
//! ```text
//! y = x + b + e       x: drawn from the tolerances    e: repeats of one measurement, drawn anew for every unit
//! b = δ + c           δ: error of the simulation, rectangular ±h    c: level of the station, N(0, u²)
//! ```
//!
//! b is one number for the whole line: it moves the units and does not scatter them. Limits that hold the share p of the
//! units with the confidence γ must hold it for every |b| ≤ d, where P(|b| ≤ d) = γ:
//!
//! ```text
//! P(|δ + c| ≤ d) = u/h·[G((d + h)/u) − G((d − h)/u)] − 1,    G(z) = z·Φ(z) + φ(z)
//! low = x₍t₎ − d,  high = x₍N+1−t₎ + d,   t as large as leaves p at b = +d and at b = −d
//! ```
//!
//! For d far above the scatter s that is d + z(p)·s, for d = 0 it is z((1 + p)/2)·s. Taken as scatter, b would
//! make z((1 + p)/2)·√(s² + u_b²), which is too wide where s is small, and too narrow for the lines that lie far
//! off where it is not.
//!
//! Of 1 − γ the drawing takes a tenth and b the rest, so that both hold together with γ (Bonferroni).
//!
//! | symbol | variable | unit |
//! | --- | --- | --- |
//! | h | `half` | dB |
//! | u | `level` | dB |
//! | d | [`reach`] | dB |
//!
//! References: JCGM 100:2008, 4.3.7 (rectangular distribution of what has only bounds); order statistics:
//! [`crate::production::tolerance::excluded`]. G is the antiderivative of Φ.

use crate::production::tolerance::{ToleranceError, excluded};
use crate::special::probability::{normal_cdf, normal_density, normal_quantile};

/// Share of 1 − γ that the drawing takes.
const OF_DRAWING: f64 = 0.1;

/// Chance that |δ + c| stays within d.
fn within(d: f64, half: f64, level: f64) -> f64 {
    if half <= 0.0 {
        return 2.0 * normal_cdf(d / level) - 1.0;
    }
    // Where the level is so sure that G would be a difference of large numbers.
    if level < 1e-6 * half {
        return (d / half).min(1.0);
    }
    let g = |z: f64| z * normal_cdf(z) + normal_density(z);
    level / half * (g((d + half) / level) - g((d - half) / level)) - 1.0
}

/// By how much a line lies off at most, with the confidence, dB: a rectangular error within ±`half` and a normal one of
/// standard deviation `level` together.
#[must_use]
pub fn reach(half: f64, level: f64, confidence: f64) -> f64 {
    if half <= 0.0 && level <= 0.0 {
        return 0.0;
    }
    let (mut low, mut high) = (
        0.0,
        half + level * normal_quantile(0.5 + 0.5 * confidence).max(0.0) + level,
    );
    for _ in 0..80 {
        let middle = 0.5 * (low + high);
        if within(middle, half, level) < confidence {
            low = middle;
        } else {
            high = middle;
        }
    }
    high
}

/// Limits about drawn units that may all lie off by `half` and `level`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Around {
    pub low: f64,
    pub high: f64,
    /// d.
    pub reach: f64,
}

/// Whether so many drawn units can hold a share with a confidence, whatever they scatter by.
///
/// # Errors
/// [`ToleranceError`] for shares that are none.
pub fn enough(drawn: usize, content: f64, confidence: f64) -> Result<bool, ToleranceError> {
    let spaces = excluded(drawn, content, 1.0 - OF_DRAWING * (1.0 - confidence))?;
    Ok(spaces.is_some_and(|m| m >= 2))
}

/// Limits that hold `content` with `confidence`; `None` where the drawn units are too few for that.
pub(super) fn around(
    mut drawn: Vec<f64>,
    half: f64,
    level: f64,
    content: f64,
    confidence: f64,
) -> Result<Option<Around>, ToleranceError> {
    let left = 1.0 - confidence;
    let spaces = excluded(drawn.len(), content, 1.0 - OF_DRAWING * left)?;
    // Two spaces are those beyond the least and the largest.
    let Some(outside) = spaces.and_then(|m| m.checked_sub(2)) else {
        return Ok(None);
    };
    let reach = reach(half, level, 1.0 - (1.0 - OF_DRAWING) * left);
    drawn.sort_by(f64::total_cmp);
    let last = drawn.len() - 1;
    let holds = |t: usize| {
        let (low, high) = (drawn[t], drawn[last - t]);
        let below = drawn.partition_point(|x| *x < low - 2.0 * reach);
        let above = drawn.len() - drawn.partition_point(|x| *x <= high + 2.0 * reach);
        t + below.max(above) <= outside
    };
    // None given up at either end always holds.
    let most = outside.min(last / 2);
    let t = (0..=most).rev().find(|t| holds(*t)).unwrap_or(0);
    Ok(Some(Around {
        low: drawn[t] - reach,
        high: drawn[last - t] + reach,
        reach,
    }))
}

#[cfg(test)]
#[path = "offset_tests.rs"]
mod tests;
