//! The logarithmic frequency grid that responses, residuals and bands share.

/// Frequencies `1000·2^(n/per_octave)` with `low_hz ≤ f ≤ high_hz`, ascending, Hz.
///
/// Empty when the band is empty or a bound is not a positive number.
#[must_use]
pub fn log_grid(low_hz: f64, high_hz: f64, per_octave: u32) -> Vec<f64> {
    if !(low_hz > 0.0 && high_hz.is_finite() && low_hz <= high_hz && per_octave > 0) {
        return Vec::new();
    }
    let steps = f64::from(per_octave);
    // A bound that lies on the grid belongs to it in spite of rounding.
    let slack = 1e-9;
    let first = ((low_hz / 1000.0).log2() * steps - slack).ceil() as i64;
    let last = ((high_hz / 1000.0).log2() * steps + slack).floor() as i64;
    (first..=last)
        .map(|n| 1000.0 * 2f64.powf(n as f64 / steps))
        .collect()
}
