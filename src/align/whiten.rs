//! Whitening of a series of residuals against log-frequency, in linear time.
//!
//! A residual is y_i = d(x_i) + Σ_k b_ik·w_k + n_i: a smooth random **discrepancy** d of the model, a few calibration terms
//! with standard normal w_k, and independent noise n_i of variance v_i.
//!
//! Exponential:  cov d(x), d(x′) = σ²·e^(−a),               a = |x − x′|/ℓ        (continuous, rough)
//! Matérn 3/2:   cov d(x), d(x′) = σ²·(1 + a)·e^(−a),       a = √3·|x − x′|/ℓ     (once differentiable, smooth)
//!
//! Both are Markov in one or two states, so the Kalman filter gives the Cholesky factor of C = K + diag(v) step by
//! step: innovation e_i = y_i − m_i with variance F_i; e_i/√F_i is L⁻¹y and Σ ln F_i the log-determinant. No
//! difference of nearly equal numbers occurs: the process noise comes from `expm1` and a series, the update
//! multiplies by v/F instead of subtracting. The calibration terms B are added exactly, as a change of rank k:
//! (C + BBᵀ) with L⁻¹B = Q·S·Vᵀ whitens as (I − Q·diag(1 − 1/√(1 + s²))·Qᵀ)·L⁻¹.
//!
//! | symbol | variable | unit |
//! | --- | --- | --- |
//! | x | `abscissa` | ln(f) |
//! | σ | `sigma` | that of the residual (neper or radian) |
//! | ℓ | `length` | ln(f) |
//! | v | `variance` | σ's squared |
//!
//! **Range.** x ascends, steps may be zero; v ≥ 0 and σ ≥ 0, not both zero at one point. With v = 0 and two points much
//! closer than ℓ the matrix is close to singular and the result as inaccurate as any.
//!
//! References: Kennedy & O'Hagan 2001 (discrepancy); Hartikainen & Särkkä 2010, Kalman filtering and smoothing
//! solutions to temporal Gaussian process regression models; Kalman 1960 (cited from memory).

use super::dense::{Matrix, dot, svd, triangularise};
use thiserror::Error;

/// How smooth the discrepancy is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Smoothness {
    /// σ²·e^(−a): continuous and rough.
    #[default]
    Exponential,
    /// σ²·(1 + a)·e^(−a): once differentiable.
    Matern32,
}

/// Covariance function of the discrepancy.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Kernel {
    /// How smooth.
    pub smoothness: Smoothness,
    /// Standard deviation, unit of the residual.
    pub sigma: f64,
    /// Correlation length, unit of the abscissa.
    pub length: f64,
}

impl Kernel {
    /// σ²·exp(−|Δ|/ℓ).
    #[must_use]
    pub fn exponential(sigma: f64, length: f64) -> Self {
        Self {
            smoothness: Smoothness::Exponential,
            sigma,
            length,
        }
    }

    /// σ²·(1 + √3|Δ|/ℓ)·exp(−√3|Δ|/ℓ).
    #[must_use]
    pub fn matern32(sigma: f64, length: f64) -> Self {
        Self {
            smoothness: Smoothness::Matern32,
            sigma,
            length,
        }
    }

    /// No discrepancy.
    #[must_use]
    pub fn none() -> Self {
        Self::exponential(0.0, 1.0)
    }

    /// Covariance at a distance.
    #[must_use]
    pub fn covariance(&self, distance: f64) -> f64 {
        let a = distance.abs() / self.length;
        let variance = self.sigma * self.sigma;
        match self.smoothness {
            Smoothness::Exponential => variance * (-a).exp(),
            Smoothness::Matern32 => {
                let a = 3_f64.sqrt() * a;
                variance * (1.0 + a) * (-a).exp()
            }
        }
    }
}

/// Why a series cannot be whitened.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum WhitenError {
    /// Lengths disagree.
    #[error("{what} has {found} entries where the series has {expected}")]
    Length {
        /// Which argument.
        what: &'static str,
        /// Its length.
        found: usize,
        /// Length of the abscissa.
        expected: usize,
    },
    /// The abscissa falls or is not finite.
    #[error("the abscissa must ascend and be finite: entry {index} is {value}")]
    Abscissa {
        /// Index.
        index: usize,
        /// Value there.
        value: f64,
    },
    /// The kernel has no meaning.
    #[error(
        "a kernel needs a finite sigma ≥ 0 and a finite length > 0: sigma {sigma}, length {length}"
    )]
    Kernel {
        /// Standard deviation.
        sigma: f64,
        /// Correlation length.
        length: f64,
    },
    /// A residual would be known exactly.
    #[error(
        "the variance of entry {index} is {value} and must be positive (or zero beside a discrepancy)"
    )]
    Variance {
        /// Index.
        index: usize,
        /// Variance of the noise there.
        value: f64,
    },
}

/// One filter step: m ← A·(m + K·(y − m₁)), written as m ← decay·m + gain·y.
#[derive(Debug, Clone, Copy, Default)]
struct Step {
    /// 1/√F.
    weight: f64,
    /// Transition with the gain's part taken out, by rows.
    decay: [[f64; 2]; 2],
    /// Transition times gain.
    gain: [f64; 2],
}

/// The factor of one covariance, to be applied to any number of columns.
#[derive(Debug, Clone)]
pub struct Whitener {
    smoothness: Smoothness,
    steps: Vec<Step>,
    log_det: f64,
    /// Orthonormal columns and factors 1 − 1/√(1 + s²) of the calibration terms.
    calibration: Option<(Matrix, Vec<f64>)>,
}

impl Whitener {
    /// Factorises the covariance of noise and discrepancy.
    ///
    /// # Errors
    /// [`WhitenError`] where lengths disagree, the abscissa falls, or a variance or the kernel has no meaning.
    pub fn new(abscissa: &[f64], variance: &[f64], kernel: &Kernel) -> Result<Self, WhitenError> {
        let n = abscissa.len();
        if variance.len() != n {
            return Err(WhitenError::Length {
                what: "the list of variances",
                found: variance.len(),
                expected: n,
            });
        }
        let sound = kernel.sigma.is_finite()
            && kernel.sigma >= 0.0
            && kernel.length.is_finite()
            && kernel.length > 0.0;
        if !sound {
            return Err(WhitenError::Kernel {
                sigma: kernel.sigma,
                length: kernel.length,
            });
        }
        let falls =
            (0..n).find(|&i| !abscissa[i].is_finite() || (i > 0 && abscissa[i] < abscissa[i - 1]));
        if let Some(index) = falls {
            return Err(WhitenError::Abscissa {
                index,
                value: abscissa[index],
            });
        }
        let (steps, log_det) = match kernel.smoothness {
            Smoothness::Exponential => exponential_steps(abscissa, variance, kernel)?,
            Smoothness::Matern32 => matern_steps(abscissa, variance, kernel)?,
        };
        Ok(Self {
            smoothness: kernel.smoothness,
            steps,
            log_det,
            calibration: None,
        })
    }

    /// Adds calibration terms: each column is one term's shape times its standard deviation, in the residual's unit (an
    /// offset of standard deviation g: all entries g).
    ///
    /// # Errors
    /// [`WhitenError::Length`] where a column is not as long as the series.
    pub fn with_calibration(mut self, columns: &[Vec<f64>]) -> Result<Self, WhitenError> {
        let n = self.steps.len();
        if let Some(column) = columns.iter().find(|column| column.len() != n) {
            return Err(WhitenError::Length {
                what: "a calibration column",
                found: column.len(),
                expected: n,
            });
        }
        if columns.is_empty() || n == 0 {
            return Ok(self);
        }
        let mut whitened = Matrix::from_fn(n, columns.len(), |i, k| columns[k][i]);
        self.calibration = None;
        self.apply_all(&mut whitened);
        let (r, _) = triangularise(whitened.clone(), Vec::new());
        let parts = svd(&r);
        // Q = (L⁻¹B)·V/s, for the terms that have any size at all.
        let kept: Vec<usize> = (0..columns.len())
            .filter(|&k| parts.s[k] > f64::EPSILON * parts.s[0] && parts.s[k] > 0.0)
            .collect();
        let mut q = Matrix::zeros(n, kept.len());
        let mut factor = Vec::with_capacity(kept.len());
        for (target, &k) in kept.iter().enumerate() {
            let s = parts.s[k];
            let direction: Vec<f64> = parts.v.column(k).iter().map(|v| v / s).collect();
            q.column_mut(target)
                .copy_from_slice(&whitened.times(&direction));
            let squared = s * s;
            self.log_det += squared.ln_1p();
            let root = (1.0 + squared).sqrt();
            // 1 − 1/root without cancellation.
            factor.push(squared / (root * (1.0 + root)));
        }
        self.calibration = Some((q, factor));
        Ok(self)
    }

    /// Number of points.
    #[must_use]
    pub fn len(&self) -> usize {
        self.steps.len()
    }

    /// Whether the series is empty.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.steps.is_empty()
    }

    /// ln|C|, calibration terms included.
    #[must_use]
    pub fn log_det(&self) -> f64 {
        self.log_det
    }

    /// Whitens one column in place. Only the first `len()` entries are touched.
    pub fn apply(&self, column: &mut [f64]) {
        match self.smoothness {
            Smoothness::Exponential => {
                let mut mean = 0.0;
                for (y, step) in column.iter_mut().zip(&self.steps) {
                    let value = *y;
                    *y = (value - mean) * step.weight;
                    mean = step.decay[0][0] * mean + step.gain[0] * value;
                }
            }
            Smoothness::Matern32 => {
                let mut mean = [0.0; 2];
                for (y, step) in column.iter_mut().zip(&self.steps) {
                    let value = *y;
                    *y = (value - mean[0]) * step.weight;
                    mean = advance(step, mean, value);
                }
            }
        }
        self.correct(column);
    }

    /// Whitens every column of a matrix in place.
    pub fn apply_all(&self, columns: &mut Matrix) {
        let (rows, cols) = (columns.rows(), columns.cols());
        if rows == self.steps.len() && rows > 0 {
            // Four columns at a time: the recursion of one alone waits for its own last result.
            let whole = cols - cols % 4;
            let (quads, rest) = columns.entries_mut().split_at_mut(whole * rows);
            for quad in quads.chunks_exact_mut(4 * rows) {
                self.filter_four(quad, rows);
            }
            for column in quads.chunks_exact_mut(rows) {
                self.correct(column);
            }
            for column in rest.chunks_exact_mut(rows) {
                self.apply(column);
            }
            return;
        }
        for j in 0..cols {
            self.apply(columns.column_mut(j));
        }
    }

    fn filter_four(&self, quad: &mut [f64], rows: usize) {
        let (ab, cd) = quad.split_at_mut(2 * rows);
        let (a, b) = ab.split_at_mut(rows);
        let (c, d) = cd.split_at_mut(rows);
        let columns = a.iter_mut().zip(b).zip(c.iter_mut().zip(d));
        let mut first = [0.0_f64; 4];
        match self.smoothness {
            Smoothness::Exponential => {
                for (step, ((a, b), (c, d))) in self.steps.iter().zip(columns) {
                    let value = [*a, *b, *c, *d];
                    let (decay, gain) = (step.decay[0][0], step.gain[0]);
                    [*a, *b, *c, *d] = [0, 1, 2, 3].map(|k| (value[k] - first[k]) * step.weight);
                    first = [0, 1, 2, 3].map(|k| decay * first[k] + gain * value[k]);
                }
            }
            Smoothness::Matern32 => {
                let mut second = [0.0_f64; 4];
                for (step, ((a, b), (c, d))) in self.steps.iter().zip(columns) {
                    let value = [*a, *b, *c, *d];
                    [*a, *b, *c, *d] = [0, 1, 2, 3].map(|k| (value[k] - first[k]) * step.weight);
                    for k in 0..4 {
                        [first[k], second[k]] = advance(step, [first[k], second[k]], value[k]);
                    }
                }
            }
        }
    }

    /// Turns unit white noise into a series with this covariance, in place: the inverse of [`Self::apply`].
    pub fn colour(&self, column: &mut [f64]) {
        if let Some((q, factor)) = &self.calibration {
            for (k, f) in factor.iter().enumerate() {
                // (I − f·qqᵀ)⁻¹ = I + f/(1 − f)·qqᵀ for a unit vector q; f < 1.
                let inner = dot(q.column(k), column) * f / (1.0 - f);
                for (y, q) in column.iter_mut().zip(q.column(k)) {
                    *y += inner * q;
                }
            }
        }
        let mut mean = [0.0; 2];
        for (y, step) in column.iter_mut().zip(&self.steps) {
            let value = mean[0] + *y / step.weight;
            *y = value;
            mean = advance(step, mean, value);
        }
    }

    fn correct(&self, column: &mut [f64]) {
        let Some((q, factor)) = &self.calibration else {
            return;
        };
        for (k, f) in factor.iter().enumerate() {
            let inner = f * dot(q.column(k), column);
            for (y, q) in column.iter_mut().zip(q.column(k)) {
                *y -= inner * q;
            }
        }
    }
}

fn advance(step: &Step, mean: [f64; 2], value: f64) -> [f64; 2] {
    [
        step.decay[0][0] * mean[0] + step.decay[0][1] * mean[1] + step.gain[0] * value,
        step.decay[1][0] * mean[0] + step.decay[1][1] * mean[1] + step.gain[1] * value,
    ]
}

fn innovation_variance(predicted: f64, variance: f64, index: usize) -> Result<f64, WhitenError> {
    let total = predicted + variance;
    if variance.is_nan() || variance < 0.0 || total <= 0.0 || !total.is_finite() {
        return Err(WhitenError::Variance {
            index,
            value: variance,
        });
    }
    Ok(total)
}

/// Σ ln F by products, which costs one logarithm for many factors; F may be anything a double holds.
struct LogSum {
    sum: f64,
    product: f64,
}

impl LogSum {
    fn new() -> Self {
        Self {
            sum: 0.0,
            product: 1.0,
        }
    }

    fn add(&mut self, factor: f64) {
        if !(1e-100..1e100).contains(&factor) {
            self.sum += factor.ln();
            return;
        }
        self.product *= factor;
        if !(1e-150..1e150).contains(&self.product) {
            self.sum += self.product.ln();
            self.product = 1.0;
        }
    }

    fn total(&self) -> f64 {
        self.sum + self.product.ln()
    }
}

fn exponential_steps(
    abscissa: &[f64],
    variance: &[f64],
    kernel: &Kernel,
) -> Result<(Vec<Step>, f64), WhitenError> {
    let n = abscissa.len();
    let stationary = kernel.sigma * kernel.sigma;
    let mut steps = Vec::with_capacity(n);
    let mut log_det = LogSum::new();
    let mut predicted = stationary;
    // Neighbours are equally spaced as a rule: keep the last exponentials.
    let (mut last_gap, mut phi, mut renewed) = (0.0, 1.0, 0.0);
    for i in 0..n {
        let total = innovation_variance(predicted, variance[i], i)?;
        log_det.add(total);
        let gap = if i + 1 < n {
            (abscissa[i + 1] - abscissa[i]) / kernel.length
        } else {
            0.0
        };
        // A relative 1e-12 is far below what the step of a grid means.
        if (gap - last_gap).abs() > 1e-12 * gap {
            last_gap = gap;
            phi = (-gap).exp();
            renewed = -(-2.0 * gap).exp_m1();
        }
        let inverse = 1.0 / total;
        let kept = variance[i] * inverse;
        let mut step = Step {
            weight: inverse.sqrt(),
            ..Step::default()
        };
        step.decay[0][0] = phi * kept;
        step.gain[0] = phi * predicted * inverse;
        steps.push(step);
        predicted = phi * phi * predicted * kept + stationary * renewed;
    }
    Ok((steps, log_det.total()))
}

/// 1 − e^(−x)·(1 + x + x²/2), without cancellation for small x.
fn third_order_remainder(x: f64) -> f64 {
    if x > 1.0 {
        return 1.0 - (-x).exp() * (1.0 + x + 0.5 * x * x);
    }
    let (mut term, mut sum) = (x * x * x / 6.0, 0.0);
    for k in 4..30 {
        sum += term;
        term *= x / f64::from(k);
    }
    (-x).exp() * sum
}

/// State: the discrepancy and its slope times ℓ/√3, both with stationary variance σ².
fn matern_steps(
    abscissa: &[f64],
    variance: &[f64],
    kernel: &Kernel,
) -> Result<(Vec<Step>, f64), WhitenError> {
    let n = abscissa.len();
    let stationary = kernel.sigma * kernel.sigma;
    let mut steps = Vec::with_capacity(n);
    let mut log_det = LogSum::new();
    // Covariance of the prediction: p11, p12, p22.
    let mut predicted = [stationary, 0.0, stationary];
    let mut last_gap = 0.0;
    let mut transition = [[1.0, 0.0], [0.0, 1.0]];
    let mut renewed = [0.0; 3];
    for i in 0..n {
        let total = innovation_variance(predicted[0], variance[i], i)?;
        log_det.add(total);
        let gap = if i + 1 < n {
            3_f64.sqrt() * (abscissa[i + 1] - abscissa[i]) / kernel.length
        } else {
            0.0
        };
        if (gap - last_gap).abs() > 1e-12 * gap {
            last_gap = gap;
            let (a, decay, x) = (gap, (-gap).exp(), 2.0 * gap);
            transition = [
                [decay * (1.0 + a), decay * a],
                [-decay * a, decay * (1.0 - a)],
            ];
            // σ²·(I − A·Aᵀ), entry by entry.
            renewed = [
                stationary * third_order_remainder(x),
                stationary * 0.5 * x * x * (-x).exp(),
                stationary * (-(-x).exp_m1() + (-x).exp() * (x - 0.5 * x * x)),
            ];
        }
        let inverse = 1.0 / total;
        let kept = variance[i] * inverse;
        let gain = [predicted[0] * inverse, predicted[1] * inverse];
        let a = transition;
        steps.push(Step {
            weight: inverse.sqrt(),
            // A·(I − K·h), h = (1, 0); 1 − K₁ = v/F.
            decay: [
                [a[0][0] * kept - a[0][1] * gain[1], a[0][1]],
                [a[1][0] * kept - a[1][1] * gain[1], a[1][1]],
            ],
            gain: [
                a[0][0] * gain[0] + a[0][1] * gain[1],
                a[1][0] * gain[0] + a[1][1] * gain[1],
            ],
        });
        let (p11, p12) = (predicted[0] * kept, predicted[1] * kept);
        let p22 = (predicted[2] - predicted[1] * gain[1]).max(0.0);
        predicted = [
            a[0][0] * a[0][0] * p11
                + 2.0 * a[0][0] * a[0][1] * p12
                + a[0][1] * a[0][1] * p22
                + renewed[0],
            a[0][0] * a[1][0] * p11
                + (a[0][0] * a[1][1] + a[0][1] * a[1][0]) * p12
                + a[0][1] * a[1][1] * p22
                + renewed[1],
            a[1][0] * a[1][0] * p11
                + 2.0 * a[1][0] * a[1][1] * p12
                + a[1][1] * a[1][1] * p22
                + renewed[2],
        ];
    }
    Ok((steps, log_det.total()))
}

#[cfg(test)]
mod tests;
