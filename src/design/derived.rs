//! What follows at once from the written numbers of one element: the mechanical set of a driver, the steady
//! resistance and the high-level loss of a plate, the length of a bend, the wall of a chamber, the mirror planes.

use super::{
    Bend, CLOSED, Chamber, Design, Driver, Duct, Holes, Mechanics, Planes, Plate, Resistance,
    Resistor, Space,
};

impl Driver {
    /// The parameters `(Bl, mass, Cms, Rms)` whatever the form in the file.
    /// `Cms = Vas/(ρc²Sd²)`, `Mms = 1/((2πfs)²Cms)`, `Rms = 2πfs·Mms/Qms`,
    /// `Bl = √(2πfs·Mms·Re/Qes)` (Small 1972, JAES 20:383).
    ///
    /// `rho_c2` is ρc² of the reference air in Pa (20 °C, 101.325 kPa, 50 %).
    #[must_use]
    pub fn mechanical(&self, rho_c2: f64) -> (f64, f64, f64, f64) {
        match self.mechanics {
            Mechanics::Mechanical {
                bl_n_per_a,
                mass_kg,
                cms_m_per_n,
                rms_kg_per_s,
                ..
            } => (bl_n_per_a, mass_kg, cms_m_per_n, rms_kg_per_s),
            Mechanics::Resonance {
                fs_hz,
                qms,
                qes,
                vas_m3,
            } => {
                let omega_s = std::f64::consts::TAU * fs_hz;
                let cms = vas_m3 / (rho_c2 * self.sd_m2 * self.sd_m2);
                let mms = 1.0 / (omega_s * omega_s * cms);
                let rms = omega_s * mms / qms;
                ((omega_s * mms * self.re_ohm / qes).sqrt(), mms, cms, rms)
            }
        }
    }

    /// Whether the stated moving mass already holds the free-air load (`mms_kg`, or `fs_hz` and company).
    /// That load, 2·8/3·ρ·a³ with a = √(Sd/π), is then taken off, because the network adds the real one.
    #[must_use]
    pub fn mass_has_air_load(&self) -> bool {
        match self.mechanics {
            Mechanics::Mechanical { with_air_load, .. } => with_air_load,
            Mechanics::Resonance { .. } => true,
        }
    }
}

impl Resistor {
    /// Linear acoustic resistance, Pa·s/m³; of a plate the one of steady viscous flow in air of 20 °C.
    #[must_use]
    pub fn acoustic_pa_s_per_m3(&self) -> f64 {
        let area_m2 = || self.area_m2.unwrap_or(f64::NAN);
        match self.resistance {
            Resistance::Acoustic(value) => value,
            Resistance::Specific(value) => value / area_m2(),
            Resistance::Plate(plate) => plate.steady_pa_s_per_m() / area_m2(),
        }
    }

    /// Rise of the specific resistance with the particle velocity at the instant, Pa·s²/m².
    ///
    /// A plate at high level loses the kinetic energy of its jets: q = ρ·(1 − σ²)/(2·Cd²·σ²) (Ingard & Ising 1967,
    /// JASA 42:6; from memory).
    #[must_use]
    pub fn rise_pa_s2_per_m2(&self, density_kg_per_m3: f64) -> f64 {
        match self.resistance {
            Resistance::Plate(plate) => plate.rise_pa_s2_per_m2(density_kg_per_m3),
            _ => self.quadratic_pa_s2_per_m2,
        }
    }
}

/// Viscosity of air at 20 °C, Pa·s, for the steady resistance that is shown of a plate.
const VISCOSITY_PA_S: f64 = 1.8206e-5;

impl Plate {
    /// Specific resistance of slow steady flow over the whole face, Pa·s/m: Poiseuille in the hole plus the flow
    /// towards it, 8μ(t + 3πa/8)/a² for holes (Dagan, Weinbaum & Pfeffer 1982, J. Fluid Mech. 115:505, from
    /// memory), 12μ(t + 8g/(3π))/g² for slots (thin slit: Hasimoto 1958, from memory), over the open fraction.
    #[must_use]
    pub fn steady_pa_s_per_m(&self) -> f64 {
        use std::f64::consts::PI;
        let per_hole = match self.holes {
            Holes::Round { diameter_m } => {
                let a = 0.5 * diameter_m;
                8.0 * VISCOSITY_PA_S * (self.thickness_m + 3.0 * PI * a / 8.0) / (a * a)
            }
            Holes::Slots { gap_m: g } => {
                12.0 * VISCOSITY_PA_S * (self.thickness_m + 8.0 * g / (3.0 * PI)) / (g * g)
            }
        };
        per_hole / self.open_fraction
    }

    /// q of [`Resistor::rise_pa_s2_per_m2`].
    #[must_use]
    pub fn rise_pa_s2_per_m2(&self, density_kg_per_m3: f64) -> f64 {
        let s = self.open_fraction * self.open_fraction;
        density_kg_per_m3 * (1.0 - s) / (2.0 * self.discharge * self.discharge * s)
    }
}

impl Duct {
    /// Length that the bend adds over the channel's height at its end (negative: the way is shorter).
    #[must_use]
    pub fn bend_excess(&self) -> f64 {
        self.bend_excess
            .unwrap_or_else(|| self.bend.length_per_height())
    }
}

/// Bends: well below the first cross mode the flow in a corner is plane potential flow, the same problem as the sheet
/// resistance of a thin film. A sharp corner between straight legs has the inertance of a length shorter than the centre
/// line by (2/π)·ln 2 = 0.441 of the height h (conformal mapping; the 0.559 squares of a film's corner, from memory). A
/// quarter ring between straight legs has no closed form; finite elements give 0.140, 0.110 and 0.078·h less for inner
/// radii of h/4, h/2 and h (`tests/reference/fe/bends.py`, where the sharp corner is found again to 4e-10). The ring
/// alone, (π/2)/ln(r_o/r_i), would be 0.141·h less at h/2: the flow has to find its way in and out. The compliance is
/// that of the centre-line length in both cases. Range: k·h ≪ 1.
impl Bend {
    /// Length that the inertance of a 90° bend adds to the centre line, over the height of the channel there.
    #[must_use]
    pub fn length_per_height(self) -> f64 {
        match self {
            Self::None => 0.0,
            Self::Mitred => -2.0 * std::f64::consts::LN_2 / std::f64::consts::PI,
            Self::Rounded => -0.110_379,
        }
    }

    /// Standard deviation of that number over what is built under the same word: a rounded inner edge or a deflector
    /// in a mitred corner (judgement, no published source); inner radii from h/4 to h in a rounded one.
    #[must_use]
    pub fn spread_per_height(self) -> f64 {
        match self {
            Self::None => 0.0,
            Self::Mitred => 0.10,
            Self::Rounded => 0.03,
        }
    }
}

impl Driver {
    /// How many drivers there are.
    #[must_use]
    pub fn count(&self) -> usize {
        1 + self.also.len()
    }

    /// Whether a side of a cone is closed, so that it cannot move.
    #[must_use]
    pub fn is_held(&self) -> bool {
        self.places()
            .any(|(front, rear, _)| front == CLOSED || rear == CLOSED)
    }

    /// Front, rear and sign (−1 where the leads are exchanged) of every driver.
    pub fn places(&self) -> impl Iterator<Item = (&str, &str, f64)> {
        let first = (self.front.as_str(), self.rear.as_str(), 1.0);
        std::iter::once(first).chain(self.also.iter().map(|d| {
            let sign = if d.reversed { -1.0 } else { 1.0 };
            (d.front.as_str(), d.rear.as_str(), sign)
        }))
    }

    /// Coil resistance over `re_ohm` at the coil's temperature: 1 + α·(T − 20 °C).
    #[must_use]
    pub fn warmth(&self) -> f64 {
        let warmer = self.coil_temperature_c.map_or(0.0, |t| t - 20.0);
        1.0 + self.coil_metal.per_kelvin() * warmer
    }
}

impl Design {
    /// The planes that mirror the openings: `[site] space` puts them through the origin, `[room]` at distances.
    #[must_use]
    pub fn planes(&self) -> Planes {
        let through = |here: bool, distance: Option<f64>| match (here, distance) {
            (true, _) => Some(0.0),
            (false, d) => d.map(|d| -d),
        };
        let floor = matches!(self.space, Space::Quarter | Space::Eighth);
        Planes {
            floor_z_m: through(floor, self.room.floor_m),
            wall_y_m: through(self.space == Space::Eighth, self.room.wall_m),
        }
    }
}

impl Chamber {
    /// Wall area for the thermal loss, m².
    #[must_use]
    pub fn wall_area(&self) -> f64 {
        self.wall_area_m2
            .unwrap_or_else(|| 6.0 * self.volume_m3.powf(2.0 / 3.0))
    }
}
