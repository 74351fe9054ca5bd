//! Porous fills and linings with a rigid frame, by the Johnson–Champoux–Allard model or by Miki's fit.
//!
//! Only the static flow resistivity σ is asked for. The other four numbers are those of a light fibrous
//! material: porosity φ = 0.98, tortuosity 1, viscous length Λ = √(8μ/(σφ)), thermal length Λ' = 2Λ (cylindrical
//! fibres across the flow). Time factor e^(+jωt).
//!
//! ```text
//! ρ_e = (ρ/φ)·[1 + σφ/(jωρ)·√(1 + j·4μρω/(σ²Λ²φ²))]
//! K_e = (γP₀/φ)/{γ − (γ−1)/[1 + 8μ/(jΛ'²·Pr·ωρ)·√(1 + jρω·Pr·Λ'²/(16μ))]}
//! ```
//!
//! At low frequency K_e tends to the isothermal P₀/φ. Miki's fit has X = f/σ (SI), range 0.01 < X < 1:
//!
//! ```text
//! Zc/(ρc) = 1 + 0.0699·X^(−0.632) − j0.1071·X^(−0.632)
//! Γ·c/ω   = 0.1600·X^(−0.618) + j(1 + 0.1093·X^(−0.618))      ρ_e = Zc·Γ/(jω),  K_e = jω·Zc/Γ
//! ```
//!
//! (5.50, 8.43, 11.41 and 7.81 with 10³·f/σ: Miki 1990, J. Acoust. Soc. Jpn (E) 11:19). Below its range the fit
//! would give power: the bulk modulus keeps its value of X = 0.01 there, and a warning of `check` says so. Behind a layer there may be air and then the wall.
//! Other References: Johnson, Koplik & Dashen 1987, J. Fluid
//! Mech. 176:379; Champoux & Allard 1991, J. Appl. Phys. 70:1975 (both from memory). γP₀ is taken as ρc².

use super::tone::Tone;
use crate::design::PorousModel;
use crate::special::{Field, cosh_sinhc};
use num_complex::Complex64;

/// Porosity of a light fibrous material.
const POROSITY: f64 = 0.98;

/// Effective density (kg/m³) of the air in the material, per volume of material.
fn density<T: Field>(at: &Tone, resistivity: T) -> T {
    let (rho, omega) = (at.density_kg_per_m3, at.omega_rad_per_s);
    let one = T::from_f64(1.0);
    // Λ² = 8μ/(σφ), so 4μρω/(σ²Λ²φ²) = ρω/(2σφ).
    let root =
        (one + (resistivity * (2.0 * POROSITY)).recip() * Complex64::new(0.0, rho * omega)).sqrt();
    (one + resistivity * root * (Complex64::new(0.0, -POROSITY / (omega * rho)))) * (rho / POROSITY)
}

/// Effective bulk modulus (Pa) of the air in the material, over the porosity.
fn bulk<T: Field>(at: &Tone, resistivity: T) -> T {
    let (rho, omega, mu) = (at.density_kg_per_m3, at.omega_rad_per_s, at.viscosity_pa_s);
    let (gamma, prandtl) = (at.gamma, at.prandtl);
    let one = T::from_f64(1.0);
    // Λ'² = 32μ/(σφ).
    let thermal2 = (resistivity * POROSITY).recip() * (32.0 * mu);
    let root = (one + thermal2 * Complex64::new(0.0, rho * omega * prandtl / (16.0 * mu))).sqrt();
    let slow = thermal2.recip() * root * Complex64::new(0.0, -8.0 * mu / (prandtl * omega * rho));
    ((one * gamma) - (one + slow).recip() * (gamma - 1.0)).recip() * (at.bulk_pa / POROSITY)
}

/// Lowest f/σ (SI) for which Miki's fit is meant. Far below it the fit's bulk modulus would give power, so that the
/// modulus keeps the value of this ratio.
const LOWEST_MIKI: f64 = 0.01;

/// Effective density (kg/m³) and bulk modulus (Pa) of the air in the material.
fn medium<T: Field>(at: &Tone, model: PorousModel, resistivity: T) -> (T, T) {
    match model {
        PorousModel::JohnsonChampouxAllard => (density(at, resistivity), bulk(at, resistivity)),
        PorousModel::Miki => {
            let (impedance, propagation) = miki(at, resistivity);
            let omega = Complex64::new(0.0, at.omega_rad_per_s);
            let density = impedance * propagation * omega.inv();
            let lowest = at.omega_rad_per_s / std::f64::consts::TAU / LOWEST_MIKI;
            if resistivity.value().re <= lowest {
                return (density, impedance / propagation * omega);
            }
            let (impedance, propagation) = miki(at, T::from_f64(lowest));
            (density, impedance / propagation * omega)
        }
    }
}

/// Characteristic impedance (Pa·s/m) and propagation constant (1/m) by Miki's fit.
pub fn miki<T: Field>(at: &Tone, resistivity: T) -> (T, T) {
    let frequency_hz = at.omega_rad_per_s / std::f64::consts::TAU;
    // ln of X = 10³·f/σ, the form in which the coefficients are printed.
    let log = (resistivity * (1e-3 / frequency_hz)).ln();
    let (slow, fast) = ((log * 0.632).exp(), (log * 0.618).exp());
    let impedance = (slow * Complex64::new(5.50, -8.43) + 1.0) * at.rho_c();
    let wave = fast * Complex64::new(11.41, 7.81) + T::from_complex(Complex64::new(0.0, 1.0));
    (impedance, wave * at.wave_number())
}

/// Surface impedance (Pa·s/m) of a layer of the given thickness, on a rigid wall or with air of depth `gap`
/// between: with Γ the propagation constant, Z = Zc·(Zb·cosh Γt + Zc·sinh Γt)/(Zb·sinh Γt + Zc·cosh Γt).
#[must_use]
pub fn surface_impedance<T: Field>(
    at: &Tone,
    model: PorousModel,
    resistivity: T,
    thickness: T,
    gap: Option<T>,
) -> T {
    let (rho, k) = medium(at, model, resistivity);
    // With Γ² = −ω²ρ_e/K_e and admittances, so that a rigid wall is Yb = 0:
    // Z = (cosh + Yb·jωρ_e·t·sinhc)/(Yb·cosh + (jω/K_e)·t·sinhc).
    let gamma2 = rho / k * (-at.omega_rad_per_s * at.omega_rad_per_s);
    let (cosh, sinhc) = cosh_sinhc(gamma2 * thickness * thickness);
    let omega = Complex64::new(0.0, at.omega_rad_per_s);
    let stiff = thickness * sinhc / k * omega;
    match gap {
        None => cosh / stiff,
        Some(gap) => {
            let behind = air_admittance(at, gap);
            (cosh + behind * rho * thickness * sinhc * omega) / (behind * cosh + stiff)
        }
    }
}

/// Admittance (m/(Pa·s)) of air of the given depth before a rigid wall: j·tan(kd)/(ρc).
fn air_admittance<T: Field>(at: &Tone, depth: T) -> T {
    let k = at.wave_number();
    let (cos, sinc) = cosh_sinhc(depth * depth * (-k * k));
    depth * sinc / cos * Complex64::new(0.0, at.omega_rad_per_s / at.bulk_pa)
}

/// Surface impedance (Pa·s/m) of a thin flow-resistive layer before air of the given depth and a rigid wall.
#[must_use]
pub fn cloth_impedance<T: Field>(at: &Tone, specific: T, gap: T) -> T {
    specific + air_admittance(at, gap).recip()
}

/// Factor on the compliance of a chamber whose share `fraction` is filled: adiabatic air where it is empty,
/// K_e where it is filled.
#[must_use]
pub fn compliance_factor<T: Field>(
    at: &Tone,
    model: PorousModel,
    resistivity: T,
    fraction: T,
) -> T {
    let one = T::from_f64(1.0);
    one - fraction + fraction * medium(at, model, resistivity).1.recip() * at.bulk_pa
}
