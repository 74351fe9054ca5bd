//! The model discrepancy of every series: level and phase of one response share size and correlation length.

use super::dense::Matrix;
use super::discrepancy::{Group, Series, estimate, evaluate};
use super::residual::{Comparison, Evaluated};
use super::whiten::Kernel;

/// Least discrepancy: standard deviation (nepers) and correlation length (ln f). 0.05 dB over a third of ln f, by which
/// two sound models of one cabinet were seen to differ. The residuals cannot tell an error of the model that the
/// parameters can follow; this stands for it.
pub const LEAST: (f64, f64) = (0.0058, 0.3);

/// Kernels by restricted maximum likelihood, and the logarithm of the evidence under them.
///
/// `precision` and `offset` are those of the coordinates' priors. Where nothing can be estimated (no points, a
/// number that is not finite) the old kernels stay and the evidence is −∞.
#[must_use]
pub fn per_series(
    comparison: &Comparison,
    evaluated: &Evaluated,
    precision: &[f64],
    offset: &[f64],
    old: &[Kernel],
) -> (Vec<Kernel>, f64) {
    let matrices: Vec<[Matrix; 2]> = evaluated
        .jacobian
        .iter()
        .map(|parts| {
            [0, 1].map(|part| {
                let rows = parts[part].first().map_or(0, Vec::len);
                let mut matrix = Matrix::zeros(rows, parts[part].len());
                for (j, column) in parts[part].iter().enumerate() {
                    matrix.column_mut(j).copy_from_slice(column);
                }
                matrix
            })
        })
        .collect();
    let filled: Vec<usize> = (0..comparison.series.len())
        .filter(|&n| comparison.series[n].x.len() > 2)
        .collect();
    let mut list = Vec::new();
    for (group, &n) in filled.iter().enumerate() {
        let s = &comparison.series[n];
        // A phase that was not measured says nothing about the size of the discrepancy.
        let parts = if s.has_phase { 2 } else { 1 };
        for (part, jacobian) in matrices[n].iter().enumerate().take(parts) {
            list.push(Series {
                abscissa: &s.x,
                variance: &s.variance,
                calibration: &[],
                residual: &evaluated.residual[n][part],
                jacobian,
                group,
            });
        }
    }
    let groups: Vec<Group> = filled
        .iter()
        .map(|&n| Group {
            smoothness: old[n].smoothness,
            start: Some([old[n].sigma.max(1e-6), old[n].length]),
            ..Group::default()
        })
        .collect();
    let mut kernels = old.to_vec();
    let Ok(found) = estimate(&list, &groups, precision, offset) else {
        return (kernels, f64::NEG_INFINITY);
    };
    let mut floored = false;
    let mut estimated = Vec::new();
    for (&n, e) in filled.iter().zip(&found.kernels) {
        let mut kernel = e.kernel;
        // What neighbouring frequencies may differ by depends on σ²/ℓ.
        let least = LEAST.0 * LEAST.0 / LEAST.1;
        if kernel.sigma * kernel.sigma / kernel.length < least {
            kernel = Kernel::exponential(kernel.sigma.max(LEAST.0), LEAST.1);
            kernel.length = kernel.sigma * kernel.sigma / least;
            floored = true;
        }
        kernels[n] = kernel;
        estimated.push(kernel);
    }
    let priors: Vec<_> = groups.iter().map(|g| g.prior).collect();
    let log_posterior = if floored {
        evaluate(&list, &estimated, &priors, precision, offset).map_or(f64::NEG_INFINITY, |e| e.1)
    } else {
        found.log_posterior
    };
    (kernels, log_posterior)
}
