//! The same fit from several starts: the best minimum, and whether the starts agree on it.
//!
//! Two minima count as one where ½·dᵀH·d < 0.005, with d the difference of the parameters and H the Hessian of the better
//! one: a tenth of a standard deviation. Two different minima with nearly equal cost mean that the data do not
//! decide, and are told as such.

use super::dense::dot;
use super::least_squares::{Constraint, LeastSquaresError, Options, Outcome, Problem, minimise};
use rayon::prelude::*;

/// A tenth of a standard deviation, as a difference of cost.
const SAME_MINIMUM: f64 = 0.005;
/// Two units of cost are a likelihood ratio of e² ≈ 7.4: less is no decision.
const RIVAL: f64 = 2.0;

/// What became of one start.
#[derive(Debug, Clone, PartialEq)]
pub enum Ending {
    /// It reached the best minimum.
    Agrees {
        /// Its cost.
        cost: f64,
    },
    /// It reached another point.
    Elsewhere {
        /// Its cost.
        cost: f64,
        /// Its parameters.
        theta: Vec<f64>,
        /// Whether that point is a minimum.
        converged: bool,
    },
    /// The model could not be evaluated there.
    NoValue,
}

/// The best of several fits.
#[derive(Debug, Clone)]
pub struct SeveralStarts {
    /// The outcome of lowest cost.
    pub best: Outcome,
    /// Index of its start.
    pub best_start: usize,
    /// What became of each start, in order.
    pub endings: Vec<Ending>,
}

impl SeveralStarts {
    /// Whether every start that could be evaluated reached the best minimum.
    #[must_use]
    pub fn agree(&self) -> bool {
        !self
            .endings
            .iter()
            .any(|e| matches!(e, Ending::Elsewhere { .. }))
    }

    /// Indices of starts that converged to another minimum nearly as good: the data do not decide between them.
    #[must_use]
    pub fn rivals(&self) -> Vec<usize> {
        self.endings
            .iter()
            .enumerate()
            .filter(|(_, ending)| {
                matches!(ending, Ending::Elsewhere { cost, converged: true, .. } if *cost < self.best.cost + RIVAL)
            })
            .map(|(index, _)| index)
            .collect()
    }
}

/// Minimises from every start, in parallel, each with its own problem from `make`; the result does not depend on the
/// number of threads.
///
/// # Errors
/// [`LeastSquaresError`] where the question is wrong or no start can be evaluated.
pub fn from_several_starts<P: Problem>(
    make: impl Fn() -> P + Sync,
    starts: &[Vec<f64>],
    constraints: &[Constraint],
    options: &Options,
) -> Result<SeveralStarts, LeastSquaresError> {
    let outcomes: Vec<Result<Outcome, LeastSquaresError>> = starts
        .par_iter()
        .map(|start| minimise(&mut make(), start, constraints, options))
        .collect();
    let mut first_failure = LeastSquaresError::NoStart;
    let mut reached = Vec::with_capacity(outcomes.len());
    for outcome in outcomes.into_iter().rev() {
        match outcome {
            Ok(outcome) => reached.push(Some(outcome)),
            Err(LeastSquaresError::Start { start }) => {
                first_failure = LeastSquaresError::Start { start };
                reached.push(None);
            }
            Err(wrong_question) => return Err(wrong_question),
        }
    }
    reached.reverse();
    // Among equal costs a converged outcome is preferred, then the earlier start.
    let best_start = (0..reached.len())
        .filter_map(|index| reached[index].as_ref().map(|outcome| (index, outcome)))
        .min_by(|(_, a), (_, b)| {
            let order = a.cost.total_cmp(&b.cost);
            order.then(b.reason.converged().cmp(&a.reason.converged()))
        })
        .map(|(index, _)| index);
    let Some((best_start, best)) =
        best_start.and_then(|index| Some((index, reached[index].clone()?)))
    else {
        return Err(first_failure);
    };
    let endings = reached
        .into_iter()
        .map(|outcome| match outcome {
            None => Ending::NoValue,
            Some(outcome) if distance(&best, &outcome.theta) < SAME_MINIMUM => {
                Ending::Agrees { cost: outcome.cost }
            }
            Some(outcome) => Ending::Elsewhere {
                cost: outcome.cost,
                converged: outcome.reason.converged(),
                theta: outcome.theta,
            },
        })
        .collect();
    Ok(SeveralStarts {
        best,
        best_start,
        endings,
    })
}

/// ½·dᵀHd. Directions that neither data nor priors fix do not separate two points.
fn distance(best: &Outcome, theta: &[f64]) -> f64 {
    let difference: Vec<f64> = theta.iter().zip(&best.theta).map(|(a, b)| a - b).collect();
    0.5 * dot(&difference, &best.hessian.times(&difference))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::align::dense::Matrix;

    /// r = (scale·(θ² − 1), tilt·(θ − 1)): minima near ±1.
    struct Double {
        scale: f64,
        tilt: f64,
    }

    impl Problem for Double {
        fn parameters(&self) -> usize {
            1
        }

        fn residuals(&mut self, theta: &[f64], jacobian: Option<&mut Matrix>) -> Option<Vec<f64>> {
            let t = *theta.first()?;
            if t > 50.0 {
                return None;
            }
            if let Some(jacobian) = jacobian {
                *jacobian = Matrix::from_fn(2, 1, |i, _| {
                    if i == 0 {
                        2.0 * self.scale * t
                    } else {
                        self.tilt
                    }
                });
            }
            Some(vec![self.scale * (t * t - 1.0), self.tilt * (t - 1.0)])
        }
    }

    fn run(scale: f64, tilt: f64, starts: &[f64]) -> Result<SeveralStarts, LeastSquaresError> {
        let starts: Vec<Vec<f64>> = starts.iter().map(|s| vec![*s]).collect();
        let free = [Constraint::FREE];
        from_several_starts(
            || Double { scale, tilt },
            &starts,
            &free,
            &Options::default(),
        )
    }

    #[test]
    fn starts_in_one_basin_agree() {
        let several = run(10.0, 1.0, &[0.5, 2.0, 7.0]).unwrap();
        assert!(several.agree());
        assert!((several.best.theta[0] - 1.0).abs() < 1e-9);
        assert!(several.rivals().is_empty());
    }

    #[test]
    fn a_worse_minimum_is_elsewhere_and_an_equal_one_a_rival() {
        // DERIVED: with tilt 5 the minimum near −1 costs about ½·25·4 = 50: elsewhere, no rival. With tilt 0.1 it costs 0.02.
        let several = run(10.0, 5.0, &[-1.2, 0.5]).unwrap();
        assert_eq!(several.best_start, 1);
        assert!(!several.agree() && several.rivals().is_empty());
        let several = run(10.0, 0.1, &[-1.2, 0.5]).unwrap();
        assert_eq!(several.rivals(), [0]);
    }

    #[test]
    fn a_start_without_value_is_told_and_none_at_all_is_an_error() {
        let several = run(10.0, 1.0, &[99.0, 0.5]).unwrap();
        assert_eq!(several.endings[0], Ending::NoValue);
        assert_eq!(several.best_start, 1);
        assert!(matches!(
            run(1.0, 1.0, &[99.0]),
            Err(LeastSquaresError::Start { .. })
        ));
        assert!(matches!(
            run(1.0, 1.0, &[]),
            Err(LeastSquaresError::NoStart)
        ));
    }
}
