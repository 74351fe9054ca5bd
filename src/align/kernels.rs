//! The model discrepancy of every series: level and phase of one response share size and correlation length.

use super::dense::Matrix;
use super::discrepancy::{Group, Series, estimate, evaluate};
use super::residual::{Comparison, Evaluated};
use super::whiten::Kernel;

/// Least discrepancy: standard deviation (nepers) and correlation length (ln f). 0.05 dB over a third of ln f:
/// what a good microphone and a stiff wall leave at best («common practice, no published source»). The residuals cannot tell
/// an error of the model that the parameters can follow; this stands for it.
pub const LEAST: (f64, f64) = (0.0058, 0.3);

/// How the size of a discrepancy is read from the residuals.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reading {
    /// From all points: what tells models apart best.
    Fine,
    /// From means over a sixth of an octave: what intervals need.
    Coarse,
}

/// Points of the 1/48-octave grid that are read together when the discrepancy is sized: a sixth of an octave.
///
/// Parameters act on the scale of a resonance. An error of the model that is smoother than the kernel differs so little
/// between neighbours that it would be taken for a small one, and intervals would come out too narrow.
const TOGETHER: usize = 8;
/// The same in ln f.
const STRETCH: f64 = TOGETHER as f64 * std::f64::consts::LN_2 / 48.0;

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
    reading: Reading,
) -> (Vec<Kernel>, f64) {
    let filled: Vec<usize> = (0..comparison.series.len())
        .filter(|&n| comparison.series[n].x.len() > 2)
        .collect();
    let fine = Rows::of(comparison, evaluated, &filled, 1);
    let list = fine.series();
    let coarse = match reading {
        Reading::Fine => None,
        Reading::Coarse => Some(Rows::of(comparison, evaluated, &filled, TOGETHER)),
    };
    let groups: Vec<Group> = filled
        .iter()
        .map(|&n| Group {
            smoothness: old[n].smoothness,
            start: Some([old[n].sigma.max(1e-6), old[n].length]),
            ..Group::default()
        })
        .collect();
    let mut kernels = old.to_vec();
    let read = coarse.as_ref().map(Rows::series);
    let read = read.as_deref().unwrap_or(&list);
    let Ok(found) = estimate(read, &groups, precision, offset) else {
        return (kernels, f64::NEG_INFINITY);
    };
    let mut changed = reading == Reading::Coarse;
    let mut estimated = Vec::new();
    for (&n, e) in filled.iter().zip(&found.kernels) {
        let mut kernel = e.kernel;
        if reading == Reading::Coarse {
            // A mean over a stretch scatters less than the function itself.
            kernel.sigma /= mean_over(STRETCH / kernel.length).sqrt();
        }
        // What neighbouring frequencies may differ by depends on σ²/ℓ.
        let least = LEAST.0 * LEAST.0 / LEAST.1;
        if kernel.sigma * kernel.sigma / kernel.length < least {
            kernel = Kernel::exponential(kernel.sigma.max(LEAST.0), LEAST.1);
            kernel.length = kernel.sigma * kernel.sigma / least;
            changed = true;
        }
        kernels[n] = kernel;
        estimated.push(kernel);
    }
    let priors: Vec<_> = groups.iter().map(|g| g.prior).collect();
    let log_posterior = if changed {
        evaluate(&list, &estimated, &priors, precision, offset).map_or(f64::NEG_INFINITY, |e| e.1)
    } else {
        found.log_posterior
    };
    (kernels, log_posterior)
}

/// Variance of the mean of an exponential process over a stretch of `a` correlation lengths, over that of the process:
/// 2·(a − 1 + e^(−a))/a².
fn mean_over(a: f64) -> f64 {
    2.0 * (a + (-a).exp_m1()) / (a * a)
}

/// Residuals and derivatives of every part of every series, as they are or as means over stretches.
struct Rows {
    parts: Vec<Part>,
}

struct Part {
    abscissa: Vec<f64>,
    variance: Vec<f64>,
    residual: Vec<f64>,
    jacobian: Matrix,
    group: usize,
}

impl Rows {
    fn of(
        comparison: &Comparison,
        evaluated: &Evaluated,
        filled: &[usize],
        together: usize,
    ) -> Self {
        let mean = |v: &[f64]| -> Vec<f64> {
            v.chunks(together)
                .map(|c| c.iter().sum::<f64>() / c.len() as f64)
                .collect()
        };
        let mut parts = Vec::new();
        for (group, &n) in filled.iter().enumerate() {
            let s = &comparison.series[n];
            // A phase that was not measured says nothing about the size of the discrepancy.
            for part in 0..(if s.has_phase { 2 } else { 1 }) {
                let residual = mean(&evaluated.residual[n][part]);
                let columns = &evaluated.jacobian[n][part];
                let mut jacobian = Matrix::zeros(residual.len(), columns.len());
                for (j, column) in columns.iter().enumerate() {
                    jacobian.column_mut(j).copy_from_slice(&mean(column));
                }
                parts.push(Part {
                    abscissa: mean(&s.x),
                    variance: s
                        .variance
                        .chunks(together)
                        .map(|c| c.iter().sum::<f64>() / (c.len() * c.len()) as f64)
                        .collect(),
                    residual,
                    jacobian,
                    group,
                });
            }
        }
        Self { parts }
    }

    fn series(&self) -> Vec<Series<'_>> {
        self.parts
            .iter()
            .map(|p| Series {
                abscissa: &p.abscissa,
                variance: &p.variance,
                calibration: &[],
                residual: &p.residual,
                jacobian: &p.jacobian,
                group: p.group,
            })
            .collect()
    }
}
