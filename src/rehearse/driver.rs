//! One moving-coil driver in time; [`super::drivers`] wires it to the amplifier and to others.
//!
//! ```text
//! e = Re·i + Le·di/dt + Σ r·(i − w) + Bl(x)·v         dw/dt = q·(i − w): l2 beside r2 (r = R2, q = R2/L2), and
//!                                                            the relaxations fitted to the semi-inductance K·(jω)ⁿ
//! M·dv/dt + Rms·v + F(x) = Bl(x)·i − Sd·(p_front − p_rear),  dx/dt = v
//! x = C_inf·F + Σ x_k,  dx_k/dt = q_k·(c_k·F − x_k)          creep: Σ fits Cms·(1 − λ·log10(jω/ω0))
//! ```
//!
//! `e` is the voltage at the coil and `i` its current, both in the sense in which a positive current pushes the cone
//! towards its front. `M` is without air load. ω0 is the resonance of that mass and Cms. Implicit midpoint. With `nonlinear` = X:
//! Bl(x) = Bl·(1 − 0.05X·ξ − 0.15X·ξ²), F is multiplied by 1 + 0.05X·ξ + 0.30X·ξ², ξ = x/xmax.
//!
//! References: Small 1972, JAES 20:383; Knudsen & Jensen 1993, JAES 41:3 (creep).

use super::air::Air;
use super::relaxation::{Rates, Relax};
use crate::design::{AirConditions, Driver};

/// The driver and its states at time n.
#[derive(Debug, Clone)]
pub(super) struct Motor {
    step_s: f64,
    electric: f64,
    inductance: f64,
    relax: Vec<Relax>,
    bl: f64,
    mass: f64,
    damping: f64,
    stiffness: f64,
    creep: Vec<(f64, f64)>,
    creep_gain: Vec<f64>,
    /// Piston area, m².
    pub sd_m2: f64,
    nonlinear: f64,
    xmax_m: f64,
    current: f64,
    velocity: f64,
    displacement: f64,
    creep_m: Vec<f64>,
}

/// What a driver is in one step, all at n + 1/2: `coil_ohm·i = e + drive − bl·v`, `resistance·v = force + bl·i − Sd·Δp`.
#[derive(Debug, Clone, Copy)]
pub(super) struct Step {
    /// Force factor, N/A.
    pub bl: f64,
    /// Voltage that the past adds, V.
    pub drive: f64,
    /// Force that the past adds, N.
    pub force: f64,
    /// Mechanical resistance, kg/s.
    pub resistance: f64,
    stiff: f64,
    offset: f64,
}

/// The moving mass would be negative once its air load is taken off.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct NoMass {
    /// Mass as stated, kg.
    pub mass_kg: f64,
    /// Free-air load, kg.
    pub load_kg: f64,
}

impl Motor {
    /// At rest.
    pub fn new(
        driver: &Driver,
        rates: &Rates,
        step_s: f64,
        nonlinear: f64,
    ) -> Result<Self, NoMass> {
        let reference = Air::new(AirConditions::default());
        let (bl, mut mass, cms, rms) = driver.mechanical(reference.bulk_modulus_pa());
        if driver.mass_has_air_load() {
            let radius = super::radiation::radius_m(driver.sd_m2);
            let load = 2.0 * 8.0 / 3.0 * reference.density_kg_per_m3 * radius.powi(3);
            if mass <= load {
                return Err(NoMass {
                    mass_kg: mass,
                    load_kg: load,
                });
            }
            mass -= load;
        }
        let omega_0 = 1.0 / (mass * cms).sqrt();
        let mut resistance = driver.re_ohm * driver.warmth();
        let mut inductance = driver.le_h;
        let mut relax = Vec::new();
        if let Some((l2, r2)) = driver.l2_h.zip(driver.r2_ohm) {
            relax.push(Relax::new(r2, r2 / l2, step_s));
        }
        if let Some(semi) = driver.semi {
            let (k, fitted) = (semi.k_ohm_s_n, rates.power(semi.n));
            resistance += k * fitted.constant;
            inductance += k * fitted.slope;
            let parts = fitted.part.iter().zip(&rates.rate_rad_per_s);
            relax.extend(
                parts
                    .filter(|(r, _)| **r > 0.0)
                    .map(|(r, q)| Relax::new(k * r, *q, step_s)),
            );
        }
        let inductance = 2.0 * inductance / step_s;
        let mut compliance = cms;
        let mut creep = Vec::new();
        let mut creep_gain = Vec::new();
        if driver.creep != 0.0 {
            let (constant, part) = rates.creep(driver.creep, omega_0);
            compliance = cms * constant;
            for (c, q) in part.iter().zip(&rates.rate_rad_per_s) {
                let half = 0.5 * step_s * q;
                compliance += cms * c * half / (1.0 + half);
                creep.push((1.0 / (1.0 + half), half / (1.0 + half)));
                creep_gain.push(cms * c);
            }
        }
        Ok(Self {
            step_s,
            inductance,
            electric: resistance + inductance + relax.iter().map(Relax::strength).sum::<f64>(),
            relax,
            bl,
            mass: 2.0 * mass / step_s,
            damping: rms,
            stiffness: 1.0 / compliance,
            creep_m: vec![0.0; creep.len()],
            creep,
            creep_gain,
            sd_m2: driver.sd_m2,
            nonlinear,
            xmax_m: driver.xmax_m.unwrap_or(0.01),
            current: 0.0,
            velocity: 0.0,
            displacement: 0.0,
        })
    }

    /// Resistance of the coil in one step, Ω: its inductances included.
    pub fn coil_ohm(&self) -> f64 {
        self.electric
    }

    /// Prepares the step.
    pub fn prepare(&self) -> Step {
        let (mut bl, mut stiff) = (self.bl, self.stiffness);
        if self.nonlinear != 0.0 {
            let x = (self.displacement + 0.5 * self.step_s * self.velocity) / self.xmax_m;
            let x = x.clamp(-2.0, 2.0);
            bl *= (1.0 - self.nonlinear * (0.05 * x + 0.15 * x * x)).max(0.05);
            stiff *= (1.0 + self.nonlinear * (0.05 * x + 0.30 * x * x)).max(0.05);
        }
        let drive =
            self.inductance * self.current + self.relax.iter().map(Relax::remembered).sum::<f64>();
        let crept: f64 = self
            .creep
            .iter()
            .zip(&self.creep_m)
            .map(|(c, x)| c.0 * x)
            .sum();
        let offset = self.displacement - crept;
        Step {
            bl,
            drive,
            force: self.mass * self.velocity - stiff * offset,
            resistance: self.mass + self.damping + 0.5 * stiff * self.step_s,
            stiff,
            offset,
        }
    }

    /// Advances with the cone velocity, m/s, and the current, A, at n + 1/2.
    pub fn advance(&mut self, step: &Step, velocity: f64, current: f64) {
        self.current = 2.0 * current - self.current;
        for relax in &mut self.relax {
            relax.advance(current);
        }
        let force = step.stiff * (step.offset + 0.5 * self.step_s * velocity);
        for ((x, (stay, feed)), gain) in self
            .creep_m
            .iter_mut()
            .zip(&self.creep)
            .zip(&self.creep_gain)
        {
            let middle = stay * *x + feed * gain * force;
            *x = 2.0 * middle - *x;
        }
        self.displacement += self.step_s * velocity;
        self.velocity = 2.0 * velocity - self.velocity;
    }
}
