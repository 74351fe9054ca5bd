//! Visco-thermal loss at the walls of ducts: what it adds to the lossless line, per length.
//!
//! ```text
//! series impedance  Z = (jωρ/S)·(1 + λ·a_v)       a_v = F_v/(1 − F_v)
//! shunt admittance  Y = (jωS/(ρc²))·(1 + λ·a_t)   a_t = (γ − 1)·F_t
//! round             F = 2·I1(x)/(x·I0(x)),  x = a·κ
//! slit              F = tanh(x)/x,          x = (gap/2)·κ
//! rectangle w × h   F = F_slit(h) + Σ (8/(n²π²))·(κ²/γ²)·tanh(γw/2)/(γw/2),  n odd, γ² = κ² + (nπ/h)²
//!   wide            F = 2/(κw) + 2/(κh) − 16/(π·w·h·κ²)
//! viscous κ = √(jωρ/μ), thermal κ = √(jωρ·Pr/μ)
//! ```
//!
//! | symbol | variable | unit |
//! | --- | --- | --- |
//! | ω | angular frequency | rad/s |
//! | κ | `viscous_per_m`, `thermal_per_m`: inverse boundary-layer thickness, complex | 1/m |
//! | λ | loss factor of the duct, applied by the caller | 1 |
//! | a_v, a_t | `series`, `shunt` of [`LineLoss`] | 1 |
//!
//! Time factor e^(+jωt). The walls are rigid, smooth and isothermal, and the pressure is uniform over the
//! section: radius above 10 µm and radius·f^(3/2) below 10⁴ m·s^(−3/2), 0.9 m at 500 Hz (Stinson 1991, from
//! memory). As a section shrinks to zero the excess grows as 8/(aκ)² and stays exact. ω must be positive.
//!
//! The sum for the rectangle is the double sine series of Stinson with one of the sums done in closed form;
//! the wide form follows from Poisson's summation of the other and neglects only terms of the size e^(−κh),
//! 6e-10 where it is used. Errors below 1e-8 everywhere.
//!
//! References: C. Zwikker and C. W. Kosten, 1949, Sound Absorbing Materials. M. R. Stinson, 1991, The
//! propagation of plane sound waves in narrow and wide circular tubes, and generalization to uniform tubes
//! of arbitrary cross-sectional shape, JASA 89:550.

use super::wide_loss::{Powers, WideLoss};
use crate::air::Air;
use crate::special::{Field, LossRatio, round_ratio_with, slit_ratio};
use num_complex::Complex64;
use std::f64::consts::PI;

/// What wall loss adds, relative to the lossless series impedance and shunt admittance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LineLoss<T> {
    /// a_v: Z = (jωρ/S)·(1 + λ·series).
    pub series: T,
    /// a_t: Y = (jωS/(ρc²))·(1 + λ·shunt).
    pub shunt: T,
}

/// The factors of one frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LossFrequency {
    /// κ of the viscous layer, 1/m.
    pub viscous_per_m: Complex64,
    /// κ of the thermal layer, 1/m.
    pub thermal_per_m: Complex64,
    viscous_m: Complex64,
    thermal_m: Complex64,
    /// Powers of the inverse, for wide sections.
    pub powers: Powers,
    gamma_less_one: f64,
}

/// |κ|·(smaller side) from which the rectangle's wide form holds to 1e-9.
const WIDE: f64 = 30.0;

impl LossFrequency {
    /// Prepares an angular frequency, rad/s, greater than zero.
    #[must_use]
    pub fn new(omega_rad_per_s: f64, air: &Air) -> Self {
        let size = (omega_rad_per_s * air.density_kg_per_m3 / (2.0 * air.viscosity_pa_s)).sqrt();
        let viscous_per_m = Complex64::new(size, size);
        let thermal_per_m = viscous_per_m * air.prandtl().sqrt();
        let (viscous_m, thermal_m) = (viscous_per_m.inv(), thermal_per_m.inv());
        Self {
            viscous_per_m,
            thermal_per_m,
            viscous_m,
            thermal_m,
            powers: Powers::new(viscous_m, thermal_m),
            gamma_less_one: air.gamma - 1.0,
        }
    }

    /// A section whose wide form holds here.
    #[inline]
    #[must_use]
    pub fn wide<T: Field>(&self, section: &WideLoss) -> LineLoss<T> {
        let (series, shunt): (T, T) = section.at(&self.powers);
        LineLoss {
            series,
            shunt: shunt * self.gamma_less_one,
        }
    }

    /// A circular section.
    #[inline]
    #[must_use]
    pub fn round<T: Field>(&self, radius_m: T) -> LineLoss<T> {
        let curvature = 1.0 / radius_m.value().re;
        self.combine(
            round_ratio_with(radius_m.times(self.viscous_per_m), || {
                self.viscous_m * curvature
            }),
            round_ratio_with(radius_m.times(self.thermal_per_m), || {
                self.thermal_m * curvature
            }),
        )
    }

    /// Two parallel walls.
    #[inline]
    #[must_use]
    pub fn slit<T: Field>(&self, gap_m: T) -> LineLoss<T> {
        let half = gap_m * 0.5;
        self.combine(
            slit_ratio(half.times(self.viscous_per_m)),
            slit_ratio(half.times(self.thermal_per_m)),
        )
    }

    /// A rectangular section; the two sides may be swapped.
    #[inline]
    #[must_use]
    pub fn rectangular<T: Field>(&self, width_m: T, height_m: T) -> LineLoss<T> {
        let (large, small) = if width_m.value().re >= height_m.value().re {
            (width_m, height_m)
        } else {
            (height_m, width_m)
        };
        if small.value().re * self.thermal_per_m.norm().min(self.viscous_per_m.norm()) >= WIDE {
            let (w, h) = (large.recip(), small.recip());
            let (edge, corner) = ((w + h) * 2.0, w * h * (16.0 / PI));
            return self.combine(
                rectangular_wide(edge, corner, self.viscous_m),
                rectangular_wide(edge, corner, self.thermal_m),
            );
        }
        self.combine(
            rectangular_narrow(large, small, self.viscous_per_m),
            rectangular_narrow(large, small, self.thermal_per_m),
        )
    }

    #[inline]
    fn combine<T: Field>(&self, viscous: LossRatio<T>, thermal: LossRatio<T>) -> LineLoss<T> {
        LineLoss {
            series: viscous.excess(),
            shunt: thermal.loss * self.gamma_less_one,
        }
    }
}

/// F and 1 − F of a wide rectangle: `edge` is perimeter over area, `corner` 16/π over the area, `layer` 1/κ.
#[inline]
fn rectangular_wide<T: Field>(edge: T, corner: T, layer: Complex64) -> LossRatio<T> {
    let loss = (edge - corner.times(layer)).times(layer);
    LossRatio {
        loss,
        rest: -loss + 1.0,
    }
}

/// The sum over odd sine modes across the smaller side, with its tail by the midpoint rule; `large` ≥ `small`.
/// The terms needed grow with |κ|·small, so the wide form takes over at [`WIDE`].
fn rectangular_narrow<T: Field>(large: T, small: T, kappa: Complex64) -> LossRatio<T> {
    let size = small.value().norm() * kappa.norm();
    let half_width = large * 0.5;
    // b = π/h; r = (κ/b)², so that γ² = b²·(r + n²) and κ²/γ² = r/(r + n²).
    let b = small.recip() * PI;
    let kappa_over_b = small.times(kappa) * (1.0 / PI);
    let r = kappa_over_b * kappa_over_b;
    // The tail's expansion in r/n² needs n well above |κ/b|.
    let last = 13 + 2 * (size * 1.5 / PI).ceil() as u32;
    let mut sum = T::from_f64(0.0);
    for n in (1..=last).step_by(2) {
        let n2 = f64::from(n * n);
        let shifted = r + n2;
        let gamma = b * shifted.sqrt();
        let spread = slit_ratio(gamma * half_width).loss;
        sum = sum + spread / shifted * (1.0 / n2);
    }
    sum = sum + tail(r, f64::from(last + 1)) / (b * half_width);
    let sum = sum * r * (8.0 / (PI * PI));
    let slit = slit_ratio((small * 0.5).times(kappa));
    LossRatio {
        loss: slit.loss + sum,
        rest: slit.rest - sum,
    }
}

/// Σ n^(−2)·(r + n²)^(−3/2) over odd n > `from` (even), by the midpoint rule with its first correction;
/// tanh is 1 there.
fn tail<T: Field>(r: T, from: f64) -> T {
    let inverse2 = 1.0 / (from * from);
    // Binomial coefficients of (1 + r/n²)^(−3/2).
    const BINOMIAL: [f64; 7] = [
        1.0,
        -1.5,
        1.875,
        -2.1875,
        2.460_937_5,
        -2.707_031_25,
        2.932_617_187_5,
    ];
    let ratio = r * inverse2;
    let mut power = T::from_f64(inverse2 * inverse2);
    let mut sum = T::from_f64(0.0);
    for (m, coefficient) in BINOMIAL.into_iter().enumerate() {
        let exponent = 5.0 + 2.0 * m as f64;
        // ½∫ x^(−p) dx + f'/12 with f' = −p·x^(−p−1), from `from`; next term 7·p(p+1)(p+2)/720·x^(−p−3).
        let weight = 0.5 / (exponent - 1.0) - exponent * inverse2 / 12.0
            + 7.0 * exponent * (exponent + 1.0) * (exponent + 2.0) * inverse2 * inverse2 / 720.0;
        sum = sum + power * (coefficient * weight);
        power = power * ratio;
    }
    sum
}

#[cfg(test)]
#[path = "wall_loss_tests.rs"]
mod tests;
