//! Specific impedance of a thin sample in a tube, from the ratio of two sound pressures.
//!
//! Time factor e^(+jωt); x is the distance from the sample's front face against the incident wave.
//!
//! ```text
//! k        = ω/c − j·k″,   k″ = 1.94·10⁻²·√f/(c·d)             (ISO 10534-2:1998, annex A, from memory)
//! two microphones at x1 = near + spacing and x2 = near, H = p2/p1:
//! r        = (H − e^(−jk·s))/(e^(jk·s) − H)·e^(2jk·x1)           (ISO 10534-2:1998, 7.6, from memory)
//! Z        = ρc·(1 + r)/(1 − r)
//! closed tube behind, length L:
//! Z_back   = −jρc·cot(kL)
//! sample   z = Z − Z_back
//! closed tube, p_b at y from the rigid end, p_f at the front face, H = p_b/p_f:
//! sample   z = Z_back·(cos(ky)/(H·cos(kL)) − 1)
//! ```
//!
//! | symbol | variable | unit |
//! | --- | --- | --- |
//! | s | spacing | m |
//! | d | hydraulic diameter, 4·area/perimeter | m |
//! | z | specific impedance of the sample, pressure difference over particle velocity | Pa·s/m |
//!
//! **Range.** Plane waves: f < 0.58·c/d in a round tube, f < 0.5·c/(largest side) in a rectangular one. Two microphones
//! in addition: 0.05·c/s < f < 0.45·c/s (ISO 10534-2:1998, 4.2, from memory). The sample is thin against the wavelength and its
//! rim does not leak. Nothing is used outside.

use crate::air::Air;
use crate::design::AirConditions;
use crate::design::coupon::{Coupon, Method, TubeSection};
use num_complex::Complex64;
use std::f64::consts::TAU;

/// What the ratio of pressures is turned into an impedance with.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tube {
    /// Method.
    pub method: Method,
    /// Inner section.
    pub section: TubeSection,
    /// Between the microphones, m.
    pub spacing_m: f64,
    /// Nearer microphone to the front face, m.
    pub near_m: f64,
    /// Rear face to the rigid end, m.
    pub behind_m: f64,
    /// Microphone behind the sample to the rigid end, m.
    pub from_end_m: f64,
    /// Air.
    pub conditions: AirConditions,
}

impl Tube {
    /// The tube of a coupon.
    #[must_use]
    pub fn of(coupon: &Coupon) -> Self {
        Self {
            method: coupon.method,
            section: coupon.section,
            spacing_m: coupon.spacing_m,
            near_m: coupon.near_m,
            behind_m: coupon.behind_m,
            from_end_m: coupon.from_end_m,
            conditions: coupon.air,
        }
    }

    /// Lowest and highest frequency that the measures of the tube allow, Hz.
    #[must_use]
    pub fn limits_hz(&self) -> [f64; 2] {
        let c = Air::at(&self.conditions).speed_m_per_s;
        let plane = match self.section {
            TubeSection::Round { diameter_m } => 0.58 * c / diameter_m,
            TubeSection::Rectangular { .. } => 0.5 * c / self.section.largest_m(),
        };
        match self.method {
            Method::TwoMicrophone => [
                0.05 * c / self.spacing_m,
                plane.min(0.45 * c / self.spacing_m),
            ],
            Method::ClosedTube => [0.0, plane],
        }
    }

    /// Complex wave number, 1/m.
    #[must_use]
    pub fn wave_number(&self, frequency_hz: f64, speed_m_per_s: f64) -> Complex64 {
        let decay =
            1.94e-2 * frequency_hz.sqrt() / (speed_m_per_s * self.section.hydraulic_diameter_m());
        Complex64::new(TAU * frequency_hz / speed_m_per_s, -decay)
    }

    /// Specific impedance of the closed tube behind the sample, Pa·s/m.
    #[must_use]
    pub fn behind(&self, frequency_hz: f64) -> Complex64 {
        let air = Air::at(&self.conditions);
        let kl = self.wave_number(frequency_hz, air.speed_m_per_s) * self.behind_m;
        Complex64::new(0.0, -air.rho_c()) * kl.cos() / kl.sin()
    }

    /// Specific impedance of all layers of the sample, Pa·s/m, from the ratio of the second pressure (near, or behind)
    /// over the first (far, or in front).
    #[must_use]
    pub fn sample(&self, frequency_hz: f64, ratio: Complex64) -> Complex64 {
        let air = Air::at(&self.conditions);
        let k = self.wave_number(frequency_hz, air.speed_m_per_s);
        let j = Complex64::i();
        let back = self.behind(frequency_hz);
        match self.method {
            Method::TwoMicrophone => {
                let forward = (-j * k * self.spacing_m).exp();
                let backward = (j * k * self.spacing_m).exp();
                let turn = (2.0 * j * k * (self.near_m + self.spacing_m)).exp();
                let r = (ratio - forward) / (backward - ratio) * turn;
                air.rho_c() * (1.0 + r) / (1.0 - r) - back
            }
            Method::ClosedTube => {
                let face = (k * self.behind_m).cos() / (k * self.from_end_m).cos();
                back * ((ratio * face).inv() - 1.0)
            }
        }
    }

    /// The ratio that [`Self::sample`] turns back into `specific`: for tests and for planning.
    #[must_use]
    pub fn ratio(&self, frequency_hz: f64, specific: Complex64) -> Complex64 {
        let air = Air::at(&self.conditions);
        let k = self.wave_number(frequency_hz, air.speed_m_per_s);
        let j = Complex64::i();
        let back = self.behind(frequency_hz);
        match self.method {
            Method::TwoMicrophone => {
                let z = (specific + back) / air.rho_c();
                // Standing wave cos(kx) + j·sin(kx)/z over its value at the face.
                let at = |x: f64| (k * x).cos() + j * (k * x).sin() / z;
                at(self.near_m) / at(self.near_m + self.spacing_m)
            }
            Method::ClosedTube => {
                (k * self.from_end_m).cos() / (k * self.behind_m).cos() * back / (back + specific)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tube(method: Method) -> Tube {
        Tube {
            method,
            section: TubeSection::Round { diameter_m: 0.1 },
            spacing_m: 0.1,
            near_m: 0.12,
            behind_m: 0.05,
            from_end_m: 0.01,
            conditions: AirConditions::default(),
        }
    }

    /// PUBLISHED (ISO 10534-2:1998, 4.2, from memory), by hand for c = 343.986 m/s: 0.05·c/s = 172.0 Hz, 0.45·c/s = 1547.9 Hz,
    /// 0.58·c/d = 1995.1 Hz.
    #[test]
    fn limits() {
        let [low, high] = tube(Method::TwoMicrophone).limits_hz();
        assert!(
            (low - 171.99).abs() < 0.02 && (high - 1547.94).abs() < 0.05,
            "{low} {high}"
        );
        let [_, high] = tube(Method::ClosedTube).limits_hz();
        assert!((high - 1995.12).abs() < 0.05, "{high}");
        let flat = TubeSection::Rectangular {
            width_m: 0.2,
            height_m: 0.1,
        };
        let [_, high] = Tube {
            section: flat,
            ..tube(Method::ClosedTube)
        }
        .limits_hz();
        assert!((high - 859.97).abs() < 0.05, "{high}");
    }

    /// DERIVED: the lossless field of incident and reflected plane wave, written out without the standing-wave form:
    /// p = e^(jkx) + r·e^(−jkx), r = (Z − ρc)/(Z + ρc). The loss is switched off by a very wide tube (0.02/(343·10⁶)·√500).
    #[test]
    fn two_places_give_the_known_termination() {
        let t = Tube {
            section: TubeSection::Round { diameter_m: 1e6 },
            ..tube(Method::TwoMicrophone)
        };
        let air = Air::at(&t.conditions);
        let j = Complex64::i();
        for f in [200.0, 500.0, 900.0, 1400.0] {
            let k = TAU * f / air.speed_m_per_s;
            let sheet = Complex64::new(230.0, TAU * f * 0.08);
            let z = sheet - j * air.rho_c() / (k * t.behind_m).tan();
            let r = (z - air.rho_c()) / (z + air.rho_c());
            let p = |x: f64| (j * k * x).exp() + r * (-j * k * x).exp();
            let found = t.sample(f, p(t.near_m) / p(t.near_m + t.spacing_m));
            assert!((found - sheet).norm() < 1e-6 * sheet.norm(), "{f}: {found}");
        }
    }

    /// DERIVED: a closed tube far shorter than the wavelength is a spring ρc²/(jωL): with the flow u through the sample
    /// p_f = u·(z + spring) and p_b = u·spring. The next term is (kL)²/3 = 3.6e-6 of the spring, 0.5 Pa·s/m.
    #[test]
    fn a_short_closed_tube_is_a_spring() {
        let t = Tube {
            behind_m: 0.009,
            from_end_m: 0.0,
            section: TubeSection::Round { diameter_m: 1e6 },
            ..tube(Method::ClosedTube)
        };
        let bulk = Air::at(&t.conditions).bulk_pa();
        let f = 20.0;
        let spring = Complex64::new(0.0, -bulk / (TAU * f * t.behind_m));
        let sheet = Complex64::new(5000.0, 0.0);
        let found = t.sample(f, spring / (sheet + spring));
        assert!((found - sheet).norm() < 1e-3 * sheet.norm(), "{found}");
    }

    /// DERIVED: forth and back, loss included.
    #[test]
    fn ratio_and_sample_are_inverse() {
        for method in [Method::TwoMicrophone, Method::ClosedTube] {
            let t = tube(method);
            let sheet = Complex64::new(180.0, 40.0);
            let found = t.sample(640.0, t.ratio(640.0, sheet));
            assert!((found - sheet).norm() < 1e-9 * sheet.norm(), "{found}");
        }
    }

    /// CROSS within the project: the standard's lower estimate of the attenuation against Kirchhoff's wide-tube loss
    /// α = (1/(a·c))·√(ων/2)·(1 + (γ−1)/√Pr), ν = μ/ρ. The standard calls its number a lower estimate: 0 to 10 % below.
    #[test]
    fn attenuation_is_a_lower_estimate_of_kirchhoffs() {
        let t = tube(Method::TwoMicrophone);
        let air = Air::at(&t.conditions);
        let f = 500.0;
        let nu = air.viscosity_pa_s / air.density_kg_per_m3;
        let kirchhoff = (TAU * f * nu / 2.0).sqrt() / (0.05 * air.speed_m_per_s)
            * (1.0 + (air.gamma - 1.0) / air.prandtl().sqrt());
        let ratio = -t.wave_number(f, air.speed_m_per_s).im / kirchhoff;
        assert!((0.9..1.0).contains(&ratio), "{ratio}");
    }
}
