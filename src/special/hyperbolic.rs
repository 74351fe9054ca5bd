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

/// Below this |w| a power series of eight terms reaches 1e-16.
const SHORT: f64 = 0.25;

/// cosh(√w) and sinh(√w)/√w.
#[inline]
#[must_use]
pub fn cosh_sinhc<T: Field>(w2: T) -> (T, T) {
    let w = w2.value();
    if w.norm_sqr() < SHORT * SHORT {
        let (cosh, sinhc, slope) = series(w);
        return (w2.chain(cosh, || sinhc * 0.5), w2.chain(sinhc, || slope));
    }
    let root = sqrt(w);
    let (cosh, sinh) = cosh_sinh(root);
    let sinhc = sinh / root;
    (
        w2.chain(cosh, || sinhc * 0.5),
        w2.chain(sinhc, || (cosh - sinhc) / (w * 2.0)),
    )
}

/// cosh and sinh with one exponential; the small real part of a slightly lossy line keeps its digits.
#[inline]
fn cosh_sinh(z: Complex64) -> (Complex64, Complex64) {
    let rise = z.re.exp_m1();
    let inverse = rise / (1.0 + rise);
    let sinh = if rise.is_infinite() {
        rise
    } else {
        0.5 * (rise + inverse)
    };
    let cosh = if rise.is_infinite() {
        rise
    } else {
        1.0 + 0.5 * rise * inverse
    };
    let (sin, cos) = z.im.sin_cos();
    (
        Complex64::new(cosh * cos, sinh * sin),
        Complex64::new(sinh * cos, cosh * sin),
    )
}

/// C, S and S' for |w| < SHORT.
#[inline]
fn series(w: Complex64) -> (Complex64, Complex64, Complex64) {
    let one = Complex64::new(1.0, 0.0);
    let mut term = one;
    let (mut cosh, mut sinhc, mut slope) = (one, one, Complex64::new(0.0, 0.0));
    for k in 1..=9_u32 {
        let n = f64::from(2 * k);
        // term is w^(k−1)/(2k−2)! here.
        let next = term * (1.0 / ((n - 1.0) * n * (n + 1.0)));
        slope += next * f64::from(k);
        sinhc += next * w;
        term = term * w / ((n - 1.0) * n);
        cosh += term;
    }
    (cosh, sinhc, slope)
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
