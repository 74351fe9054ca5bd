//! A rigid plate with holes or slots, as a mass and relaxations that a time step can carry along.
//!
//! ```text
//! z(s) = { ρ·t·(s + v(s)) + ρ·δ·s + r(s) }/σ         over the particle velocity of the whole face
//! v(s)      viscous loss of the hole or slot, 1/s       see `relaxation`
//! holes     δ = 16a/(3π)·ψ(√σ),  r = √[(3πμ/a)² + 16μρs],  ψ(x) after Fok 1941
//! slots     δ = 2g/π·ln(1/sin(πσ/2)),  r = √[(32μ/(πg))² + 4μρs]
//! ```
//!
//! | symbol | meaning | unit |
//! | --- | --- | --- |
//! | t, σ | thickness, open fraction | m, 1 |
//! | a, g | radius of the holes, gap of the slots | m |
//! | δ, r | added length and resistance of the flow at both faces | m, Pa·s/m |
//!
//! References: Fok 1941; Ingard 1953, JASA 25:1037; Sampson 1891; Hasimoto 1958; Marcuvitz 1951 (all from memory).

use super::air::Air;
use super::relaxation::{Bore, Rates, Relaxing, viscous_loss};
use crate::design::{Holes, Plate};
use num_complex::Complex64;
use std::f64::consts::PI;

/// ψ of Fok 1941: what neighbouring holes leave of the added length; coefficients of ξ⁰ to ξ⁸.
const FOK: [f64; 9] = [
    1.0, -1.4092, 0.0, 0.33818, 0.0, 0.06793, -0.02287, 0.03015, -0.01641,
];

/// Specific impedance over the whole face at s = jω, Pa·s/m.
fn specific(plate: &Plate, air: &Air, s: Complex64) -> Complex64 {
    let (rho, mu, open) = (
        air.density_kg_per_m3,
        air.viscosity_pa_s,
        plate.open_fraction,
    );
    let (bore, added_m, steady, layer) = match plate.holes {
        Holes::Round { diameter_m } => {
            let a = 0.5 * diameter_m;
            let shared = FOK.iter().rev().fold(0.0, |sum, c| sum * open.sqrt() + c);
            (
                Bore::Round(a),
                16.0 * a / (3.0 * PI) * shared,
                3.0 * PI * mu / a,
                8.0,
            )
        }
        Holes::Slots { gap_m } => (
            Bore::Slit(gap_m),
            -2.0 * gap_m / PI * (0.5 * PI * open).sin().ln(),
            32.0 * mu / (PI * gap_m),
            2.0,
        ),
    };
    let face = (steady * steady + 2.0 * layer * mu * rho * s).sqrt();
    let through = s + viscous_loss(bore, air.kinematic_viscosity_m2_per_s(), s);
    (rho * (plate.thickness_m * through + added_m * s) + face) / open
}

/// The same as a resistance, a mass (the slope) and relaxations, Pa·s/m.
pub(super) fn face(plate: &Plate, air: &Air, rates: &Rates) -> Relaxing {
    rates.fit(|s| specific(plate, air, s))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::design::AirConditions;

    fn plate(holes: Holes, thickness_m: f64, open_fraction: f64) -> Plate {
        Plate {
            holes,
            thickness_m,
            open_fraction,
            discharge: 0.7,
        }
    }

    #[test]
    fn a_plate_is_viscous_when_slow_and_a_mass_when_fast() {
        let air = Air::new(AirConditions::default());
        let (rho, mu) = (air.density_kg_per_m3, air.viscosity_pa_s);
        let (slow, fast) = (Complex64::new(0.0, 0.05), Complex64::new(0.0, 1e8));
        let d = 5e-4;
        let holes = plate(Holes::Round { diameter_m: d }, 1e-3, 0.16);
        let slots = plate(Holes::Slots { gap_m: d }, 1e-3, 0.16);
        // DERIVED: Poiseuille 32μt/d² and 12μt/g² plus the stated r at ω = 0. 0.1 %: what ω = 0.05 adds.
        let wanted = (32.0 * mu * 1e-3 / (d * d) + 6.0 * PI * mu / d) / 0.16;
        assert!((specific(&holes, &air, slow).re / wanted - 1.0).abs() < 1e-3);
        let wanted = (12.0 * mu * 1e-3 / (d * d) + 32.0 * mu / (PI * d)) / 0.16;
        assert!((specific(&slots, &air, slow).re / wanted - 1.0).abs() < 1e-3);
        // DERIVED: ρ(t + δ)/σ with ψ(0.4) = 0.45816 by hand. 0.5 %: boundary layers 0.6 µm thin.
        let wanted = rho * (1e-3 + 8.0 * d / (3.0 * PI) * 0.458_16) / 0.16;
        let mass = specific(&holes, &air, fast).im / 1e8;
        assert!((mass / wanted - 1.0).abs() < 5e-3, "{mass} {wanted}");
        let wanted = rho * (1e-3 + 2.0 * d / PI * (1.0 / (0.08 * PI).sin()).ln()) / 0.16;
        let mass = specific(&slots, &air, fast).im / 1e8;
        assert!((mass / wanted - 1.0).abs() < 5e-3, "{mass} {wanted}");
    }

    #[test]
    fn the_fitted_plate_follows_the_formula() {
        let air = Air::new(AirConditions::default());
        let rates = Rates::new(5.0, 500.0);
        // (diameter or gap, thickness, allowed): the part that no passive element can follow grows with the hole.
        for (size, thickness, allowed) in [
            (3e-4, 1e-3, 0.01),
            (5e-4, 1e-3, 0.02),
            (1e-3, 1e-3, 0.04),
            (5e-3, 3e-3, 0.07),
        ] {
            for holes in [
                Holes::Round { diameter_m: size },
                Holes::Slots { gap_m: size },
            ] {
                let plate = plate(holes, thickness, 0.1);
                let fitted = face(&plate, &air, &rates);
                for hz in [8.0, 20.0, 60.0, 150.0, 350.0] {
                    let s = Complex64::new(0.0, std::f64::consts::TAU * hz);
                    let wanted = specific(&plate, &air, s);
                    let error = (fitted.at(&rates, s) - wanted).norm() / wanted.norm();
                    // DERIVED: the formula above; see the header for what stays.
                    assert!(error < allowed, "{holes:?} {hz}: {error}");
                }
            }
        }
    }
}
