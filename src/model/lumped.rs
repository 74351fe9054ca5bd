//! Lumped elements: chamber, resistor, leak.
//!
//! ```text
//! chamber   Y = jωV/(ρc²) + (γ−1)/(ρc²)·jω·A_w·δ_t·(1−j)/2,   δ_t = √(2κ/(ρ·Cp·ω))
//! resistor  Z = R + jω·m/S + R_rise(v);  a limp cloth 1/Z = 1/(R + R_rise(v)) + S/(jω·m);  a plate: [`super::plate`]
//! leak      Z = R,  or a slot:  Z = 12μ·d/(l·g³) + jω·(6/5)·ρ·d/(l·g)
//! ```
//!
//! The chamber's second term is the heat that its walls take and give back (isothermal walls, boundary layer
//! thin against the chamber; e.g. Pierce, Acoustics, ch. 10, from memory). A fill multiplies the first term,
//! see [`super::porous`]. The slot is plane viscous flow with its low-frequency inertance (Poiseuille).

use super::porous;
use super::tone::Tone;
use crate::design::path::Key;
use crate::design::{Chamber, Leak, LeakForm, Resistance, Resistor};
use crate::special::number::Field;
use num_complex::Complex64;

fn pick<T: Field>(value: f64, key: Key, seed: Option<Key>) -> T {
    T::variable(value, if seed == Some(key) { 1.0 } else { 0.0 })
}

/// Admittance of a chamber, m³/(Pa·s).
#[must_use]
pub fn chamber<T: Field>(chamber: &Chamber, at: &Tone, seed: Option<Key>) -> T {
    let volume: T = pick(chamber.volume_m3, Key::Volume, seed);
    let wall: T = match chamber.wall_area_m2 {
        // The rule 6·V^(2/3) follows the volume: (V²)^(1/3) by exp and ln.
        None if seed != Some(Key::WallArea) => (volume.ln() * (2.0 / 3.0)).exp() * 6.0,
        _ => pick(chamber.wall_area(), Key::WallArea, seed),
    };
    let omega = at.omega_rad_per_s;
    let mut compliance = volume * (1.0 / at.bulk_pa);
    if let Some(fill) = chamber.fill {
        let resistivity: T = pick(
            fill.flow_resistivity_pa_s_per_m2,
            Key::FlowResistivity,
            seed,
        );
        compliance = compliance
            * porous::compliance_factor(
                at,
                fill.model,
                resistivity,
                pick(fill.fraction, Key::Fraction, seed),
            );
    }
    let layer = (2.0 * at.viscosity_pa_s / (at.prandtl * at.density_kg_per_m3 * omega)).sqrt();
    let heat = Complex64::new(0.5, 0.5) * ((at.gamma - 1.0) / at.bulk_pa * omega * layer);
    compliance * Complex64::new(0.0, omega) + wall * heat
}

/// Admittance of a resistor, m³/(Pa·s); `rise` is what the particle velocity adds, Pa·s/m³.
#[must_use]
pub fn resistor<T: Field>(resistor: &Resistor, at: &Tone, rise: f64, seed: Option<Key>) -> T {
    if let Resistance::Plate(plate) = &resistor.resistance {
        let area = resistor.area_m2.unwrap_or(f64::NAN);
        let face: T = super::plate::specific_impedance(plate, at, seed);
        return (face * (1.0 / area) + T::from_f64(rise)).recip();
    }
    let mut z: T = pick(resistor.acoustic_pa_s_per_m3(), Key::Resistance, seed);
    z = z + T::from_f64(rise);
    if resistor.limp
        && let Some(area) = resistor.area_m2
    {
        let mass: T = pick(resistor.areal_mass_kg_per_m2, Key::ArealMass, seed);
        let moved = (mass * Complex64::new(0.0, at.omega_rad_per_s / area)).recip();
        return z.recip() + moved;
    }
    if let Some(area) = resistor.area_m2
        && (resistor.areal_mass_kg_per_m2 != 0.0 || seed == Some(Key::ArealMass))
    {
        let mass: T = pick(resistor.areal_mass_kg_per_m2, Key::ArealMass, seed);
        z = z + mass * Complex64::new(0.0, at.omega_rad_per_s / area);
    }
    z.recip()
}

/// Admittance of a leak, m³/(Pa·s).
#[must_use]
pub fn leak<T: Field>(leak: &Leak, at: &Tone, seed: Option<Key>) -> T {
    match leak.form {
        LeakForm::Resistance(value) => pick::<T>(value, Key::Resistance, seed).recip(),
        LeakForm::Slot {
            length_m,
            gap_m,
            depth_m,
        } => {
            let length: T = pick(length_m, Key::Length, seed);
            let gap: T = pick(gap_m, Key::Gap, seed);
            let depth: T = pick(depth_m, Key::Depth, seed);
            let face = length * gap;
            let resistance = depth / (face * gap * gap) * (12.0 * at.viscosity_pa_s);
            let mass =
                depth / face * Complex64::new(0.0, 1.2 * at.density_kg_per_m3 * at.omega_rad_per_s);
            (resistance + mass).recip()
        }
    }
}

/// Solves a small real system by Gaussian elimination with row exchange; rows that vanish give zero.
#[must_use]
pub fn solve_real(matrix: &[Vec<f64>], right: &[f64]) -> Vec<f64> {
    let n = right.len();
    let mut a: Vec<Vec<f64>> = matrix.to_vec();
    let mut b = right.to_vec();
    for k in 0..n {
        let pivot = (k..n)
            .max_by(|&i, &j| a[i][k].abs().total_cmp(&a[j][k].abs()))
            .unwrap_or(k);
        a.swap(k, pivot);
        b.swap(k, pivot);
        if a[k][k] == 0.0 {
            continue;
        }
        for i in k + 1..n {
            let factor = a[i][k] / a[k][k];
            let pivot_row = a[k].clone();
            for (entry, upper) in a[i].iter_mut().zip(&pivot_row).skip(k) {
                *entry -= factor * upper;
            }
            b[i] -= factor * b[k];
        }
    }
    let mut x = vec![0.0; n];
    for k in (0..n).rev() {
        let sum: f64 = (k + 1..n).map(|j| a[k][j] * x[j]).sum();
        x[k] = if a[k][k] == 0.0 {
            0.0
        } else {
            (b[k] - sum) / a[k][k]
        };
    }
    x
}
