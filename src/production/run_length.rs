//! How many values a control chart takes until it signals: the whole distribution, not only its mean.
//!
//! ```text
//! S(t) = P(N > t),  S(0) = 1        N: number of the value at which the chart first signals
//! mean run length = Σ_{t ≥ 0} S(t)  each step of the chart multiplies what is left; in the end by a constant ratio r,
//!                                   so that the rest of the sum is S(T)/(1 − r)
//! ```
//!
//! **Range.** The ratio is taken as constant once it moved by less than 1e-11 in eight steps; charts that hardly ever
//! signal (mean above 10⁷) are given up after 200,000 steps and closed with the ratio reached.

/// Distribution of the run length of a chart.
#[derive(Debug, Clone, PartialEq)]
pub struct RunLength {
    survival: Vec<f64>,
    ratio: f64,
}

/// Steps after which a chart is closed with the ratio that it has.
const LAST: usize = 200_000;
/// What still counts as a change of the ratio.
const SETTLED: f64 = 1e-11;
/// For how many steps.
const QUIET: usize = 8;

impl RunLength {
    /// From a function that does one step and gives P(N > t) after it. Before `least` steps the ratio is not looked at,
    /// because the process or the limits still change.
    #[must_use]
    pub fn gather(least: usize, mut step: impl FnMut() -> f64) -> Self {
        let mut survival = vec![1.0_f64];
        let (mut ratio, mut quiet) = (1.0_f64, 0);
        while survival.len() < LAST {
            let before = survival[survival.len() - 1];
            let now = step().clamp(0.0, before);
            survival.push(now);
            if now <= 1e-15 {
                return Self {
                    survival,
                    ratio: 0.0,
                };
            }
            let new = now / before;
            quiet = if (new - ratio).abs() < SETTLED && survival.len() > least {
                quiet + 1
            } else {
                0
            };
            ratio = new;
            if quiet >= QUIET {
                break;
            }
        }
        Self { survival, ratio }
    }

    /// P(N > t).
    #[must_use]
    pub fn survival(&self, t: usize) -> f64 {
        let last = self.survival.len() - 1;
        if t <= last {
            return self.survival[t];
        }
        self.survival[last] * self.ratio.powf((t - last) as f64)
    }

    /// Mean run length; ∞ for a chart that never signals.
    #[must_use]
    pub fn mean(&self) -> f64 {
        self.mean_after(0)
    }

    /// Mean number of values from the value after number `quiet` to the signal, given that there was none up to it.
    #[must_use]
    pub fn mean_after(&self, quiet: usize) -> f64 {
        let last = self.survival.len() - 1;
        let from = quiet.min(last);
        let sum: f64 = self.survival[from..last].iter().sum();
        let rest = self.survival[last] / (1.0 - self.ratio);
        // Beyond the list it is geometric, which has no memory.
        (sum + rest) / self.survival[from]
    }

    /// The number t up to which the chart has signalled with probability p, counted after `quiet` values without a signal.
    #[must_use]
    pub fn quantile_after(&self, quiet: usize, p: f64) -> Option<usize> {
        let left = (1.0 - p) * self.survival(quiet);
        (1..LAST).find(|t| self.survival(quiet + t) <= left)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// DERIVED: a chart that signals with probability q at each value has the mean 1/q, a median of ⌈ln ½/ln(1 − q)⌉ and no
    /// memory. 1e-12: roundings of a sum.
    #[test]
    fn a_chart_without_memory_is_geometric() {
        let q: f64 = 0.02;
        let mut left = 1.0;
        let run = RunLength::gather(1, || {
            left *= 1.0 - q;
            left
        });
        assert!((run.mean() * q - 1.0).abs() < 1e-12);
        assert!((run.mean_after(17) * q - 1.0).abs() < 1e-12);
        let median = (0.5_f64.ln() / (1.0 - q).ln()).ceil() as usize;
        assert_eq!(run.quantile_after(0, 0.5), Some(median));
        assert!((run.survival(1000) / (1.0 - q).powi(1000) - 1.0).abs() < 1e-11);
    }

    #[test]
    fn a_chart_that_always_signals_takes_one_value() {
        let run = RunLength::gather(1, || 0.0);
        assert_eq!(run.mean(), 1.0);
        assert_eq!(run.quantile_after(0, 0.5), Some(1));
    }
}
