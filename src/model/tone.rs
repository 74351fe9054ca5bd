//! Everything that the elements need of the air at one frequency.

use super::wall_loss::LossFrequency;
use crate::air::Air;

/// One frequency in given air.
#[derive(Debug, Clone, Copy)]
pub struct Tone {
    /// ω, rad/s.
    pub omega_rad_per_s: f64,
    /// ρ, kg/m³.
    pub density_kg_per_m3: f64,
    /// ρc², Pa.
    pub bulk_pa: f64,
    /// c, m/s.
    pub speed_m_per_s: f64,
    /// μ, Pa·s.
    pub viscosity_pa_s: f64,
    /// Prandtl number.
    pub prandtl: f64,
    /// Ratio of heat capacities.
    pub gamma: f64,
    /// Factors of the wall loss.
    pub loss: LossFrequency,
}

impl Tone {
    /// At an angular frequency greater than zero, rad/s.
    #[must_use]
    pub fn new(air: &Air, omega_rad_per_s: f64) -> Self {
        Self {
            omega_rad_per_s,
            density_kg_per_m3: air.density_kg_per_m3,
            bulk_pa: air.bulk_pa(),
            speed_m_per_s: air.speed_m_per_s,
            viscosity_pa_s: air.viscosity_pa_s,
            prandtl: air.prandtl(),
            gamma: air.gamma,
            loss: LossFrequency::new(omega_rad_per_s, air),
        }
    }

    /// k = ω/c, rad/m.
    #[must_use]
    pub fn wave_number(&self) -> f64 {
        self.omega_rad_per_s / self.speed_m_per_s
    }

    /// ρc, Pa·s/m.
    #[must_use]
    pub fn rho_c(&self) -> f64 {
        self.density_kg_per_m3 * self.speed_m_per_s
    }
}
