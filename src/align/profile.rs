//! Profile likelihood intervals: for a parameter whose posterior is skewed or whose best value lies at a bound.
//!
//! F_j(t) = min over all other parameters of the cost with θ_j = t. The 95 % interval is where F_j(t) − F_min ≤ ½·χ²₁(0.95) = 1.9207. For
//! a quadratic cost that is θ̂ ± 1.96·sd; otherwise the two sides differ. Each side starts from the quadratic guess and is found by a bracketed
//! secant search on the signed root √(2·(F_j − F_min)), which is nearly linear in t; each evaluation is a fit with θ_j held, started where the
//! last one ended.
//!
//! **Range.** One connected interval around the best value. An end that the bound cuts off, or that is not reached within `FARTHEST`
//! standard deviations, is marked open: the data do not limit the parameter on that side.
//! References: Wilks 1938; Venzon & Moolgavkar 1988 (cited from memory).

use super::interval::NORMAL_95;
use super::least_squares::{Constraint, LeastSquaresError, Options, Outcome, Problem, minimise};

/// The search ends here, in standard deviations.
const FARTHEST: f64 = 30.0;
/// The ends are as good as this, in standard deviations.
const CLOSE: f64 = 0.02;
/// Most fits per side.
const FITS: usize = 20;

/// One end of a profile interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct End {
    /// Value of the parameter.
    pub value: f64,
    /// `true`: the cost has not risen enough there, the bound or the search's limit was met first.
    pub open: bool,
}

/// A 95 % profile interval.
#[derive(Debug, Clone, PartialEq)]
pub struct ProfileInterval {
    /// Lower end.
    pub low: End,
    /// Upper end.
    pub high: End,
    /// Fits that were needed.
    pub fits: usize,
    /// A better minimum that a profile fit came upon: the outcome was not the best, and should be fitted again from there.
    pub better: Option<Vec<f64>>,
}

/// Profile interval of parameter `index` around a converged outcome of the same problem and constraints.
///
/// # Errors
/// [`LeastSquaresError`] where `index` is no parameter or the problem has no value at the outcome.
pub fn profile_interval<P: Problem>(
    problem: &mut P,
    outcome: &Outcome,
    constraints: &[Constraint],
    index: usize,
    options: &Options,
) -> Result<ProfileInterval, LeastSquaresError> {
    if index >= outcome.theta.len() || constraints.len() != outcome.theta.len() {
        return Err(LeastSquaresError::Length {
            what: "the list of constraints (or the index of the profiled parameter)",
            found: constraints.len().min(index + 1),
            expected: problem.parameters(),
        });
    }
    // Without a covariance the parameter's own column still gives a scale.
    let sd = outcome
        .covariance
        .as_ref()
        .map(|c| c[(index, index)].sqrt())
        .filter(|sd| sd.is_finite() && *sd > 0.0)
        .unwrap_or_else(|| 1.0 / outcome.hessian[(index, index)].sqrt().max(1e-6));
    let mut side = Side {
        problem,
        outcome,
        constraints: constraints.to_vec(),
        index,
        options,
        sd,
        fits: 0,
        better: None,
    };
    let low = side.end(-1.0)?;
    let high = side.end(1.0)?;
    Ok(ProfileInterval {
        low,
        high,
        fits: side.fits,
        better: side.better,
    })
}

struct Side<'a, P: Problem> {
    problem: &'a mut P,
    outcome: &'a Outcome,
    constraints: Vec<Constraint>,
    index: usize,
    options: &'a Options,
    sd: f64,
    fits: usize,
    better: Option<Vec<f64>>,
}

impl<P: Problem> Side<'_, P> {
    /// Signed root of twice the rise of the cost; infinite where the model has no value.
    fn root(&mut self, value: f64, start: &mut Vec<f64>) -> Result<f64, LeastSquaresError> {
        self.fits += 1;
        let original = self.constraints[self.index];
        self.constraints[self.index] = original.within(value, value);
        start[self.index] = value;
        let fit = minimise(self.problem, start, &self.constraints, self.options);
        self.constraints[self.index] = original;
        match fit {
            Ok(fit) => {
                let rise = fit.cost - self.outcome.cost;
                if rise < -0.01 {
                    self.better = Some(fit.theta.clone());
                }
                *start = fit.theta;
                Ok((2.0 * rise.max(0.0)).sqrt())
            }
            Err(LeastSquaresError::Start { .. }) => Ok(f64::INFINITY),
            Err(error) => Err(error),
        }
    }

    fn end(&mut self, sign: f64) -> Result<End, LeastSquaresError> {
        let best = self.outcome.theta[self.index];
        let bound = if sign < 0.0 {
            self.constraints[self.index].low
        } else {
            self.constraints[self.index].high
        };
        // Distances from the best value, all positive.
        let limit = ((bound - best) * sign).min(FARTHEST * self.sd).max(0.0);
        let (mut inside, mut outside) = ((0.0, 0.0), None::<(f64, f64)>);
        let mut start = self.outcome.theta.clone();
        let mut distance = (NORMAL_95 * self.sd).min(limit);
        for _ in 0..FITS {
            let mut trial = start.clone();
            let root = self.root(best + sign * distance, &mut trial)?;
            if (root - NORMAL_95).abs() < CLOSE {
                return Ok(End {
                    value: best + sign * distance,
                    open: false,
                });
            }
            if root < NORMAL_95 {
                inside = (distance, root);
                start = trial;
                if distance >= limit {
                    return Ok(End {
                        value: best + sign * limit,
                        open: true,
                    });
                }
            } else {
                outside = Some((distance, root));
            }
            distance = match outside {
                // Go on by the slope seen so far, at most four times as far.
                None => {
                    let ahead = inside.0 * NORMAL_95 / inside.1.max(0.25 * NORMAL_95);
                    ahead.max(1.1 * inside.0).min(limit)
                }
                Some((far, high)) => {
                    if far - inside.0 < 1e-3 * CLOSE * self.sd {
                        break;
                    }
                    let fraction = if high.is_finite() {
                        // Not closer to either end than a tenth, so that the bracket shrinks.
                        ((NORMAL_95 - inside.1) / (high - inside.1)).clamp(0.1, 0.9)
                    } else {
                        0.5
                    };
                    inside.0 + fraction * (far - inside.0)
                }
            };
        }
        Ok(End {
            value: best + sign * outside.map_or(inside.0, |(far, _)| 0.5 * (far + inside.0)),
            open: outside.is_none(),
        })
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::align::dense::Matrix;

    /// r = (10·(e^θ₁ − 2), θ₂ + θ₁ − 1): skewed in θ₁, straight in θ₂.
    struct Skewed;

    impl Problem for Skewed {
        fn parameters(&self) -> usize {
            2
        }

        fn residuals(&mut self, t: &[f64], jacobian: Option<&mut Matrix>) -> Option<Vec<f64>> {
            let e = t[0].exp();
            if let Some(jacobian) = jacobian {
                *jacobian = Matrix::from_fn(2, 2, |i, j| [[1.5 * e, 0.0], [1.0, 1.0]][i][j]);
            }
            Some(vec![1.5 * (e - 2.0), t[1] + t[0] - 1.0])
        }
    }

    fn run(constraints: &[Constraint; 2], index: usize) -> ProfileInterval {
        let options = Options::default();
        let outcome = minimise(&mut Skewed, &[0.0, 0.0], constraints, &options).unwrap();
        profile_interval(&mut Skewed, &outcome, constraints, index, &options).unwrap()
    }

    #[test]
    fn a_skewed_parameter_gets_unequal_sides() {
        // DERIVED: the other parameter absorbs its residual, so the ends solve 1.5·|e^t − 2| = 1.96: ln(2 ± 1.30664).
        // CLOSE = 0.02 in the root, over the slope 1.5·e^t at either end.
        let found = run(&[Constraint::FREE; 2], 0);
        let half = NORMAL_95 / 1.5;
        for (end, e) in [(found.low, 2.0 - half), (found.high, 2.0 + half)] {
            assert!(!end.open);
            assert!(
                (end.value - e.ln()).abs() < 0.02 / (1.5 * e),
                "{end:?} {}",
                e.ln()
            );
        }
        assert!(found.fits <= 12, "{}", found.fits);
        assert!(found.better.is_none());
    }

    #[test]
    fn a_bound_leaves_its_side_open() {
        let bounds = [Constraint::FREE.within(0.5, 5.0), Constraint::FREE];
        let found = run(&bounds, 0);
        assert_eq!(
            found.low,
            End {
                value: 0.5,
                open: true
            }
        );
        assert!(!found.high.open);
    }

    #[test]
    fn a_straight_parameter_gives_the_normal_interval() {
        // DERIVED: θ₁ held at its value, θ₂ = 1 − θ₁ ± 1.96.
        let held = [Constraint::FREE.within(0.7, 0.7), Constraint::FREE];
        let found = run(&held, 1);
        assert!((found.low.value - (0.3 - NORMAL_95)).abs() < 0.021);
        assert!((found.high.value - (0.3 + NORMAL_95)).abs() < 0.021);
        assert!(found.fits <= 4);
    }

    #[test]
    fn a_parameter_that_is_not_there_is_an_error() {
        let outcome = minimise(
            &mut Skewed,
            &[0.0; 2],
            &[Constraint::FREE; 2],
            &Options::default(),
        )
        .unwrap();
        let asked = profile_interval(
            &mut Skewed,
            &outcome,
            &[Constraint::FREE; 2],
            2,
            &Options::default(),
        );
        assert!(asked.is_err());
    }
}
