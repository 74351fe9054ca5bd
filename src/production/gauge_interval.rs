//! Intervals for the variance components of a gauge study.
//!
//! ```text
//! sum         γ = Σ c_q·S_q, c_q > 0      low  γ̂ − √(Σ (G_q·c_q·S_q)²)      high  γ̂ + √(Σ (H_q·c_q·S_q)²)
//! difference  γ = c·(S_1 − S_2)           low  γ̂ − c·√(G1²S1² + H2²S2² + G12·S1·S2)
//!                                         high γ̂ + c·√(H1²S1² + G2²S2² + H12·S1·S2)
//! G_q = 1 − ν_q/χ²_(1−α/2, ν_q)     H_q = ν_q/χ²_(α/2, ν_q) − 1
//! G12 = ((F − 1)² − G1²F² − H2²)/F,  F = F_(1−α/2; ν1, ν2)     H12 = ((1 − f)² − H1²f² − G2²)/f,  f = F_(α/2; ν1, ν2)
//! gauge  c = (1/(p·r)) of people, (p − 1)/(p·r) of the interaction, (r − 1)/r of repeats
//! ```
//!
//! (modified large-sample method: exact where one mean square stands alone, close elsewhere). The variance between people with
//! their interaction takes three mean squares of both signs, and the number of categories a ratio of sums: their intervals come
//! from 20,000 draws of generalised pivotal quantities, each mean square replaced by ν·S/χ²_ν.
//!
//! | symbol | variable | unit |
//! | --- | --- | --- |
//! | S_q | mean squares, [`MeanSquares`] | square of the values' unit |
//! | ν_q | degrees of freedom | 1 |
//!
//! **Range.** Complete crossed studies of normal effects, at least two of each. With two or three people the reproducibility is
//! hardly known and its upper end is far away: that is so, and more repeats do not help.
//!
//! References: Graybill & Wang 1980 (sums), Ting, Burdick, Graybill, Jeyaratnam & Lu 1990 (differences), Burdick & Larsen 1997, J.
//! Qual. Technol. 29:261 (gauge studies), Hamada & Weaver 2000 (pivotal quantities); all from memory. Coverage is counted in
//! `tests/lookback`.

use super::capability::Estimate;
use super::gauge::{Gauge, MeanSquares};
use crate::several::chi_squared;
use crate::special::beta::f_quantile;
use crate::special::deviates::Deviates;
use serde::Serialize;

/// A gauge study with intervals; variances in the square of the unit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct GaugeStudy {
    /// Mean squares.
    pub squares: MeanSquares,
    /// Whether the interaction is counted among the repeats.
    pub pooled: bool,
    /// Components.
    pub components: Gauge,
    /// Variance of repeats.
    pub repeatability: Estimate,
    /// Variance between people, with their interaction with the parts.
    pub reproducibility: Estimate,
    /// Variance of the gauge: both together.
    pub gauge: Estimate,
    /// Variance between parts.
    pub parts: Estimate,
    /// 1.41·σ_p/σ_gauge, not rounded.
    pub categories: Estimate,
    /// Confidence of the intervals.
    pub confidence: f64,
}

/// One mean square: its value, degrees of freedom.
type Square = (f64, f64);

fn ends(nu: f64, side: f64) -> (f64, f64) {
    (
        1.0 - nu / chi_squared::quantile(nu, 1.0 - side),
        nu / chi_squared::quantile(nu, side) - 1.0,
    )
}

/// Interval of a sum of mean squares with positive factors.
fn sum(parts: &[(f64, Square)], side: f64) -> Estimate {
    let (mut value, mut below, mut above) = (0.0, 0.0, 0.0);
    for &(factor, (square, nu)) in parts {
        let (g, h) = ends(nu, side);
        let term = factor * square;
        value += term;
        below += (g * term).powi(2);
        above += (h * term).powi(2);
    }
    Estimate {
        value,
        low: value - below.sqrt(),
        high: value + above.sqrt(),
    }
}

/// Interval of a difference of two mean squares times a factor; neither end nor value below 0.
fn difference(factor: f64, one: Square, other: Square, side: f64) -> Estimate {
    let ((s1, n1), (s2, n2)) = (one, other);
    let ((g1, h1), (g2, h2)) = (ends(n1, side), ends(n2, side));
    let f = f_quantile(n1, n2, 1.0 - side);
    let g12 = ((f - 1.0).powi(2) - (g1 * f).powi(2) - h2 * h2) / f;
    let f = f_quantile(n1, n2, side);
    let h12 = ((1.0 - f).powi(2) - (h1 * f).powi(2) - g2 * g2) / f;
    let below = (g1 * s1).powi(2) + (h2 * s2).powi(2) + g12 * s1 * s2;
    let above = (h1 * s1).powi(2) + (g2 * s2).powi(2) + h12 * s1 * s2;
    let value = s1 - s2;
    Estimate {
        value: (factor * value).max(0.0),
        low: (factor * (value - below.max(0.0).sqrt())).max(0.0),
        high: (factor * (value + above.max(0.0).sqrt())).max(0.0),
    }
}

/// Draws of the pivotal quantities: the ends of the interval then scatter by about 2 % of its width.
const DRAWS: u64 = 20_000;

/// Intervals of a study.
#[must_use]
pub fn gauge_study(squares: MeanSquares, pool: bool, confidence: f64) -> GaugeStudy {
    gauge_study_of_draws(squares, pool, confidence, DRAWS)
}

/// The same with another number of draws for the categories.
#[must_use]
pub fn gauge_study_of_draws(
    squares: MeanSquares,
    pool: bool,
    confidence: f64,
    draws: u64,
) -> GaugeStudy {
    let side = 0.5 * (1.0 - confidence);
    let [p, o, r] = squares.counts();
    let [n_parts, n_people, n_both, n_within] = squares.degrees();
    let parts = (squares.parts, n_parts);
    let people = (squares.people, n_people);
    let (both, within) = if pool {
        let all = (squares.pooled(), n_both + n_within);
        (all, all)
    } else {
        ((squares.interaction, n_both), (squares.repeats, n_within))
    };
    let gauge = if pool {
        sum(
            &[(1.0 / (p * r), people), ((p * r - 1.0) / (p * r), within)],
            side,
        )
    } else {
        sum(
            &[
                (1.0 / (p * r), people),
                ((p - 1.0) / (p * r), both),
                ((r - 1.0) / r, within),
            ],
            side,
        )
    };
    let components = squares.components(pool);
    let [people_share, categories] = pivotal(&squares, pool, side, draws);
    GaugeStudy {
        squares,
        pooled: pool,
        components,
        repeatability: sum(&[(1.0, within)], side),
        reproducibility: Estimate {
            value: components.reproducibility,
            low: people_share[0],
            high: people_share[1],
        },
        gauge: Estimate {
            // Components below 0 count as 0, so that value and sum may differ.
            value: components.sd().powi(2),
            ..gauge
        },
        parts: difference(1.0 / (o * r), parts, both, side),
        categories: Estimate {
            value: 1.41 * components.parts.sqrt() / components.sd(),
            low: categories[0],
            high: categories[1],
        },
        confidence,
    }
}

/// Quantiles of the pivotal quantities of the variance between people and of 1.41·σ_p/σ_gauge.
fn pivotal(squares: &MeanSquares, pool: bool, side: f64, draws: u64) -> [[f64; 2]; 2] {
    let [p, o, r] = squares.counts();
    let degrees = squares.degrees();
    let mut lists: [Vec<f64>; 2] = [Vec::new(), Vec::new()];
    for stream in 0..draws {
        let mut random = Deviates::new(1, stream);
        let mut drawn = |square: f64, nu: f64| {
            let chi: f64 = (0..nu as usize).map(|_| random.normal().powi(2)).sum();
            square * nu / chi
        };
        let parts = drawn(squares.parts, degrees[0]);
        let people = drawn(squares.people, degrees[1]);
        let (both, within) = if pool {
            let all = drawn(squares.pooled(), degrees[2] + degrees[3]);
            (all, all)
        } else {
            (
                drawn(squares.interaction, degrees[2]),
                drawn(squares.repeats, degrees[3]),
            )
        };
        let between = (people + (p - 1.0) * both - p * within) / (p * r);
        let gauge = (people + (p - 1.0) * both + p * (r - 1.0) * within) / (p * r);
        let part = ((parts - both) / (o * r)).max(0.0);
        lists[0].push(between.max(0.0));
        lists[1].push(1.41 * (part / gauge).sqrt());
    }
    lists.map(|mut list| {
        list.sort_by(f64::total_cmp);
        let at = |share: f64| {
            let place = ((share * draws as f64) as usize).min(list.len().saturating_sub(1));
            list.get(place).copied().unwrap_or(f64::NAN)
        };
        [at(side), at(1.0 - side)]
    })
}
