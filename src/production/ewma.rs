//! Chart of the exponentially weighted moving average, which sees small and slow changes that single values hide.
//!
//! ```text
//! z_0 = μ0,   z_t = λ·x_t + (1 − λ)·z_(t−1)
//! limits  μ0 ± L·σ·√(λ/(2 − λ)·(1 − (1 − λ)^(2t)))         growing; steady without the last factor
//! ```
//!
//! Distribution of the run length: the density f_t of z_t inside the limits ±h_t (of standardised values) obeys
//!
//! ```text
//! f_t(z) = ∫ f_(t−1)(y)·φ((z − (1 − λ)·y − λ·μ_t)/(λ·s))/(λ·s) dy  over ±h_(t−1),     S(t) = ∫ f_t dz  over ±h_t
//! ```
//!
//! which is Crowder's integral equation written forward in time, so that limits and process may change; by Gauss and
//! Legendre's rule in the limits.
//!
//! | symbol | variable | unit |
//! | --- | --- | --- |
//! | λ | `lambda` | 1 |
//! | L | `reach` | 1 |
//! | μ_t | `means`, in σ from μ0 | 1 |
//! | s | `sd`, of the values in the σ that the chart was drawn with | 1 |
//!
//! **Range.** 0.02 ≤ λ ≤ 1, L from 1 to 4; independent normal values. Mean run lengths then agree with Brook & Evans's chain
//! within 0.1 % (`tests/lookback`).
//!
//! References: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4; Roberts 1959; Brook & Evans 1972, Biometrika 59:539;
//! Crowder 1987, Technometrics 29:401; Lucas & Saccucci 1990, Technometrics 32:1 (all from memory).

use super::run_length::RunLength;
use crate::special::gauss_legendre;
use crate::special::probability::{normal_density, normal_quantile};

/// A chart's two numbers.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Ewma {
    /// λ: weight of the newest value.
    pub lambda: f64,
    /// L: limits in standard deviations of the average.
    pub reach: f64,
}

/// Whether the limits know that the first averages scatter less.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Limits {
    /// Exact at every value.
    Growing,
    /// Those of late values from the beginning.
    Steady,
}

/// One average with its limits.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Average {
    /// z_t, in the unit of the values.
    pub value: f64,
    /// Lower limit.
    pub low: f64,
    /// Upper limit.
    pub high: f64,
}

impl Average {
    /// Whether it signals.
    #[must_use]
    pub fn signals(&self) -> bool {
        self.value < self.low || self.value > self.high
    }
}

/// Values of the process in standard deviations of the chart.
#[derive(Debug, Clone, Copy)]
pub struct Process<'a> {
    /// Mean of the 1st, 2nd, … value; the last one stays. Empty: 0.
    pub means: &'a [f64],
    /// Standard deviation of the values.
    pub sd: f64,
}

/// Nodes of the rule. 41 hold the density to 1e-6 where the kernel is narrowest against the limits (λ = 0.02).
const NODES: usize = 41;

impl Ewma {
    /// The chart that is used unless another is asked for: λ = 0.1 for drifts of about one standard deviation, L = 2.7 for one false
    /// alarm in some 370 values, as often as single values beyond three standard deviations.
    pub const USUAL: Self = Self {
        lambda: 0.1,
        reach: 2.7,
    };

    /// Standard deviation of z_t over that of the values.
    fn spread(&self, t: usize, limits: Limits) -> f64 {
        let late = self.lambda / (2.0 - self.lambda);
        let grown = match limits {
            Limits::Growing => 1.0 - (1.0 - self.lambda).powf(2.0 * t as f64),
            Limits::Steady => 1.0,
        };
        (late * grown).sqrt()
    }

    /// Averages of `values` with growing limits, about `centre`, for values of standard deviation `sd`.
    #[must_use]
    pub fn chart(&self, values: &[f64], centre: f64, sd: f64) -> Vec<Average> {
        let mut z = centre;
        values
            .iter()
            .enumerate()
            .map(|(i, x)| {
                z += self.lambda * (x - z);
                let half = self.reach * sd * self.spread(i + 1, Limits::Growing);
                Average {
                    value: z,
                    low: centre - half,
                    high: centre + half,
                }
            })
            .collect()
    }

    /// Distribution of the number of values until the signal.
    #[must_use]
    pub fn run_length(&self, limits: Limits, process: Process<'_>) -> RunLength {
        let unit = gauss_legendre(NODES);
        let width = self.lambda * process.sd;
        let mean = |t: usize| {
            let last = process.means.len();
            process
                .means
                .get(t.min(last).saturating_sub(1))
                .copied()
                .unwrap_or(0.0)
        };
        // From here on neither limits nor means change: (1 − λ)^(2t) is below rounding of the density's own error.
        let settled = match limits {
            Limits::Growing => (10.0 / self.lambda).ceil() as usize,
            Limits::Steady => 1,
        };
        let constant = process.means.len().max(settled) + 1;
        let mut mass: Vec<f64> = vec![1.0];
        let mut nodes: Vec<f64> = vec![0.0];
        let mut kept: Option<Vec<f64>> = None;
        let mut t = 0;
        RunLength::gather(constant + 1, move || {
            t += 1;
            let half = self.reach * self.spread(t, limits);
            let shift = self.lambda * mean(t);
            let next: Vec<f64> = unit.iter().map(|(x, _)| half * x).collect();
            let kernel = |z: f64, weight: f64, y: f64| {
                let u = (z - (1.0 - self.lambda) * y - shift) / width;
                weight * half * normal_density(u) / width
            };
            let fresh = || -> Vec<f64> {
                unit.iter()
                    .zip(&next)
                    .flat_map(|((_, weight), &z)| nodes.iter().map(move |&y| (z, *weight, y)))
                    .map(|(z, weight, y)| kernel(z, weight, y))
                    .collect()
            };
            let now;
            let matrix = if t > constant {
                kept.get_or_insert_with(fresh)
            } else {
                now = fresh();
                &now
            };
            mass = matrix
                .chunks(mass.len())
                .map(|row| row.iter().zip(&mass).map(|(k, m)| k * m).sum())
                .collect();
            nodes = next;
            mass.iter().sum()
        })
    }

    /// Mean of what `of` makes of the run lengths of charts whose centre and standard deviation were themselves estimated from
    /// `baseline` values (mean, and mean moving range), for a process with `means` in true standard deviations.
    ///
    /// Mean and σ̂ are taken as normal and independent, with the variances σ²/m and 0.826·σ²/(m − 1) (below), each at five equally
    /// likely values.
    #[must_use]
    pub fn with_estimates(
        &self,
        limits: Limits,
        means: &[f64],
        baseline: usize,
        of: impl Fn(&RunLength) -> f64,
    ) -> f64 {
        const PARTS: usize = 5;
        let m = baseline.max(2) as f64;
        let at = |i: usize| normal_quantile((i as f64 + 0.5) / PARTS as f64);
        // Five middles of equal shares have less variance than the normal distribution; stretched to have it.
        let second = (0..PARTS).map(|i| at(i).powi(2)).sum::<f64>() / PARTS as f64;
        let stretch = second.sqrt().recip();
        let mut sum = 0.0;
        for i in 0..PARTS {
            let offset = stretch * at(i) / m.sqrt();
            for j in 0..PARTS {
                let scale = 1.0 + stretch * at(j) * (MOVING_RANGE_VARIANCE / (m - 1.0)).sqrt();
                let scale = scale.max(0.2);
                let seen: Vec<f64> = if means.is_empty() {
                    vec![-offset / scale]
                } else {
                    means.iter().map(|x| (x - offset) / scale).collect()
                };
                sum += of(&self.run_length(
                    limits,
                    Process {
                        means: &seen,
                        sd: 1.0 / scale,
                    },
                ));
            }
        }
        sum / (PARTS * PARTS) as f64
    }
}

/// (m − 1)·Var(MR̄/d2)/σ² for many independent normal values.
///
/// Var(MR) = σ²·(2 − 4/π); neighbours share a value, with the correlation of |u| and |v| for normal u, v of correlation −½:
/// E|uv| = (2/π)·(√(1 − ρ²) + ρ·asin ρ) per unit variance, so with variance 2 and ρ = −½: cov = (4/π)·(√3/2 + π/12 − 1).
/// Together (2 − 4/π + 2·cov)·π/4 = 0.8264.
const MOVING_RANGE_VARIANCE: f64 = 0.826_4;
