//! The moving-coil driver between its front and rear junctions.
//!
//! ```text
//! e = Ze·i + Bl·v            Ze = source + Re + jωLe + (jωL2 ∥ R2)
//! Bl·i − Sd·(p_f − p_r) = Zm·v   Zm = Rms + jωMmd + 1/(jωCms(ω))
//! U = Sd·v = Q − Ya·(p_f − p_r)   Ya = Sd²/(Zm + Bl²/Ze),  Q = Sd·Bl·e/(Ze·(Zm + Bl²/Ze))
//! Cms(ω) = Cms·(1 − λ·log10(jω/ω0)),  ω0 = 1/√(M·Cms)   (creep)
//! ```
//!
//! A positive cone velocity moves air into the front junction. Voltages and currents are RMS where levels are
//! meant; the equations are linear, so that any common scale holds. With a mass that includes the free-air
//! load, 2·(8/3)·ρa³ with a = √(Sd/π) (a piston in an infinite baffle, both sides) is taken off, because the
//! network adds the real load. References: Small 1972, JAES 20:383; creep: Knudsen & Jensen 1993, JAES 41:3.

use crate::design::{Driver, Mechanics, path::Key};
use crate::special::number::Field;
use num_complex::Complex64;
use std::f64::consts::{LN_10, PI, TAU};

/// The driver's numbers, each of which may carry a derivative.
#[derive(Debug, Clone, Copy)]
pub struct DriverNumbers<T> {
    source: T,
    re: T,
    bl: T,
    mass: T,
    cms: T,
    rms: T,
    sd: T,
    le: T,
    eddy: Option<(T, T)>,
    creep: T,
}

/// What the network sees of the driver at one frequency, for 1 V at the amplifier.
#[derive(Debug, Clone, Copy)]
pub struct DriverPort<T> {
    /// Ya, m³/(Pa·s).
    pub admittance: T,
    /// Q, m³/s per volt.
    pub source: T,
    /// Ze, Ω.
    pub blocked: T,
    /// Bl, N/A.
    pub bl: T,
    /// Sd, m².
    pub sd: T,
    /// Source resistance, Ω.
    pub source_ohm: T,
}

impl<T: Field> DriverNumbers<T> {
    /// From a design; `density_kg_per_m3` and `rho_c2` are those of the reference air of the data sheet.
    #[must_use]
    pub fn new(
        driver: &Driver,
        source_ohm: f64,
        density_kg_per_m3: f64,
        rho_c2: f64,
        seed: Option<Key>,
    ) -> Self {
        let pick =
            |value: f64, key: Key| T::variable(value, if seed == Some(key) { 1.0 } else { 0.0 });
        let sd = pick(driver.sd_m2, Key::Sd);
        let re = pick(driver.re_ohm, Key::Re);
        let (bl, mut mass, cms, rms) = match driver.mechanics {
            Mechanics::Mechanical {
                bl_n_per_a,
                mass_kg,
                cms_m_per_n,
                rms_kg_per_s,
                with_air_load,
            } => (
                pick(bl_n_per_a, Key::Bl),
                pick(mass_kg, if with_air_load { Key::Mms } else { Key::Mmd }),
                pick(cms_m_per_n, Key::Cms),
                pick(rms_kg_per_s, Key::Rms),
            ),
            Mechanics::Resonance {
                fs_hz,
                qms,
                qes,
                vas_m3,
            } => {
                let omega = pick(fs_hz, Key::Fs) * TAU;
                let cms = pick(vas_m3, Key::Vas) / (sd * sd * rho_c2);
                let mms = (omega * omega * cms).recip();
                let rms = omega * mms / pick(qms, Key::Qms);
                (
                    (omega * mms * re / pick(qes, Key::Qes)).sqrt(),
                    mms,
                    cms,
                    rms,
                )
            }
        };
        if driver.mass_has_air_load() {
            mass = mass - air_load(sd, density_kg_per_m3);
        }
        let eddy = match (driver.l2_h, driver.r2_ohm) {
            (Some(l2), Some(r2)) => Some((pick(l2, Key::L2), pick(r2, Key::R2))),
            _ => None,
        };
        Self {
            source: T::from_f64(source_ohm),
            re,
            bl,
            mass,
            cms,
            rms,
            sd,
            le: pick(driver.le_h, Key::Le),
            eddy,
            creep: pick(driver.creep, Key::Creep),
        }
    }

    /// The driver at one frequency.
    #[must_use]
    pub fn port(&self, omega_rad_per_s: f64) -> DriverPort<T> {
        let s = Complex64::new(0.0, omega_rad_per_s);
        let mut blocked = self.source + self.re + self.le * s;
        if let Some((l2, r2)) = self.eddy {
            let x = l2 * s;
            blocked = blocked + x * r2 / (x + r2);
        }
        let mut cms = self.cms;
        if self.creep.value().re != 0.0 || !self.creep.is_constant() {
            // log10(jω/ω0) = [ln ω + jπ/2 + ½·ln(M·Cms)]/ln 10
            let log = ((self.mass * self.cms).ln() * 0.5
                + T::from_complex(Complex64::new(omega_rad_per_s.ln(), PI / 2.0)))
                * (1.0 / LN_10);
            cms = cms * (T::from_f64(1.0) - self.creep * log);
        }
        let mechanical = self.rms + self.mass * s + (cms * s).recip();
        let total = mechanical + self.bl * self.bl / blocked;
        let inverse = total.recip();
        DriverPort {
            admittance: self.sd * self.sd * inverse,
            source: self.sd * self.bl * inverse / blocked,
            blocked,
            bl: self.bl,
            sd: self.sd,
            source_ohm: self.source,
        }
    }
}

impl<T: Field> DriverPort<T> {
    /// Volume velocity into the front junction for the pressure difference front − rear, m³/s per volt.
    #[must_use]
    pub fn volume_velocity(&self, difference: T) -> T {
        self.source - self.admittance * difference
    }

    /// Current for the pressure difference front − rear, A per volt.
    #[must_use]
    pub fn current(&self, difference: T) -> T {
        (T::from_f64(1.0) - self.bl * self.volume_velocity(difference) / self.sd) / self.blocked
    }

    /// Impedance at the driver's terminals, Ω.
    #[must_use]
    pub fn impedance(&self, difference: T) -> T {
        self.current(difference).recip() - self.source_ohm
    }
}

/// Free-air load of both sides of a piston in an infinite baffle, kg: 2·(8/3)·ρ·a³.
pub fn air_load<T: Field>(sd: T, density_kg_per_m3: f64) -> T {
    let radius = (sd * (1.0 / PI)).sqrt();
    radius * radius * radius * (16.0 / 3.0 * density_kg_per_m3)
}
