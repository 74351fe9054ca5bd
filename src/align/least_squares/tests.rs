//! Tests of the least-squares engine; the certified data are in `tests/nist.rs`.
#![allow(clippy::unwrap_used)]

use super::*;

type Values = Option<(Vec<f64>, Matrix)>;

/// A problem from closures.
struct Written<F> {
    parameters: usize,
    function: F,
}

impl<F: FnMut(&[f64]) -> Values> Problem for Written<F> {
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
fn plane() -> Written<impl FnMut(&[f64]) -> Values> {
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

fn rosenbrock() -> Written<impl FnMut(&[f64]) -> Values> {
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
    let outcome = minimise(&mut wrong, &[3.0], &[Constraint::FREE], &Options::default()).unwrap();
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
