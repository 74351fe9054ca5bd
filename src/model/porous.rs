//! Porous fills and linings by the Johnson–Champoux–Allard model with a rigid frame.
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
//! At low frequency K_e tends to the isothermal P₀/φ. References: Johnson, Koplik & Dashen 1987, J. Fluid
//! Mech. 176:379; Champoux & Allard 1991, J. Appl. Phys. 70:1975 (both from memory). γP₀ is taken as ρc².

use super::tone::Tone;
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

/// Surface impedance (Pa·s/m) of a layer of the given thickness on a rigid wall: −j·Zc·cot(k·t).
#[must_use]
pub fn surface_impedance<T: Field>(at: &Tone, resistivity: T, thickness: T) -> T {
    let (rho, k) = (density(at, resistivity), bulk(at, resistivity));
    // With Γ² = −ω²ρ_e/K_e: Z = Zc·coth(Γt) = (K_e/jω)·cosh(Γt)/(t·sinhc(Γt)).
    let gamma2 = rho / k * (-at.omega_rad_per_s * at.omega_rad_per_s);
    let (cosh, sinhc) = cosh_sinhc(gamma2 * thickness * thickness);
    k * Complex64::new(0.0, -1.0 / at.omega_rad_per_s) * cosh / (thickness * sinhc)
}

/// Factor on the compliance of a chamber whose share `fraction` is filled: adiabatic air where it is empty,
/// K_e where it is filled.
#[must_use]
pub fn compliance_factor<T: Field>(at: &Tone, resistivity: T, fraction: T) -> T {
    let one = T::from_f64(1.0);
    one - fraction + fraction * bulk(at, resistivity).recip() * at.bulk_pa
}
