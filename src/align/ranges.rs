//! 95 % intervals of a settled model: Laplace's, and the profile of the likelihood where that is skewed or open.
//!
//! Laplace takes the cost for a parabola. Whether it is one is looked at, not assumed: at θ̂ ± 1.96·sd, the others following along the
//! posterior's regression on θ, the cost of a parabola rises by 1.92. Where it rises by less than `LEAST_RISE` or more than
//! `MOST_RISE`, or a bound is near, the profile is computed (`profile`).
//!
//! A number at fault keeps no prior of its own in its interval: how large faults usually are is a judgement that helps to
//! find them, and says nothing about this one. The interval of a resistor that is missing is open towards zero.

use super::interval::{NORMAL_95, interval_95};
use super::least_squares::{Constraint, Options, Problem, minimise};
use super::problem::Alignment;
use super::profile::profile_interval;
use super::search::{Search, Settled};
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

/// The interval of the active number at `place`.
#[must_use]
pub fn range(search: &Search<'_>, settled: &Settled, place: usize) -> Range {
    let index = settled.active[place];
    let sd = settled.covariance[(place, place)].max(0.0).sqrt();
    let ends = interval_95(settled.theta[place], sd, None);
    let simple = Range::laplace(ends);
    let released = settled.released.contains(&index);
    let mut constraints = search.constraints(&settled.active, &settled.released);
    if released {
        let c = constraints[place];
        constraints[place] = Constraint::FREE.within(c.low, c.high);
    }
    let chosen: Vec<&Unknown> = settled
        .active
        .iter()
        .map(|&i| &search.unknowns[i])
        .collect();
    let mut problem = Alignment::new(search.comparison, chosen, &settled.kernels);
    if sd > 0.0 && is_parabolic(&mut problem, &constraints, settled, place, sd) {
        return simple;
    }
    let options = Options {
        max_evaluations: 30,
        relative_reduction: 1e-9,
        absolute_reduction: 1e-3,
        relative_step: 1e-6,
        ..Options::default()
    };
    let Ok(outcome) = minimise(&mut problem, &settled.theta, &constraints, &options) else {
        return simple;
    };
    match profile_interval(&mut problem, &outcome, &constraints, place, &options) {
        Ok(found) => Range {
            low: found.low.value.min(settled.theta[place]),
            high: found.high.value.max(settled.theta[place]),
            low_open: found.low.open,
            high_open: found.high.open,
            laplace: ends,
            profiled: true,
        },
        Err(_) => simple,
    }
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
