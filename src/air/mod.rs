//! Properties of moist air from temperature, static pressure and relative humidity.
//!
//! ```text
//! c      Cramer's polynomial in temperature, pressure, water and CO2 mole fractions
//! γ      Cramer's polynomial for the ratio of heat capacities, same arguments
//! ρ      p·Ma/(Z·R·T)·(1 − xw·(1 − Mw/Ma))
//! Cp     mass-weighted mean of dry air and water vapour
//! μ, κ   polynomials in temperature for dry air
//! ```
//!
//! | symbol | variable | unit |
//! | --- | --- | --- |
//! | c | `speed_m_per_s` | m/s |
//! | ρ | `density_kg_per_m3` | kg/m³ |
//! | μ | `viscosity_pa_s` | Pa·s |
//! | κ | `conductivity_w_per_m_k` | W/(m·K) |
//! | Cp | `heat_capacity_j_per_kg_k` | J/(kg·K) |
//! | γ | `gamma` | 1 |
//!
//! The CO2 mole fraction is fixed at 420 ppm. The bulk modulus is ρc² throughout, so that a chamber, a duct
//! and a sound wave agree. Viscosity and conductivity neglect humidity, which would lower them by 0.7 % and
//! 0.4 % at 20 °C and 50 % (Wilke's mixing rule): half of that in an attenuation.
//!
//! Range: 0 to 30 °C and 75 to 102 kPa, where Cramer states c within 300 ppm. Outside, the polynomials are
//! continued; results stay finite and smooth from −20 to 50 °C.
//!
//! References: O. Cramer, 1993, The variation of the specific heat ratio and the speed of sound in air with
//! temperature, pressure, humidity, and CO2 concentration, JASA 93:2510. A. Picard et al., 2008, Revised
//! formula for the density of moist air (CIPM-2007), Metrologia 45:149. P. T. Tsilingiris, 2008,
//! Thermophysical and transport properties of humid air, Energy Conversion and Management 49:1098.

use crate::design::AirConditions;

/// CO2 mole fraction of outdoor air.
const CO2: f64 = 420e-6;
/// Molar mass of water, kg/mol (CIPM-2007).
const WATER_KG_PER_MOL: f64 = 18.015_28e-3;
/// Molar gas constant of CIPM-2007, J/(mol·K); its density fit belongs to this value.
const GAS_J_PER_MOL_K: f64 = 8.314_472;

/// Properties of air at rest.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Air {
    /// Density ρ, kg/m³.
    pub density_kg_per_m3: f64,
    /// Speed of sound c, m/s.
    pub speed_m_per_s: f64,
    /// Dynamic viscosity μ, Pa·s.
    pub viscosity_pa_s: f64,
    /// Thermal conductivity κ, W/(m·K).
    pub conductivity_w_per_m_k: f64,
    /// Heat capacity at constant pressure Cp, J/(kg·K).
    pub heat_capacity_j_per_kg_k: f64,
    /// Ratio of heat capacities γ.
    pub gamma: f64,
}

impl Air {
    /// Air of the given state, with 420 ppm CO2.
    #[must_use]
    pub fn at(conditions: &AirConditions) -> Self {
        let t = conditions.temperature_c;
        let kelvin = t + 273.15;
        let p = conditions.pressure_kpa * 1e3;
        // Enhancement factor of saturated vapour in air, common to Cramer and CIPM-2007.
        let enhancement = 1.000_62 + 3.14e-8 * p + 5.6e-7 * t * t;
        let vapour = conditions.humidity_pct / 100.0 * enhancement / p;
        let xw_cramer = vapour
            * (1.281_180_5e-5 * kelvin * kelvin - 1.950_987_4e-2 * kelvin + 34.049_260_34
                - 6.353_631_1e3 / kelvin)
                .exp();
        let xw = vapour
            * (1.237_884_7e-5 * kelvin * kelvin - 1.912_131_6e-2 * kelvin + 33.937_110_47
                - 6.343_164_5e3 / kelvin)
                .exp();
        Self {
            density_kg_per_m3: density(t, p, xw),
            speed_m_per_s: cramer(&SPEED, t, p, xw_cramer),
            viscosity_pa_s: viscosity(kelvin),
            conductivity_w_per_m_k: conductivity(kelvin),
            heat_capacity_j_per_kg_k: heat_capacity(t, xw),
            gamma: cramer(&GAMMA, t, p, xw_cramer),
        }
    }

    /// Prandtl number μ·Cp/κ.
    #[must_use]
    pub fn prandtl(&self) -> f64 {
        self.viscosity_pa_s * self.heat_capacity_j_per_kg_k / self.conductivity_w_per_m_k
    }

    /// Specific impedance of a plane wave ρc, Pa·s/m.
    #[must_use]
    pub fn rho_c(&self) -> f64 {
        self.density_kg_per_m3 * self.speed_m_per_s
    }

    /// Adiabatic bulk modulus ρc², Pa.
    #[must_use]
    pub fn bulk_pa(&self) -> f64 {
        self.rho_c() * self.speed_m_per_s
    }
}

/// Cramer 1993, Table III, row for the speed of sound, m/s.
const SPEED: [f64; 16] = [
    331.502_4,
    0.603_055,
    -5.28e-4,
    51.471_935,
    0.149_587_4,
    -7.82e-4,
    -1.82e-7,
    3.73e-8,
    -2.93e-10,
    -85.209_31,
    -0.228_525,
    5.91e-5,
    -2.835_149,
    -2.15e-13,
    29.179_762,
    4.86e-4,
];

/// Cramer 1993, Table III, row for γ. From memory; Ernoult's value at 20 °C confirms it.
const GAMMA: [f64; 16] = [
    1.400_822,
    -1.75e-5,
    -1.73e-7,
    -0.087_362_9,
    -1.665e-4,
    -3.26e-6,
    2.047e-8,
    -1.26e-10,
    5.939e-14,
    -0.119_971_7,
    -8.693e-4,
    1.979e-6,
    -0.011_04,
    -3.478e-16,
    0.045_061_6,
    1.82e-6,
];

/// Cramer 1993, eq. 14: `t` in °C, `p` in Pa, `xw` the mole fraction of water.
fn cramer(a: &[f64; 16], t: f64, p: f64, xw: f64) -> f64 {
    let quadratic = |i: usize| a[i] + t * (a[i + 1] + t * a[i + 2]);
    quadratic(0)
        + quadratic(3) * xw
        + quadratic(6) * p
        + quadratic(9) * CO2
        + a[12] * xw * xw
        + a[13] * p * p
        + a[14] * CO2 * CO2
        + a[15] * xw * p * CO2
}

/// CIPM-2007 (Picard et al. 2008, eqs 1, 2 and A1.4).
fn density(t: f64, p: f64, xw: f64) -> f64 {
    let kelvin = t + 273.15;
    let air_kg_per_mol = 1e-3 * (28.965_46 + 12.011 * (CO2 - 4e-4));
    let ratio = p / kelvin;
    let compressibility = 1.0
        - ratio
            * (1.581_23e-6 - 2.9331e-8 * t
                + 1.1043e-10 * t * t
                + (5.707e-6 - 2.051e-8 * t) * xw
                + (1.9898e-4 - 2.376e-6 * t) * xw * xw)
        + ratio * ratio * (1.83e-11 - 0.765e-8 * xw * xw);
    p * air_kg_per_mol / (compressibility * GAS_J_PER_MOL_K * kelvin)
        * (1.0 - xw * (1.0 - WATER_KG_PER_MOL / air_kg_per_mol))
}

/// Dry air, Pa·s (Tsilingiris 2008, table of polynomials; from memory, checked at 20 °C).
fn viscosity(kelvin: f64) -> f64 {
    1e-6 * (-9.8601e-1
        + kelvin
            * (9.080_125e-2
                + kelvin
                    * (-1.176_355_75e-4 + kelvin * (1.234_970_3e-7 - kelvin * 5.797_129_9e-11))))
}

/// Dry air, W/(m·K) (Tsilingiris 2008; from memory, checked at 20 °C).
fn conductivity(kelvin: f64) -> f64 {
    -2.276_501e-3
        + kelvin
            * (1.259_848_5e-4
                + kelvin
                    * (-1.481_523_5e-7
                        + kelvin
                            * (1.735_506_46e-10
                                + kelvin * (-1.066_657e-13 + kelvin * 2.476_630_35e-17))))
}

/// Moist air, J/(kg·K): dry air and vapour weighted by mass (Tsilingiris 2008; from memory, checked at 20 °C).
fn heat_capacity(t: f64, xw: f64) -> f64 {
    let kelvin = t + 273.15;
    let dry = 1034.09
        + kelvin
            * (-0.284_887
                + kelvin * (7.816_818e-4 + kelvin * (-4.970_786e-7 + kelvin * 1.077_024e-10)));
    let vapour = 1_869.109_89 + t * (-0.257_842_157_8 + t * 1.941_058_941e-2);
    let water_share = xw * WATER_KG_PER_MOL;
    let dry_share = (1.0 - xw) * 28.965_46e-3;
    (dry * dry_share + vapour * water_share) / (dry_share + water_share)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn air(temperature_c: f64, pressure_kpa: f64, humidity_pct: f64) -> Air {
        Air::at(&AirConditions {
            temperature_c,
            pressure_kpa,
            humidity_pct,
        })
    }

    fn assert_close(found: f64, expected: f64, relative: f64) {
        assert!(
            (found / expected - 1.0).abs() < relative,
            "found {found}, expected {expected}"
        );
    }

    #[test]
    fn speed_follows_cramer() {
        // PUBLISHED (Cramer 1993, evaluated at 400 ppm CO2 for moist and 314 ppm for dry air). Our 420 ppm
        // lowers c by 85.2 m/s per unit mole fraction: 0.0018 and 0.0095 m/s; the rest is rounding.
        assert!((air(20.0, 101.325, 50.0).speed_m_per_s - (343.987 - 0.0018)).abs() < 1e-3);
        assert!((air(25.0, 101.325, 50.0).speed_m_per_s - (347.127 - 0.0018)).abs() < 1e-3);
        assert!((air(20.0, 101.325, 0.0).speed_m_per_s - (343.367 - 0.0095)).abs() < 1e-3);
    }

    #[test]
    fn speed_is_near_the_simple_formula() {
        // PUBLISHED (ISO 9613-1:1993): 343.2·√(T/293.15), meant for moist air; humidity spans 0.4 % at 30 °C.
        for t in [0.0, 10.0, 20.0, 30.0] {
            let simple = 343.2 * ((t + 273.15_f64) / 293.15).sqrt();
            assert_close(air(t, 101.325, 30.0).speed_m_per_s, simple, 4e-3);
        }
    }

    #[test]
    fn default_air_matches_ernoult() {
        // PUBLISHED (Ernoult 2023, Inria RR-9500): 20 °C, 50 %, 420 ppm, six digits printed. Density and Cp by
        // other formulas there: 2e-5 and 4e-5 apart.
        let air = Air::at(&AirConditions::default());
        assert_close(air.density_kg_per_m3, 1.19930, 4e-5);
        assert_close(air.speed_m_per_s, 343.986, 1e-5);
        assert_close(air.heat_capacity_j_per_kg_k, 1012.25, 8e-5);
        assert_close(air.gamma, 1.40108, 3e-5);
        assert_close(air.viscosity_pa_s, 1.8206e-5, 3e-5);
        assert_close(air.conductivity_w_per_m_k, 2.5562e-2, 3e-5);
    }

    #[test]
    fn dry_air_matches_chaigne_and_kergomard() {
        // PUBLISHED (Chaigne & Kergomard 2016, p. 241), linear fits to older data: μ differs by 0.75 %.
        let air = air(20.0, 101.325, 0.0);
        assert_close(air.density_kg_per_m3, 1.20469, 2e-4);
        assert_close(air.speed_m_per_s, 343.370, 1e-4);
        assert_close(air.viscosity_pa_s, 1.80706e-5, 1e-2);
        assert_close(air.prandtl(), 0.7051, 2e-2);
    }

    #[test]
    fn stays_finite_and_monotonic_outside_the_stated_range() {
        for humidity in [0.0, 100.0] {
            let mut last: Option<Air> = None;
            for step in 0..=70 {
                let now = air(-20.0 + f64::from(step), 75.0, humidity);
                assert!(now.gamma > 1.3 && now.gamma < 1.42);
                assert!(now.prandtl() > 0.6 && now.prandtl() < 0.85);
                if let Some(before) = last {
                    assert!(now.speed_m_per_s > before.speed_m_per_s);
                    assert!(now.density_kg_per_m3 < before.density_kg_per_m3);
                    assert!(now.viscosity_pa_s > before.viscosity_pa_s);
                    assert!(now.conductivity_w_per_m_k > before.conductivity_w_per_m_k);
                }
                last = Some(now);
            }
        }
    }

    #[test]
    fn bulk_modulus_is_near_gamma_times_pressure() {
        // DERIVED (ideal gas): ρc² = γp; real-gas terms are below 1e-3 at one atmosphere.
        let air = air(15.0, 95.0, 60.0);
        assert_close(air.bulk_pa(), air.gamma * 95e3, 1e-3);
    }
}
