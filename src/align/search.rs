//! The alignment: fit, size of the model discrepancy, and the search for what in the build is at fault.
//!
//! 1. All free and uncertain numbers are fitted with their tolerances as priors.
//! 2. The model discrepancy of each series follows from the residuals by restricted maximum likelihood; fit and
//!    discrepancy alternate.
//! 3. For every number that a workshop can get wrong the evidence for a fault is computed: with m and d the
//!    estimate and its standard deviation from the data alone (own prior taken out), s the spread of a sound build,
//!    S that of a fault and π the probability of a fault before measuring,
//!
//!    ```text
//!    odds = π/(1−π) · N(m; 0, d² + S²) / N(m; 0, d² + s²)
//!    ```
//!
//!    The number with the highest odds is released (its prior widens to S), everything is fitted again from several
//!    starts, and the change is kept if the evidence of the whole fit grows. This repeats while it does.
//! 4. What was released and no longer stands out is taken back.
//!
//! References: Kennedy & O'Hagan 2001, J. R. Statist. Soc. B 63:425 (model discrepancy); MacKay 2003, Information
//! Theory, Inference, and Learning Algorithms, ch. 28 (evidence and Occam factors), both from memory.

use super::dense::{Cholesky, Matrix, dot};
use super::kernels;
use super::least_squares::{Constraint, LeastSquaresError, Options, Outcome, Problem, minimise};
use super::problem::{Alignment, whitened, whiteners};
use super::residual::{Comparison, DELAY_UNIT_S, Evaluated, Nuisance};
use super::unknowns::{Role, Unknown};
use super::whiten::Kernel;
use crate::model::ModelError;
use rayon::prelude::*;

/// Most changes that are looked for together.
const MOST_FAULTS: usize = 4;
/// Standard deviation that stands for a flat prior: e^±8 covers every decade that a cabinet can show.
const FLAT: f64 = 8.0;
/// Candidates that are tried in full per round, from each of the two ways to look.
const TRIED: usize = 3;
/// Least change of a level, nepers, that can be told from the model's own error: 0.1 dB, one standard deviation of
/// what an independent model of the same cabinet may differ by.
pub const MATERIAL: f64 = 0.0115;
/// Starts that are followed per candidate.
const FOLLOWED: usize = 2;
/// Discrepancy of a model that fits: 1 % over a third of ln f, the medians of the priors.
const USUAL: (f64, f64) = (0.01, 0.3);

/// Why there is no alignment.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum AlignError {
    /// The design cannot be simulated.
    #[error(transparent)]
    Model(#[from] ModelError),
    /// The numbers of the question do not fit together.
    #[error("the fit cannot start: {0}")]
    Start(#[from] LeastSquaresError),
    /// Nothing to compare.
    #[error(
        "no capture has a usable band: nothing can be compared with the model; repeat the captures at a higher level"
    )]
    Nothing,
}

/// A point of the search with everything that belongs to it.
#[derive(Debug, Clone)]
pub struct Settled {
    /// Fitted numbers (indices into the unknowns).
    pub active: Vec<usize>,
    /// Those whose prior was widened, in the order in which the evidence asked for them.
    pub released: Vec<usize>,
    /// Coordinates: active unknowns, then nuisances.
    pub theta: Vec<f64>,
    /// Discrepancy per series.
    pub kernels: Vec<Kernel>,
    /// Inverse of the posterior precision.
    pub covariance: Matrix,
    /// Posterior precision.
    pub hessian: Matrix,
    /// Half the sum of squares, priors included.
    pub cost: f64,
    /// Logarithm of the evidence (Laplace), up to a constant common to all searches on the same data.
    pub log_evidence: f64,
    /// Accepted steps in total.
    pub iterations: usize,
    /// Whether the last fit ended at a minimum.
    pub converged: bool,
}

/// What one number says about a fault of its own.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Suspicion {
    /// Index of the unknown.
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

/// The search for one set of captures.
pub struct Search<'a> {
    comparison: &'a Comparison,
    unknowns: &'a [Unknown],
}

impl<'a> Search<'a> {
    /// A search over `unknowns`.
    #[must_use]
    pub fn new(comparison: &'a Comparison, unknowns: &'a [Unknown]) -> Self {
        Self {
            comparison,
            unknowns,
        }
    }

    /// Standard deviation of the prior of an active unknown.
    fn prior_sd(&self, index: usize, released: &[usize]) -> f64 {
        let u = &self.unknowns[index];
        if released.contains(&index) {
            return u.fault_sd;
        }
        match (u.role, u.stated_sd) {
            (_, Some(sd)) => sd,
            (Role::Free, None) => FLAT,
            _ => u.sound_sd,
        }
    }

    fn constraints(&self, active: &[usize], released: &[usize]) -> Vec<Constraint> {
        let mut list: Vec<Constraint> = active
            .iter()
            .map(|&i| {
                let [low, high] = self.unknowns[i].bounds();
                Constraint::normal(0.0, self.prior_sd(i, released)).within(low, high)
            })
            .collect();
        list.extend(
            self.comparison
                .nuisance_sd
                .iter()
                .map(|&sd| Constraint::normal(0.0, sd.min(1e6))),
        );
        list
    }

    fn fit(
        &self,
        active: &[usize],
        released: &[usize],
        start: &[f64],
        kernels: &[Kernel],
        most: usize,
    ) -> Result<Outcome, AlignError> {
        let chosen: Vec<&Unknown> = active.iter().map(|&i| &self.unknowns[i]).collect();
        let mut problem = Alignment::new(self.comparison, chosen, kernels);
        let options = Options {
            max_evaluations: most,
            // A thousandth of a nat is far below anything that an interval shows.
            relative_reduction: 1e-9,
            absolute_reduction: 1e-4,
            relative_step: 1e-6,
            ..Options::default()
        };
        let outcome = minimise(
            &mut problem,
            start,
            &self.constraints(active, released),
            &options,
        );
        match (outcome, problem.failure) {
            (Ok(outcome), _) => Ok(outcome),
            (Err(_), Some(failure)) => Err(failure.into()),
            (Err(error), None) => Err(error.into()),
        }
    }

    /// Half the sum of squares at a point, priors included.
    fn cost(
        &self,
        active: &[usize],
        released: &[usize],
        theta: &[f64],
        kernels: &[Kernel],
    ) -> Option<f64> {
        let chosen: Vec<&Unknown> = active.iter().map(|&i| &self.unknowns[i]).collect();
        let mut problem = Alignment::new(self.comparison, chosen, kernels);
        let residuals = problem.residuals(theta, None)?;
        let prior: f64 = self
            .constraints(active, released)
            .iter()
            .zip(theta)
            .map(|(c, t)| c.precision() * t * t)
            .sum();
        Some(0.5 * (dot(&residuals, &residuals) + prior))
    }

    fn raw(&self, active: &[usize], theta: &[f64]) -> Result<Evaluated, AlignError> {
        let chosen: Vec<&Unknown> = active.iter().map(|&i| &self.unknowns[i]).collect();
        let (own, nuisance) = theta.split_at(active.len());
        Ok(self.comparison.evaluate(&chosen, own, nuisance, true)?)
    }

    /// Alternates fit and discrepancy from a start.
    fn settle(
        &self,
        active: Vec<usize>,
        released: Vec<usize>,
        start: &[f64],
        kernels: &[Kernel],
        rounds: usize,
    ) -> Result<Settled, AlignError> {
        let mut kernels = kernels.to_vec();
        let mut theta = start.to_vec();
        let mut iterations = 0;
        let mut log_evidence = f64::NEG_INFINITY;
        let precision: Vec<f64> = self
            .constraints(&active, &released)
            .iter()
            .map(Constraint::precision)
            .collect();
        for _ in 0..rounds {
            let outcome = self.fit(&active, &released, &theta, &kernels, 25)?;
            iterations += outcome.iterations;
            theta = outcome.theta;
            let evaluated = self.raw(&active, &theta)?;
            (kernels, log_evidence) =
                kernels::per_series(self.comparison, &evaluated, &precision, &theta, &kernels);
        }
        let outcome = self.fit(&active, &released, &theta, &kernels, 40)?;
        iterations += outcome.iterations;
        let factor = Cholesky::new(&outcome.hessian);
        let size = outcome.hessian.cols();
        Ok(Settled {
            log_evidence,
            covariance: factor.map_or_else(|| Matrix::zeros(size, size), |f| f.inverse()),
            active,
            released,
            theta: outcome.theta,
            kernels,
            cost: outcome.cost,
            hessian: outcome.hessian,
            iterations,
            converged: outcome.reason.converged(),
        })
    }

    /// Nuisance coordinates to start from: the coarse delays.
    fn first_nuisance(&self) -> Result<Vec<f64>, AlignError> {
        let evaluated =
            self.comparison
                .evaluate(&[], &[], &vec![0.0; self.comparison.nuisances()], false)?;
        let mut nuisance = vec![0.0; self.comparison.nuisances()];
        for (s, simulated) in self.comparison.series.iter().zip(&evaluated.simulated) {
            for &(kind, index) in &s.nuisance {
                if !self.comparison.nuisance_sd[index].is_finite() {
                    match kind {
                        Nuisance::Delay => {
                            nuisance[index] = s
                                .coarse_delay_s(&self.comparison.frequency_hz, simulated)
                                / DELAY_UNIT_S;
                        }
                        Nuisance::Gain => {
                            let sum: f64 = s
                                .measured
                                .iter()
                                .zip(simulated)
                                .map(|(m, p)| (m.norm() / p.norm()).ln())
                                .sum();
                            nuisance[index] = sum / s.measured.len().max(1) as f64;
                        }
                        Nuisance::Drift => {}
                    }
                }
            }
        }
        Ok(nuisance)
    }

    /// The whole search.
    ///
    /// # Errors
    /// [`AlignError`] where the model has no value or there is nothing to compare.
    pub fn run(&self, progress: &mut dyn FnMut(&str)) -> Result<Settled, AlignError> {
        if self.comparison.series.iter().all(|s| s.x.is_empty()) {
            return Err(AlignError::Nothing);
        }
        let active: Vec<usize> = (0..self.unknowns.len())
            .filter(|&i| self.unknowns[i].role != Role::Exact)
            .collect();
        let mut start = vec![0.0; active.len()];
        start.extend(self.first_nuisance()?);
        let wide = vec![Kernel::exponential(0.02, 0.3); self.comparison.series.len()];
        progress("fitting the model");
        let mut best = self.settle(active, Vec::new(), &start, &wide, 3)?;
        for _ in 0..MOST_FAULTS {
            let list = self.suspects(&best)?;
            for s in &list {
                progress(&format!("trying {}", self.unknowns[s.unknown].path));
            }
            // In parallel; the order of the list decides between equals, so that the result does not depend on it.
            let tried: Vec<Settled> = list
                .par_iter()
                .map(|&s| self.release(&best, s, &start))
                .collect::<Result<_, _>>()?;
            let next = tried.into_iter().reduce(|a, b| {
                if b.log_evidence > a.log_evidence {
                    b
                } else {
                    a
                }
            });
            let Some(next) = next else { break };
            let Some(&released) = next.released.last() else {
                break;
            };
            let prior = self.unknowns[released].fault_prior;
            if next.log_evidence + (prior / (1.0 - prior)).ln() <= best.log_evidence {
                break;
            }
            best = next;
        }
        self.prune(best)
    }

    /// Fits with one more number released, from several starts.
    fn release(
        &self,
        from: &Settled,
        suspicion: Suspicion,
        zero: &[f64],
    ) -> Result<Settled, AlignError> {
        let index = suspicion.unknown;
        let mut active = from.active.clone();
        let mut here = from.theta.clone();
        let place = active.iter().position(|&i| i == index).unwrap_or_else(|| {
            active.push(index);
            here.insert(active.len() - 1, 0.0);
            active.len() - 1
        });
        let mut released = from.released.clone();
        released.push(index);
        let nuisances = self.comparison.nuisances();
        let mut rest = vec![0.0; active.len()];
        rest.extend_from_slice(&zero[zero.len() - nuisances..]);
        let [low, high] = self.unknowns[index].bounds();
        let size = self.unknowns[index].fault_sd;
        let guess = suspicion
            .estimate
            .clamp(-2.0 * size, 2.0 * size)
            .clamp(low, high);
        let mut starts = Vec::new();
        for base in [&here, &rest] {
            for value in [guess, size.min(high), (-size).max(low)] {
                let mut start = base.clone();
                start[place] = value;
                starts.push(start);
            }
        }
        // Only the starts that begin well are followed to their ends.
        let mut ranked: Vec<(f64, Vec<f64>)> = starts
            .into_iter()
            .filter_map(|start| {
                Some((self.cost(&active, &released, &start, &from.kernels)?, start))
            })
            .collect();
        ranked.sort_by(|a, b| a.0.total_cmp(&b.0));
        ranked.truncate(FOLLOWED);
        let mut best: Option<Outcome> = None;
        for (_, start) in ranked {
            let Ok(outcome) = self.fit(&active, &released, &start, &from.kernels, 14) else {
                continue;
            };
            if best.as_ref().is_none_or(|b| outcome.cost < b.cost) {
                best = Some(outcome);
            }
        }
        let start = best.map_or(here, |b| b.theta);
        self.settle(active, released, &start, &from.kernels, 2)
    }

    /// Takes back what was released and does not stand out any more.
    fn prune(&self, mut best: Settled) -> Result<Settled, AlignError> {
        loop {
            let list = self.suspicions(&best, &best.kernels)?;
            let weak = best
                .released
                .iter()
                .filter_map(|&i| list.iter().find(|s| s.unknown == i))
                .filter(|s| s.log_odds < 0.0)
                .min_by(|a, b| a.log_odds.total_cmp(&b.log_odds));
            let Some(weak) = weak.copied() else {
                return Ok(best);
            };
            let mut active = best.active.clone();
            let mut theta = best.theta.clone();
            if self.unknowns[weak.unknown].role == Role::Exact
                && let Some(at) = active.iter().position(|&i| i == weak.unknown)
            {
                active.remove(at);
                theta.remove(at);
            }
            let released = best
                .released
                .iter()
                .copied()
                .filter(|&i| i != weak.unknown)
                .collect();
            best = self.settle(active, released, &theta, &best.kernels, 1)?;
        }
    }

    /// The odds of a fault for every number, at a settled point, if `kernels` were the discrepancies.
    ///
    /// A fault that is not in the fit inflates the discrepancies, under which it then hides; the search therefore
    /// looks with those of a model that fits, too.
    ///
    /// # Errors
    /// [`AlignError::Model`] if the design cannot be simulated there.
    pub fn suspicions(
        &self,
        at: &Settled,
        kernels: &[Kernel],
    ) -> Result<Vec<Suspicion>, AlignError> {
        // All numbers at once: the active ones first, then the others at their design values.
        let others: Vec<usize> = (0..self.unknowns.len())
            .filter(|i| !at.active.contains(i))
            .collect();
        let all: Vec<usize> = at.active.iter().chain(&others).copied().collect();
        let (own, nuisance) = at.theta.split_at(at.active.len());
        let mut theta = own.to_vec();
        theta.extend(std::iter::repeat_n(0.0, others.len()));
        theta.extend_from_slice(nuisance);
        let evaluated = self.raw(&all, &theta)?;
        let (residual, jacobian) = whitened(
            &whiteners(self.comparison, kernels),
            &evaluated,
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
            return Ok(Vec::new());
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
            let log_odds = log_odds(&self.unknowns[index], estimate, sd);
            let effect = self.comparison.level_change(&evaluated, n, estimate);
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
        Ok(list)
    }

    /// The strongest suspects among what is not released yet, under the fitted and under the usual discrepancies.
    fn suspects(&self, at: &Settled) -> Result<Vec<Suspicion>, AlignError> {
        let usual = vec![Kernel::exponential(USUAL.0, USUAL.1); at.kernels.len()];
        let mut chosen: Vec<Suspicion> = Vec::new();
        for kernels in [&at.kernels, &usual] {
            let mut list = self.suspicions(at, kernels)?;
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

/// Logarithm of the odds that a number with this estimate is at fault.
#[must_use]
pub fn log_odds(u: &Unknown, estimate: f64, sd: f64) -> f64 {
    let log_normal = |spread: f64| {
        let variance = sd * sd + spread * spread;
        -0.5 * (variance.ln() + estimate * estimate / variance)
    };
    log_normal(u.fault_sd) - log_normal(u.sound_sd) + (u.fault_prior / (1.0 - u.fault_prior)).ln()
}
