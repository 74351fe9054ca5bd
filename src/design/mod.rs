//! The design of a cabinet: a network of named elements between named junctions.
//!
//! The types here are plain data in SI units; [`read`] turns a `design.toml` into them and reports every
//! error with file, line and key; [`path`] names each parameter and reads and writes it by name.

pub mod captures;
pub mod captures_read;
mod junctions;
pub mod path;
pub mod problem;
mod quantity;
pub mod read;
mod read_elements;
mod rules;
mod toml_reader;
pub mod warnings;

use serde::Serialize;

/// Reserved junction: ambient air, zero sound pressure.
pub const OUTSIDE: &str = "outside";
/// Reserved junction: a rigid end, zero volume velocity.
pub const CLOSED: &str = "closed";

/// State of the air.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct AirConditions {
    /// Temperature, °C.
    pub temperature_c: f64,
    /// Static pressure, kPa.
    pub pressure_kpa: f64,
    /// Relative humidity, percent (0 to 100).
    pub humidity_pct: f64,
}

impl Default for AirConditions {
    fn default() -> Self {
        Self {
            temperature_c: 20.0,
            pressure_kpa: 101.325,
            humidity_pct: 50.0,
        }
    }
}

/// A cabinet design as read from `design.toml`.
#[derive(Debug, Clone, PartialEq)]
pub struct Design {
    /// Name for people.
    pub name: String,
    /// BLAKE3 digest (hex) of the file's bytes.
    pub digest: String,
    /// Air.
    pub air: AirConditions,
    /// Drive.
    pub drive: Drive,
    /// Where it is measured.
    pub space: Space,
    /// What the cabinet was designed to do.
    pub target: Option<Target>,
    /// The driver.
    pub driver: Driver,
    /// Air volumes.
    pub chambers: Vec<Chamber>,
    /// One-dimensional channel pieces.
    pub ducts: Vec<Duct>,
    /// Acoustic resistors.
    pub resistors: Vec<Resistor>,
    /// Leaks.
    pub leaks: Vec<Leak>,
    /// Openings, where sound leaves.
    pub openings: Vec<Opening>,
    /// Places where a microphone can stand.
    pub probes: Vec<Probe>,
    /// Spread of what is built, in file order; later rules override earlier ones.
    pub tolerance: Vec<ToleranceRule>,
    /// Free-parameter patterns of `[align]`, in file order (may hold `*` and a leading `each `).
    pub free: Vec<String>,
}

/// Amplifier and cable.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Drive {
    /// RMS voltage at the amplifier for predicted levels, V.
    pub voltage_v: f64,
    /// Amplifier output and cable resistance, Ω.
    pub source_ohm: f64,
    /// Largest RMS voltage of the amplifier, V.
    pub max_voltage_v: Option<f64>,
}

/// Solid angle into which the openings radiate.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Space {
    /// Free space, no boundary.
    Full,
    /// One infinite rigid plane that holds the openings.
    Half,
    /// Half space and one more plane (floor).
    Quarter,
    /// Half space and two more planes (floor and wall).
    Eighth,
}

/// What the cabinet was designed to do.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Target {
    /// Band in which it is judged, Hz.
    pub band_hz: [f64; 2],
    /// Wanted cut-off, Hz.
    pub cutoff_hz: Option<f64>,
    /// Wanted level at cut-off, maximum output, 1 m, dB.
    pub level_db_1m: Option<f64>,
    /// Allowed |measured − simulated| of pressure in a one-third-octave band, dB.
    pub tolerance_db: f64,
    /// The same for |Z|, as a fraction.
    pub tolerance_impedance: f64,
}

/// How the driver's mechanics are written.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Mechanics {
    /// Bl, moving mass, compliance, resistance.
    Mechanical {
        /// Force factor, N/A.
        bl_n_per_a: f64,
        /// Moving mass, kg (see `with_air_load`).
        mass_kg: f64,
        /// `true` for `mms_kg` (with air load), `false` for `mmd_kg`.
        with_air_load: bool,
        /// Suspension compliance, m/N.
        cms_m_per_n: f64,
        /// Mechanical resistance, kg/s.
        rms_kg_per_s: f64,
    },
    /// Resonance, Q factors and equivalent volume (all with air load, in free air).
    Resonance {
        /// Resonance frequency, Hz.
        fs_hz: f64,
        /// Mechanical Q.
        qms: f64,
        /// Electrical Q (without source resistance).
        qes: f64,
        /// Volume of air with the suspension's compliance, m³.
        vas_m3: f64,
    },
}

/// Moving-coil driver, small-signal parameters.
#[derive(Debug, Clone, PartialEq)]
pub struct Driver {
    /// Voice-coil DC resistance, Ω.
    pub re_ohm: f64,
    /// Mechanics.
    pub mechanics: Mechanics,
    /// Effective piston area, m².
    pub sd_m2: f64,
    /// Voice-coil inductance, H.
    pub le_h: f64,
    /// Second inductance, in parallel with `r2_ohm`, in series with `le_h`, H.
    pub l2_h: Option<f64>,
    /// Eddy-current resistance in parallel with `l2_h`, Ω.
    pub r2_ohm: Option<f64>,
    /// Peak linear excursion, m.
    pub xmax_m: Option<f64>,
    /// Thermal power rating, W.
    pub power_w: Option<f64>,
    /// Logarithmic suspension creep per decade.
    pub creep: f64,
    /// Front junction.
    pub front: String,
    /// Rear junction.
    pub rear: String,
}

/// A lumped air volume.
#[derive(Debug, Clone, PartialEq)]
pub struct Chamber {
    /// Name.
    pub name: String,
    /// Junction.
    pub at: String,
    /// Volume, m³.
    pub volume_m3: f64,
    /// Wall area for the thermal loss, m² (6·V^(2/3) if left out: `None` follows the volume).
    pub wall_area_m2: Option<f64>,
    /// Porous fill.
    pub fill: Option<Fill>,
}

/// Porous fill of a chamber.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fill {
    /// Static air-flow resistivity, Pa·s/m².
    pub flow_resistivity_pa_s_per_m2: f64,
    /// Filled fraction of the volume, 0 to 1.
    pub fraction: f64,
}

/// Area profile of a duct along its length.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Profile {
    /// Constant area.
    Uniform,
    /// √area linear in x.
    Conical,
    /// ln(area) linear in x.
    Exponential,
    /// Area linear in x.
    Parabolic,
}

/// Cross-section of a duct.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Section {
    /// Circle.
    Round,
    /// Rectangle that keeps its width along the duct.
    Rectangular {
        /// Constant width, m.
        width_m: f64,
    },
    /// Two parallel walls.
    Slit {
        /// Distance of the walls, m.
        gap_m: f64,
    },
}

/// Bend at the `to` end of a duct.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Bend {
    /// No bend.
    None,
    /// Sharp 90° corner.
    Mitred,
    /// Rounded 90° corner.
    Rounded,
}

/// Porous lining of a duct's walls.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lining {
    /// Static air-flow resistivity, Pa·s/m².
    pub flow_resistivity_pa_s_per_m2: f64,
    /// Thickness, m.
    pub thickness_m: f64,
}

/// One-dimensional channel piece.
#[derive(Debug, Clone, PartialEq)]
pub struct Duct {
    /// Name.
    pub name: String,
    /// Junction at the start.
    pub from: String,
    /// Junction at the end; may be [`CLOSED`].
    pub to: String,
    /// Acoustic length along the centre line, m.
    pub length_m: f64,
    /// Area at `from` and at `to`, m².
    pub area_m2: [f64; 2],
    /// Profile.
    pub profile: Profile,
    /// Section.
    pub section: Section,
    /// Multiplies the visco-thermal wall loss.
    pub loss_factor: f64,
    /// Bend at the `to` end.
    pub bend: Bend,
    /// Lining.
    pub lining: Option<Lining>,
    /// End corrections at `from` and `to`, m (added inertance ρ·length/area).
    pub end_correction_m: [f64; 2],
}

/// How a resistor's linear resistance is written.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Resistance {
    /// Specific resistance, Pa·s/m, over `area_m2`.
    Specific(f64),
    /// Acoustic resistance, Pa·s/m³.
    Acoustic(f64),
}

/// Acoustic resistor between two junctions.
#[derive(Debug, Clone, PartialEq)]
pub struct Resistor {
    /// Name.
    pub name: String,
    /// Junction.
    pub from: String,
    /// Junction.
    pub to: String,
    /// Area, m². Present whenever the resistance is specific, or areal mass or quadratic term is given.
    pub area_m2: Option<f64>,
    /// Resistance.
    pub resistance: Resistance,
    /// Mass of the cloth per area that moves with the air, kg/m².
    pub areal_mass_kg_per_m2: f64,
    /// Rise of the specific resistance with particle velocity, Pa·s²/m².
    pub quadratic_pa_s2_per_m2: f64,
}

/// How a leak is written.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum LeakForm {
    /// Acoustic resistance, Pa·s/m³.
    Resistance(f64),
    /// A slot.
    Slot {
        /// Length of the slot along the seam, m.
        length_m: f64,
        /// Gap, m.
        gap_m: f64,
        /// Depth in flow direction, m.
        depth_m: f64,
    },
}

/// A leak from a junction.
#[derive(Debug, Clone, PartialEq)]
pub struct Leak {
    /// Name.
    pub name: String,
    /// Junction.
    pub at: String,
    /// Where it leads; [`OUTSIDE`] by default.
    pub to: String,
    /// Form.
    pub form: LeakForm,
}

/// Shape of an opening.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum OpeningShape {
    /// Circle of the opening's area.
    Round,
    /// Rectangle; `width_m` along y, `height_m` along z.
    Rectangular {
        /// Width, m.
        width_m: f64,
        /// Height, m.
        height_m: f64,
    },
}

/// Flange of an opening.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Flange {
    /// The plane of the half space.
    Infinite,
    /// A pipe end without flange.
    None,
}

/// Where sound leaves. All openings look along +x.
#[derive(Debug, Clone, PartialEq)]
pub struct Opening {
    /// Name.
    pub name: String,
    /// Junction.
    pub at: String,
    /// Area, m².
    pub area_m2: f64,
    /// Shape.
    pub shape: OpeningShape,
    /// Centre, m.
    pub position_m: [f64; 3],
    /// Flange.
    pub flange: Flange,
    /// Multiplies the reactance of the radiation impedance.
    pub end_correction_factor: f64,
}

/// Where a probe stands.
#[derive(Debug, Clone, PartialEq)]
pub enum ProbePlace {
    /// On the axis of an opening.
    Near {
        /// The opening's name.
        opening: String,
        /// Distance from its plane, m.
        distance_m: f64,
    },
    /// At a point in the room.
    Point {
        /// Position, m.
        position_m: [f64; 3],
    },
    /// The pressure of a junction.
    Inside {
        /// The junction's name.
        junction: String,
    },
}

/// Where a microphone can stand.
#[derive(Debug, Clone, PartialEq)]
pub struct Probe {
    /// Name.
    pub name: String,
    /// Place.
    pub place: ProbePlace,
}

/// A standard deviation of a built value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Spread {
    /// Standard deviation of the natural logarithm.
    Relative(f64),
    /// Standard deviation in the parameter's SI unit.
    Absolute(f64),
}

/// One line of `[tolerance]`.
#[derive(Debug, Clone, PartialEq)]
pub struct ToleranceRule {
    /// Parameter path, may hold `*`.
    pub pattern: String,
    /// Spread, each match its own.
    pub spread: Spread,
}

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
    /// Linear acoustic resistance, Pa·s/m³.
    #[must_use]
    pub fn acoustic_pa_s_per_m3(&self) -> f64 {
        match self.resistance {
            Resistance::Acoustic(value) => value,
            Resistance::Specific(value) => value / self.area_m2.unwrap_or(f64::NAN),
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
