//! What one aligned unit tells about chosen numbers, apart from the tolerances, with the two parts of its error.
//!
//! At the end θ̂ of an alignment the residuals r have the derivatives J and the covariance V = N + K by series: noise N, which
//! every capture draws anew, and the discrepancy K of the model. One Gauss–Newton step without the tolerances of
//! the chosen numbers gives what the data alone say about them:
//!
//! ```text
//! G = (JᵀV⁻¹J + P)⁻¹        θ = θ̂ − G·(JᵀV⁻¹r + P·θ̂)                                                (1)
//! apart   = G·(JᵀV⁻¹·N·V⁻¹J + P_own)·G         common = G·(JᵀV⁻¹·K·V⁻¹J + P_jig)·G                  (2)
//! ```
//!
//! P holds the priors of everything that is not chosen (uncertain inputs, delays: P_own; calibration of the gains: P_jig)
//! and next to nothing for the chosen numbers. What is wrong with the model is wrong with it for every unit, and so is the
//! microphone: those errors do not average out over units and are no scatter of the units. apart + common = G.
//!
//! **Range.** Linear about θ̂: good where the tolerance pulled the estimate by no more than its interval.

use crate::align::Fit;
use crate::align::dense::{Cholesky, Matrix, dot};
use crate::align::residual::Nuisance;

/// What a unit tells about the chosen numbers, in coordinates from the design's own values.
#[derive(Debug, Clone)]
pub struct Linear {
    /// Estimates.
    pub estimate: Vec<f64>,
    /// Covariance of the errors that are this unit's own.
    pub apart: Matrix,
    /// Covariance of the errors that all units have in common.
    pub common: Matrix,
}

/// Information JᵀV⁻¹J of the data, its parts by noise and by discrepancy, and the gradient JᵀV⁻¹r.
struct Information {
    noise: Matrix,
    discrepancy: Matrix,
    gradient: Vec<f64>,
}

fn information(fit: &Fit) -> Option<Information> {
    let size = fit.settled.theta.len();
    let mut out = Information {
        noise: Matrix::zeros(size, size),
        discrepancy: Matrix::zeros(size, size),
        gradient: vec![0.0; size],
    };
    for (n, s) in fit.comparison.series.iter().enumerate() {
        let points = s.x.len();
        if points == 0 {
            continue;
        }
        let kernel = &fit.settled.kernels[n];
        let between = Matrix::from_fn(points, points, |i, j| kernel.covariance(s.x[i] - s.x[j]));
        let total = Matrix::from_fn(points, points, |i, j| {
            between[(i, j)] + if i == j { s.variance[i] } else { 0.0 }
        });
        let factor = Cholesky::new(&total)?;
        for part in 0..2 {
            let slopes = fit.evaluated.jacobian.get(n)?;
            // Columns V⁻¹J; those that are zero here cost nothing.
            let used: Vec<(usize, Vec<f64>)> = slopes[part]
                .iter()
                .enumerate()
                .filter(|(_, column)| column.iter().any(|v| *v != 0.0))
                .map(|(j, column)| (j, factor.solve(column)))
                .collect();
            let residual = &fit.evaluated.residual[n][part];
            let spread: Vec<Vec<f64>> = used.iter().map(|(_, c)| between.times(c)).collect();
            for (k, (i, left)) in used.iter().enumerate() {
                out.gradient[*i] += dot(left, residual);
                for (j, right) in &used {
                    let noise: f64 = left
                        .iter()
                        .zip(right)
                        .zip(&s.variance)
                        .map(|((a, b), v)| a * b * v)
                        .sum();
                    out.noise[(*i, *j)] += noise;
                    out.discrepancy[(*i, *j)] += dot(&spread[k], right);
                }
            }
        }
    }
    Some(out)
}

/// What a unit tells about the unknowns at `chosen` places of `fit.settled.active`. Those in `measured` keep their prior,
/// because it was taken from this very unit with tape or scale.
///
/// `None` where the covariance of the residuals is not positive definite.
#[must_use]
pub fn linear(fit: &Fit, chosen: &[usize], measured: &[usize]) -> Option<Linear> {
    let settled = &fit.settled;
    let (active, size) = (settled.active.len(), settled.theta.len());
    let data = information(fit)?;
    let mut own = vec![0.0; size];
    let mut jig = vec![0.0; size];
    for (n, own) in own.iter_mut().enumerate().take(active) {
        let index = settled.active[n];
        let sd = if chosen.contains(&n) && !measured.contains(&n) {
            fit.unknowns[index].flat_sd()
        } else {
            settled.prior_sd[n]
        };
        *own = 1.0 / (sd * sd);
    }
    for (k, &(_, kind)) in fit.comparison.nuisance_of.iter().enumerate() {
        let sd = settled.prior_sd[active + k];
        let target = if kind == Nuisance::Gain && fit.comparison.nuisance_sd[k].is_finite() {
            &mut jig
        } else {
            &mut own
        };
        target[active + k] = 1.0 / (sd * sd);
    }
    let diagonal = |i: usize, j: usize, of: &[f64]| if i == j { of[i] } else { 0.0 };
    let precision = Matrix::from_fn(size, size, |i, j| {
        data.noise[(i, j)] + data.discrepancy[(i, j)] + diagonal(i, j, &own) + diagonal(i, j, &jig)
    });
    let covariance = Cholesky::new(&precision)?.inverse();
    let pull: Vec<f64> = (0..size)
        .map(|i| data.gradient[i] + (own[i] + jig[i]) * settled.theta[i])
        .collect();
    let step = covariance.times(&pull);
    let part = |of: &Matrix, prior: &[f64]| {
        let rows: Vec<Vec<f64>> = chosen
            .iter()
            .map(|&n| {
                let g = covariance.column(n);
                let mut row = of.times(g);
                for ((r, p), v) in row.iter_mut().zip(prior).zip(g) {
                    *r += p * v;
                }
                row
            })
            .collect();
        // Symmetric to the last bit, as the factorisation reads one half.
        Matrix::from_fn(chosen.len(), chosen.len(), |i, j| {
            let (i, j) = (i.min(j), i.max(j));
            dot(&rows[i], covariance.column(chosen[j]))
        })
    };
    Some(Linear {
        estimate: chosen
            .iter()
            .map(|&n| {
                let u = &fit.unknowns[settled.active[n]];
                settled.theta[n] - step[n] - u.designed_theta()
            })
            .collect(),
        apart: part(&data.noise, &own),
        common: part(&data.discrepancy, &jig),
    })
}
