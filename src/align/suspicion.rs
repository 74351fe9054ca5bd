//! What each number says about a fault of its own, at a settled point.
//!
//! With m and d the estimate and its standard deviation from the data alone (own prior taken out), s the spread of a
//! sound build, S that of a fault and π the probability of a fault before measuring,
//!
//! ```text
//! odds = π/(1−π) · N(m; 0, d² + S²) / N(m; 0, d² + s²)
//! ```
//!
//! A leak that the design has not is seen through its conductance G, which is zero in a sound build. With Ĝ ± d from one
//! Gauss–Newton step and a normal prior of ln G, by Laplace's method
//!
//! ```text
//! odds = π/(1−π) · e^(Ĝ²/2d²) · N(ln Ĝ; ln G₀, S²) · √(2π)·d/Ĝ
//! ```

use super::dense::{Cholesky, Matrix, dot};
use super::least_squares::Constraint;
use super::possible_leaks::ABSENT_PA_S_PER_M3;
use super::problem::{whitened, whiteners};
use super::residual::Evaluated;
use super::search::{AlignError, MATERIAL, Search, Settled};
use super::unknowns::{RARE, Unknown};
use super::whiten::Kernel;
use std::f64::consts::TAU;

/// Candidates that are tried in full per round, from each of the two ways to look.
const TRIED: usize = 3;
/// Discrepancy of a model that fits: 1 % over a third of ln f, the medians of the priors.
const USUAL: (f64, f64) = (0.01, 0.3);

/// What one number says about a fault of its own.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Suspicion {
    /// Index of the unknown; of a term of the bench: their number plus its index.
    pub unknown: usize,
    /// Estimate from the data alone.
    pub estimate: f64,
    /// Its standard deviation.
    pub sd: f64,
    /// Logarithm of the odds for a fault.
    pub log_odds: f64,
    /// Largest change of any level that it would make, nepers.
    pub effect: f64,
}

impl Search<'_> {
    /// Every number at a settled point: indices, the active ones first, and what the model says there.
    fn all_at(&self, at: &Settled) -> Result<(Vec<usize>, Evaluated), AlignError> {
        // All numbers at once: the active ones first, then the others at their design values.
        let others: Vec<usize> = (0..self.unknowns.len())
            .filter(|i| !at.active.contains(i))
            .collect();
        let all: Vec<usize> = at.active.iter().chain(&others).copied().collect();
        let (own, nuisance) = at.theta.split_at(at.active.len());
        let mut theta = own.to_vec();
        theta.extend(others.iter().map(|&i| self.unknowns[i].resting_theta()));
        theta.extend_from_slice(nuisance);
        let evaluated = self.raw(&all, &theta)?;
        Ok((all, evaluated))
    }

    /// The odds of a fault for every number, at a settled point, if `kernels` were the discrepancies.
    ///
    /// A fault that is not in the fit inflates the discrepancies, under which it then hides; the search therefore
    /// looks with those of a model that fits, too.
    fn suspicions(
        &self,
        at: &Settled,
        kernels: &[Kernel],
        all: &[usize],
        evaluated: &Evaluated,
    ) -> Vec<Suspicion> {
        let nuisance = &at.theta[at.active.len()..];
        let (residual, jacobian) = whitened(
            &whiteners(self.comparison, kernels),
            evaluated,
            all.len() + nuisance.len(),
        );
        let fitted: Vec<usize> = (0..at.active.len())
            .chain(all.len()..all.len() + nuisance.len())
            .collect();
        let priors: Vec<f64> = self
            .constraints(&at.active, &at.released)
            .iter()
            .map(Constraint::precision)
            .collect();
        let hessian = Matrix::from_fn(fitted.len(), fitted.len(), |i, j| {
            let data = dot(jacobian.column(fitted[i]), jacobian.column(fitted[j]));
            if i == j { data + priors[i] } else { data }
        });
        let Some(factor) = Cholesky::new(&hessian) else {
            return Vec::new();
        };
        let covariance = factor.inverse();
        let gradient: Vec<f64> = fitted
            .iter()
            .enumerate()
            .map(|(k, &j)| dot(jacobian.column(j), &residual) + priors[k] * at.theta[k])
            .collect();
        let step = factor.solve(&gradient);
        let mut list = Vec::new();
        for (n, &index) in all.iter().enumerate() {
            let (estimate, sd) = if n < at.active.len() {
                // The posterior without its own prior is what the data alone say.
                let variance = covariance[(n, n)];
                let data = 1.0 / variance - priors[n];
                if data <= 1e-9 / variance {
                    continue;
                }
                (
                    (at.theta[n] - step[n]) / variance / data,
                    data.recip().sqrt(),
                )
            } else {
                // One Gauss–Newton step with this column added, everything else free to follow.
                let column = jacobian.column(n);
                let cross: Vec<f64> = fitted
                    .iter()
                    .map(|&j| dot(jacobian.column(j), column))
                    .collect();
                let through = factor.solve(&cross);
                let precision = dot(column, column) - dot(&cross, &through);
                if precision <= 1e-9 * dot(column, column).max(1e-300) {
                    continue;
                }
                let slope = dot(column, &residual) - dot(&through, &gradient);
                (-slope / precision, precision.recip().sqrt())
            };
            if self.unknowns[index].absent && n >= at.active.len() {
                let u = &self.unknowns[index];
                list.extend(leak_suspicion(u, index, estimate, sd).map(|s| Suspicion {
                    effect: self.comparison.level_change(evaluated, n, estimate),
                    ..s
                }));
                continue;
            }
            let log_odds = log_odds(&self.unknowns[index], estimate, sd);
            let effect = self.comparison.level_change(evaluated, n, estimate);
            if log_odds.is_finite() {
                list.push(Suspicion {
                    unknown: index,
                    estimate,
                    sd,
                    log_odds,
                    effect,
                });
            }
        }
        for (n, &sound) in self.comparison.nuisance_sd.iter().enumerate() {
            let place = at.active.len() + n;
            let Some(wide) = self.bench_fault_sd(n) else {
                continue;
            };
            let variance = covariance[(place, place)];
            let data = 1.0 / variance - priors[place];
            if data <= 1e-9 / variance {
                continue;
            }
            let estimate = (at.theta[place] - step[place]) / variance / data;
            let sd = data.recip().sqrt();
            list.push(Suspicion {
                unknown: self.unknowns.len() + n,
                estimate,
                sd,
                log_odds: odds(estimate, sd, [sound, wide], RARE),
                effect: f64::INFINITY,
            });
        }
        list
    }

    /// The strongest suspects among what is not released yet, under the fitted and under the usual discrepancies.
    pub(super) fn suspects(&self, at: &Settled) -> Result<Vec<Suspicion>, AlignError> {
        let usual = vec![Kernel::exponential(USUAL.0, USUAL.1); at.kernels.len()];
        let mut chosen: Vec<Suspicion> = Vec::new();
        let (all, evaluated) = self.all_at(at)?;
        for kernels in [&at.kernels, &usual] {
            let mut list = self.suspicions(at, kernels, &all, &evaluated);
            list.retain(|s| {
                s.log_odds > 0.0 && s.effect > MATERIAL && !at.released.contains(&s.unknown)
            });
            list.sort_by(|a, b| b.log_odds.total_cmp(&a.log_odds));
            for s in list.into_iter().take(TRIED) {
                if !chosen.iter().any(|c| c.unknown == s.unknown) {
                    chosen.push(s);
                }
            }
        }
        Ok(chosen)
    }
}

/// The odds of a leak that the design has not, from one step of its logarithm at the resistance of absence.
fn leak_suspicion(u: &Unknown, index: usize, step: f64, sd: f64) -> Option<Suspicion> {
    // ln R moves by −dG/G: the step in conductance, and its standard deviation.
    let conductance = -step / ABSENT_PA_S_PER_M3;
    let spread = sd / ABSENT_PA_S_PER_M3;
    if conductance.is_nan() || conductance <= 0.0 {
        return None;
    }
    let log_odds = leak_log_odds(u, conductance, spread);
    let estimate = -(conductance * u.centre[0]).ln();
    let z = conductance / spread;
    log_odds.is_finite().then_some(Suspicion {
        unknown: index,
        estimate,
        sd: 1.0 / z,
        log_odds,
        effect: 0.0,
    })
}

/// Logarithm of the odds of a leak that the design has not, seen with this conductance and standard deviation, m³/(Pa·s).
#[must_use]
pub fn leak_log_odds(u: &Unknown, conductance: f64, spread: f64) -> f64 {
    let z = conductance / spread;
    let prior = (conductance * u.centre[0]).ln() / u.fault_sd;
    0.5 * z * z - 0.5 * prior * prior - u.fault_sd.ln() - 0.5 * TAU.ln()
        + (TAU.sqrt() / z).ln()
        + (u.fault_prior / (1.0 - u.fault_prior)).ln()
}

/// Logarithm of the odds that a number with this estimate is at fault.
#[must_use]
pub fn log_odds(u: &Unknown, estimate: f64, sd: f64) -> f64 {
    odds(estimate, sd, [u.sound_sd, u.fault_sd], u.fault_prior)
}

/// The same for standard deviations `[sound, at fault]` and a probability before measuring.
fn odds(estimate: f64, sd: f64, [sound, fault]: [f64; 2], prior: f64) -> f64 {
    let log_normal = |spread: f64| {
        let variance = sd * sd + spread * spread;
        -0.5 * (variance.ln() + estimate * estimate / variance)
    };
    log_normal(fault) - log_normal(sound) + (prior / (1.0 - prior)).ln()
}
