//! Wall loss of wide sections as a polynomial in the boundary-layer thickness.
//!
//! ```text
//! l = 1/κ:   F = Σ f_k·l^k,   A = F/(1 − F) = Σ a_k·l^k,   a_n = f_n + Σ_{m<n} f_m·a_{n−m}
//! round      F = 2u·q(u), u = l/a, q = 1 − u/2 − u²/8 − u³/8 − …  (I1/I0 at large argument)
//! slit       F = (2/gap)·l                  (tanh is 1)
//! rectangle  F = (2/w + 2/h)·l − 16/(π·w·h)·l²
//! ```
//!
//! The coefficients belong to the geometry, the powers of l to the frequency, so that a place in a duct costs two short
//! sums. Eight terms are good to 5e-11 where |κ| times the radius or the smaller side is 120 or more; below
//! that the functions of [`super::wall_loss`] serve.
//!
//! | symbol | variable | unit |
//! | --- | --- | --- |
//! | l | `viscous`, `thermal` of [`Powers`]: l^k | m^k |
//! | f_k, a_k | `shunt`, `series` | 1/m^k |
//!
//! Derived from the asymptotic series of `special::loss` (Abramowitz & Stegun, 9.7.1).

use crate::special::Field;
use num_complex::Complex64;
use std::f64::consts::PI;

/// Number of terms.
pub const TERMS: usize = 8;
/// |κ| times radius, or times the smaller side, from which the sum holds.
const FROM: f64 = 120.0;
/// 2·q(u)·u by powers of u from 1.
const ROUND: [f64; TERMS] = [
    2.0,
    -1.0,
    -0.25,
    -0.25,
    -0.390_625,
    -0.8125,
    -2.095_703_125,
    -6.4375,
];

/// l^k, k = 1 to [`TERMS`], of the two layers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Powers {
    viscous: [Complex64; TERMS],
    thermal: [Complex64; TERMS],
    /// The smaller |κ|, 1/m.
    least_per_m: f64,
}

impl Powers {
    /// From 1/κ of the two layers, m.
    #[must_use]
    pub fn new(viscous_m: Complex64, thermal_m: Complex64) -> Self {
        let powers = |l: Complex64| {
            let mut list = [l; TERMS];
            for k in 1..TERMS {
                list[k] = list[k - 1] * l;
            }
            list
        };
        Self {
            viscous: powers(viscous_m),
            thermal: powers(thermal_m),
            least_per_m: 1.0 / viscous_m.norm().max(thermal_m.norm()),
        }
    }
}

/// A real number with its derivative.
#[derive(Debug, Clone, Copy)]
struct Real {
    value: f64,
    slope: f64,
}

/// The coefficients of one section.
#[derive(Debug, Clone, Copy)]
pub struct WideLoss {
    series: [Real; TERMS],
    shunt: [Real; TERMS],
    from_per_m: f64,
    constant: bool,
}

impl WideLoss {
    /// A circle.
    #[must_use]
    pub fn round<T: Field>(radius_m: T) -> Self {
        let inverse = radius_m.recip();
        let mut power = T::from_f64(1.0);
        let shunt = ROUND.map(|c| {
            power = power * inverse;
            power * c
        });
        Self::of(shunt, radius_m.value().re)
    }

    /// Two parallel walls.
    #[must_use]
    pub fn slit<T: Field>(gap_m: T) -> Self {
        let mut shunt = [T::from_f64(0.0); TERMS];
        shunt[0] = gap_m.recip() * 2.0;
        Self::of(shunt, gap_m.value().re)
    }

    /// A rectangle.
    #[must_use]
    pub fn rectangular<T: Field>(width_m: T, height_m: T) -> Self {
        let (w, h) = (width_m.recip(), height_m.recip());
        let mut shunt = [T::from_f64(0.0); TERMS];
        shunt[0] = (w + h) * 2.0;
        shunt[1] = -(w * h * (16.0 / PI));
        Self::of(shunt, width_m.value().re.min(height_m.value().re))
    }

    fn of<T: Field>(shunt: [T; TERMS], size_m: f64) -> Self {
        let mut series = shunt;
        for n in 1..TERMS {
            for m in 0..n {
                series[n] = series[n] + shunt[m] * series[n - 1 - m];
            }
        }
        let real = |list: [T; TERMS]| {
            list.map(|x| Real {
                value: x.value().re,
                slope: x.slope().re,
            })
        };
        Self {
            series: real(series),
            shunt: real(shunt),
            from_per_m: FROM / size_m,
            constant: shunt.iter().all(|x| x.is_constant()),
        }
    }

    /// Whether the sums hold at a frequency.
    #[inline]
    #[must_use]
    pub fn holds(&self, at: &Powers) -> bool {
        at.least_per_m >= self.from_per_m
    }

    /// A of the viscous layer and F of the thermal one.
    #[inline]
    #[must_use]
    pub fn at<T: Field>(&self, at: &Powers) -> (T, T) {
        let value = |list: &[Real; TERMS], powers: &[Complex64; TERMS]| {
            let mut sum = powers[0] * list[0].value;
            for k in 1..TERMS {
                sum += powers[k] * list[k].value;
            }
            sum
        };
        let (a, f) = (
            value(&self.series, &at.viscous),
            value(&self.shunt, &at.thermal),
        );
        if self.constant {
            return (T::from_complex(a), T::from_complex(f));
        }
        let slope = |list: &[Real; TERMS], powers: &[Complex64; TERMS]| {
            let mut sum = powers[0] * list[0].slope;
            for k in 1..TERMS {
                sum += powers[k] * list[k].slope;
            }
            sum
        };
        (
            T::from_parts(a, slope(&self.series, &at.viscous)),
            T::from_parts(f, slope(&self.shunt, &at.thermal)),
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::air::Air;
    use crate::design::AirConditions;
    use crate::model::wall_loss::LossFrequency;
    use crate::special::Dual;

    /// DERIVED: the functions that it stands for, values and derivatives along the size, from where it begins to hold.
    #[test]
    fn sums_are_the_functions() {
        let air = Air::at(&AirConditions::default());
        for hz in [5.0, 60.0, 500.0] {
            let at = LossFrequency::new(std::f64::consts::TAU * hz, &air);
            let least = at.viscous_per_m.norm().min(at.thermal_per_m.norm());
            for factor in [1.001, 3.0, 40.0] {
                let size = Dual::variable(FROM / least * factor);
                let width = size * 1.7;
                for (sum, full) in [
                    (WideLoss::round(size), at.round(size)),
                    (WideLoss::slit(size), at.slit(size)),
                    (
                        WideLoss::rectangular(width, size),
                        at.rectangular(width, size),
                    ),
                ] {
                    assert!(sum.holds(&at.powers));
                    let (series, shunt): (Dual, Dual) = sum.at(&at.powers);
                    let shunt = shunt * (air.gamma - 1.0);
                    // Eight terms: (4/FROM)^8 of the first for the rectangle.
                    for (a, b) in [(series, full.series), (shunt, full.shunt)] {
                        assert!(
                            (a.value / b.value - 1.0).norm() < 2e-10,
                            "{hz} {factor}: {a:?} {b:?}"
                        );
                        assert!(
                            (a.slope / b.slope - 1.0).norm() < 2e-9,
                            "{hz} {factor}: {a:?} {b:?}"
                        );
                    }
                }
            }
        }
    }
}
