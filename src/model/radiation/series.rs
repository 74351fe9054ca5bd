//! A radiation load as a power series in y = k·(largest extent).
//!
//! ```text
//! R = y²·(r0 + r1·y² + …),  X = y·(x0 + x1·y² + …)
//! ```
//!
//! The coefficients alternate and fall like 1/(2m)!. Up to y = 12 cancellation costs five digits at most.

use num_complex::Complex64;

/// The series is used up to this y.
pub const LIMIT: f64 = 12.0;
/// Pairs of terms that y = LIMIT needs.
pub const PAIRS: usize = 28;

/// Coefficients of one shape.
#[derive(Debug, Clone)]
pub struct LoadSeries {
    /// r0, r1, …
    pub resistance: [f64; PAIRS],
    /// x0, x1, …
    pub reactance: [f64; PAIRS],
}

impl LoadSeries {
    /// Load and its derivative with respect to y, 0 ≤ y ≤ LIMIT.
    #[must_use]
    pub fn load(&self, y: f64) -> (Complex64, Complex64) {
        let t = y * y;
        // Terms y^(2m)/(2m)! are below 1e-17 of the first from here on.
        let terms = (10 + (1.5 * y) as usize).min(PAIRS);
        let (r, dr) = horner(&self.resistance[..terms], t);
        let (x, dx) = horner(&self.reactance[..terms], t);
        (
            Complex64::new(t * r, y * x),
            Complex64::new(2.0 * y * (r + t * dr), x + 2.0 * t * dx),
        )
    }
}

/// Polynomial and its derivative.
fn horner(coefficients: &[f64], t: f64) -> (f64, f64) {
    let (mut value, mut slope) = (0.0, 0.0);
    for &c in coefficients.iter().rev() {
        slope = slope * t + value;
        value = value * t + c;
    }
    (value, slope)
}
