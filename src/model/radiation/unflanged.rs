//! Radiation of a pipe end without flange.
//!
//! ```text
//! Z·S/(ρc) = tanh δ,  δ = −½·ln|R| + jkl,  R = −|R|·e^(−2jkl)
//! −ln|R| = (ka)²·f(ka),  l = a·g(ka)
//! near the end, k → 0, on the axis: p/(ρc·v) → jka·φ(z),  z = d/a
//! φ(z) = ½·(√(1+z²) − z) + (l/2a)·(1 − z/√(1+z²)) + fit
//! ```
//!
//! f and g are Chebyshev fits to the integrals of Levine & Schwinger (`tests/reference/levine_schwinger.py`),
//! within 1e-5 of f and 1e-6 of g for ka ≤ 3.6; the wall is thin and rigid. Beyond, |R| follows their
//! asymptotic form √(πka)·e^(−ka)·(1 + 3/(32(ka)²)) and kl stays: the pipe then carries higher modes, and Z is
//! close to 1 anyway.
//!
//! φ is the exact potential on the axis of the static problem (same factorisation,
//! `tests/reference/unflanged_axis.py`) within 0.2 %: 0.709 at the plane, where the mean over the plane wave is
//! the end correction 0.6127, and 1/(4z) far away.
//!
//! Reference: H. Levine and J. Schwinger, 1948, Phys. Rev. 73:383. Their text prints 0.6133 for the limit of
//! l/a; the integral gives 0.6127.

use num_complex::Complex64;
use std::f64::consts::PI;

/// End of the fits.
const EDGE: f64 = 3.6;

/// f(ka) in Chebyshev polynomials of 2ka/EDGE − 1.
const REFLECTION: [f64; 24] = [
    0.315328585955,
    -0.160859041265,
    0.0323055710573,
    -0.00124938818204,
    -0.00368224949165,
    0.00290844444139,
    -0.00162902236671,
    0.00079512056157,
    -0.000363251530821,
    0.000163493234569,
    -7.6670319425e-05,
    3.96504110993e-05,
    -2.32867865638e-05,
    1.52823041741e-05,
    -1.07666267051e-05,
    7.87173114576e-06,
    -5.86332288886e-06,
    4.41723683731e-06,
    -3.35993953153e-06,
    2.58084126354e-06,
    -2.00270640628e-06,
    1.57008345692e-06,
    -1.24312790581e-06,
    9.93339771141e-07,
];

/// g(ka) in the same.
const LENGTH: [f64; 18] = [
    0.434160092358,
    -0.195746835547,
    -0.00882391732949,
    0.000981273003534,
    -0.00538953164136,
    0.000876335322458,
    -0.000988313346244,
    3.80092149045e-05,
    -0.000139708743496,
    -3.48737615897e-05,
    -1.90997753397e-05,
    -1.51922009198e-05,
    -3.86829925206e-06,
    -4.4462175788e-06,
    -1.27483268856e-06,
    -1.17192328672e-06,
    -4.63434929671e-07,
    -3.15980063163e-07,
];

/// l/a for ka → 0.
pub const END_CORRECTION: f64 = 0.612_701;

/// Chebyshev sum and its derivative with respect to the argument in [−1, 1], by Clenshaw's recurrence.
fn chebyshev(coefficients: &[f64], x: f64) -> (f64, f64) {
    let (mut b1, mut b2) = (0.0, 0.0);
    let (mut d1, mut d2) = (0.0, 0.0);
    for &c in coefficients[1..].iter().rev() {
        let d = 2.0 * b1 + 2.0 * x * d1 - d2;
        let b = c + 2.0 * x * b1 - b2;
        (d2, d1) = (d1, d);
        (b2, b1) = (b1, b);
    }
    (coefficients[0] + x * b1 - b2, b1 + x * d1 - d2)
}

/// δ = −½·ln|R| + jkl and its derivative with respect to ka.
fn exponent(ka: f64) -> (Complex64, Complex64) {
    let at = ka.min(EDGE);
    let x = 2.0 * at / EDGE - 1.0;
    let (f, df) = chebyshev(&REFLECTION, x);
    let (g, dg) = chebyshev(&LENGTH, x);
    let (df, dg) = (df * 2.0 / EDGE, dg * 2.0 / EDGE);
    let value = Complex64::new(0.5 * at * at * f, at * g);
    if ka <= EDGE {
        return (
            value,
            Complex64::new(at * f + 0.5 * at * at * df, g + at * dg),
        );
    }
    let decay = |ka: f64| ka - 0.5 * (PI * ka).ln() - (1.0 + 3.0 / (32.0 * ka * ka)).ln();
    let slope = 1.0 - 0.5 / ka + 6.0 / (32.0 * ka * ka * ka + 3.0 * ka);
    (
        value + 0.5 * (decay(ka) - decay(EDGE)),
        Complex64::new(0.5 * slope, 0.0),
    )
}

/// Load and its derivative with respect to ka.
pub(super) fn load(ka: f64) -> (Complex64, Complex64) {
    let (delta, slope) = exponent(ka);
    // tanh δ = (1 − e)/(1 + e), written so that small δ keep their digits.
    let e = (delta * -2.0).exp();
    let value = if delta.norm() < 0.05 {
        let square = delta * delta;
        // Next term 1382/155925·δ¹¹, 2e-15 of δ at 0.05.
        delta
            * (1.0
                + square
                    * (-1.0 / 3.0
                        + square
                            * (2.0 / 15.0 + square * (-17.0 / 315.0 + square * (62.0 / 2835.0)))))
    } else {
        (1.0 - e) / (1.0 + e)
    };
    (value, (1.0 - value * value) * slope)
}

/// |R| and l/a, for comparison with published values.
#[must_use]
pub fn reflection(ka: f64) -> (f64, f64) {
    let (delta, _) = exponent(ka);
    let length = if ka > 0.0 {
        delta.im / ka
    } else {
        END_CORRECTION
    };
    ((-2.0 * delta.re).exp(), length)
}

/// φ(z) less its first term ½·(√(1+z²) − z), and the derivative with respect to z.
pub(super) fn near_potential(z: f64) -> (f64, f64) {
    /// Fit of `tests/reference/unflanged_axis.py` to r⁻³, z·r⁻⁵, r⁻⁷, z·r⁻⁷.
    const FIT: [f64; 4] = [-0.170_779_97, 0.206_315_5, 0.073_215_89, -0.112_583_37];
    let r2 = 1.0 + z * z;
    let r = r2.sqrt();
    let r3 = 1.0 / (r2 * r);
    let (r5, r7) = (r3 / r2, r3 / (r2 * r2));
    let half = 0.5 * END_CORRECTION;
    (
        half / (r * (r + z)) + FIT[0] * r3 + FIT[1] * z * r5 + (FIT[2] + FIT[3] * z) * r7,
        -half * r3 - 3.0 * FIT[0] * z * r5 + FIT[1] * (r5 - 5.0 * z * z * r7) + FIT[3] * r7
            - 7.0 * (FIT[2] + FIT[3] * z) * z * r7 / r2,
    )
}
