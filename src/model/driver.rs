//! The moving-coil driver between its front and rear junctions.
//!
//! ```text
//! e = Ze·i + Bl·v            Ze = source + Re·(1 + α·(T − 20 °C)) + jωLe + (jωL2 ∥ R2) + K·(jω)ⁿ
//! Bl·i − Sd·(p_f − p_r) = Zm·v   Zm = Rms + jωMmd + 1/(jωCms(ω))
//! U = Sd·v = Q − Ya·(p_f − p_r)   Ya = Sd²/(Zm + Bl²/Ze),  Q = Sd·Bl·e/(Ze·(Zm + Bl²/Ze))
//! Cms(ω) = Cms·(1 − λ·log10(jω/ω0)),  ω0 = 1/√(M·Cms)   (creep)
//! ```
//!
//! Several drivers of the same data, driver k with the sign s_k = ±1 of its leads and Δ_k = p_f − p_r there: the mean
//! v̄ = Σ s_k·v_k/N sees all voltages in common, the rest none. With Ze the blocked impedance of one coil and Rs that
//! of the source,
//!
//! ```text
//! U_k = s_k·Ū − Yd·(Δ_k − s_k·Δ̄),  Ū = Q − Ya·Δ̄,  Δ̄ = Σ s_k·Δ_k/N
//! parallel  Ya, Q with Ze + N·Rs and e,      Yd = Sd²/(Zm + Bl²/Ze),  total current N·i
//! series    Ya, Q with Ze + Rs/N and e/N,    Yd = Sd²/Zm,             total current i
//! ```
//!
//! A cone with a closed side is held: it does not move, and the terminals show the blocked coil. One driver alone may be.
//!
//! A positive cone velocity moves air into the front junction. Voltages and currents are RMS where levels are
//! meant; the equations are linear, so that any common scale holds. With a mass that includes the free-air
//! load, 2·(8/3)·ρa³ with a = √(Sd/π) (a piston in an infinite baffle, both sides) is taken off, because the
//! network adds the real load. References: Small 1972, JAES 20:383; creep: Knudsen & Jensen 1993, JAES 41:3; L2 ∥ R2
//! and semi-inductance: Leach 2002, JAES 50:442; Thorborg & Unruh 2008, JAES 56:696 (from memory). The warm coil:
//! [`crate::design::CoilMetal`].

use crate::design::{Driver, Mechanics, Wiring, path::Key};
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
    semi: Option<(T, T)>,
    creep: T,
    count: f64,
    wiring: Wiring,
    /// A side of the cone is closed: it cannot move.
    held: bool,
}

/// What the network sees of the driver at one frequency, for 1 V at the amplifier.
#[derive(Debug, Clone, Copy)]
pub struct DriverPort<T> {
    /// Ya, m³/(Pa·s).
    pub admittance: T,
    /// Q, m³/s per volt.
    pub source: T,
    /// Yd of the differences between several drivers, m³/(Pa·s); that of one driver plays no part.
    pub apart: T,
    /// Total current over the current of one coil.
    pub coils: f64,
    /// Voltage that one coil and its share of the source see, V.
    pub share: f64,
    /// Ze of one coil with its share of the source, Ω.
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
            re: match driver.coil_temperature_c {
                Some(temperature_c) => {
                    let warmer = pick(temperature_c, Key::CoilTemperature) - 20.0;
                    re * (warmer * driver.coil_metal.per_kelvin() + 1.0)
                }
                None => re,
            },
            bl,
            mass,
            cms,
            rms,
            sd,
            le: pick(driver.le_h, Key::Le),
            eddy,
            semi: driver
                .semi
                .map(|s| (pick(s.k_ohm_s_n, Key::SemiK), pick(s.n, Key::SemiN))),
            creep: pick(driver.creep, Key::Creep),
            count: driver.count() as f64,
            wiring: driver.wiring,
            held: driver.is_held(),
        }
    }

    /// The driver at one frequency.
    #[must_use]
    pub fn port(&self, omega_rad_per_s: f64) -> DriverPort<T> {
        let s = Complex64::new(0.0, omega_rad_per_s);
        let mut coil = self.re + self.le * s;
        if let Some((l2, r2)) = self.eddy {
            let x = l2 * s;
            coil = coil + x * r2 / (x + r2);
        }
        if let Some((k, n)) = self.semi {
            // (jω)ⁿ = exp(n·(ln ω + jπ/2))
            coil = coil + k * (n * Complex64::new(omega_rad_per_s.ln(), PI / 2.0)).exp();
        }
        let (factor, coils, share) = match self.wiring {
            Wiring::Parallel => (self.count, self.count, 1.0),
            Wiring::Series => (self.count.recip(), 1.0, self.count.recip()),
        };
        let blocked = coil + self.source * factor;
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
        let inverse = if self.held {
            T::from_f64(0.0)
        } else {
            total.recip()
        };
        let apart = if self.count == 1.0 {
            T::from_f64(0.0)
        } else {
            let own = match self.wiring {
                Wiring::Parallel => mechanical + self.bl * self.bl / coil,
                Wiring::Series => mechanical,
            };
            self.sd * self.sd / own
        };
        DriverPort {
            admittance: self.sd * self.sd * inverse,
            source: self.sd * self.bl * inverse * share / blocked,
            apart,
            coils,
            share,
            blocked,
            bl: self.bl,
            sd: self.sd,
            source_ohm: self.source,
        }
    }
}

impl<T: Field> DriverPort<T> {
    /// Mean volume velocity Ū for the mean pressure difference Δ̄, m³/s per volt.
    #[must_use]
    pub fn volume_velocity(&self, difference: T) -> T {
        self.source - self.admittance * difference
    }

    /// Volume velocity of one driver with the sign `sign` and its own pressure difference, m³/s per volt.
    #[must_use]
    pub fn own_velocity(&self, sign: f64, own: T, mean: T) -> T {
        self.volume_velocity(mean) * sign - self.apart * (own - mean * sign)
    }

    /// Mean coil current for the mean pressure difference, A per volt.
    #[must_use]
    pub fn coil_current(&self, difference: T) -> T {
        (T::from_f64(self.share) - self.bl * self.volume_velocity(difference) / self.sd)
            / self.blocked
    }

    /// Current of one coil with the sign `sign` and its own volume velocity, A per volt: coils in parallel differ
    /// where their cones do.
    #[must_use]
    pub fn own_current(&self, sign: f64, own: T, mean: T) -> T {
        let common = self.coil_current(mean);
        if self.coils == 1.0 {
            return common * sign;
        }
        let differs = self.own_velocity(sign, own, mean) - self.volume_velocity(mean) * sign;
        let coil = self.blocked - self.source_ohm * self.coils;
        common * sign - self.bl * differs / self.sd / coil
    }

    /// Current at the terminals, A per volt.
    #[must_use]
    pub fn current(&self, difference: T) -> T {
        self.coil_current(difference) * self.coils
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
