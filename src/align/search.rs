//! The alignment: fit, size of the model discrepancy, and the search for what in the build is at fault.
//!
//! 1. All free and uncertain numbers are fitted with their tolerances as priors.
//! 2. The model discrepancy of each series follows from the residuals by restricted maximum likelihood; fit and
//!    discrepancy alternate.
//! 3. Which number may be at fault is seen without a new fit (`suspicion`); the likely ones are released (their prior widens to
//!    that of a fault) and fitted again from several starts. `explain` compares the evidence.
//!
//! References: Kennedy & O'Hagan 2001, J. R. Statist. Soc. B 63:425 (model discrepancy); MacKay 2003, Information
//! Theory, Inference, and Learning Algorithms, ch. 28 (evidence and Occam factors), both from memory.

use super::dense::{Cholesky, Matrix, dot};
use super::kernels::{self, Reading};
use super::least_squares::{Constraint, LeastSquaresError, Options, Outcome, Problem, minimise};
use super::problem::Alignment;
use super::residual::{Comparison, DELAY_UNIT_S, Evaluated, MOST_K, Nuisance};
use super::suspicion::Suspicion;
use super::unknowns::{RARE, Role, Unknown};
use super::whiten::Kernel;
use crate::model::ModelError;

/// Least change of a level, nepers, that can be told from the model's own error: 0.1 dB, about
/// what is left of one in a good capture («common practice, no published source»).
pub const MATERIAL: f64 = 0.0115;
/// Starts that are followed per candidate.
const FOLLOWED: usize = 2;
/// A second start is followed only if it begins within this factor of the best one's cost.
const NEARLY_AS_GOOD: f64 = 1.5;
/// Cost, nats, below which a fit that only compares models has ended; and one whose numbers are shown.
const ROUGH: f64 = 1e-2;
/// See [`ROUGH`]: a hundredth of a standard deviation.
const FINE: f64 = 1e-4;
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
    /// Standard deviation of the prior of each coordinate.
    pub prior_sd: Vec<f64>,
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

/// The search for one set of captures.
pub struct Search<'a> {
    pub(super) comparison: &'a Comparison,
    pub(super) unknowns: &'a [Unknown],
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
            (Role::Free, None) => u.flat_sd(),
            _ => u.sound_sd,
        }
    }

    /// Standard deviation of a term of the bench that is wrong: a level by a wrong sensitivity, a delay by a microphone that stood
    /// somewhere else, a temperature that was mistyped. `None`: the term is free already, or has nothing that can be wrong.
    pub(super) fn bench_fault_sd(&self, n: usize) -> Option<f64> {
        if !self.comparison.nuisance_sd[n].is_finite() {
            return None;
        }
        match self.comparison.nuisance_of[n].1 {
            Nuisance::Gain => Some(1.0),
            Nuisance::Delay => Some(2e-3 / DELAY_UNIT_S),
            Nuisance::Temperature => Some(8.0),
            Nuisance::Drift => None,
        }
    }

    /// Probability before measuring of what can be released.
    pub(super) fn fault_prior(&self, released: usize) -> f64 {
        self.unknowns.get(released).map_or(RARE, |u| u.fault_prior)
    }

    pub(super) fn constraints(&self, active: &[usize], released: &[usize]) -> Vec<Constraint> {
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
                .enumerate()
                .map(|(n, &sd)| {
                    let off = released.contains(&(self.unknowns.len() + n));
                    let wide = self.bench_fault_sd(n).filter(|_| off);
                    let prior = Constraint::normal(0.0, wide.unwrap_or(sd).min(1e6));
                    match self.comparison.nuisance_of[n].1 {
                        Nuisance::Temperature => prior.within(-MOST_K, MOST_K),
                        _ => prior,
                    }
                }),
        );
        list
    }

    fn problem(&self, active: &[usize], kernels: &[Kernel]) -> Alignment<'a> {
        let chosen: Vec<&'a Unknown> = active.iter().map(|&i| &self.unknowns[i]).collect();
        Alignment::new(self.comparison, chosen, kernels)
    }

    fn fit(
        &self,
        problem: &mut Alignment<'_>,
        constraints: &[Constraint],
        start: &[f64],
        (most, close): (usize, f64),
    ) -> Result<Outcome, AlignError> {
        let options = Options {
            max_evaluations: most,
            relative_reduction: 1e-9,
            absolute_reduction: close,
            relative_step: 1e-6,
            ..Options::default()
        };
        let outcome = minimise(problem, start, constraints, &options);
        match (outcome, problem.failure.take()) {
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
        let mut problem = self.problem(active, kernels);
        let residuals = problem.residuals(theta, None)?;
        let prior: f64 = self
            .constraints(active, released)
            .iter()
            .zip(theta)
            .map(|(c, t)| c.precision() * t * t)
            .sum();
        Some(0.5 * (dot(&residuals, &residuals) + prior))
    }

    pub(super) fn raw(&self, active: &[usize], theta: &[f64]) -> Result<Evaluated, AlignError> {
        let chosen: Vec<&Unknown> = active.iter().map(|&i| &self.unknowns[i]).collect();
        let (own, nuisance) = theta.split_at(active.len());
        Ok(self.comparison.evaluate(&chosen, own, nuisance, true)?)
    }

    /// Alternates fit and discrepancy from a start.
    pub(super) fn settle(
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
        let constraints = self.constraints(&active, &released);
        let precision: Vec<f64> = constraints.iter().map(Constraint::precision).collect();
        let mut problem = self.problem(&active, &kernels);
        for _ in 0..rounds {
            let outcome = self.fit(&mut problem, &constraints, &theta, (25, ROUGH))?;
            iterations += outcome.iterations;
            theta = outcome.theta;
            let Some(evaluated) = problem.at(&theta) else {
                break;
            };
            (kernels, log_evidence) = kernels::per_series(
                self.comparison,
                evaluated,
                &precision,
                &theta,
                &kernels,
                Reading::Fine,
            );
            problem.set_kernels(&kernels);
        }
        let outcome = self.fit(&mut problem, &constraints, &theta, (40, ROUGH))?;
        iterations += outcome.iterations;
        Ok(Settled {
            log_evidence,
            covariance: covariance(&outcome),
            prior_sd: constraints.iter().map(|c| c.sd).collect(),
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
    pub(super) fn first_nuisance(&self) -> Result<Vec<f64>, AlignError> {
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
                        Nuisance::Drift | Nuisance::Temperature => {}
                    }
                }
            }
        }
        Ok(nuisance)
    }

    /// Everything but the faults, settled: all free and uncertain numbers.
    ///
    /// # Errors
    /// [`AlignError`] where the model has no value or there is nothing to compare.
    pub fn sound(&self) -> Result<Settled, AlignError> {
        if self.comparison.series.iter().all(|s| s.x.is_empty()) {
            return Err(AlignError::Nothing);
        }
        let active: Vec<usize> = (0..self.unknowns.len())
            .filter(|&i| self.unknowns[i].role != Role::Exact)
            .collect();
        let mut start = vec![0.0; active.len()];
        start.extend(self.first_nuisance()?);
        let wide = vec![Kernel::exponential(0.02, 0.3); self.comparison.series.len()];
        self.settle(active, Vec::new(), &start, &wide, 3)
    }

    /// The same model, fitted to the end, with discrepancies as intervals need them and next to no prior on what was released: how large faults usually are helps to find them, and says
    /// nothing about this one, nor may it pull at the others.
    ///
    /// # Errors
    /// [`AlignError`] where the model has no value.
    pub fn relaxed(&self, settled: Settled) -> Result<Settled, AlignError> {
        let mut constraints = self.constraints(&settled.active, &settled.released);
        let of_bench = (0..self.comparison.nuisances()).map(|n| self.unknowns.len() + n);
        let coordinates = settled.active.iter().copied().chain(of_bench);
        for (c, i) in constraints.iter_mut().zip(coordinates) {
            if settled.released.contains(&i) {
                let flat = self.unknowns.get(i).map_or(8.0, Unknown::flat_sd);
                c.sd = c.sd.max(flat);
            }
        }
        let precision: Vec<f64> = constraints.iter().map(Constraint::precision).collect();
        let mut problem = self.problem(&settled.active, &settled.kernels);
        let mut kernels = settled.kernels.clone();
        let mut theta = settled.theta.clone();
        for _ in 0..2 {
            let Some(evaluated) = problem.at(&theta) else {
                break;
            };
            let read = |reading| {
                let old = &settled.kernels;
                kernels::per_series(self.comparison, evaluated, &precision, &theta, old, reading).0
            };
            // A rough error shows in all points, a smooth one only over stretches: what leaves more open counts.
            let open = |k: &Kernel| k.sigma * k.sigma / k.length;
            kernels = read(Reading::Fine)
                .into_iter()
                .zip(read(Reading::Coarse))
                .map(|(a, b)| if open(&a) >= open(&b) { a } else { b })
                .collect();
            problem.set_kernels(&kernels);
            theta = self
                .fit(&mut problem, &constraints, &theta, (40, ROUGH))?
                .theta;
        }
        let outcome = self.fit(&mut problem, &constraints, &theta, (40, FINE))?;
        Ok(Settled {
            kernels,
            covariance: covariance(&outcome),
            prior_sd: constraints.iter().map(|c| c.sd).collect(),
            theta: outcome.theta,
            cost: outcome.cost,
            hessian: outcome.hessian,
            iterations: settled.iterations + outcome.iterations,
            converged: outcome.reason.converged(),
            ..settled
        })
    }

    /// Fits with one more number released, from several starts.
    pub(super) fn release(
        &self,
        from: &Settled,
        suspicion: Suspicion,
        zero: &[f64],
    ) -> Result<Settled, AlignError> {
        let index = suspicion.unknown;
        let mut active = from.active.clone();
        let mut here = from.theta.clone();
        let of_bench = index.checked_sub(self.unknowns.len());
        let place = match of_bench {
            Some(n) => active.len() + n,
            None => active.iter().position(|&i| i == index).unwrap_or_else(|| {
                active.push(index);
                here.insert(active.len() - 1, self.unknowns[index].resting_theta());
                active.len() - 1
            }),
        };
        let mut released = from.released.clone();
        released.push(index);
        let nuisances = self.comparison.nuisances();
        let mut rest: Vec<f64> = vec![0.0; active.len()];
        for (n, &i) in active.iter().enumerate() {
            if self.unknowns[i].absent && i != index {
                rest[n] = here[n];
            }
        }
        rest.extend_from_slice(&zero[zero.len() - nuisances..]);
        let ([low, high], size, beyond) = match (of_bench, self.unknowns.get(index)) {
            (Some(n), _) => {
                let size = self.bench_fault_sd(n).unwrap_or(1.0);
                ([-1e3, 1e3], size, size)
            }
            (None, Some(u)) if u.absent => (u.bounds(), u.fault_sd, 0.0),
            (None, Some(u)) => (u.bounds(), u.fault_sd, u.fault_sd.min(u.bounds()[1])),
            (None, None) => ([-1.0, 1.0], 1.0, 1.0),
        };
        let guess = suspicion
            .estimate
            .clamp(-2.0 * size, 2.0 * size)
            .clamp(low, high);
        let mut starts = Vec::new();
        for base in [&here, &rest] {
            for value in [guess, beyond, (-size).max(low)] {
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
        let most = ranked.first().map_or(0.0, |r| NEARLY_AS_GOOD * r.0);
        ranked.retain(|r| r.0 <= most);
        let mut best: Option<Outcome> = None;
        let constraints = self.constraints(&active, &released);
        let mut problem = self.problem(&active, &from.kernels);
        for (_, start) in ranked {
            let Ok(outcome) = self.fit(&mut problem, &constraints, &start, (14, ROUGH)) else {
                continue;
            };
            if best.as_ref().is_none_or(|b| outcome.cost < b.cost) {
                best = Some(outcome);
            }
        }
        let start = best.map_or(here, |b| b.theta);
        self.settle(active, released, &start, &from.kernels, 2)
    }
}

/// Inverse of the posterior precision at a fit's end; zero where there is none.
fn covariance(outcome: &Outcome) -> Matrix {
    let size = outcome.hessian.cols();
    Cholesky::new(&outcome.hessian).map_or_else(|| Matrix::zeros(size, size), |f| f.inverse())
}
