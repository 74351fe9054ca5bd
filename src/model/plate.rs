//! The specific impedance of a rigid plate with holes or slots, from its dimensions.
//!
//! ```text
//! z = { jωρ·t·(1 + a_v) + jωρ·δ + r }/σ          per particle velocity over the whole face
//! a_v   viscous excess of the hole or slot (Zwikker & Kosten), see `wall_loss`
//! holes of radius a:  δ = (16/(3π))·a·ψ(√σ),       r = √[(3πμ/a)² + 2j·8μρω]
//!                     ψ(ξ) = 1 − 1.4092ξ + 0.33818ξ³ + 0.06793ξ⁵ − 0.02287ξ⁶ + 0.03015ξ⁷ − 0.01641ξ⁸
//! slots of gap g:     δ = (2g/π)·ln(1/sin(πσ/2)),  r = √[(32μ/(πg))² + 2j·2μρω]
//! ```
//!
//! | symbol | variable | unit |
//! | --- | --- | --- |
//! | t | `thickness_m` | m |
//! | σ | `open_fraction` | 1 |
//! | δ | added length, both sides together | m |
//! | r | impedance of the friction of the flow towards and away from a hole, both sides together | Pa·s/m |
//!
//! δ of holes: two pistons in a flange, less what neighbours share (Fok 1941, for a hole in the end of a cell of the
//! same open fraction). δ of slots: exact for a thin plate of regular slots (conformal mapping, as the capacitive
//! window of a waveguide: Marcuvitz 1951). r: at low frequency the creeping flow through a thin opening (Sampson
//! 1891; slots: Hasimoto 1958), at high frequency the boundary layer on the face of the plate, as though the plate
//! were thicker by the hole's diameter or the slot's gap (Ingard 1953, JASA 25:1037); the root of squares between
//! the two is our own; a layer whose resistance grows with √ω has as much reactance, or it would not be causal. All from memory. Published end resistances differ by a factor of two either way, which
//! matters for thin plates with wide holes. Finite elements (`tests/reference/fe`) give δ of holes within 3 % (σ up to
//! 0.2, plates at least half a radius thick; a thinner plate has up to 8 % less), of slots exactly where thin and 0.04·g more
//! where thick. Range: holes and their spacing far below a wavelength, σ up to about 0.4.
//! The rise with level is in [`crate::design::Plate::rise_pa_s2_per_m2`].

use super::tone::Tone;
use crate::design::path::Key;
use crate::design::{Holes, Plate};
use crate::special::Field;
use num_complex::Complex64;
use std::f64::consts::PI;

/// Specific impedance over the whole face, Pa·s/m.
#[must_use]
pub fn specific_impedance<T: Field>(plate: &Plate, at: &Tone, seed: Option<Key>) -> T {
    let pick = |value: f64, key: Key| T::variable(value, f64::from(u8::from(seed == Some(key))));
    let thickness: T = pick(plate.thickness_m, Key::Thickness);
    let open: T = pick(plate.open_fraction, Key::OpenFraction);
    let (rho, mu, omega) = (at.density_kg_per_m3, at.viscosity_pa_s, at.omega_rad_per_s);
    let (excess, added, creeping, layer) = match plate.holes {
        Holes::Round { diameter_m } => {
            let a = pick(diameter_m, Key::HoleDiameter) * 0.5;
            (
                at.loss.round(a).series,
                a * (16.0 / (3.0 * PI)) * shared(open),
                a.recip() * (3.0 * PI * mu),
                8.0 * mu * rho * omega,
            )
        }
        Holes::Slots { gap_m } => {
            let g = pick(gap_m, Key::Gap);
            (
                at.loss.slit(g).series,
                g * slot_length_per_gap(open),
                g.recip() * (32.0 * mu / PI),
                2.0 * mu * rho * omega,
            )
        }
    };
    let end = (creeping * creeping + T::from_complex(Complex64::new(0.0, 2.0 * layer))).sqrt();
    let mass = Complex64::new(0.0, omega * rho);
    ((thickness * (excess + 1.0) + added) * mass + end) / open
}

/// ψ: what neighbouring holes leave of the end correction, for an open fraction.
pub fn shared<T: Field>(open_fraction: T) -> T {
    let x = open_fraction.sqrt();
    let x2 = x * x;
    let x5 = x2 * x2 * x;
    -(x * 1.4092)
        + x * x2 * 0.338_18
        + x5 * (-(x * 0.022_87) + x2 * 0.030_15 - x2 * x * 0.016_41 + 0.067_93)
        + 1.0
}

/// δ/g of a thin plate of slots: (2/π)·ln(1/sin(πσ/2)).
pub fn slot_length_per_gap<T: Field>(open_fraction: T) -> T {
    // sin x = x·sinhc(−x²) in the form that carries derivatives.
    let x = open_fraction * (PI / 2.0);
    let (_, sinc) = crate::special::cosh_sinhc(-(x * x));
    -((x * sinc).ln() * (2.0 / PI))
}
