//! Parameter paths: `driver.KEY` and `KIND.NAME.KEY` without the unit suffix (`duct.d1.length`).
//!
//! A path names one number of a design; a pattern may hold `*`, which stands for every name.

use super::{
    Bend, Chamber, Design, Holes, LeakForm, LiningMaterial, Mechanics, ProbePlace, Resistance,
    Section,
};

/// Which element a parameter belongs to; the index points into the design's list.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Element {
    /// The driver.
    Driver,
    /// `design.chambers[i]`.
    Chamber(usize),
    /// `design.ducts[i]`.
    Duct(usize),
    /// `design.resistors[i]`.
    Resistor(usize),
    /// `design.leaks[i]`.
    Leak(usize),
    /// `design.openings[i]`.
    Opening(usize),
    /// `design.probes[i]`.
    Probe(usize),
}

/// Which number of an element.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
#[allow(missing_docs)] // The names are the keys of the design file.
pub enum Key {
    Re,
    Bl,
    Mmd,
    Mms,
    Cms,
    Rms,
    Sd,
    Le,
    L2,
    R2,
    SemiK,
    SemiN,
    CoilTemperature,
    Creep,
    Fs,
    Qms,
    Qes,
    Vas,
    Volume,
    WallArea,
    FlowResistivity,
    Fraction,
    Length,
    Area,
    AreaFrom,
    AreaTo,
    Width,
    Gap,
    Loss,
    Thickness,
    AirGap,
    Specific,
    Bend,
    EndFrom,
    EndTo,
    Resistance,
    ArealMass,
    Quadratic,
    HoleDiameter,
    OpenFraction,
    Discharge,
    Depth,
    EndCorrection,
    /// A microphone's gain (1 when exact).
    Gain,
    Distance,
}

impl Key {
    /// Name in a path.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Re => "re",
            Self::Bl => "bl",
            Self::Mmd => "mmd",
            Self::Mms => "mms",
            Self::Cms => "cms",
            Self::Rms => "rms",
            Self::Sd => "sd",
            Self::Le => "le",
            Self::L2 => "l2",
            Self::R2 => "r2",
            Self::SemiK => "semi_k",
            Self::SemiN => "semi_n",
            Self::CoilTemperature => "coil_temperature",
            Self::Creep => "creep",
            Self::Fs => "fs",
            Self::Qms => "qms",
            Self::Qes => "qes",
            Self::Vas => "vas",
            Self::Volume => "volume",
            Self::WallArea => "wall_area",
            Self::FlowResistivity => "flow_resistivity",
            Self::Fraction => "fraction",
            Self::Length => "length",
            Self::Area => "area",
            Self::AreaFrom => "area_from",
            Self::AreaTo => "area_to",
            Self::Width => "width",
            Self::Gap => "gap",
            Self::Loss => "loss",
            Self::Thickness => "thickness",
            Self::AirGap => "air_gap",
            Self::Specific => "specific",
            Self::Bend => "bend",
            Self::EndFrom => "end_from",
            Self::EndTo => "end_to",
            Self::Resistance => "resistance",
            Self::ArealMass => "areal_mass",
            Self::Quadratic => "quadratic",
            Self::HoleDiameter => "hole_diameter",
            Self::OpenFraction => "open_fraction",
            Self::Discharge => "discharge",
            Self::Depth => "depth",
            Self::EndCorrection => "end_correction",
            Self::Gain => "gain",
            Self::Distance => "distance",
        }
    }

    /// SI unit as shown to people ("" for a ratio).
    #[must_use]
    pub fn unit(self, element: Element) -> &'static str {
        match self {
            Self::Re | Self::R2 => "Ω",
            Self::Bl => "N/A",
            Self::Mmd | Self::Mms => "kg",
            Self::Cms => "m/N",
            Self::Rms => "kg/s",
            Self::Sd | Self::WallArea | Self::Area | Self::AreaFrom | Self::AreaTo => "m²",
            Self::Le | Self::L2 => "H",
            Self::Fs => "Hz",
            Self::Vas | Self::Volume => "m³",
            Self::FlowResistivity => "Pa·s/m²",
            Self::Length
            | Self::Width
            | Self::Gap
            | Self::Thickness
            | Self::AirGap
            | Self::HoleDiameter
            | Self::EndFrom
            | Self::EndTo
            | Self::Depth
            | Self::Distance => "m",
            Self::Resistance => "Pa·s/m³",
            Self::Specific => "Pa·s/m",
            Self::SemiK => "Ω·sⁿ",
            Self::CoilTemperature => "°C",
            Self::ArealMass => "kg/m²",
            Self::Quadratic => "Pa·s²/m²",
            Self::Creep
            | Self::SemiN
            | Self::Bend
            | Self::OpenFraction
            | Self::Discharge
            | Self::Qms
            | Self::Qes
            | Self::Fraction
            | Self::Loss
            | Self::EndCorrection
            | Self::Gain => {
                let _ = element;
                ""
            }
        }
    }

    /// Whether the value may be zero or negative, so that it is fitted as it is and not in its logarithm.
    #[must_use]
    pub fn is_linear(self) -> bool {
        matches!(
            self,
            Self::Creep
                | Self::SemiN
                | Self::CoilTemperature
                | Self::Bend
                | Self::AirGap
                | Self::EndFrom
                | Self::EndTo
                | Self::ArealMass
                | Self::Quadratic
                | Self::Distance
                | Self::Fraction
        )
    }
}

/// One parameter of a design.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Parameter {
    /// Element.
    pub element: Element,
    /// Number.
    pub key: Key,
}

impl Design {
    /// Every parameter that this design has, in file order.
    #[must_use]
    pub fn parameters(&self) -> Vec<Parameter> {
        let mut list = Vec::new();
        let mut push =
            |element, keys: &[Key]| list.extend(keys.iter().map(|&key| Parameter { element, key }));
        push(Element::Driver, &[Key::Re]);
        match self.driver.mechanics {
            Mechanics::Mechanical { with_air_load, .. } => push(
                Element::Driver,
                &[
                    Key::Bl,
                    if with_air_load { Key::Mms } else { Key::Mmd },
                    Key::Cms,
                    Key::Rms,
                ],
            ),
            Mechanics::Resonance { .. } => {
                push(Element::Driver, &[Key::Fs, Key::Qms, Key::Qes, Key::Vas])
            }
        }
        push(Element::Driver, &[Key::Sd, Key::Le]);
        if self.driver.l2_h.is_some() {
            push(Element::Driver, &[Key::L2, Key::R2]);
        }
        if self.driver.semi.is_some() {
            push(Element::Driver, &[Key::SemiK, Key::SemiN]);
        }
        if self.driver.coil_temperature_c.is_some() {
            push(Element::Driver, &[Key::CoilTemperature]);
        }
        push(Element::Driver, &[Key::Creep]);
        for (i, chamber) in self.chambers.iter().enumerate() {
            push(Element::Chamber(i), &[Key::Volume, Key::WallArea]);
            if chamber.fill.is_some() {
                push(Element::Chamber(i), &[Key::FlowResistivity, Key::Fraction]);
            }
        }
        for (i, duct) in self.ducts.iter().enumerate() {
            push(
                Element::Duct(i),
                &[
                    Key::Length,
                    Key::Area,
                    Key::AreaFrom,
                    Key::AreaTo,
                    Key::Loss,
                ],
            );
            match duct.section {
                Section::Round => {}
                Section::Rectangular { .. } => push(Element::Duct(i), &[Key::Width]),
                Section::Slit { .. } => push(Element::Duct(i), &[Key::Gap]),
            }
            if let Some(lining) = duct.lining {
                match lining.material {
                    LiningMaterial::Porous { .. } => {
                        push(Element::Duct(i), &[Key::FlowResistivity, Key::Thickness])
                    }
                    LiningMaterial::Cloth { .. } => push(Element::Duct(i), &[Key::Specific]),
                }
                if lining.air_gap_m > 0.0 {
                    push(Element::Duct(i), &[Key::AirGap]);
                }
            }
            if duct.bend != Bend::None {
                push(Element::Duct(i), &[Key::Bend]);
            }
            push(Element::Duct(i), &[Key::EndFrom, Key::EndTo]);
        }
        for (i, resistor) in self.resistors.iter().enumerate() {
            if let Resistance::Plate(plate) = resistor.resistance {
                let across = match plate.holes {
                    Holes::Round { .. } => Key::HoleDiameter,
                    Holes::Slots { .. } => Key::Gap,
                };
                push(
                    Element::Resistor(i),
                    &[across, Key::Thickness, Key::OpenFraction, Key::Discharge],
                );
                continue;
            }
            push(Element::Resistor(i), &[Key::Resistance]);
            if resistor.area_m2.is_some() {
                push(Element::Resistor(i), &[Key::ArealMass, Key::Quadratic]);
            }
        }
        for (i, leak) in self.leaks.iter().enumerate() {
            match leak.form {
                LeakForm::Resistance(_) => push(Element::Leak(i), &[Key::Resistance]),
                LeakForm::Slot { .. } => {
                    push(Element::Leak(i), &[Key::Gap, Key::Length, Key::Depth])
                }
            }
        }
        for i in 0..self.openings.len() {
            push(Element::Opening(i), &[Key::EndCorrection, Key::Area]);
        }
        for (i, probe) in self.probes.iter().enumerate() {
            push(Element::Probe(i), &[Key::Gain]);
            if matches!(probe.place, ProbePlace::Near { .. }) {
                push(Element::Probe(i), &[Key::Distance]);
            }
        }
        list
    }

    /// The path of a parameter, such as `duct.d1.length`.
    #[must_use]
    pub fn path_of(&self, parameter: Parameter) -> String {
        let (kind, name) = match parameter.element {
            Element::Driver => return format!("driver.{}", parameter.key.name()),
            Element::Chamber(i) => ("chamber", &self.chambers[i].name),
            Element::Duct(i) => ("duct", &self.ducts[i].name),
            Element::Resistor(i) => ("resistor", &self.resistors[i].name),
            Element::Leak(i) => ("leak", &self.leaks[i].name),
            Element::Opening(i) => ("opening", &self.openings[i].name),
            Element::Probe(i) => ("probe", &self.probes[i].name),
        };
        format!("{kind}.{name}.{}", parameter.key.name())
    }

    /// The parameters that a pattern stands for, in file order; empty if none.
    ///
    /// `*` stands for every name. A pattern without `*` gives at most one parameter.
    #[must_use]
    pub fn matching(&self, pattern: &str) -> Vec<Parameter> {
        self.parameters()
            .into_iter()
            .filter(|&p| matches(pattern, &self.path_of(p)))
            .collect()
    }

    /// The value of a parameter in SI units. A microphone's gain is 1. A duct's `area` is the one at `from`.
    #[must_use]
    pub fn value(&self, parameter: Parameter) -> f64 {
        match parameter.element {
            Element::Driver => self.driver_value(parameter.key),
            Element::Chamber(i) => chamber_value(&self.chambers[i], parameter.key),
            Element::Duct(i) => {
                let duct = &self.ducts[i];
                match (parameter.key, duct.section) {
                    (Key::Length, _) => duct.length_m,
                    (Key::Area | Key::AreaFrom, _) => duct.area_m2[0],
                    (Key::AreaTo, _) => duct.area_m2[1],
                    (Key::Loss, _) => duct.loss_factor,
                    (Key::Width, Section::Rectangular { width_m }) => width_m,
                    (Key::Gap, Section::Slit { gap_m }) => gap_m,
                    (Key::EndFrom, _) => duct.end_correction_m[0],
                    (Key::EndTo, _) => duct.end_correction_m[1],
                    (Key::Bend, _) => duct.bend_excess(),
                    (Key::AirGap, _) => duct.lining.map_or(f64::NAN, |l| l.air_gap_m),
                    (key, _) => match (key, duct.lining.map(|l| l.material)) {
                        (
                            Key::FlowResistivity,
                            Some(LiningMaterial::Porous {
                                flow_resistivity_pa_s_per_m2: value,
                                ..
                            }),
                        )
                        | (
                            Key::Thickness,
                            Some(LiningMaterial::Porous {
                                thickness_m: value, ..
                            }),
                        )
                        | (
                            Key::Specific,
                            Some(LiningMaterial::Cloth {
                                specific_pa_s_per_m: value,
                            }),
                        ) => value,
                        _ => f64::NAN,
                    },
                }
            }
            Element::Resistor(i) => {
                let resistor = &self.resistors[i];
                match (parameter.key, resistor.resistance) {
                    (Key::Thickness, Resistance::Plate(p)) => p.thickness_m,
                    (Key::OpenFraction, Resistance::Plate(p)) => p.open_fraction,
                    (Key::Discharge, Resistance::Plate(p)) => p.discharge,
                    (key, Resistance::Plate(p)) => match (key, p.holes) {
                        (Key::HoleDiameter, Holes::Round { diameter_m }) => diameter_m,
                        (Key::Gap, Holes::Slots { gap_m }) => gap_m,
                        _ => f64::NAN,
                    },
                    (Key::Resistance, _) => resistor.acoustic_pa_s_per_m3(),
                    (Key::ArealMass, _) => resistor.areal_mass_kg_per_m2,
                    (Key::Quadratic, _) => resistor.quadratic_pa_s2_per_m2,
                    _ => f64::NAN,
                }
            }
            Element::Leak(i) => match (parameter.key, self.leaks[i].form) {
                (Key::Resistance, LeakForm::Resistance(value)) => value,
                (Key::Gap, LeakForm::Slot { gap_m, .. }) => gap_m,
                (Key::Length, LeakForm::Slot { length_m, .. }) => length_m,
                (Key::Depth, LeakForm::Slot { depth_m, .. }) => depth_m,
                _ => f64::NAN,
            },
            Element::Opening(i) => match parameter.key {
                Key::EndCorrection => self.openings[i].end_correction_factor,
                Key::Area => self.openings[i].area_m2,
                _ => f64::NAN,
            },
            Element::Probe(i) => match (parameter.key, &self.probes[i].place) {
                (Key::Gain, _) => 1.0,
                (Key::Distance, ProbePlace::Near { distance_m, .. }) => *distance_m,
                _ => f64::NAN,
            },
        }
    }

    fn driver_value(&self, key: Key) -> f64 {
        let driver = &self.driver;
        match (key, driver.mechanics) {
            (Key::Re, _) => driver.re_ohm,
            (Key::Sd, _) => driver.sd_m2,
            (Key::Le, _) => driver.le_h,
            (Key::L2, _) => driver.l2_h.unwrap_or(f64::NAN),
            (Key::R2, _) => driver.r2_ohm.unwrap_or(f64::NAN),
            (Key::SemiK, _) => driver.semi.map_or(f64::NAN, |s| s.k_ohm_s_n),
            (Key::SemiN, _) => driver.semi.map_or(f64::NAN, |s| s.n),
            (Key::CoilTemperature, _) => driver.coil_temperature_c.unwrap_or(f64::NAN),
            (Key::Creep, _) => driver.creep,
            (Key::Bl, Mechanics::Mechanical { bl_n_per_a, .. }) => bl_n_per_a,
            (Key::Mmd | Key::Mms, Mechanics::Mechanical { mass_kg, .. }) => mass_kg,
            (Key::Cms, Mechanics::Mechanical { cms_m_per_n, .. }) => cms_m_per_n,
            (Key::Rms, Mechanics::Mechanical { rms_kg_per_s, .. }) => rms_kg_per_s,
            (Key::Fs, Mechanics::Resonance { fs_hz, .. }) => fs_hz,
            (Key::Qms, Mechanics::Resonance { qms, .. }) => qms,
            (Key::Qes, Mechanics::Resonance { qes, .. }) => qes,
            (Key::Vas, Mechanics::Resonance { vas_m3, .. }) => vas_m3,
            _ => f64::NAN,
        }
    }

    /// Sets a parameter. `duct.NAME.area` scales both ends; a microphone's gain is not part of a design and
    /// is left alone. Setting the volume of a chamber with a stated wall area keeps that area.
    pub fn set(&mut self, parameter: Parameter, value: f64) {
        match parameter.element {
            Element::Driver => self.set_driver(parameter.key, value),
            Element::Chamber(i) => {
                let chamber = &mut self.chambers[i];
                match (parameter.key, &mut chamber.fill) {
                    (Key::Volume, _) => chamber.volume_m3 = value,
                    (Key::WallArea, _) => chamber.wall_area_m2 = Some(value),
                    (Key::FlowResistivity, Some(fill)) => fill.flow_resistivity_pa_s_per_m2 = value,
                    (Key::Fraction, Some(fill)) => fill.fraction = value,
                    _ => {}
                }
            }
            Element::Duct(i) => {
                let duct = &mut self.ducts[i];
                match parameter.key {
                    Key::Length => duct.length_m = value,
                    Key::Area => {
                        let factor = value / duct.area_m2[0];
                        duct.area_m2 = [value, duct.area_m2[1] * factor];
                    }
                    Key::AreaFrom => duct.area_m2[0] = value,
                    Key::AreaTo => duct.area_m2[1] = value,
                    Key::Loss => duct.loss_factor = value,
                    Key::Width => duct.section = Section::Rectangular { width_m: value },
                    Key::Gap => duct.section = Section::Slit { gap_m: value },
                    Key::EndFrom => duct.end_correction_m[0] = value,
                    Key::EndTo => duct.end_correction_m[1] = value,
                    Key::Bend => duct.bend_excess = Some(value),
                    key => {
                        if let Some(lining) = &mut duct.lining {
                            set_lining(lining, key, value);
                        }
                    }
                }
            }
            Element::Resistor(i) => {
                let resistor = &mut self.resistors[i];
                match (parameter.key, &mut resistor.resistance) {
                    (Key::Thickness, Resistance::Plate(p)) => p.thickness_m = value,
                    (Key::OpenFraction, Resistance::Plate(p)) => p.open_fraction = value.min(1.0),
                    (Key::Discharge, Resistance::Plate(p)) => p.discharge = value,
                    (key, Resistance::Plate(p)) => match (key, &mut p.holes) {
                        (Key::HoleDiameter, Holes::Round { diameter_m }) => *diameter_m = value,
                        (Key::Gap, Holes::Slots { gap_m }) => *gap_m = value,
                        _ => {}
                    },
                    (Key::Resistance, r) => *r = Resistance::Acoustic(value),
                    (Key::ArealMass, _) => resistor.areal_mass_kg_per_m2 = value,
                    (Key::Quadratic, _) => resistor.quadratic_pa_s2_per_m2 = value,
                    _ => {}
                }
            }
            Element::Leak(i) => match (parameter.key, &mut self.leaks[i].form) {
                (Key::Resistance, LeakForm::Resistance(r)) => *r = value,
                (Key::Gap, LeakForm::Slot { gap_m, .. }) => *gap_m = value,
                (Key::Length, LeakForm::Slot { length_m, .. }) => *length_m = value,
                (Key::Depth, LeakForm::Slot { depth_m, .. }) => *depth_m = value,
                _ => {}
            },
            Element::Opening(i) => match parameter.key {
                Key::EndCorrection => self.openings[i].end_correction_factor = value,
                Key::Area => self.openings[i].area_m2 = value,
                _ => {}
            },
            Element::Probe(i) => {
                if let (Key::Distance, ProbePlace::Near { distance_m, .. }) =
                    (parameter.key, &mut self.probes[i].place)
                {
                    *distance_m = value;
                }
            }
        }
    }

    fn set_driver(&mut self, key: Key, value: f64) {
        let driver = &mut self.driver;
        match key {
            Key::Re => driver.re_ohm = value,
            Key::Sd => driver.sd_m2 = value,
            Key::Le => driver.le_h = value,
            Key::L2 => driver.l2_h = Some(value),
            Key::R2 => driver.r2_ohm = Some(value),
            Key::SemiK => {
                if let Some(semi) = &mut driver.semi {
                    semi.k_ohm_s_n = value;
                }
            }
            Key::SemiN => {
                if let Some(semi) = &mut driver.semi {
                    semi.n = value;
                }
            }
            Key::CoilTemperature => driver.coil_temperature_c = Some(value),
            Key::Creep => driver.creep = value,
            _ => match (&mut driver.mechanics, key) {
                (Mechanics::Mechanical { bl_n_per_a, .. }, Key::Bl) => *bl_n_per_a = value,
                (Mechanics::Mechanical { mass_kg, .. }, Key::Mmd | Key::Mms) => *mass_kg = value,
                (Mechanics::Mechanical { cms_m_per_n, .. }, Key::Cms) => *cms_m_per_n = value,
                (Mechanics::Mechanical { rms_kg_per_s, .. }, Key::Rms) => *rms_kg_per_s = value,
                (Mechanics::Resonance { fs_hz, .. }, Key::Fs) => *fs_hz = value,
                (Mechanics::Resonance { qms, .. }, Key::Qms) => *qms = value,
                (Mechanics::Resonance { qes, .. }, Key::Qes) => *qes = value,
                (Mechanics::Resonance { vas_m3, .. }, Key::Vas) => *vas_m3 = value,
                _ => {}
            },
        }
    }

    /// Number of bends written as something other than `none` (they add a stated length).
    #[must_use]
    pub fn bends(&self) -> usize {
        self.ducts
            .iter()
            .filter(|duct| duct.bend != Bend::None)
            .count()
    }
}

fn set_lining(lining: &mut super::Lining, key: Key, value: f64) {
    match (key, &mut lining.material) {
        (Key::AirGap, _) => lining.air_gap_m = value.max(0.0),
        (
            Key::FlowResistivity,
            LiningMaterial::Porous {
                flow_resistivity_pa_s_per_m2: number,
                ..
            },
        )
        | (
            Key::Thickness,
            LiningMaterial::Porous {
                thickness_m: number,
                ..
            },
        )
        | (
            Key::Specific,
            LiningMaterial::Cloth {
                specific_pa_s_per_m: number,
            },
        ) => *number = value,
        _ => {}
    }
}

fn chamber_value(chamber: &Chamber, key: Key) -> f64 {
    match (key, chamber.fill) {
        (Key::Volume, _) => chamber.volume_m3,
        (Key::WallArea, _) => chamber.wall_area(),
        (Key::FlowResistivity, Some(fill)) => fill.flow_resistivity_pa_s_per_m2,
        (Key::Fraction, Some(fill)) => fill.fraction,
        _ => f64::NAN,
    }
}

/// Whether `path` is matched by `pattern`, part by part, `*` standing for a whole part.
#[must_use]
pub fn matches(pattern: &str, path: &str) -> bool {
    let mut wanted = pattern.split('.');
    let mut found = path.split('.');
    loop {
        match (wanted.next(), found.next()) {
            (None, None) => return true,
            (Some(w), Some(f)) if w == "*" || w == f => {}
            _ => return false,
        }
    }
}
