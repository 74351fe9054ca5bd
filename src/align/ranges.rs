//! 95 % intervals of a settled model: Laplace's, and the profile of the likelihood where that is skewed or open.
//!
//! Laplace takes the cost for a parabola. Whether it is one is looked at, not assumed: at θ̂ ± 1.96·sd, the others following along the
//! posterior's regression on θ, the cost of a parabola rises by 1.92. Where it rises by less than `LEAST_RISE` or more than
//! `MOST_RISE`, or a bound is near, the profile is computed (`profile`).
//!
//! A number at fault keeps no prior of its own in its interval: how large faults usually are is a judgement that helps to
//! find them, and says nothing about this one. The interval of a resistor that is missing is open towards zero.

use super::interval::{NORMAL_95, interval_95};
use super::least_squares::{Constraint, LeastSquaresError, Options, Problem, minimise};
use super::problem::Alignment;
use super::profile::profile_interval;
use super::residual::Comparison;
use super::search::Settled;
use super::unknowns::Unknown;

/// Rises of the cost at 1.96 sd, between which it counts as a parabola: each end is then right within 10 %.
const LEAST_RISE: f64 = 1.56;
/// See [`LEAST_RISE`].
const MOST_RISE: f64 = 2.33;

/// An interval in the coordinate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Range {
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
    /// The data do not limit it below.
    pub low_open: bool,
    /// The data do not limit it above.
    pub high_open: bool,
    /// Laplace's interval of the same number.
    pub laplace: [f64; 2],
    /// Whether the profile was needed.
    pub profiled: bool,
}

impl Range {
    fn laplace(ends: [f64; 2]) -> Self {
        Self {
            low: ends[0],
            high: ends[1],
            low_open: false,
            high_open: false,
            laplace: ends,
            profiled: false,
        }
    }
}

/// What is known of every coordinate of a settled model before the data; nothing of the one at `flat`.
fn constraints(unknowns: &[Unknown], settled: &Settled, flat: Option<usize>) -> Vec<Constraint> {
    let mut list: Vec<Constraint> = settled
        .prior_sd
        .iter()
        .enumerate()
        .map(|(n, &sd)| {
            let [low, high] = match settled.active.get(n) {
                Some(&i) => unknowns[i].bounds(),
                None => [f64::NEG_INFINITY, f64::INFINITY],
            };
            Constraint::normal(0.0, sd).within(low, high)
        })
        .collect();
    if let Some(n) = flat {
        list[n].sd = f64::INFINITY;
    }
    list
}

/// The problem that a settled model is the minimum of.
fn problem<'a>(
    comparison: &'a Comparison,
    unknowns: &'a [Unknown],
    settled: &Settled,
) -> Alignment<'a> {
    let chosen: Vec<&Unknown> = settled.active.iter().map(|&i| &unknowns[i]).collect();
    Alignment::new(comparison, chosen, &settled.kernels)
}

/// The interval of the active number at `place`: a released one has no prior of its own.
#[must_use]
pub fn range(
    comparison: &Comparison,
    unknowns: &[Unknown],
    settled: &Settled,
    place: usize,
) -> Range {
    let sd = settled.covariance[(place, place)].max(0.0).sqrt();
    let simple = Range::laplace(interval_95(settled.theta[place], sd, None));
    let flat = settled.released.contains(&settled.active[place]);
    let limits = constraints(unknowns, settled, flat.then_some(place));
    let mut problem = problem(comparison, unknowns, settled);
    if sd > 0.0 && is_parabolic(&mut problem, &limits, settled, place, sd) {
        return simple;
    }
    match profile(comparison, unknowns, settled, place, flat) {
        Ok((_, found)) => Range {
            low: found.low.min(settled.theta[place]),
            high: found.high.max(settled.theta[place]),
            laplace: simple.laplace,
            ..found
        },
        Err(_) => simple,
    }
}

/// Best value and profile interval of the active number at `place`; with `flat` it has no prior of its own.
///
/// # Errors
/// [`LeastSquaresError`] where the model has no value at the settled point.
pub fn profile(
    comparison: &Comparison,
    unknowns: &[Unknown],
    settled: &Settled,
    place: usize,
    flat: bool,
) -> Result<(f64, Range), LeastSquaresError> {
    let options = Options {
        max_evaluations: 40,
        relative_reduction: 1e-9,
        absolute_reduction: 1e-3,
        relative_step: 1e-6,
        ..Options::default()
    };
    let limits = constraints(unknowns, settled, flat.then_some(place));
    let mut problem = problem(comparison, unknowns, settled);
    let outcome = minimise(&mut problem, &settled.theta, &limits, &options)?;
    let found = profile_interval(&mut problem, &outcome, &limits, place, &options)?;
    let best = outcome.theta[place];
    Ok((
        best,
        Range {
            low: found.low.value,
            high: found.high.value,
            low_open: found.low.open,
            high_open: found.high.open,
            laplace: [found.low.value, found.high.value],
            profiled: true,
        },
    ))
}

fn is_parabolic(
    problem: &mut Alignment<'_>,
    constraints: &[Constraint],
    settled: &Settled,
    place: usize,
    sd: f64,
) -> bool {
    let mut cost = |theta: &[f64]| -> Option<f64> {
        let residuals = problem.residuals(theta, None)?;
        let prior: f64 = constraints
            .iter()
            .zip(theta)
            .map(|(c, t)| c.precision() * (t - c.centre).powi(2))
            .sum();
        Some(0.5 * (residuals.iter().map(|r| r * r).sum::<f64>() + prior))
    };
    let Some(here) = cost(&settled.theta) else {
        return true;
    };
    let variance = sd * sd;
    [-1.0, 1.0].iter().all(|side| {
        let step = side * NORMAL_95 * sd;
        let mut theta = settled.theta.clone();
        for (j, t) in theta.iter_mut().enumerate() {
            *t += step * settled.covariance[(j, place)] / variance;
            let c = &constraints[j];
            *t = t.clamp(c.low, c.high);
        }
        cost(&theta).is_some_and(|there| (LEAST_RISE..MOST_RISE).contains(&(there - here)))
    })
}
