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
//! (modified large-sample method: exact where one mean square stands alone, close elsewhere). The number of categories depends on a ratio of two such
//! sums; its interval comes from 20,000 draws of generalised pivotal quantities, each mean square replaced by ν·S/χ²_ν.
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
    // σ_o² + σ_i² = (O + (p − 1)·I − p·E)/(p·r): as a difference of the sum of the first two from the last, the sum with the
    // effective degrees of freedom of Satterthwaite 1946.
    let reproducibility = if pool {
        difference(1.0 / (p * r), people, within, side)
    } else {
        let (a, b) = (people.0 / p, (p - 1.0) / p * both.0);
        let nu = (a + b).powi(2) / (a * a / people.1 + b * b / both.1);
        difference(1.0 / r, (a + b, nu), within, side)
    };
    GaugeStudy {
        squares,
        pooled: pool,
        components,
        repeatability: sum(&[(1.0, within)], side),
        reproducibility: Estimate {
            value: components.reproducibility,
            ..reproducibility
        },
        gauge: Estimate {
            // Components below 0 count as 0, so that value and sum may differ.
            value: components.sd().powi(2),
            ..gauge
        },
        parts: difference(1.0 / (o * r), parts, both, side),
        categories: categories(&squares, pool, side, draws),
        confidence,
    }
}

/// 1.41·σ_p/σ_gauge with the quantiles of its pivotal quantity.
fn categories(squares: &MeanSquares, pool: bool, side: f64, draws: u64) -> Estimate {
    let degrees = squares.degrees();
    let ratio = |s: &MeanSquares| {
        let [p, o, r] = s.counts();
        let (both, within) = if pool {
            (s.repeats, s.repeats)
        } else {
            (s.interaction, s.repeats)
        };
        let parts = ((s.parts - both) / (o * r)).max(0.0);
        let gauge = (s.people + (p - 1.0) * both + p * (r - 1.0) * within) / (p * r);
        1.41 * (parts / gauge).sqrt()
    };
    let mut list: Vec<f64> = (0..draws)
        .map(|stream| {
            let mut random = Deviates::new(1, stream);
            let mut over = |nu: f64| {
                let chi: f64 = (0..nu as usize).map(|_| random.normal().powi(2)).sum();
                nu / chi
            };
            let mut drawn = MeanSquares {
                parts: squares.parts * over(degrees[0]),
                people: squares.people * over(degrees[1]),
                interaction: squares.interaction * over(degrees[2]),
                repeats: squares.repeats * over(degrees[3]),
                ..*squares
            };
            if pool {
                drawn.repeats = squares.pooled() * over(degrees[2] + degrees[3]);
            }
            ratio(&drawn)
        })
        .collect();
    list.sort_by(f64::total_cmp);
    let at = |share: f64| list[((share * draws as f64) as usize).min(list.len() - 1)];
    let found = squares.components(pool);
    Estimate {
        value: 1.41 * found.parts.sqrt() / found.sd(),
        low: at(side),
        high: at(1.0 - side),
    }
}
