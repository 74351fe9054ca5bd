//! The drivers of a unit, one or several of the same data, with their wiring and the amplifier's source.
//!
//! ```text
//! c = Y·(h + s·e·share − Bl·v)             currents of the coils, each in its cone's sense (force Bl·c)
//! parallel  Y = 1/Ec − s·sᵀ·Rs/(Ec·(Ec + N·Rs)),  share 1,    total current Σ s·c
//! series    Y = s·sᵀ/(Rs + N·Ec),                 share 1/N,  total current the mean of s·c
//! (D + Bl·Y·Bl + Sd²·L)·v = F + Bl·c(v = 0) − Sd·Δp      Δp + L·Sd·v: pressure differences, front less rear
//! ```
//!
//! All at n + 1/2, by the implicit midpoint rule. `s` = ±1 is the sense of the leads; Ec and h are the coil's
//! resistance in one step and what its past adds to the voltage, D and F the same of the cone ([`super::driver`]). Each
//! has its own Bl and stiffness of the step. The matrix is symmetric and positive for any load that is passive.

use super::driver::{Motor, NoMass, Step};
use super::fit::solve;
use super::relaxation::Rates;
use crate::design::{Driver, Wiring};

/// The drivers and their states at time n.
#[derive(Debug, Clone)]
pub(super) struct Drivers {
    motor: Vec<Motor>,
    sign: Vec<f64>,
    wiring: Wiring,
    /// Resistance ahead of the terminals, Ω.
    source_ohm: f64,
    /// Y, row by row, A/V.
    admittance: Vec<f64>,
    /// Drivers whose cone cannot move, because a side of it is closed.
    held: Vec<bool>,
    /// Volume velocity of each at n + 1/2, m³/s.
    flow: Vec<f64>,
}

impl Drivers {
    /// `source_ohm` is what lies between the driving voltage and the terminals; `held` says which cones cannot move.
    pub fn new(
        driver: &Driver,
        held: Vec<bool>,
        source_ohm: f64,
        rates: &Rates,
        step_s: f64,
        nonlinear: f64,
    ) -> Result<Self, NoMass> {
        let one = Motor::new(driver, rates, step_s, nonlinear)?;
        let sign: Vec<f64> = driver.places().map(|(_, _, sign)| sign).collect();
        let (count, coil) = (sign.len() as f64, one.coil_ohm());
        let (own, common) = match driver.wiring {
            Wiring::Parallel => (
                1.0 / coil,
                -source_ohm / (coil * (coil + count * source_ohm)),
            ),
            Wiring::Series => (0.0, 1.0 / (source_ohm + count * coil)),
        };
        let mut admittance = Vec::new();
        for (k, row) in sign.iter().enumerate() {
            admittance.extend(sign.iter().enumerate().map(|(l, column)| {
                let own = if k == l { own } else { 0.0 };
                own + row * column * common
            }));
        }
        Ok(Self {
            motor: vec![one; sign.len()],
            flow: vec![0.0; sign.len()],
            sign,
            wiring: driver.wiring,
            source_ohm,
            admittance,
            held,
        })
    }

    /// One step with the driving voltage at n + 1/2; `difference_pa` are the pressure differences that would be there
    /// without any volume velocity of the cones, `load` (row by row, Pa·s/m³) what those add. Returns the total current.
    pub fn step(&mut self, voltage: f64, difference_pa: &[f64], load: &[f64]) -> f64 {
        let n = self.motor.len();
        let count = n as f64;
        let (share, coils) = match self.wiring {
            Wiring::Parallel => (1.0, count),
            Wiring::Series => (1.0 / count, 1.0),
        };
        let step: Vec<Step> = self.motor.iter().map(Motor::prepare).collect();
        let current = |k: usize, velocity: Option<&[f64]>| -> f64 {
            (0..n)
                .map(|l| {
                    let moved = velocity.map_or(0.0, |v| step[l].bl * v[l]);
                    let seen = step[l].drive + self.sign[l] * voltage * share - moved;
                    self.admittance[k * n + l] * seen
                })
                .sum()
        };
        let mut matrix = vec![0.0; n * n];
        let mut force = vec![0.0; n];
        for (k, own) in step.iter().enumerate() {
            let sd = self.motor[k].sd_m2;
            matrix[k * n + k] = own.resistance;
            if self.held[k] {
                continue;
            }
            force[k] = own.force + own.bl * current(k, None) - sd * difference_pa[k];
            for (l, other) in step.iter().enumerate().filter(|(l, _)| !self.held[*l]) {
                matrix[k * n + l] +=
                    own.bl * self.admittance[k * n + l] * other.bl + sd * sd * load[k * n + l];
            }
        }
        let velocity = solve(matrix, force);
        let each: Vec<f64> = (0..n).map(|k| current(k, Some(&velocity))).collect();
        for (k, motor) in self.motor.iter_mut().enumerate() {
            motor.advance(&step[k], velocity[k], each[k]);
            self.flow[k] = motor.sd_m2 * velocity[k];
        }
        let mean = each.iter().zip(&self.sign).map(|(c, s)| c * s).sum::<f64>() / count;
        mean * coils
    }

    /// Volume velocity of each cone in the last step, m³/s; positive into its front.
    pub fn flow(&self) -> &[f64] {
        &self.flow
    }

    /// Resistance ahead of the terminals, Ω.
    pub fn source_ohm(&self) -> f64 {
        self.source_ohm
    }
}
