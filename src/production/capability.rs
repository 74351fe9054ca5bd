//! Capability of a process of normal values.
//!
//! ```text
//! Cp = (high − low)/(6σ)     Cpk = min(high − μ, μ − low)/(3σ)
//! share outside = Φ((low − μ)/σ) + Φ((μ − high)/σ)
//! ```
//!
//! Reference: ISO 22514 (from memory).

/// Capability of a process against two limits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Capability {
    /// Cp: width of the tolerance over that of the process.
    pub cp: f64,
    /// Cpk: the same for the nearer limit.
    pub cpk: f64,
    /// Share of values outside the limits.
    pub outside: f64,
}

/// From mean, standard deviation and limits, all in one unit; `None` unless low < high and the deviation is positive.
#[must_use]
pub fn capability(mean: f64, sd: f64, low: f64, high: f64) -> Option<Capability> {
    if !(low < high && sd > 0.0 && sd.is_finite() && mean.is_finite()) {
        return None;
    }
    let below = |z: f64| 0.5 * libm::erfc(-z / std::f64::consts::SQRT_2);
    Some(Capability {
        cp: (high - low) / (6.0 * sd),
        cpk: (high - mean).min(mean - low) / (3.0 * sd),
        outside: below((low - mean) / sd) + below((mean - high) / sd),
    })
}
