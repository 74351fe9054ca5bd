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

use super::dense::{self, Matrix, dot, inverse_of_gram, norm, triangularise};
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
        let mut delta = radius
            .unwrap_or_else(|| options.first_radius * if length > 0.0 { length } else { 1.0 });
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

/// The trust-region step that stays inside the bounds.
fn bounded_step(
    r: &Matrix,
    q: &[f64],
    metric: &[f64],
    free: &[usize],
    delta: f64,
    theta: &[f64],
    constraints: &[Constraint],
) -> Vec<f64> {
    let mut step = vec![0.0; theta.len()];
    let mut free = free.to_vec();
    // Each pass stops at least one parameter at a bound, so there are at most as many passes as parameters.
    while !free.is_empty() {
        let mut right = q.to_vec();
        for (target, moved) in right.iter_mut().zip(r.times(&step)) {
            *target += moved;
        }
        let part = trust_region_step(r, &right, metric, &free, delta);
        let over: Vec<usize> = free
            .iter()
            .zip(&part)
            .filter(|&(&j, p)| {
                let target = theta[j] + p;
                target < constraints[j].low || target > constraints[j].high
            })
            .map(|(&j, _)| j)
            .collect();
        if over.is_empty() {
            for (&j, p) in free.iter().zip(part) {
                step[j] = p;
            }
            break;
        }
        for (&j, p) in free.iter().zip(&part) {
            if over.contains(&j) {
                step[j] = (theta[j] + p).clamp(constraints[j].low, constraints[j].high) - theta[j];
            }
        }
        free.retain(|j| !over.contains(j));
    }
    step
}

/// min ‖R_F·p + q‖ subject to ‖D_F·p‖ ≤ Δ over the free columns F.
fn trust_region_step(
    r: &Matrix,
    q: &[f64],
    metric: &[f64],
    free: &[usize],
    delta: f64,
) -> Vec<f64> {
    // Moré's tolerance: the length may miss Δ by a tenth, a closer root earns nothing.
    const LENGTH_TOLERANCE: f64 = 0.1;
    let n = free.len();
    let parts = dense::svd(&Matrix::from_fn(r.rows(), n, |i, k| {
        r[(i, free[k])] / metric[free[k]]
    }));
    let c = parts.u.transposed_times(q);
    let largest = parts.s.first().copied().unwrap_or(0.0);
    let noise = f64::EPSILON * n as f64 * largest;
    let coordinates = |damping: f64| -> Vec<f64> {
        parts
            .s
            .iter()
            .zip(&c)
            .map(|(s, c)| {
                if damping == 0.0 && *s <= noise {
                    0.0
                } else {
                    -s * c / (s * s + damping)
                }
            })
            .collect()
    };
    let mut z = coordinates(0.0);
    let mut length = norm(&z);
    if length > (1.0 + LENGTH_TOLERANCE) * delta {
        let slope: Vec<f64> = parts.s.iter().zip(&c).map(|(s, c)| s * c).collect();
        let (mut low, mut high) = (0.0, norm(&slope) / delta);
        let mut damping = 1e-3 * high;
        for _ in 0..100 {
            z = coordinates(damping);
            length = norm(&z);
            if (length - delta).abs() <= LENGTH_TOLERANCE * delta {
                break;
            }
            if length > delta {
                low = damping;
            } else {
                high = damping;
            }
            // Newton on 1/‖z‖ − 1/Δ, which is nearly linear in the damping (Hebden 1973).
            let curvature: f64 = parts
                .s
                .iter()
                .zip(&z)
                .map(|(s, z)| z * z / (s * s + damping))
                .sum();
            let newton = damping + (length / delta - 1.0) * length * length / curvature;
            damping = if newton > low && newton < high {
                newton
            } else {
                (low.max(1e-3 * high) * high).sqrt()
            };
        }
        // A single correction puts the step on the sphere.
        let shrink = (delta / length).min(1.0);
        for z in &mut z {
            *z *= shrink;
        }
    }
    let turned = parts.v.times(&z);
    free.iter()
        .zip(turned)
        .map(|(&j, p)| p / metric[j])
        .collect()
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
mod tests {
    use super::*;

    /// A problem from closures.
    struct Written<F> {
        parameters: usize,
        function: F,
    }

    impl<F: FnMut(&[f64]) -> Option<(Vec<f64>, Matrix)>> Problem for Written<F> {
        fn parameters(&self) -> usize {
            self.parameters
        }

        fn residuals(&mut self, theta: &[f64], jacobian: Option<&mut Matrix>) -> Option<Vec<f64>> {
            let (residuals, derivatives) = (self.function)(theta)?;
            if let Some(jacobian) = jacobian {
                *jacobian = derivatives;
            }
            Some(residuals)
        }
    }

    fn rows(rows: &[&[f64]]) -> Matrix {
        Matrix::from_fn(rows.len(), rows[0].len(), |i, j| rows[i][j])
    }

    /// r = (θ₁ − 3, 2·(θ₂ − 5), θ₁ + θ₂ − 9).
    fn plane() -> Written<impl FnMut(&[f64]) -> Option<(Vec<f64>, Matrix)>> {
        Written {
            parameters: 2,
            function: |t: &[f64]| {
                Some((
                    vec![t[0] - 3.0, 2.0 * (t[1] - 5.0), t[0] + t[1] - 9.0],
                    rows(&[&[1.0, 0.0], &[0.0, 2.0], &[1.0, 1.0]]),
                ))
            },
        }
    }

    fn rosenbrock() -> Written<impl FnMut(&[f64]) -> Option<(Vec<f64>, Matrix)>> {
        Written {
            parameters: 2,
            function: |t: &[f64]| {
                Some((
                    vec![10.0 * (t[1] - t[0] * t[0]), 1.0 - t[0]],
                    rows(&[&[-20.0 * t[0], 10.0], &[-1.0, 0.0]]),
                ))
            },
        }
    }

    fn close(found: f64, expected: f64, tolerance: f64) {
        assert!((found - expected).abs() <= tolerance, "{found} {expected}");
    }

    #[test]
    fn a_prior_counts_as_one_more_observation() {
        // DERIVED: y = 2 ± 1 with the prior 0 ± 0.5: mean 2·0.2 = 0.4, variance 1/(1 + 4) = 0.2,
        // cost ½(1.6² + 0.8²) = 1.6. Linear, so to rounding.
        let mut one = Written {
            parameters: 1,
            function: |t: &[f64]| Some((vec![t[0] - 2.0], rows(&[&[1.0]]))),
        };
        let outcome = minimise(
            &mut one,
            &[9.0],
            &[Constraint::normal(0.0, 0.5)],
            &Options::default(),
        )
        .unwrap();
        close(outcome.theta[0], 0.4, 1e-12);
        close(outcome.cost, 1.6, 1e-12);
        close(outcome.prior_cost, 0.32, 1e-12);
        close(outcome.covariance.unwrap()[(0, 0)], 0.2, 1e-12);
        close(outcome.hessian[(0, 0)], 5.0, 1e-12);
        assert!(outcome.reason.converged());
    }

    #[test]
    fn the_minimum_on_a_bound_is_the_constrained_one() {
        // DERIVED: with θ₂ ≤ 4.5 (free minimum at 3 + 4/9, 5 + 1/9): θ₂ = 4.5, θ₁ = (3 + 9 − 4.5)/2 = 3.75.
        let bounds = [Constraint::FREE, Constraint::FREE.within(0.0, 4.5)];
        for start in [[0.0, 0.0], [100.0, 4.5], [3.0, -50.0]] {
            let outcome = minimise(&mut plane(), &start, &bounds, &Options::default()).unwrap();
            close(outcome.theta[0], 3.75, 1e-9);
            close(outcome.theta[1], 4.5, 0.0);
            assert_eq!(outcome.at_bound, [false, true]);
            assert!(outcome.reason.converged(), "{:?}", outcome.reason);
        }
    }

    #[test]
    fn a_held_parameter_neither_moves_nor_has_a_variance() {
        // DERIVED: θ₂ = 5 held leaves θ₁ the mean of 3 and 4, variance ½.
        let held = [Constraint::FREE, Constraint::FREE.within(5.0, 5.0)];
        let outcome = minimise(&mut plane(), &[0.0, 0.0], &held, &Options::default()).unwrap();
        close(outcome.theta[0], 3.5, 1e-10);
        close(outcome.theta[1], 5.0, 0.0);
        let covariance = outcome.covariance.unwrap();
        close(covariance[(0, 0)], 0.5, 1e-12);
        close(covariance[(1, 1)], 0.0, 0.0);
        let all = [held[1], held[1]];
        let nothing = minimise(&mut plane(), &[0.0, 0.0], &all, &Options::default()).unwrap();
        assert_eq!(nothing.reason, Termination::AllHeld);
    }

    #[test]
    fn a_curved_valley_is_followed_also_along_a_bound() {
        // PUBLISHED: Rosenbrock 1960, minimum 0 at (1, 1), start (−1.2, 1) (from memory). DERIVED with θ₁ ≤ 0.5: (0.5, 0.25),
        // cost ½·0.25.
        let start = [-1.2, 1.0];
        let free = minimise(
            &mut rosenbrock(),
            &start,
            &[Constraint::FREE; 2],
            &Options::default(),
        )
        .unwrap();
        close(free.theta[0], 1.0, 1e-8);
        close(free.theta[1], 1.0, 1e-8);
        assert!(free.reason.converged());
        let bounds = [Constraint::FREE.within(-2.0, 0.5), Constraint::FREE];
        let bounded = minimise(&mut rosenbrock(), &start, &bounds, &Options::default()).unwrap();
        close(bounded.theta[0], 0.5, 0.0);
        close(bounded.theta[1], 0.25, 1e-8);
        close(bounded.cost, 0.125, 1e-12);
    }

    #[test]
    fn a_wall_without_values_is_not_crossed() {
        // r = ln θ − ln 1e-3 has no value below zero; from 5 the undamped step leads to 5 − 5·8.5 < 0.
        let mut log = Written {
            parameters: 1,
            function: |t: &[f64]| {
                (t[0] > 0.0).then(|| (vec![t[0].ln() - 1e-3_f64.ln()], rows(&[&[1.0 / t[0]]])))
            },
        };
        let outcome = minimise(&mut log, &[5.0], &[Constraint::FREE], &Options::default()).unwrap();
        close(outcome.theta[0], 1e-3, 1e-9);
        let refused = minimise(&mut log, &[-1.0], &[Constraint::FREE], &Options::default());
        assert!(matches!(refused, Err(LeastSquaresError::Start { .. })));
    }

    #[test]
    fn converged_and_uncertainty_available_are_separate() {
        // Only the sum of the parameters is seen: the fit converges, the covariance does not exist.
        let mut sum = Written {
            parameters: 2,
            function: |t: &[f64]| {
                Some((
                    vec![t[0] + t[1] - 1.0, 1.0],
                    rows(&[&[1.0, 1.0], &[0.0, 0.0]]),
                ))
            },
        };
        let outcome = minimise(
            &mut sum,
            &[5.0, 5.0],
            &[Constraint::FREE; 2],
            &Options::default(),
        )
        .unwrap();
        assert!(outcome.reason.converged());
        assert!(outcome.covariance.is_none());
        close(outcome.theta[0] + outcome.theta[1], 1.0, 1e-9);
        // A prior on one of them is enough.
        let prior = [Constraint::FREE, Constraint::normal(0.0, 1.0)];
        assert!(
            minimise(&mut sum, &[5.0, 5.0], &prior, &Options::default())
                .unwrap()
                .covariance
                .is_some()
        );
        // And the other way round: no time to converge, but a covariance.
        let hasty = Options {
            max_evaluations: 3,
            ..Options::default()
        };
        let outcome = minimise(
            &mut rosenbrock(),
            &[-1.2, 1.0],
            &[Constraint::FREE; 2],
            &hasty,
        )
        .unwrap();
        assert_eq!(outcome.reason, Termination::OutOfEvaluations);
        assert!(!outcome.reason.converged() && outcome.covariance.is_some());
    }

    #[test]
    fn wrong_derivatives_end_as_stalled_and_the_checker_sees_them() {
        let mut wrong = Written {
            parameters: 1,
            function: |t: &[f64]| Some((vec![t[0] - 1.0, 2.0], rows(&[&[-1.0], &[0.0]]))),
        };
        let outcome =
            minimise(&mut wrong, &[3.0], &[Constraint::FREE], &Options::default()).unwrap();
        assert_eq!(outcome.reason, Termination::Stalled);
        close(
            check_derivatives(&mut wrong, &[3.0], &[1e-4]).unwrap(),
            2.0,
            1e-9,
        );
        assert!(check_derivatives(&mut rosenbrock(), &[0.3, 0.4], &[1e-5; 2]).unwrap() < 1e-8);
    }

    #[test]
    fn impossible_questions_are_named() {
        let ask = |start: &[f64], constraints: &[Constraint]| {
            minimise(&mut plane(), start, constraints, &Options::default()).unwrap_err()
        };
        assert!(matches!(
            ask(&[0.0], &[Constraint::FREE; 2]),
            LeastSquaresError::Length { .. }
        ));
        let crossed = [Constraint::FREE, Constraint::FREE.within(1.0, 0.0)];
        assert!(matches!(
            ask(&[0.0; 2], &crossed),
            LeastSquaresError::Constraint { index: 1, .. }
        ));
        let exact = [Constraint::normal(0.0, 0.0), Constraint::FREE];
        assert!(matches!(
            ask(&[0.0; 2], &exact),
            LeastSquaresError::Constraint { index: 0, .. }
        ));
        assert!(matches!(
            ask(&[f64::NAN, 0.0], &[Constraint::FREE; 2]),
            LeastSquaresError::Start { .. }
        ));
    }
}
