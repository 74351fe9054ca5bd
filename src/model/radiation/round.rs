//! Load of a circular piston in an infinite flange.
//!
//! ```text
//! Z·S/(ρc) = 1 − 2·J1(y)/y + j·2·H1(y)/y,  y = 2ka
//! r_m: R = Σ (−1)^m·2·(y/2)^(2m+2)/((m+1)!·(m+2)!)
//! x_m: X = (4/π)·Σ (−1)^m·y^(2m+1)/(1²·3²·…·(2m+1)²·(2m+3))
//! ```

use super::series::{LIMIT, LoadSeries, PAIRS};
use crate::special::struve_h1;
use num_complex::Complex64;
use std::f64::consts::PI;
use std::sync::LazyLock;

static SERIES: LazyLock<LoadSeries> = LazyLock::new(|| {
    let mut series = LoadSeries {
        resistance: [0.0; PAIRS],
        reactance: [0.0; PAIRS],
    };
    let (mut r, mut x) = (1.0 / 8.0, 4.0 / (3.0 * PI));
    for m in 0..PAIRS {
        series.resistance[m] = r;
        series.reactance[m] = x;
        let m = m as f64;
        r *= -0.25 / ((m + 2.0) * (m + 3.0));
        x *= -1.0 / ((2.0 * m + 3.0) * (2.0 * m + 5.0));
    }
    series
});

/// Load and its derivative with respect to y = 2ka.
pub fn load(y: f64) -> (Complex64, Complex64) {
    if y <= LIMIT {
        return SERIES.load(y);
    }
    let (h1, h1_slope) = struve_h1(y);
    let (j0, j1) = (libm::j0(y), libm::j1(y));
    let j2 = 2.0 * j1 / y - j0;
    (
        Complex64::new(1.0 - 2.0 * j1 / y, 2.0 * h1 / y),
        Complex64::new(2.0 * j2 / y, 2.0 * (h1_slope - h1 / y) / y),
    )
}
