//! Control chart for individual values and their moving ranges.
//!
//! ```text
//! MR_i = |x_i − x_(i−1)|       limits  x̄ ± 3·MR̄/d2,   range up to D4·MR̄
//! d2 = 2/√π,  d3 = √(2 − 4/π),  D4 = 1 + 3·d3/d2      ranges of two normal values
//! ```
//!
//! Reference: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2.

use std::f64::consts::PI;

/// The chart of a run of values.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Individuals {
    /// Mean.
    pub centre: f64,
    /// Mean moving range.
    pub mean_range: f64,
    /// Lower limit.
    pub low: f64,
    /// Upper limit.
    pub high: f64,
    /// Upper limit of the moving range.
    pub range_high: f64,
}

/// d2: mean range of two values over their standard deviation.
#[must_use]
pub fn d2() -> f64 {
    2.0 / PI.sqrt()
}

/// d3: standard deviation of that range over that of the values.
#[must_use]
pub fn d3() -> f64 {
    (2.0 - 4.0 / PI).sqrt()
}

/// The chart, in the unit of the values; `None` for fewer than two values or one that is not finite.
#[must_use]
pub fn individuals(values: &[f64]) -> Option<Individuals> {
    if values.len() < 2 || values.iter().any(|v| !v.is_finite()) {
        return None;
    }
    let count = values.len() as f64;
    let centre = values.iter().sum::<f64>() / count;
    let ranges = values.windows(2).map(|w| (w[1] - w[0]).abs());
    let mean_range = ranges.sum::<f64>() / (count - 1.0);
    let reach = 3.0 * mean_range / d2();
    Some(Individuals {
        centre,
        mean_range,
        low: centre - reach,
        high: centre + reach,
        range_high: (1.0 + 3.0 * d3() / d2()) * mean_range,
    })
}
