//! Porous fills and linings in time: the equivalent-fluid model of a light fibrous material, as relaxations.
//!
//! ```text
//! rho_e = (rho/φ)·(1 + w_v/s·√(1 + s/(2·w_v)))         w_v = σφ/rho
//! 1/K_e = φ/(rho·c²)·(1 + (γ−1)·g/(1 + g)),  g = w_t/s·√(1 + s/(2·w_t)),  w_t = σφ/(4·Pr·rho)
//! layer  y = own·(yb + own·tanh Γt)/(own + yb·tanh Γt)      admittance of a layer of thickness t, own = 1/√(rho_e·K_e),
//!        Γ² = s²·rho_e/K_e, before air of depth d and a rigid wall, yb = tanh(s·d/c)/(rho·c); a cloth 1/(r + 1/yb)
//! fill   s·(rho·c²/K_e − 1)                                what a filled volume adds to its adiabatic compliance
//! ```
//!
//! s = jω; σ the flow resistivity; φ = 0.98; tortuosity 1; cylindrical fibres (viscous length √(8μ/(σφ)), thermal length
//! twice that). Both functions are fitted with passive relaxations of the shared rates.
//!
//! References: Johnson, Koplik & Dashen 1987, J. Fluid Mech. 176:379; Champoux & Allard 1991, J. Appl. Phys. 70:1975.

use super::air::Air;
use super::relaxation::{Rates, Relaxing};
use crate::design::{Fill, Lining, LiningMaterial, PorousModel};
use num_complex::Complex64;

const POROSITY: f64 = 0.98;

/// rho·c²/K_e at s.
fn softness(s: Complex64, resistivity: f64, air: &Air) -> Complex64 {
    let rate = resistivity * POROSITY / (4.0 * air.prandtl * air.density_kg_per_m3);
    let g = rate / s * (1.0 + s / (2.0 * rate)).sqrt();
    POROSITY * (1.0 + (air.heat_ratio - 1.0) * g / (1.0 + g))
}

/// Effective density over ρ, and ρc²/K_e, at s.
fn fluid(s: Complex64, model: PorousModel, resistivity: f64, air: &Air) -> (Complex64, Complex64) {
    match model {
        PorousModel::JohnsonChampouxAllard => {
            let viscous = resistivity * POROSITY / air.density_kg_per_m3;
            let heavy = (1.0 + viscous / s * (1.0 + s / (2.0 * viscous)).sqrt()) / POROSITY;
            (heavy, softness(s, resistivity, air))
        }
        PorousModel::Miki => {
            // Miki 1990, with X = 10³·f/σ; f = |s|/2π, which is only ever asked for on the imaginary axis.
            let x = 1e3 * s.norm() / std::f64::consts::TAU / resistivity;
            let (slow, fast) = (x.powf(-0.632), x.powf(-0.618));
            let impedance = Complex64::new(1.0 + 5.50 * slow, -8.43 * slow);
            let wave = Complex64::new(1.0 + 7.81 * fast, -11.41 * fast);
            // Below the fit's range the modulus keeps the value of f/σ = 0.01 (X = 10), so that it gives no power.
            let low = x.max(10.0);
            let (slow, fast) = (low.powf(-0.632), low.powf(-0.618));
            let soft = Complex64::new(1.0 + 7.81 * fast, -11.41 * fast)
                / Complex64::new(1.0 + 5.50 * slow, -8.43 * slow);
            (impedance * wave, soft)
        }
    }
}

/// What a filled volume adds to its adiabatic compliance, 1/s over that compliance. A fill that takes more volume than it
/// gives compliance (only at very high resistivity and frequency) adds nothing.
pub(super) fn fill(fill: &Fill, air: &Air, rates: &Rates) -> Relaxing {
    rates.fit(|s| s * (fluid(s, fill.model, fill.flow_resistivity_pa_s_per_m2, air).1 - 1.0))
}

/// Admittance per area of a lining, m/(Pa·s).
pub(super) fn layer(lining: &Lining, air: &Air, rates: &Rates) -> Relaxing {
    let gap = lining.air_gap_m;
    let depth = match lining.material {
        LiningMaterial::Porous { thickness_m, .. } => thickness_m + gap,
        LiningMaterial::Cloth { .. } => gap,
    };
    let rho_c = air.density_kg_per_m3 * air.sound_speed_m_per_s;
    // Fitted over the compliance of the air in it, so that the numbers are of order one.
    let unit = depth / air.bulk_modulus_pa();
    let fitted = rates.fit(|s| {
        let behind = (s * gap / air.sound_speed_m_per_s).tanh() / rho_c;
        let whole = match lining.material {
            LiningMaterial::Cloth {
                specific_pa_s_per_m,
            } => behind / (1.0 + behind * specific_pa_s_per_m),
            LiningMaterial::Porous {
                flow_resistivity_pa_s_per_m2,
                thickness_m,
                model,
            } => {
                let (heavy, soft) = fluid(s, model, flow_resistivity_pa_s_per_m2, air);
                let own = (soft / heavy).sqrt() / rho_c;
                let tanh =
                    (s * thickness_m / air.sound_speed_m_per_s * (heavy * soft).sqrt()).tanh();
                own * (behind + own * tanh) / (own + behind * tanh)
            }
        };
        whole / unit
    });
    Relaxing {
        constant: fitted.constant * unit,
        slope: fitted.slope * unit,
        part: fitted.part.iter().map(|r| r * unit).collect(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::design::AirConditions;

    #[test]
    fn a_fill_is_isothermal_at_low_frequency_and_the_fit_follows() {
        let air = Air::new(AirConditions::default());
        let rates = Rates::new(5.0, 500.0);
        // DERIVED: φ·γ in the limit of low frequency.
        let low = softness(Complex64::new(0.0, 1e-3), 5_000.0, &air);
        assert!((low.re / (0.98 * air.heat_ratio) - 1.0).abs() < 1e-3);
        let fitted = fill(
            &Fill {
                flow_resistivity_pa_s_per_m2: 5_000.0,
                fraction: 1.0,
                model: PorousModel::JohnsonChampouxAllard,
            },
            &air,
            &rates,
        );
        let (resistivity, thickness) = (8_000.0, 0.03);
        let lining = Lining {
            material: LiningMaterial::Porous {
                flow_resistivity_pa_s_per_m2: resistivity,
                thickness_m: thickness,
                model: PorousModel::JohnsonChampouxAllard,
            },
            air_gap_m: 0.0,
        };
        let unit = thickness / air.bulk_modulus_pa();
        let wall = layer(&lining, &air, &rates);
        for hz in [10.0, 50.0, 300.0] {
            let s = Complex64::new(0.0, std::f64::consts::TAU * hz);
            let wanted = s * softness(s, 5_000.0, &air);
            let got = s + fitted.at(&rates, s);
            // DERIVED: the formula above; 0.5 % of the compliance is 0.02 dB of a box.
            assert!((got / wanted - 1.0).norm() < 5e-3, "{hz}: {got} {wanted}");
            // DERIVED: thin against the wave length, an isothermal layer behind a third of its resistance.
            let thin =
                1.0 / (resistivity * thickness / 3.0 + 1.0 / (s * unit * 0.98 * air.heat_ratio));
            let got = wall.at(&rates, s);
            assert!((got / thin - 1.0).norm() < 0.15, "{hz}: {got} {thin}");
        }
    }
}
