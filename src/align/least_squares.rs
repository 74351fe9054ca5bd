//! Nonlinear least squares with priors and bounds: Levenberg–Marquardt with an analytic Jacobian.
//!
//! minimise  F(θ) = ½‖r(θ)‖² + ½ Σ_j ((θ_j − c_j)/s_j)²   subject to   low_j ≤ θ_j ≤ high_j
//!
//! The residuals r are whitened by the caller, so that F is a negative log posterior density up to a constant.
//! A prior with s = ∞ is flat. Each step minimises the linearised F inside ‖D·p‖ ≤ Δ, where D holds the largest
//! column norms of the Jacobian seen so far and Δ follows the ratio of actual to predicted reduction. The damping
//! is found from the singular values of the (triangularised) scaled Jacobian, so a rank-deficient one does no harm.
//! Parameters that press against a bound are held for the step; parameters that a step carries over a bound stop
//! there and the others are solved again.
//!
//! | symbol | here | unit |
//! | --- | --- | --- |
//! | θ | `theta` | the caller's |
//! | F | `cost` | 1 (nepers of probability) |
//! | H = JᵀJ + diag(1/s²) | `hessian` | 1/(unit of θ)² |
//! | H⁻¹ | `covariance` | (unit of θ)² |
//!
//! **Range.** Residuals must be twice differentiable near the minimum. The covariance is that of the linearised
//! problem, right when the curvature of the model over one standard deviation is small and the minimum is not at
//! a bound; see `profile` otherwise. «Converged» and «the covariance exists» are separate facts.
//!
//! References: Levenberg 1944; Marquardt 1963; Moré 1978, The Levenberg–Marquardt algorithm: implementation and
//! theory, LNM 630 (from memory); certified data of NIST StRD, `tests/nist.rs`.

use super::dense::{Matrix, dot, inverse_of_gram, norm, triangularise};
use super::trust_region::bounded_step;
use thiserror::Error;

/// A model to be fitted.
pub trait Problem {
    /// Number of parameters.
    fn parameters(&self) -> usize;

    /// Residuals at `theta`, and their derivatives: where `jacobian` is given it must be reset to residuals ×
    /// parameters and filled with ∂r_i/∂θ_j. `None` where the model cannot be evaluated; the step is then
    /// shortened. The number of residuals may not change.
    fn residuals(&mut self, theta: &[f64], jacobian: Option<&mut Matrix>) -> Option<Vec<f64>>;
}

/// What is known of one parameter before the data.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Constraint {
    /// Centre of the normal prior, unit of the parameter.
    pub centre: f64,
    /// Its standard deviation; infinite: flat.
    pub sd: f64,
    /// Lower bound; −∞: none.
    pub low: f64,
    /// Upper bound; ∞: none. Equal to `low`: the parameter is held.
    pub high: f64,
}

impl Constraint {
    /// Flat prior, no bounds.
    pub const FREE: Self = Self {
        centre: 0.0,
        sd: f64::INFINITY,
        low: f64::NEG_INFINITY,
        high: f64::INFINITY,
    };

    /// Normal prior, no bounds.
    #[must_use]
    pub fn normal(centre: f64, sd: f64) -> Self {
        Self {
            centre,
            sd,
            ..Self::FREE
        }
    }

    /// The same with bounds.
    #[must_use]
    pub fn within(self, low: f64, high: f64) -> Self {
        Self { low, high, ..self }
    }

    /// 1/sd², 0 for a flat prior.
    #[must_use]
    pub fn precision(&self) -> f64 {
        1.0 / (self.sd * self.sd)
    }

    fn is_sound(&self) -> bool {
        self.centre.is_finite() && self.sd > 0.0 && self.low <= self.high
    }
}

/// When to stop.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Options {
    /// Most evaluations of the residuals.
    pub max_evaluations: usize,
    /// Converged when the actual and the predicted reduction of the cost, over the cost, fall below this.
    pub relative_reduction: f64,
    /// Converged when both fall below this, absolutely. A cost of 1e-4 is a hundredth of a standard deviation.
    pub absolute_reduction: f64,
    /// Converged when the trust radius over the scaled length of θ falls below this.
    pub relative_step: f64,
    /// Converged when every |cos(r, J_j)| falls below this.
    pub gradient_cosine: f64,
    /// First trust radius over the scaled length of θ.
    pub first_radius: f64,
    /// Ask for the Jacobian with every trial point that is likely to be accepted; right where both come from one
    /// factorisation.
    pub eager_jacobian: bool,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            max_evaluations: 500,
            relative_reduction: 1e-12,
            absolute_reduction: 0.0,
            relative_step: 1e-12,
            gradient_cosine: 1e-14,
            first_radius: 1.0,
            eager_jacobian: true,
        }
    }
}

/// Why the search ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Termination {
    /// The cost no longer falls.
    SmallReduction,
    /// The step is too short to matter, and a full one promises nothing either.
    SmallStep,
    /// What a step could still gain is below the rounding of the cost.
    Rounding,
    /// The residuals are orthogonal to every free column of the Jacobian.
    SmallGradient,
    /// The residuals vanish.
    ExactFit,
    /// Every parameter is held or at a bound.
    AllHeld,
    /// Every step fails, however short, although the derivatives promise a lower cost: they are wrong, or the model
    /// has a kink or an end there.
    Stalled,
    /// Too many evaluations.
    OutOfEvaluations,
}

impl Termination {
    /// Whether the point is a minimum as far as the criteria tell.
    #[must_use]
    pub fn converged(self) -> bool {
        !matches!(self, Self::Stalled | Self::OutOfEvaluations)
    }
}

/// Where the search ended.
#[derive(Debug, Clone)]
pub struct Outcome {
    /// Parameters.
    pub theta: Vec<f64>,
    /// ½‖r‖² + prior.
    pub cost: f64,
    /// The part of `cost` that the priors hold.
    pub prior_cost: f64,
    /// Residuals at `theta`, without the prior.
    pub residuals: Vec<f64>,
    /// Their derivatives.
    pub jacobian: Matrix,
    /// Accepted steps.
    pub iterations: usize,
    /// Calls of the problem.
    pub evaluations: usize,
    /// Why it ended.
    pub reason: Termination,
    /// JᵀJ + diag(1/sd²), with all parameters, also those at a bound.
    pub hessian: Matrix,
    /// Inverse of `hessian` over the parameters that are not held (rows and columns of held ones are zero); `None`
    /// where it is singular to within rounding. Not scaled by the residual variance.
    pub covariance: Option<Matrix>,
    /// Which parameters rest on a bound or are held.
    pub at_bound: Vec<bool>,
}

impl Outcome {
    /// ‖r‖² over (residuals − free parameters), without the priors; `None` without degrees of freedom.
    #[must_use]
    pub fn residual_variance(&self) -> Option<f64> {
        let free = self.at_bound.iter().filter(|held| !**held).count();
        let freedom = self.residuals.len().checked_sub(free).filter(|n| *n > 0)?;
        Some(dot(&self.residuals, &self.residuals) / freedom as f64)
    }

    /// Square roots of the covariance's diagonal.
    #[must_use]
    pub fn standard_deviations(&self) -> Option<Vec<f64>> {
        let covariance = self.covariance.as_ref()?;
        Some(
            (0..covariance.cols())
                .map(|j| covariance[(j, j)].sqrt())
                .collect(),
        )
    }
}

/// What is wrong with the question. A bad answer is an [`Outcome`] with its [`Termination`].
#[derive(Debug, Clone, PartialEq, Error)]
pub enum LeastSquaresError {
    /// Lengths disagree.
    #[error("{what} has {found} entries where the problem has {expected} parameters")]
    Length {
        /// Which argument.
        what: &'static str,
        /// Its length.
        found: usize,
        /// Parameters of the problem.
        expected: usize,
    },
    /// A constraint cannot hold.
    #[error(
        "parameter {index}: the prior {centre} ± {sd} in [{low}, {high}] needs a finite centre, a positive standard deviation and low ≤ high"
    )]
    Constraint {
        /// Which parameter, from 0.
        index: usize,
        /// Prior's centre.
        centre: f64,
        /// Prior's standard deviation.
        sd: f64,
        /// Lower bound.
        low: f64,
        /// Upper bound.
        high: f64,
    },
    /// The model has no finite residuals at the start.
    #[error("the model cannot be evaluated at the start {start:?}: give a start inside its range")]
    Start {
        /// The start, moved into the bounds.
        start: Vec<f64>,
    },
    /// No start was given.
    #[error("no starting point was given: at least one is needed")]
    NoStart,
}

/// Rounding of a cost that is a sum of some hundred squares, relative: a few dozen ε.
const ROUNDING: f64 = 64.0 * f64::EPSILON;
/// A full step that gains less than this part of the cost is worth nothing: with 1000 residuals of unit variance it is 0.005,
/// a tenth of a standard deviation.
const WORTHLESS: f64 = 1e-5;

/// One evaluated point, the priors appended as rows.
struct Point {
    theta: Vec<f64>,
    residuals: Vec<f64>,
    jacobian: Option<Matrix>,
    cost: f64,
    prior_cost: f64,
}

struct Search<'a, P: Problem> {
    problem: &'a mut P,
    constraints: &'a [Constraint],
    evaluations: usize,
}

impl<P: Problem> Search<'_, P> {
    fn evaluate(&mut self, theta: &[f64], with_jacobian: bool) -> Option<Point> {
        self.evaluations += 1;
        let mut jacobian = with_jacobian.then(Matrix::default);
        let residuals = self.problem.residuals(theta, jacobian.as_mut())?;
        let prior_cost = 0.5
            * theta
                .iter()
                .zip(self.constraints)
                .map(|(value, prior)| ((value - prior.centre) / prior.sd).powi(2))
                .sum::<f64>();
        let length = norm(&residuals);
        let cost = 0.5 * length * length + prior_cost;
        let sound = cost.is_finite()
            && jacobian.as_ref().is_none_or(|j| {
                j.is_finite() && j.rows() == residuals.len() && j.cols() == theta.len()
            });
        sound.then(|| Point {
            theta: theta.to_vec(),
            residuals,
            jacobian,
            cost,
            prior_cost,
        })
    }

    /// Triangle and Qᵀr of the Jacobian with the prior rows.
    fn triangle(&self, point: &Point, jacobian: &Matrix) -> (Matrix, Vec<f64>) {
        let informative: Vec<usize> = (0..self.constraints.len())
            .filter(|&j| self.constraints[j].sd.is_finite())
            .collect();
        let m = jacobian.rows();
        let mut rows = Matrix::zeros(m + informative.len(), jacobian.cols());
        for j in 0..jacobian.cols() {
            rows.column_mut(j)[..m].copy_from_slice(jacobian.column(j));
        }
        let mut right = point.residuals.clone();
        for (k, &j) in informative.iter().enumerate() {
            let prior = self.constraints[j];
            rows[(m + k, j)] = 1.0 / prior.sd;
            right.push((point.theta[j] - prior.centre) / prior.sd);
        }
        triangularise(rows, right)
    }
}

/// Minimises from `start` (moved into the bounds first).
///
/// # Errors
/// [`LeastSquaresError`] where lengths disagree, a constraint is impossible or the model has no value at the start.
pub fn minimise<P: Problem>(
    problem: &mut P,
    start: &[f64],
    constraints: &[Constraint],
    options: &Options,
) -> Result<Outcome, LeastSquaresError> {
    check(problem.parameters(), start, constraints)?;
    let start: Vec<f64> = start
        .iter()
        .zip(constraints)
        .map(|(value, bound)| value.clamp(bound.low, bound.high))
        .collect();
    let mut search = Search {
        problem,
        constraints,
        evaluations: 0,
    };
    let Some(mut point) = search.evaluate(&start, true) else {
        return Err(LeastSquaresError::Start { start });
    };
    let mut scale: Vec<f64> = vec![0.0; start.len()];
    let mut radius = None;
    let mut iterations = 0;
    let mut likely = true;
    loop {
        let jacobian = match point.jacobian.take() {
            Some(jacobian) => jacobian,
            // Where values exist and derivatives do not, nothing better can be found from here.
            None => match search.evaluate(&point.theta, true).and_then(|p| p.jacobian) {
                Some(jacobian) => jacobian,
                None => {
                    let width = point.theta.len();
                    let blank = Matrix::zeros(point.residuals.len(), width);
                    return Ok(search.finish(point, blank, iterations, Termination::Stalled));
                }
            },
        };
        let (r, q) = search.triangle(&point, &jacobian);
        for (j, largest) in scale.iter_mut().enumerate() {
            *largest = largest.max(norm(r.column(j)));
        }
        let metric: Vec<f64> = scale
            .iter()
            .map(|s| if *s > 0.0 { *s } else { 1.0 })
            .collect();
        let length = scaled_length(&metric, &point.theta);
        let mut delta =
            radius.unwrap_or(options.first_radius * if length > 0.0 { length } else { 1.0 });
        let gradient = r.transposed_times(&q);
        let free: Vec<usize> = (0..gradient.len())
            .filter(|&j| !pressed(point.theta[j], gradient[j], &constraints[j]))
            .collect();
        if let Some(reason) = stationary(&free, &gradient, &r, &point, options) {
            return Ok(search.finish(point, jacobian, iterations, reason));
        }
        loop {
            let step = bounded_step(&r, &q, &metric, &free, delta, &point.theta, constraints);
            let predicted = promise(&step, &r, &gradient);
            let step_length = scaled_length(&metric, &step);
            if search.evaluations >= options.max_evaluations {
                return Ok(search.finish(
                    point,
                    jacobian,
                    iterations,
                    Termination::OutOfEvaluations,
                ));
            }
            let theta: Vec<f64> = (0..step.len())
                .map(|j| (point.theta[j] + step[j]).clamp(constraints[j].low, constraints[j].high))
                .collect();
            let trial = search.evaluate(&theta, options.eager_jacobian && likely);
            let actual = trial
                .as_ref()
                .map_or(f64::NEG_INFINITY, |t| point.cost - t.cost);
            let ratio = if predicted > 0.0 {
                actual / predicted
            } else {
                f64::NEG_INFINITY
            };
            if ratio < 0.25 {
                // A cost that does not exist or explodes tells nothing about curvature: shrink firmly.
                let shrink = if actual.is_finite() { 0.25 } else { 0.1 };
                delta = shrink * delta.min(step_length.max(0.1 * delta));
            } else if ratio > 0.75 {
                delta = delta.max(2.0 * step_length);
            }
            let converged = small_reduction(actual, predicted, ratio, point.cost, options);
            let accepted = ratio > 1e-4;
            likely = accepted;
            let reason = if converged {
                Some(Termination::SmallReduction)
            } else if accepted {
                None
            } else if predicted <= f64::EPSILON * point.cost
                && actual.abs() <= ROUNDING * point.cost
            {
                Some(Termination::Rounding)
            } else if delta <= options.relative_step * length || delta <= f64::MIN_POSITIVE {
                let promised = promise(
                    &bounded_step(&r, &q, &metric, &free, f64::MAX, &point.theta, constraints),
                    &r,
                    &gradient,
                );
                Some(if promised <= WORTHLESS * point.cost {
                    Termination::SmallStep
                } else {
                    Termination::Stalled
                })
            } else {
                None
            };
            if let (true, Some(trial)) = (accepted, trial) {
                point = trial;
                iterations += 1;
            }
            if let Some(reason) = reason {
                let jacobian = match point.jacobian.take() {
                    Some(newer) => newer,
                    None if accepted => search
                        .evaluate(&point.theta, true)
                        .and_then(|p| p.jacobian)
                        .unwrap_or(jacobian),
                    None => jacobian,
                };
                return Ok(search.finish(point, jacobian, iterations, reason));
            }
            if accepted {
                break;
            }
        }
        radius = Some(delta);
    }
}

fn check(
    parameters: usize,
    start: &[f64],
    constraints: &[Constraint],
) -> Result<(), LeastSquaresError> {
    for (what, found) in [
        ("the start", start.len()),
        ("the list of priors", constraints.len()),
    ] {
        if found != parameters {
            return Err(LeastSquaresError::Length {
                what,
                found,
                expected: parameters,
            });
        }
    }
    match constraints.iter().position(|c| !c.is_sound()) {
        Some(index) => Err(LeastSquaresError::Constraint {
            index,
            centre: constraints[index].centre,
            sd: constraints[index].sd,
            low: constraints[index].low,
            high: constraints[index].high,
        }),
        None if start.iter().any(|value| !value.is_finite()) => Err(LeastSquaresError::Start {
            start: start.to_vec(),
        }),
        None => Ok(()),
    }
}

/// Reduction of the linearised cost by a step.
fn promise(step: &[f64], r: &Matrix, gradient: &[f64]) -> f64 {
    let moved = r.times(step);
    -dot(gradient, step) - 0.5 * dot(&moved, &moved)
}

fn scaled_length(metric: &[f64], x: &[f64]) -> f64 {
    let scaled: Vec<f64> = metric.iter().zip(x).map(|(d, x)| d * x).collect();
    norm(&scaled)
}

/// Whether descent would carry the parameter out of its bounds.
fn pressed(value: f64, slope: f64, bound: &Constraint) -> bool {
    bound.low == bound.high
        || (value <= bound.low && slope >= 0.0)
        || (value >= bound.high && slope <= 0.0)
}

fn stationary(
    free: &[usize],
    gradient: &[f64],
    r: &Matrix,
    point: &Point,
    options: &Options,
) -> Option<Termination> {
    if point.cost <= 0.0 {
        return Some(Termination::ExactFit);
    }
    if free.is_empty() {
        return Some(Termination::AllHeld);
    }
    let length = (2.0 * point.cost).sqrt();
    let cosine = free
        .iter()
        .map(|&j| {
            let column = norm(r.column(j));
            if column > 0.0 {
                (gradient[j] / (column * length)).abs()
            } else {
                0.0
            }
        })
        .fold(0.0, f64::max);
    (cosine <= options.gradient_cosine).then_some(Termination::SmallGradient)
}

fn small_reduction(actual: f64, predicted: f64, ratio: f64, cost: f64, options: &Options) -> bool {
    let limit = (options.relative_reduction * cost).max(options.absolute_reduction);
    predicted >= 0.0 && predicted <= limit && actual.abs() <= limit && ratio <= 2.0
}

impl<P: Problem> Search<'_, P> {
    fn finish(
        self,
        point: Point,
        jacobian: Matrix,
        iterations: usize,
        reason: Termination,
    ) -> Outcome {
        let (r, _) = self.triangle(&point, &jacobian);
        let n = point.theta.len();
        let held: Vec<bool> = self.constraints.iter().map(|c| c.low == c.high).collect();
        let free: Vec<usize> = (0..n).filter(|&j| !held[j]).collect();
        let covariance = free_covariance(&r, &free);
        let at_bound = (0..n)
            .map(|j| {
                point.theta[j] <= self.constraints[j].low
                    || point.theta[j] >= self.constraints[j].high
            })
            .collect();
        Outcome {
            hessian: r.gram(),
            theta: point.theta,
            cost: point.cost,
            prior_cost: point.prior_cost,
            residuals: point.residuals,
            jacobian,
            iterations,
            evaluations: self.evaluations,
            reason,
            covariance,
            at_bound,
        }
    }
}

fn free_covariance(r: &Matrix, free: &[usize]) -> Option<Matrix> {
    let n = r.cols();
    if free.is_empty() {
        return Some(Matrix::zeros(n, n));
    }
    // The chosen columns of a triangle are no triangle: triangularise them again.
    let chosen = Matrix::from_fn(r.rows(), free.len(), |i, k| r[(i, free[k])]);
    let (triangle, _) = triangularise(chosen, Vec::new());
    let small = inverse_of_gram(&triangle)?;
    let mut full = Matrix::zeros(n, n);
    for (a, &i) in free.iter().enumerate() {
        for (b, &j) in free.iter().enumerate() {
            full[(i, j)] = small[(a, b)];
        }
    }
    Some(full)
}

/// Largest difference between the Jacobian and central differences, relative to the largest entry of its column.
///
/// `step` holds one increment per parameter. Limits: with a step h the differences carry h²/6 of the third derivative and ε/h of rounding,
/// so about 1e-9 at best with h about 1e-5 of the scale on which the model changes; a kink in the model shows as a difference.
/// `None` where the model cannot be evaluated.
pub fn check_derivatives<P: Problem>(problem: &mut P, theta: &[f64], step: &[f64]) -> Option<f64> {
    let mut jacobian = Matrix::default();
    problem.residuals(theta, Some(&mut jacobian))?;
    let mut worst = 0.0_f64;
    let mut moved = theta.to_vec();
    for (j, h) in step.iter().enumerate().take(theta.len()) {
        moved[j] = theta[j] + h;
        let above = problem.residuals(&moved, None)?;
        moved[j] = theta[j] - h;
        let below = problem.residuals(&moved, None)?;
        moved[j] = theta[j];
        let column = jacobian.column(j);
        let largest = column
            .iter()
            .fold(0.0_f64, |largest, x| largest.max(x.abs()));
        for ((up, down), analytic) in above.iter().zip(&below).zip(column) {
            let numeric = (up - down) / (2.0 * h);
            let scale = if largest > 0.0 { largest } else { 1.0 };
            worst = worst.max((numeric - analytic).abs() / scale);
        }
    }
    Some(worst)
}

#[cfg(test)]
mod tests;
