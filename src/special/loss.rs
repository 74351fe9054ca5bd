//! Ratios of Bessel and of hyperbolic functions that describe boundary layers in round tubes and slits.
//!
//! ```text
//! round:  F = 2·J1(z)/(z·J0(z)) = 2·I1(x)/(x·I0(x))         F' = (2/x)·(1 − F − x²F²/4)
//! slit:   F = tan(z)/z          = tanh(x)/x                 F' = (1/x)·(1 − F − x²F²)
//! both:   E = 1 − F, A = F/E                                A' = F'/E²
//! ```
//!
//! | symbol | variable | unit |
//! | --- | --- | --- |
//! | z, x = jz | argument a·√(−jωρ/μ), a·√(jωρ/μ); half the gap instead of a for a slit | 1 |
//! | F | share of the section that the boundary layer takes from the flow | 1 |
//! | A | excess of series impedance over the lossless one | 1 |
//!
//! All are even in x, so the sign of the root does not matter. E is computed on its own where it is small, so
//! that A keeps its digits in the narrowest tube.
//!
//! Range: x = s·√j with s from 0 to beyond 10⁴ and directions of x within about 10° of √j, relative error below
//! 1e-12. Power series up to |x| = 22; above it the asymptotic series, whose neglected exponential is
//! e^(−√2·|x|) (3e-14 at 22). Unscaled Bessel functions overflow from |x| ≈ 1000 on and are not used.
//! Near the positive imaginary axis of x (real z) the functions have poles, and nothing is promised there.
//!
//! References: C. Zwikker and C. W. Kosten, 1949, Sound Absorbing Materials, ch. II. Abramowitz & Stegun,
//! 9.6.10, 9.6.26. The asymptotic coefficients follow from the Riccati equation q' = 1 − q/x − q² of
//! q = I1/I0, exactly.

use super::number::Field;
use num_complex::Complex64;

const I: Complex64 = Complex64::new(0.0, 1.0);

/// From here on the asymptotic series of the Bessel ratio holds to 1e-13.
const WIDE: f64 = 22.0;

/// Coefficients of I1(x)/I0(x) in powers of 1/x.
const RATIO: [f64; 17] = [
    1.0,
    -0.5,
    -0.125,
    -0.125,
    -0.195_312_5,
    -0.406_25,
    -1.047_851_562_5,
    -3.218_75,
    -11.466_461_181_640_625,
    -46.478_515_625,
    -211.276_149_749_755_86,
    -1_064.678_222_656_25,
    -5_892.045_714_616_775,
    -35_528.877_441_406_25,
    -231_884.635_956_317_2,
    -1_628_749.453_247_070_3,
    -12_251_067.632_866_15,
];

/// F and 1 − F of one section, both with full relative accuracy.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LossRatio<T> {
    /// F.
    pub loss: T,
    /// 1 − F.
    pub rest: T,
}

impl<T: Field> LossRatio<T> {
    /// F/(1 − F).
    #[must_use]
    pub fn excess(&self) -> T {
        self.loss / self.rest
    }
}

/// F = 2·J1(z)/(z·J0(z)) for z = s·√(−j).
#[must_use]
pub fn round_loss<T: Field>(z: T) -> T {
    round_ratio(z.times(I)).loss
}

/// F = tan(z)/z for z = s·√(−j).
#[must_use]
pub fn slit_loss<T: Field>(z: T) -> T {
    slit_ratio(z.times(I)).loss
}

/// F and 1 − F of a round tube for x = a·√(jωρ/μ).
#[inline]
#[must_use]
pub fn round_ratio<T: Field>(x: T) -> LossRatio<T> {
    round_ratio_with(x, || x.value().inv())
}

/// [`round_ratio`] where the caller has 1/x at hand, which is asked for in wide tubes only.
#[inline]
#[must_use]
pub fn round_ratio_with<T: Field>(x: T, inverse: impl FnOnce() -> Complex64) -> LossRatio<T> {
    let at = x.value();
    let squared = at.norm_sqr();
    if squared >= WIDE * WIDE {
        let u = inverse();
        let q = asymptotic(u, squared);
        let loss = u * q * 2.0;
        let slope = || u * 2.0 * (1.0 - loss - q * q);
        return LossRatio {
            loss: x.chain(loss, slope),
            rest: x.chain(1.0 - loss, || -slope()),
        };
    }
    let (loss, rest) = round_series(at * at * 0.25);
    let slope = || {
        if squared == 0.0 {
            return Complex64::new(0.0, 0.0);
        }
        (rest - at * at * loss * loss * 0.25) * 2.0 / at
    };
    LossRatio {
        loss: x.chain(loss, slope),
        rest: x.chain(rest, || -slope()),
    }
}

/// I1/I0 for |x|² = `squared` ≥ WIDE², u = 1/x.
#[inline]
fn asymptotic(u: Complex64, squared: f64) -> Complex64 {
    if squared >= 400.0 * 400.0 {
        polynomial::<6>(u)
    } else if squared >= 100.0 * 100.0 {
        polynomial::<8>(u)
    } else if squared >= 40.0 * 40.0 {
        polynomial::<11>(u)
    } else {
        polynomial::<17>(u)
    }
}

/// The first `N` terms of the asymptotic series; a fixed count lets the loop unroll.
#[inline]
fn polynomial<const N: usize>(u: Complex64) -> Complex64 {
    let mut sum = Complex64::new(RATIO[N - 1], 0.0);
    for i in (0..N - 1).rev() {
        sum = sum * u + RATIO[i];
    }
    sum
}

/// F and 1 − F from the power series of I0, 2·I1/x and 8·I2/x² in w = x²/4.
fn round_series(w: Complex64) -> (Complex64, Complex64) {
    let mut term = Complex64::new(1.0, 0.0);
    let (mut i0, mut i1, mut i2) = (term, term, term);
    let size = w.norm();
    let mut bound = 1.0;
    let mut k = 1.0;
    loop {
        let factor = 1.0 / (k * k);
        term = term * w * factor;
        bound *= size * factor;
        i0 += term;
        i1 += term / (k + 1.0);
        i2 += term * (2.0 / ((k + 1.0) * (k + 2.0)));
        if bound < 1e-18 {
            break;
        }
        k += 1.0;
    }
    let inverse = i0.inv();
    (i1 * inverse, w * 0.5 * i2 * inverse)
}

/// F and 1 − F of a slit for x = half the gap times √(jωρ/μ).
#[inline]
#[must_use]
pub fn slit_ratio<T: Field>(x: T) -> LossRatio<T> {
    let at = x.value();
    let squared = at.norm_sqr();
    let (loss, rest) = if squared < 1.0 {
        slit_series(at * at)
    } else {
        let loss = tanh(at) / at;
        (loss, 1.0 - loss)
    };
    let slope = || {
        if squared == 0.0 {
            return Complex64::new(0.0, 0.0);
        }
        (rest - at * at * loss * loss) / at
    };
    LossRatio {
        loss: x.chain(loss, slope),
        rest: x.chain(rest, || -slope()),
    }
}

/// tanh of an argument with |x| ≥ 1, without overflow.
#[inline]
fn tanh(x: Complex64) -> Complex64 {
    if x.re.abs() > 20.0 {
        // e^(−40) is below half a unit in the last place.
        return Complex64::new(x.re.signum(), 0.0);
    }
    let decay = if x.re < 0.0 { x } else { -x };
    let e = (decay * 2.0).exp();
    (1.0 - e) / (1.0 + e) * x.re.signum()
}

/// F = sinh(x)/(x·cosh(x)) and 1 − F for |x| ≤ 1, y = x².
fn slit_series(y: Complex64) -> (Complex64, Complex64) {
    let one = Complex64::new(1.0, 0.0);
    // Terms y^k/(2k)! and y^k/(2k+1)!; their difference, y^k·2k/(2k+1)!, is the numerator of 1 − F.
    let mut term = one;
    let (mut cosh, mut sinhc, mut rest) = (one, one, Complex64::new(0.0, 0.0));
    for k in 1..=10_u32 {
        let n = f64::from(2 * k);
        term = term * y / ((n - 1.0) * n);
        let odd = term / (n + 1.0);
        cosh += term;
        sinhc += odd;
        rest += odd * n;
    }
    let inverse = cosh.inv();
    (sinhc * inverse, rest * inverse)
}

#[cfg(test)]
mod tests {
    use super::super::number::Dual;
    use super::*;
    use std::f64::consts::FRAC_1_SQRT_2;

    /// s·√(−j).
    fn argument(s: f64) -> Complex64 {
        Complex64::new(s * FRAC_1_SQRT_2, -s * FRAC_1_SQRT_2)
    }

    fn assert_close(found: Complex64, expected: Complex64, relative: f64, what: f64) {
        assert!(
            (found - expected).norm() <= relative * expected.norm(),
            "at s = {what}: found {found}, expected {expected}"
        );
    }

    // CROSS: tests/reference/loss_functions.py (mpmath, 60 digits): s, F round, F/(1−F) round, F slit,
    // F/(1−F) slit.
    include!("loss_table.rs");

    #[test]
    fn both_ratios_match_multiple_precision() {
        for row in TABLE {
            let s = row[0];
            let z = argument(s);
            // 1e-12 is what the wall-loss model asks for; the series lose three digits at most.
            assert_close(round_loss(z), Complex64::new(row[1], row[2]), 1e-12, s);
            let excess = round_ratio(z * I).excess();
            assert_close(excess, Complex64::new(row[3], row[4]), 1e-12, s);
            assert_close(slit_loss(z), Complex64::new(row[5], row[6]), 1e-12, s);
            let excess = slit_ratio(z * I).excess();
            assert_close(excess, Complex64::new(row[7], row[8]), 1e-12, s);
        }
    }

    #[test]
    fn slopes_match_central_differences() {
        for s in [
            0.01, 0.3, 0.99, 1.01, 4.0, 21.9, 22.1, 39.0, 90.0, 350.0, 1500.0,
        ] {
            let direction = argument(1.0);
            let step = 1e-4 * s;
            // Functions fall no faster than s^-3: truncation 1e-8, rounding 1e-9 of the derivative.
            let dual = Dual::variable(s).times(direction);
            type Function = fn(Complex64) -> Complex64;
            for (f, found) in [
                (round_loss as Function, round_loss(dual)),
                (slit_loss as Function, slit_loss(dual)),
            ] {
                let at = |s: f64| f(direction * s);
                let expected = (at(s + step) - at(s - step)) / (2.0 * step);
                assert!((found.value - at(s)).norm() < 1e-15);
                assert!(
                    (found.slope - expected).norm() < 2e-7 * expected.norm() + 1e-12 / step,
                    "s = {s}: {} against {expected}",
                    found.slope
                );
            }
        }
    }

    #[test]
    fn excess_keeps_its_slope_in_the_narrowest_tube() {
        // DERIVED: A → 8/x² (round) and 3/x² (slit), so dA/ds·s = −2A up to relative s².
        let s = 1e-3;
        for (ratio, leading) in [
            (round_ratio(Dual::variable(s).times(I * argument(1.0))), 8.0),
            (slit_ratio(Dual::variable(s).times(I * argument(1.0))), 3.0),
        ] {
            let excess = ratio.excess();
            let expected = leading / (Complex64::new(0.0, 1.0) * s * s);
            assert_close(excess.value, expected, 1e-6, s);
            assert_close(excess.slope * s, expected * -2.0, 1e-5, s);
        }
    }

    #[test]
    fn zero_is_the_lossy_limit() {
        // DERIVED: F(0) = 1, F'(0) = 0 for both.
        let zero = Dual::variable(0.0);
        for f in [round_loss(zero), slit_loss(zero)] {
            assert_eq!(f.value, Complex64::new(1.0, 0.0));
            assert_eq!(f.slope, Complex64::new(0.0, 0.0));
        }
    }
}
