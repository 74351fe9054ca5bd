//! The alignment as a least-squares problem: whitened residuals of all series, one column per coordinate.

use super::dense::Matrix;
use super::least_squares::Problem;
use super::residual::{Comparison, Evaluated};
use super::unknowns::Unknown;
use super::whiten::{Kernel, Whitener};
use crate::model::ModelError;

/// Whitened residuals of a comparison for chosen coordinates.
pub struct Alignment<'a> {
    /// What is compared.
    pub comparison: &'a Comparison,
    /// The fitted coordinates; the nuisance coordinates follow them.
    pub unknowns: Vec<&'a Unknown>,
    /// Model discrepancy of each series.
    pub whiteners: Vec<Whitener>,
    /// The first failure of the model, if there was one.
    pub failure: Option<ModelError>,
    /// Number of evaluations.
    pub evaluations: usize,
    /// The last evaluation with derivatives, and where it was: a new kernel needs no new simulation.
    last: Option<(Vec<f64>, Evaluated)>,
}

impl<'a> Alignment<'a> {
    /// A problem with the given discrepancies, one per series.
    #[must_use]
    pub fn new(comparison: &'a Comparison, unknowns: Vec<&'a Unknown>, kernels: &[Kernel]) -> Self {
        Self {
            whiteners: whiteners(comparison, kernels),
            comparison,
            unknowns,
            failure: None,
            evaluations: 0,
            last: None,
        }
    }

    /// The same comparison under other discrepancies.
    pub fn set_kernels(&mut self, kernels: &[Kernel]) {
        self.whiteners = whiteners(self.comparison, kernels);
    }

    /// Residuals and derivatives at a point, not whitened; simulated only if the last point was another one.
    pub fn at(&mut self, theta: &[f64]) -> Option<&Evaluated> {
        if self.last.as_ref().is_none_or(|(at, _)| at != theta) {
            let evaluated = self.raw(theta, true)?;
            self.evaluations += 1;
            self.last = Some((theta.to_vec(), evaluated));
        }
        self.last.as_ref().map(|(_, evaluated)| evaluated)
    }

    /// Residuals and derivatives at a point, not whitened.
    pub fn raw(&mut self, theta: &[f64], slopes: bool) -> Option<Evaluated> {
        let (own, nuisance) = theta.split_at(self.unknowns.len());
        match self
            .comparison
            .evaluate(&self.unknowns, own, nuisance, slopes)
        {
            Ok(evaluated) => Some(evaluated),
            Err(error) => {
                self.failure.get_or_insert(error);
                None
            }
        }
    }
}

/// One whitener per series; a discrepancy that cannot be whitened counts as none.
#[must_use]
pub fn whiteners(comparison: &Comparison, kernels: &[Kernel]) -> Vec<Whitener> {
    comparison
        .series
        .iter()
        .zip(kernels)
        .filter_map(|(s, kernel)| {
            Whitener::new(&s.x, &s.variance, kernel)
                .or_else(|_| Whitener::new(&s.x, &s.variance, &Kernel::none()))
                .ok()
        })
        .collect()
}

/// Whitens everything: residuals in one column, derivatives in a matrix.
#[must_use]
pub fn whitened(
    whiteners: &[Whitener],
    evaluated: &Evaluated,
    columns: usize,
) -> (Vec<f64>, Matrix) {
    let rows: usize = evaluated
        .residual
        .iter()
        .map(|parts| 2 * parts[0].len())
        .sum();
    let mut residuals = Vec::with_capacity(rows);
    let mut jacobian = Matrix::zeros(
        rows,
        if evaluated.jacobian.is_empty() {
            0
        } else {
            columns
        },
    );
    for (n, (whitener, parts)) in whiteners.iter().zip(&evaluated.residual).enumerate() {
        for (part, series) in parts.iter().enumerate() {
            let first = residuals.len();
            let last = first + series.len();
            let mut column = series.clone();
            whitener.apply(&mut column);
            residuals.append(&mut column);
            if let Some(blocks) = evaluated.jacobian.get(n) {
                for (j, slope) in blocks[part].iter().enumerate() {
                    let target = &mut jacobian.column_mut(j)[first..last];
                    target.copy_from_slice(slope);
                    if slope.iter().any(|v| *v != 0.0) {
                        whitener.apply(target);
                    }
                }
            }
        }
    }
    (residuals, jacobian)
}

impl Problem for Alignment<'_> {
    fn parameters(&self) -> usize {
        self.unknowns.len() + self.comparison.nuisances()
    }

    fn residuals(&mut self, theta: &[f64], jacobian: Option<&mut Matrix>) -> Option<Vec<f64>> {
        let parameters = self.parameters();
        let residuals = match jacobian {
            Some(target) => {
                self.at(theta)?;
                let (_, evaluated) = self.last.as_ref()?;
                let (residuals, columns) = whitened(&self.whiteners, evaluated, parameters);
                *target = columns;
                residuals
            }
            None => {
                self.evaluations += 1;
                let evaluated = self.raw(theta, false)?;
                whitened(&self.whiteners, &evaluated, parameters).0
            }
        };
        residuals.iter().all(|r| r.is_finite()).then_some(residuals)
    }
}
