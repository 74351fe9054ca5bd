//! Coherence of repeated takes, and the random error of a response that is their average.
//!
//! ```text
//! γ² = |Σ conj(x_i)·y_i|²/(Σ|x_i|²·Σ|y_i|²)       over n independent takes at one frequency
//! ε  = √(1 − γ²)/(|γ|·√(2n))                      relative standard deviation of |Ĥ|
//! ```
//!
//! Without any signal the expected γ² is 1/n: a small number of takes looks coherent. References: Bendat & Piersol, Random Data;
//! Carter, Knapp & Nuttall 1973 (from memory).

use num_complex::Complex64;

/// γ² of the spectra of takes at one frequency; `None` unless both lists have the same length of at least two and energy.
#[must_use]
pub fn coherence(x: &[Complex64], y: &[Complex64]) -> Option<f64> {
    if x.len() != y.len() || x.len() < 2 {
        return None;
    }
    let cross: Complex64 = x.iter().zip(y).map(|(x, y)| x.conj() * y).sum();
    let energy = |list: &[Complex64]| list.iter().map(Complex64::norm_sqr).sum::<f64>();
    let both = energy(x) * energy(y);
    (both > 0.0 && both.is_finite()).then(|| cross.norm_sqr() / both)
}

/// Relative standard deviation of the magnitude of a response from its coherence and the number of averages.
#[must_use]
pub fn relative_sd(coherence: f64, averages: usize) -> f64 {
    ((1.0 - coherence) / (2.0 * coherence * averages as f64)).sqrt()
}
