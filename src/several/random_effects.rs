//! Means and spreads over units of numbers that each unit tells with a covariance of its own.
//!
//! Unit u tells y_u = X_u·θ_u + e_u, e_u ~ N(0, S_u), and the units scatter about what they share:
//! θ_u ~ N(μ, T) with T = diag(τ²). X_u picks the numbers that the unit tells; it need not tell all.
//!
//! ```text
//! V_u = S_u + X_u·T·X_uᵀ        A = Σ X_uᵀ·V_u⁻¹·X_u        μ̂ = A⁻¹·Σ X_uᵀ·V_u⁻¹·y_u                     (1)
//! −2ℓ(T) = Σ ln|V_u| + ln|A| + Σ (y_u − X_u·μ̂)ᵀ·V_u⁻¹·(y_u − X_u·μ̂)                                    (2)
//! ```
//!
//! ℓ is the restricted likelihood; τ² ≥ 0 maximises it by Fisher's scoring with the score and information
//!
//! ```text
//! s_j = ½·(yᵀP·E_j·P·y − tr P·E_j)      I_jk = ½·tr(P·E_j·P·E_k)      P = V⁻¹ − V⁻¹X·A⁻¹·XᵀV⁻¹         (3)
//! ```
//!
//! in which E_j marks the rows of number j. The interval of τ_j is where its profile lies within ½·χ²₁(0.95) of the top,
//! times the mean of the ratio at that many units (`chi_squared::variance_ratio_mean`). The interval of μ_j uses Student's
//! t with one degree of freedom less than units, because τ is estimated from them. A unit's own value is predicted by
//! θ̂_u = μ̂ + T·X_uᵀ·V_u⁻¹·(y_u − X_u·μ̂), averaged over the τ_j inside their interval with the profile as weight: with one
//! τ alone its interval would be too narrow, and empty where τ̂ is 0.
//!
//! | symbol | variable | meaning |
//! | --- | --- | --- |
//! | y_u, X_u, S_u | [`Told`] | what a unit tells |
//! | μ | [`Shared::mean`] | what the units share |
//! | τ² | [`Shared::variance`] | variance over the units |
//!
//! **Range.** Each S_u positive definite. A number that fewer than two units tell has no variance over units; the stated one
//! counts there. With few units the likelihood is flat and the interval of τ says so.
//!
//! References: Patterson & Thompson 1971, Biometrika 58:545 (restricted likelihood); Henderson 1975, Biometrics 31:423
//! (prediction); Viechtbauer 2005, J. Educ. Behav. Stat. 30:261 (this estimator in random-effects models); from memory.

use super::chi_squared;
use crate::align::dense::{Cholesky, Matrix, dot};
use crate::align::interval::{NORMAL_95, factor_95};

/// What one unit tells.
#[derive(Debug, Clone)]
pub struct Told {
    /// Which numbers (indices below the count of numbers, ascending).
    pub numbers: Vec<usize>,
    /// Their estimates, in the order of `numbers`.
    pub estimate: Vec<f64>,
    /// Covariance of their errors, which are independent between the units.
    pub covariance: Matrix,
}

/// Interval of a standard deviation over the units.
#[derive(Debug, Clone, PartialEq)]
pub struct SpreadInterval {
    /// Lower end (may be 0).
    pub low95: f64,
    /// Upper end; infinite where the units set none.
    pub high95: f64,
    /// Variances of all numbers along the interval, with weights that add up to 1.
    pub likely: Vec<(f64, Vec<f64>)>,
}

/// What the units share, and how far they scatter about it.
#[derive(Debug, Clone)]
pub struct Shared {
    /// μ̂.
    pub mean: Vec<f64>,
    /// Its covariance from (1).
    pub covariance: Matrix,
    /// τ̂².
    pub variance: Vec<f64>,
    /// Units that tell each number.
    pub units: Vec<usize>,
    /// Intervals of τ; `None` where fewer than two units tell the number.
    pub spread: Vec<Option<SpreadInterval>>,
    /// ℓ at its maximum.
    pub log_likelihood: f64,
}

impl Shared {
    /// Half-width of the 95 % interval of a mean.
    #[must_use]
    pub fn half_width_95(&self, number: usize) -> f64 {
        let units = self.units[number];
        let factor = if units < 2 {
            NORMAL_95
        } else {
            factor_95(Some(units as f64 - 1.0))
        };
        factor * self.covariance[(number, number)].max(0.0).sqrt()
    }
}

/// A unit's own value of each number.
#[derive(Debug, Clone)]
pub struct Predicted {
    /// Prediction, one per number.
    pub value: Vec<f64>,
    /// Its standard deviation.
    pub sd: Vec<f64>,
}

/// One evaluation of (1) to (3).
struct Point {
    variance: Vec<f64>,
    log_likelihood: f64,
    mean: Vec<f64>,
    covariance: Matrix,
    score: Vec<f64>,
    information: Matrix,
}

/// Points along the interval of a spread: the weight is smooth, and a tenth of the interval resolves it.
const LIKELY: usize = 11;
/// Accepted steps of one maximisation; scoring converges in about ten.
const MOST_STEPS: usize = 200;

fn at(units: &[Told], variance: &[f64], slopes: bool) -> Option<Point> {
    let p = variance.len();
    let mut weight = Matrix::zeros(p, p);
    let mut pull = vec![0.0; p];
    let mut log_likelihood = 0.0;
    let mut inverses = Vec::with_capacity(units.len());
    for unit in units {
        let k = unit.numbers.len();
        let total = Matrix::from_fn(k, k, |i, j| {
            let own = if i == j {
                variance[unit.numbers[i]]
            } else {
                0.0
            };
            unit.covariance[(i, j)] + own
        });
        let factor = Cholesky::new(&total)?;
        log_likelihood -= 0.5 * factor.log_det();
        let inverse = factor.inverse();
        let pulled = inverse.times(&unit.estimate);
        log_likelihood -= 0.5 * dot(&unit.estimate, &pulled);
        for (i, &a) in unit.numbers.iter().enumerate() {
            pull[a] += pulled[i];
            for (j, &b) in unit.numbers.iter().enumerate() {
                weight[(a, b)] += inverse[(i, j)];
            }
        }
        inverses.push(inverse);
    }
    let factor = Cholesky::new(&weight)?;
    let mean = factor.solve(&pull);
    log_likelihood += 0.5 * dot(&mean, &pull) - 0.5 * factor.log_det();
    let covariance = factor.inverse();
    let mut score = vec![0.0; p];
    let mut information = Matrix::zeros(p, p);
    if slopes {
        // P couples any two units through the mean: P_uv = δ_uv·V_u⁻¹ − V_u⁻¹·X_u·A⁻¹·X_vᵀ·V_v⁻¹.
        let through: Vec<Matrix> = units
            .iter()
            .zip(&inverses)
            .map(|(unit, inverse)| {
                Matrix::from_fn(unit.numbers.len(), p, |i, b| {
                    (0..unit.numbers.len())
                        .map(|j| inverse[(i, j)] * covariance[(unit.numbers[j], b)])
                        .sum()
                })
            })
            .collect();
        for (u, one) in units.iter().enumerate() {
            let residual: Vec<f64> = one
                .numbers
                .iter()
                .zip(&one.estimate)
                .map(|(&a, y)| y - mean[a])
                .collect();
            let pulled = inverses[u].times(&residual);
            for (i, &a) in one.numbers.iter().enumerate() {
                score[a] += 0.5 * pulled[i] * pulled[i];
            }
            for (v, other) in units.iter().enumerate() {
                for (i, &a) in one.numbers.iter().enumerate() {
                    for (j, &b) in other.numbers.iter().enumerate() {
                        let mut entry = if u == v { inverses[u][(i, j)] } else { 0.0 };
                        for (k, &c) in other.numbers.iter().enumerate() {
                            entry -= through[u][(i, c)] * inverses[v][(k, j)];
                        }
                        information[(a, b)] += 0.5 * entry * entry;
                        if u == v && i == j {
                            score[a] -= 0.5 * entry;
                        }
                    }
                }
            }
        }
    }
    log_likelihood.is_finite().then_some(Point {
        variance: variance.to_vec(),
        log_likelihood,
        mean,
        covariance,
        score,
        information,
    })
}

/// Climbs ℓ from a start; the numbers in `held` keep their variance.
fn climb(units: &[Told], start: &[f64], held: &[bool]) -> Option<Point> {
    let mut here = at(units, start, true)?;
    for _ in 0..MOST_STEPS {
        let moving: Vec<usize> = (0..start.len())
            .filter(|&j| !held[j] && (here.variance[j] > 0.0 || here.score[j] > 0.0))
            .collect();
        if moving.is_empty() {
            break;
        }
        let matrix = Matrix::from_fn(moving.len(), moving.len(), |i, j| {
            here.information[(moving[i], moving[j])]
        });
        let score: Vec<f64> = moving.iter().map(|&j| here.score[j]).collect();
        let Some(factor) = Cholesky::with_floor(&matrix, 1e-12) else {
            break;
        };
        let step = factor.solve(&score);
        let mut scale = 1.0;
        let mut next = None;
        while scale > 1e-9 {
            let mut trial = here.variance.clone();
            for (&j, s) in moving.iter().zip(&step) {
                trial[j] = (trial[j] + scale * s).max(0.0);
            }
            match at(units, &trial, true) {
                Some(point) if point.log_likelihood > here.log_likelihood => {
                    next = Some(point);
                    break;
                }
                _ => scale *= 0.5,
            }
        }
        let Some(next) = next else { break };
        let gained = next.log_likelihood - here.log_likelihood;
        here = next;
        if gained < 1e-11 {
            break;
        }
    }
    Some(here)
}

/// The better end of several starts.
fn highest(units: &[Told], starts: &[Vec<f64>], held: &[bool]) -> Option<Point> {
    starts
        .iter()
        .filter_map(|start| climb(units, start, held))
        .max_by(|a, b| a.log_likelihood.total_cmp(&b.log_likelihood))
}

/// Variance of the estimates over the units and the mean of their own variances, by number.
fn moments(units: &[Told], count: usize) -> Vec<(f64, f64)> {
    (0..count)
        .map(|j| {
            let told: Vec<(f64, f64)> = units
                .iter()
                .filter_map(|u| {
                    let i = u.numbers.iter().position(|&n| n == j)?;
                    Some((u.estimate[i], u.covariance[(i, i)]))
                })
                .collect();
            let n = told.len().max(1) as f64;
            let mean = told.iter().map(|t| t.0).sum::<f64>() / n;
            let own = told.iter().map(|t| t.1).sum::<f64>() / n;
            let over = told.iter().map(|t| (t.0 - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0);
            (over, own)
        })
        .collect()
}

/// Restricted maximum likelihood over `count` numbers. `stated[j]` is the variance that counts for a number that fewer than two
/// units tell (0 if nothing is stated).
///
/// `None` where a number is told by no unit or a covariance is not positive definite.
#[must_use]
pub fn restricted(units: &[Told], count: usize, stated: &[f64]) -> Option<Shared> {
    let told: Vec<usize> = (0..count)
        .map(|j| units.iter().filter(|u| u.numbers.contains(&j)).count())
        .collect();
    if told.contains(&0) {
        return None;
    }
    let mut held: Vec<bool> = told.iter().map(|&n| n < 2).collect();
    let moments = moments(units, count);
    let start = |of: &dyn Fn(&(f64, f64)) -> f64| -> Vec<f64> {
        (0..count)
            .map(|j| if held[j] { stated[j] } else { of(&moments[j]) })
            .collect()
    };
    let starts = [
        start(&|m| (m.0 - m.1).max(0.05 * m.0)),
        start(&|m| m.0),
        start(&|_| 0.0),
    ];
    let top = highest(units, &starts, &held)?;
    let mut spread = vec![None; count];
    for j in (0..count).filter(|&j| told[j] >= 2) {
        held[j] = true;
        spread[j] = Some(profile(units, &top, j, &held, told[j], &moments[j]));
        held[j] = false;
    }
    Some(Shared {
        mean: top.mean,
        covariance: top.covariance,
        variance: top.variance,
        units: told,
        spread,
        log_likelihood: top.log_likelihood,
    })
}

fn profile(
    units: &[Told],
    top: &Point,
    number: usize,
    held: &[bool],
    told: usize,
    &(over, own): &(f64, f64),
) -> SpreadInterval {
    let allowed = 0.5 * NORMAL_95 * NORMAL_95 * chi_squared::variance_ratio_mean(told as f64 - 1.0);
    // The others follow from where they ended last, and from the top, so that none is stuck at zero.
    let mut others = top.variance.clone();
    let mut inside = |variance: f64| {
        let starts: Vec<Vec<f64>> = [&others, &top.variance]
            .into_iter()
            .map(|base| {
                let mut start = base.clone();
                start[number] = variance;
                start
            })
            .collect();
        highest(units, &starts, held).is_some_and(|point| {
            others.clone_from(&point.variance);
            top.log_likelihood - point.log_likelihood <= allowed
        })
    };
    let best = top.variance[number];
    let scale = best.max(1e-4 * (over + own));
    let low95 = if best <= 0.0 || inside(0.0) {
        0.0
    } else {
        between(1e-9 * best, best, |v| !inside(v))
    };
    let mut far = scale;
    while inside(far) && far < 1e9 * scale {
        far *= 4.0;
    }
    let high95 = if far < 1e9 * scale {
        between((far / 4.0).max(best), far, inside)
    } else {
        f64::INFINITY
    };
    let (low95, high95) = (low95.sqrt(), high95.sqrt());
    // Far beyond its own variance a spread leaves a unit to itself, however large it is.
    let end = high95.min(100.0 * (over + own).sqrt());
    let mut likely: Vec<(f64, Vec<f64>)> = Vec::new();
    for n in 0..LIKELY {
        let tau = low95 + (end - low95) * n as f64 / (LIKELY - 1) as f64;
        let mut start = top.variance.clone();
        start[number] = tau * tau;
        if let Some(point) = climb(units, &start, held) {
            let weight = (point.log_likelihood - top.log_likelihood).exp();
            let edge = if n == 0 || n == LIKELY - 1 { 0.5 } else { 1.0 };
            likely.push((edge * weight, point.variance));
        }
    }
    let sum: f64 = likely.iter().map(|l| l.0).sum();
    for one in &mut likely {
        one.0 /= sum;
    }
    SpreadInterval {
        low95,
        high95,
        likely,
    }
}

/// Where a condition that holds at `low` and not at `high` changes, to 1e-4 of the value.
fn between(mut low: f64, mut high: f64, mut holds: impl FnMut(f64) -> bool) -> f64 {
    for _ in 0..60 {
        if high <= low * (1.0 + 1e-4) {
            break;
        }
        let middle = if low > 0.0 {
            (low * high).sqrt()
        } else {
            0.5 * high
        };
        if holds(middle) {
            low = middle;
        } else {
            high = middle;
        }
    }
    (low * high).sqrt()
}

/// One unit's numbers, averaged over the likely spreads. A number that the unit does not tell is the mean, with the whole
/// spread.
///
/// `None` where a covariance is not positive definite.
#[must_use]
pub fn predict(units: &[Told], of: &Told, shared: &Shared) -> Option<Predicted> {
    let count = shared.mean.len();
    let plain = predict_with(units, of, &shared.variance)?;
    let (mut value, mut sd) = (plain.value, plain.sd);
    for j in 0..count {
        let Some(spread) = &shared.spread[j] else {
            continue;
        };
        let (mut mean, mut square) = (0.0, 0.0);
        for (weight, variance) in &spread.likely {
            let at = predict_with(units, of, variance)?;
            mean += weight * at.value[j];
            square += weight * (at.sd[j] * at.sd[j] + at.value[j] * at.value[j]);
        }
        if !spread.likely.is_empty() {
            value[j] = mean;
            sd[j] = (square - mean * mean).max(0.0).sqrt();
        }
    }
    Some(Predicted { value, sd })
}

/// Best linear predictions of one unit's numbers if `variance` is that over the units. Infinite ones: what the unit alone
/// tells.
///
/// `None` where a covariance is not positive definite.
#[must_use]
pub fn predict_with(units: &[Told], of: &Told, variance: &[f64]) -> Option<Predicted> {
    let p = variance.len();
    // Ten thousand times the largest variance that the unit has leaves nothing to lean on.
    let largest = (0..of.numbers.len())
        .map(|i| of.covariance[(i, i)])
        .fold(1e-12, f64::max);
    let variance: Vec<f64> = variance.iter().map(|v| v.min(1e4 * largest)).collect();
    let point = at(units, &variance, false)?;
    let k = of.numbers.len();
    let total = Matrix::from_fn(k, k, |i, j| {
        let own = if i == j { variance[of.numbers[i]] } else { 0.0 };
        of.covariance[(i, j)] + own
    });
    let inverse = Cholesky::new(&total)?.inverse();
    // Gain T·Xᵀ·V⁻¹, p rows and k columns.
    let gain = Matrix::from_fn(p, k, |a, j| {
        of.numbers
            .iter()
            .position(|&n| n == a)
            .map_or(0.0, |i| variance[a] * inverse[(i, j)])
    });
    let residual: Vec<f64> = of
        .numbers
        .iter()
        .zip(&of.estimate)
        .map(|(&a, y)| y - point.mean[a])
        .collect();
    let shift = gain.times(&residual);
    // (I − G·X): what is left of the mean.
    let rest = Matrix::from_fn(p, p, |a, b| {
        let through = of
            .numbers
            .iter()
            .position(|&n| n == b)
            .map_or(0.0, |j| gain[(a, j)]);
        if a == b { 1.0 - through } else { -through }
    });
    let sd = (0..p)
        .map(|a| {
            // (I − GX)·T·(I − GX)ᵀ + G·S·Gᵀ + (I − GX)·Cov μ̂ ·(I − GX)ᵀ, less the covariance of μ̂ with the unit's
            // own error, which Henderson's form holds: T − G·X·T + (I − GX)·Cov μ̂·(I − GX)ᵀ.
            let through = of
                .numbers
                .iter()
                .position(|&n| n == a)
                .map_or(0.0, |j| gain[(a, j)]);
            let own = variance[a] * (1.0 - through);
            let mut mean = 0.0;
            for b in 0..p {
                for c in 0..p {
                    mean += rest[(a, b)] * point.covariance[(b, c)] * rest[(a, c)];
                }
            }
            (own + mean).max(0.0).sqrt()
        })
        .collect();
    Some(Predicted {
        value: point.mean.iter().zip(&shift).map(|(m, s)| m + s).collect(),
        sd,
    })
}

#[cfg(test)]
#[path = "random_effects_tests.rs"]
mod tests;
