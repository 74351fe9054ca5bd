//! cosh(√w) and sinh(√w)/√w, the entire functions of w = (ΓL)² from which a uniform line is built.
//!
//! ```text
//! C(w) = cosh √w          C' = S/2
//! S(w) = sinh(√w)/√w      S' = (C − S)/(2w)
//! ```
//!
//! Neither has a branch cut nor a singular point, so a short piece and a frequency near zero need no special
//! care. Relative error below 1e-14 of |C| or |S|·max(1, |√w|). They overflow where Re √w exceeds 709; such a
//! line passes nothing.

use super::number::{Field, sqrt};
use num_complex::Complex64;

/// Below this |w| a power series of nine terms reaches 1e-19.
const SHORT: f64 = 0.25;

/// Attenuation in nepers below which cosh and sinh of it are short sums.
const GENTLE: f64 = 0.25;

/// cosh(√w) and sinh(√w)/√w.
#[inline]
#[must_use]
pub fn cosh_sinhc<T: Field>(w2: T) -> (T, T) {
    let w = w2.value();
    if w.norm_sqr() < SHORT * SHORT {
        let (cosh, sinhc) = (sum(&COSH, w), sum(&SINHC, w));
        return (
            w2.chain(cosh, || sinhc * 0.5),
            w2.chain(sinhc, || sum(&SLOPE, w)),
        );
    }
    let root = sqrt(w);
    let (cosh, sinh) = cosh_sinh(root);
    // 1/root = conj(root)/|root|².
    let sinhc = sinh * root.conj() * root.norm_sqr().recip();
    (
        w2.chain(cosh, || sinhc * 0.5),
        w2.chain(sinhc, || (cosh - sinhc) / (w * 2.0)),
    )
}

/// cosh and sinh with one exponential; the small real part of a slightly lossy line keeps its digits.
#[inline]
fn cosh_sinh(z: Complex64) -> (Complex64, Complex64) {
    let (cosh, sinh) = if z.re.abs() < GENTLE {
        gentle(z.re)
    } else {
        let rise = z.re.exp_m1();
        let inverse = rise / (1.0 + rise);
        if rise.is_infinite() {
            (rise, rise)
        } else {
            (1.0 + 0.5 * rise * inverse, 0.5 * (rise + inverse))
        }
    };
    let (sin, cos) = z.im.sin_cos();
    (
        Complex64::new(cosh * cos, sinh * sin),
        Complex64::new(sinh * cos, cosh * sin),
    )
}

/// cosh and sinh of a small real number: the next terms are below 1e-17.
#[inline]
fn gentle(x: f64) -> (f64, f64) {
    let y = x * x;
    let cosh = 1.0
        + y * (1.0 / 2.0
            + y * (1.0 / 24.0 + y * (1.0 / 720.0 + y * (1.0 / 40_320.0 + y / 3_628_800.0))));
    let sinh = x
        * (1.0
            + y * (1.0 / 6.0
                + y * (1.0 / 120.0
                    + y * (1.0 / 5_040.0 + y * (1.0 / 362_880.0 + y / 39_916_800.0)))));
    (cosh, sinh)
}

/// Σ c_k·w^k.
#[inline]
fn sum(c: &[f64; 9], w: Complex64) -> Complex64 {
    let mut sum = Complex64::new(c[8], 0.0);
    for k in (0..8).rev() {
        sum = sum * w + c[k];
    }
    sum
}

/// Coefficients of C: 1/(2k)!.
const COSH: [f64; 9] = factorials(0);
/// Coefficients of S: 1/(2k + 1)!.
const SINHC: [f64; 9] = factorials(1);
/// Coefficients of S': (k + 1)/(2k + 3)!.
const SLOPE: [f64; 9] = {
    let next = factorials(3);
    let mut list = [0.0; 9];
    let mut k = 0;
    while k < 9 {
        list[k] = (k + 1) as f64 * next[k];
        k += 1;
    }
    list
};

/// 1/(2k + first)!, k = 0 to 8.
const fn factorials(first: usize) -> [f64; 9] {
    let mut list = [0.0; 9];
    let mut k = 0;
    while k < 9 {
        let (mut product, mut n) = (1.0, 2);
        while n <= 2 * k + first {
            product *= n as f64;
            n += 1;
        }
        list[k] = 1.0 / product;
        k += 1;
    }
    list
}

#[cfg(test)]
mod tests {
    use super::super::number::Dual;
    use super::*;

    #[test]
    fn matches_the_library_functions() {
        for re in [-40.0, -3.0, -0.2, 0.0, 1e-6, 0.2, 2.0, 30.0] {
            for im in [-5.0, -0.1, 0.0, 1e-3, 0.24, 3.0] {
                let w = Complex64::new(re, im);
                let root = w.sqrt();
                let (cosh, sinhc) = cosh_sinhc(w);
                // DERIVED: the definitions; the library's own root and functions are a few ulp off.
                assert!(
                    (cosh - root.cosh()).norm() < 4e-15 * (1.0 + root.cosh().norm()),
                    "{w}"
                );
                if root.norm() > 0.0 {
                    let expected = root.sinh() / root;
                    assert!(
                        (sinhc - expected).norm() < 4e-15 * (1.0 + expected.norm()),
                        "{w}"
                    );
                }
            }
        }
        let (cosh, sinhc) = cosh_sinhc(Complex64::new(0.0, 0.0));
        assert_eq!((cosh.re, sinhc.re), (1.0, 1.0));
    }

    #[test]
    fn the_two_forms_meet() {
        // DERIVED: both sides of the switch differ by the slopes (0.5 and 1/6) times the step.
        let below = cosh_sinhc(Complex64::new(-SHORT * (1.0 - 1e-9), 0.0));
        let above = cosh_sinhc(Complex64::new(-SHORT * (1.0 + 1e-9), 0.0));
        assert!((below.0 - above.0).norm() < 3e-10);
        assert!((below.1 - above.1).norm() < 1e-10);
    }

    #[test]
    fn slopes_match_central_differences() {
        for w in [-9.0, -0.3, -0.1, 0.1, 0.3, 4.0] {
            let direction = Complex64::new(1.0, 0.4);
            let at = |t: f64| cosh_sinhc(direction * t);
            let step = 1e-5;
            let found = cosh_sinhc(Dual::variable(w).times(direction));
            let (up, down) = (at(w + step), at(w - step));
            // Truncation 1e-10, rounding 1e-11.
            let expected = (up.0 - down.0) / (2.0 * step);
            assert!((found.0.slope - expected).norm() < 1e-9 * (1.0 + expected.norm()));
            let expected = (up.1 - down.1) / (2.0 * step);
            assert!((found.1.slope - expected).norm() < 1e-9 * (1.0 + expected.norm()));
        }
    }

    #[test]
    fn determinant_is_one() {
        // DERIVED: C² − w·S² = 1, the reciprocity of a uniform line.
        for w in [
            Complex64::new(-0.2, 1e-3),
            Complex64::new(-20.0, 0.5),
            Complex64::new(3.0, -1.0),
        ] {
            let (c, s) = cosh_sinhc(w);
            assert!((c * c - w * s * s - 1.0).norm() < 1e-13 * (1.0 + c.norm_sqr()));
        }
    }
}
