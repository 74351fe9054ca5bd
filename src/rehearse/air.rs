//! Properties of the air that the virtual unit is filled with, from its own simple formulas.
//!
//! ```text
//! rho = 1.2929 · 273.15/T · p/p0 · (1 − 0.378·x)        x: mole fraction of water vapour
//! c   = 331.45 · √(T/273.15) · √(γ/γ_dry) / √(1 − 0.378·x)
//! γ   = γ_dry · (1 + x/7)/(1 + x/5)                     7/2 R and 5/2 R of dry air, 4 R and 3 R of vapour
//! mu  = 1.708e-5 · (1 + 0.0029·t)
//! ```
//!
//! `T` in K, `t` in °C, p0 = 101.325 kPa. Range: 0 to 35 °C, 75 to 105 kPa; `c` stays within 0.02 % of Cramer's
//! polynomial there. The frequency-domain model has formulas of its own, on purpose.
//!
//! References: Chaigne & Kergomard 2016, *Acoustics of Musical Instruments*, p. 241 (dry air); the saturation
//! pressure after Magnus, coefficients of Sonntag 1990 (from memory).

use crate::design::AirConditions;

/// Air as the virtual unit uses it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Air {
    /// Density, kg/m³.
    pub density_kg_per_m3: f64,
    /// Speed of sound, m/s.
    pub sound_speed_m_per_s: f64,
    /// Dynamic viscosity, Pa·s.
    pub viscosity_pa_s: f64,
    /// Ratio of specific heats.
    pub heat_ratio: f64,
    /// Prandtl number.
    pub prandtl: f64,
}

impl Air {
    /// The air of a design.
    #[must_use]
    pub fn new(conditions: AirConditions) -> Self {
        let kelvin = conditions.temperature_c + 273.15;
        let t = conditions.temperature_c;
        let saturation_kpa = 0.6112 * (17.62 * t / (243.12 + t)).exp();
        // Air near a vapour pressure has an enhancement of about 0.4 %.
        let vapour =
            1.004 * conditions.humidity_pct / 100.0 * saturation_kpa / conditions.pressure_kpa;
        let lightness = 1.0 - 0.378 * vapour;
        let gamma_dry = 1.402;
        let gamma_factor = (1.0 + vapour / 7.0) / (1.0 + vapour / 5.0);
        Self {
            density_kg_per_m3: 1.2929 * 273.15 / kelvin * conditions.pressure_kpa / 101.325
                * lightness,
            sound_speed_m_per_s: 331.45 * (kelvin / 273.15 * gamma_factor / lightness).sqrt(),
            viscosity_pa_s: 1.708e-5 * (1.0 + 0.0029 * t),
            heat_ratio: gamma_dry * gamma_factor,
            prandtl: 0.7051,
        }
    }

    /// Bulk modulus ρc², Pa.
    #[must_use]
    pub fn bulk_modulus_pa(&self) -> f64 {
        self.density_kg_per_m3 * self.sound_speed_m_per_s.powi(2)
    }

    /// Kinematic viscosity μ/ρ, m²/s.
    #[must_use]
    pub fn kinematic_viscosity_m2_per_s(&self) -> f64 {
        self.viscosity_pa_s / self.density_kg_per_m3
    }

    /// Thermal diffusivity, m²/s.
    #[must_use]
    pub fn thermal_diffusivity_m2_per_s(&self) -> f64 {
        self.kinematic_viscosity_m2_per_s() / self.prandtl
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn air(temperature_c: f64, humidity_pct: f64) -> Air {
        Air::new(AirConditions {
            temperature_c,
            pressure_kpa: 101.325,
            humidity_pct,
        })
    }

    #[test]
    fn the_speed_of_sound_agrees_with_cramer() {
        // PUBLISHED (Cramer 1993, as evaluated in tests/reference/README.md row 1). Tolerance 0.05 %: what the
        // comparison of both models can bear.
        for (t, h, c) in [
            (20.0, 0.0, 343.367),
            (20.0, 50.0, 343.987),
            (25.0, 50.0, 347.127),
        ] {
            let got = air(t, h).sound_speed_m_per_s;
            assert!(
                (got / c - 1.0).abs() < 5e-4,
                "{t} °C {h} %: {got} against {c}"
            );
        }
    }

    #[test]
    fn density_and_viscosity_are_those_of_the_table() {
        // PUBLISHED (README.md rows 3 and 4). 0.05 %: other CO2 content; viscosity to the digits printed.
        assert!((air(20.0, 50.0).density_kg_per_m3 / 1.19930 - 1.0).abs() < 5e-4);
        assert!((air(20.0, 0.0).density_kg_per_m3 / 1.20469 - 1.0).abs() < 1e-5);
        assert!((air(20.0, 0.0).viscosity_pa_s / 1.80706e-5 - 1.0).abs() < 1e-5);
        assert!((air(20.0, 50.0).heat_ratio - 1.40108).abs() < 1e-3);
    }
}
