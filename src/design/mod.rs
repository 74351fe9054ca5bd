//! The design of a cabinet: a network of named elements between named junctions.
//!
//! The types here are plain data in SI units; [`read`] turns a `design.toml` into them and reports every
//! error with file, line and key; [`path`] names each parameter and reads and writes it by name.

pub mod captures;
mod captures_against;
pub mod captures_read;
pub mod captures_write;
pub mod coupon;
mod derived;
mod junctions;
pub mod limits;
pub mod limits_read;
pub mod limits_write;
pub mod materials;
pub mod path;
pub mod problem;
mod quantity;
pub mod read;
mod read_driver;
mod read_elements;
mod read_openings;
mod rules;
pub mod station;
mod station_read;
pub mod station_write;
mod toml_reader;
mod toml_writer;
pub mod warnings;
pub mod write;

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
    /// Distances of the origin from floor and side wall.
    pub room: Room,
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
    /// Largest RMS current of the amplifier, A.
    pub max_current_a: Option<f64>,
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

/// `[room]`: how far the origin of the positions is from rigid planes beside the cabinet.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Room {
    /// Height of the origin over the floor, m: the floor is the plane z = −floor.
    pub floor_m: Option<f64>,
    /// Distance of the origin from a side wall, m: the wall is the plane y = −wall.
    pub wall_m: Option<f64>,
}

/// The rigid planes that mirror the openings, besides the one that they lie in.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Planes {
    /// Height z of the floor, m.
    pub floor_z_m: Option<f64>,
    /// Place y of the side wall, m.
    pub wall_y_m: Option<f64>,
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

/// Semi-inductance of a coil over conducting iron: K·(jω)ⁿ in series with the other parts of the coil
/// (Leach 2002, JAES 50:442; from memory).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SemiInductance {
    /// K, Ω·sⁿ.
    pub k_ohm_s_n: f64,
    /// n, 0 (resistance) to 1 (inductance).
    pub n: f64,
}

/// Metal of a voice coil.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CoilMetal {
    /// Copper.
    Copper,
    /// Aluminium.
    Aluminium,
}

impl CoilMetal {
    /// Temperature coefficient of the resistance at 20 °C, 1/K (annealed copper: IEC 60028; aluminium: IEC 60889;
    /// both from memory).
    #[must_use]
    pub fn per_kelvin(self) -> f64 {
        match self {
            Self::Copper => 0.003_93,
            Self::Aluminium => 0.004_03,
        }
    }
}

/// How several drivers are connected electrically.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wiring {
    /// The same voltage on all.
    Parallel,
    /// The same current through all.
    Series,
}

/// A further driver of the same data as `[driver]`, in a place of its own.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Companion {
    /// Front junction.
    pub front: String,
    /// Rear junction.
    pub rear: String,
    /// Leads exchanged: a positive voltage moves this cone backwards.
    pub reversed: bool,
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
    /// Semi-inductance.
    pub semi: Option<SemiInductance>,
    /// Temperature of the coil, °C, where `re_ohm` holds for 20 °C; `None`: `re_ohm` as it is.
    pub coil_temperature_c: Option<f64>,
    /// Its metal.
    pub coil_metal: CoilMetal,
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
    /// Further drivers of the same data.
    pub also: Vec<Companion>,
    /// How they are connected.
    pub wiring: Wiring,
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

/// Model of a porous material with a rigid frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PorousModel {
    /// Johnson–Champoux–Allard, right down to the isothermal limit.
    JohnsonChampouxAllard,
    /// Miki 1990, a fit for 0.01 < f/σ < 1 (SI).
    Miki,
}

/// Porous fill of a chamber.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fill {
    /// Static air-flow resistivity, Pa·s/m².
    pub flow_resistivity_pa_s_per_m2: f64,
    /// Filled fraction of the volume, 0 to 1.
    pub fraction: f64,
    /// Model of the material.
    pub model: PorousModel,
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

/// Locally reacting lining of a duct's walls, with or without air between it and the wall.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lining {
    /// What it is made of.
    pub material: LiningMaterial,
    /// Air between the material and the rigid wall, m.
    pub air_gap_m: f64,
}

/// Material of a lining.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum LiningMaterial {
    /// Porous layer.
    Porous {
        /// Static air-flow resistivity, Pa·s/m².
        flow_resistivity_pa_s_per_m2: f64,
        /// Thickness, m.
        thickness_m: f64,
        /// Model.
        model: PorousModel,
    },
    /// Thin flow-resistive layer.
    Cloth {
        /// Specific resistance, Pa·s/m.
        specific_pa_s_per_m: f64,
    },
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
    /// Length that the bend adds, over the channel's height there; `None`: the published value of its kind.
    pub bend_excess: Option<f64>,
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
    /// A plate with holes or slots, by its dimensions, over `area_m2`.
    Plate(Plate),
}

/// A rigid plate with openings through it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Plate {
    /// Round holes or slots.
    pub holes: Holes,
    /// Thickness, m.
    pub thickness_m: f64,
    /// Open fraction of the area, 0 to 1.
    pub open_fraction: f64,
    /// Discharge coefficient of the openings at high level.
    pub discharge: f64,
}

/// Openings of a plate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Holes {
    /// Circular.
    Round {
        /// Diameter, m.
        diameter_m: f64,
    },
    /// Long parallel slots.
    Slots {
        /// Gap, m.
        gap_m: f64,
    },
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
    /// Mass per area, kg/m²: of the air in the pores, in series; with `limp` that of the cloth, beside the resistance.
    pub areal_mass_kg_per_m2: f64,
    /// The cloth hangs free and moves with the air.
    pub limp: bool,
    /// Rise of the specific resistance with particle velocity, Pa·s²/m².
    pub quadratic_pa_s2_per_m2: f64,
    /// Largest RMS particle velocity through its face, m/s, for the maximum output.
    pub max_velocity_m_per_s: Option<f64>,
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
    /// Largest RMS particle velocity, m/s, for the maximum output.
    pub max_velocity_m_per_s: Option<f64>,
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
