//! What in a design is legal and odd, with a remedy: jumps of area, values of an unlikely size, elements without
//! effect, probes that stand where no microphone can.
//!
//! Thresholds are rules of thumb of cabinet building, each beside its constant; nothing here is an error.

mod places;

use super::junctions::is_reserved;
use super::{
    Bend, CLOSED, Design, Duct, LeakForm, LiningMaterial, Mechanics, OUTSIDE, PorousModel,
    Resistance, Section,
};
use serde::Serialize;
use std::collections::BTreeMap;
use std::f64::consts::PI;

/// Kind of a warning.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum WarningKind {
    /// The area changes at a junction by a factor of four or more.
    AreaJump,
    /// A resistor's area is not that of the duct behind it.
    ResistorArea,
    /// A value of an unlikely size.
    UnlikelySize,
    /// A section that contradicts the area.
    Section,
    /// A lining that fills the channel.
    Lining,
    /// A material outside the range of its model.
    Material,
    /// A plate outside the range of its formula.
    Plate,
    /// An element without effect.
    NoEffect,
    /// Openings that overlap or do not lie in one plane.
    OpeningPlace,
    /// A flange that does not go with the space.
    Flange,
    /// A probe where no microphone can stand, or where the model is not meant for.
    ProbePlace,
    /// A free parameter without a tolerance: the data alone decide.
    FlatPrior,
    /// A design without an opening or without a probe.
    Nothing,
    /// The opening's area is not that of the duct or cone behind it.
    OpeningArea,
}

/// Something legal and odd.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct DesignWarning {
    /// Kind.
    pub kind: WarningKind,
    /// Element or parameter (`duct.d1`, `driver.qes`), or a junction.
    pub subject: String,
    /// What is odd, with the numbers.
    pub text: String,
    /// What to do about it.
    pub remedy: String,
}

/// Ratio of areas from which a junction adds an inertance that the network does not have.
const AREA_JUMP: f64 = 4.0;
/// Relative difference of areas that should be the same.
const SAME_AREA: f64 = 0.02;

/// Everything legal and odd in a design, in the order of its elements.
#[must_use]
pub fn warnings(design: &Design) -> Vec<DesignWarning> {
    let mut list = List(Vec::new());
    driver(design, &mut list);
    sizes(design, &mut list);
    let ends = duct_ends(design);
    area_jumps(&ends, &mut list);
    resistors(design, &ends, &mut list);
    for duct in &design.ducts {
        section(duct, &mut list);
    }
    materials(design, &mut list);
    plates(design, &mut list);
    without_effect(design, &mut list);
    places::openings(design, &ends, &mut list);
    places::probes(design, &mut list);
    flat_priors(design, &mut list);
    list.0
}

struct List(Vec<DesignWarning>);

impl List {
    fn push(
        &mut self,
        kind: WarningKind,
        subject: impl Into<String>,
        text: impl Into<String>,
        remedy: impl Into<String>,
    ) {
        self.0.push(DesignWarning {
            kind,
            subject: subject.into(),
            text: text.into(),
            remedy: remedy.into(),
        });
    }

    /// Warns of a value outside the usual range.
    fn size(&mut self, subject: impl Into<String>, value: f64, usual: (f64, f64), unit: &str) {
        if !(usual.0..=usual.1).contains(&value) {
            self.push(
                WarningKind::UnlikelySize,
                subject,
                format!(
                    "the value is {}{unit}, usual are {} to {}{unit}",
                    short(value),
                    short(usual.0),
                    short(usual.1)
                ),
                "check the number and its unit",
            );
        }
    }
}

/// Four digits at most.
fn short(value: f64) -> String {
    let size = value.abs();
    if value != 0.0 && !(1e-3..1e5).contains(&size) {
        format!("{value:.3e}")
    } else {
        let digits = if size >= 100.0 { 1 } else { 4 };
        let text = format!("{value:.digits$}");
        if text.contains('.') {
            text.trim_end_matches('0').trim_end_matches('.').to_string()
        } else {
            text
        }
    }
}

fn driver(design: &Design, list: &mut List) {
    let driver = &design.driver;
    // Ranges of bass drivers of 100 to 600 mm.
    list.size("driver.re", driver.re_ohm, (0.5, 50.0), " Ω");
    list.size("driver.sd", driver.sd_m2, (0.002, 0.3), " m²");
    list.size("driver.le", driver.le_h, (0.0, 0.02), " H");
    match driver.mechanics {
        Mechanics::Mechanical {
            bl_n_per_a,
            mass_kg,
            with_air_load,
            cms_m_per_n,
            rms_kg_per_s,
        } => {
            let mass = if with_air_load {
                "driver.mms"
            } else {
                "driver.mmd"
            };
            list.size("driver.bl", bl_n_per_a, (2.0, 60.0), " N/A");
            list.size(mass, mass_kg, (0.003, 0.8), " kg");
            list.size("driver.cms", cms_m_per_n, (1e-5, 5e-3), " m/N");
            list.size("driver.rms", rms_kg_per_s, (0.1, 50.0), " kg/s");
            if cms_m_per_n > 0.0 && mass_kg > 0.0 {
                let omega = 1.0 / (mass_kg * cms_m_per_n).sqrt();
                let qes = omega * mass_kg * driver.re_ohm / (bl_n_per_a * bl_n_per_a);
                q_factor("driver.bl", qes, list);
            }
        }
        Mechanics::Resonance {
            fs_hz,
            qms,
            qes,
            vas_m3,
        } => {
            list.size("driver.fs", fs_hz, (10.0, 150.0), " Hz");
            list.size("driver.qms", qms, (0.8, 30.0), "");
            list.size("driver.vas", vas_m3, (0.001, 3.0), " m³");
            q_factor("driver.qes", qes, list);
        }
    }
    if driver.front == driver.rear {
        list.push(
            WarningKind::NoEffect,
            "driver",
            format!(
                "front and rear are one junction, '{}': the cone moves no air",
                driver.front
            ),
            "give the two sides of the cone different junctions",
        );
    }
}

/// An electrical Q above two means next to no motor.
fn q_factor(subject: &str, qes: f64, list: &mut List) {
    if !(0.05..=2.0).contains(&qes) {
        list.push(
            WarningKind::UnlikelySize,
            subject,
            format!("the electrical Q is {}, usual are 0.05 to 2", short(qes)),
            "check bl, re and the moving mass, or qes, and their units",
        );
    }
}

fn sizes(design: &Design, list: &mut List) {
    for chamber in &design.chambers {
        let subject = format!("chamber.{}.volume", chamber.name);
        list.size(subject, chamber.volume_m3, (1e-4, 20.0), " m³");
    }
    for duct in &design.ducts {
        list.size(
            format!("duct.{}.length", duct.name),
            duct.length_m,
            (0.005, 8.0),
            " m",
        );
        let smallest = duct.area_m2[0].min(duct.area_m2[1]);
        let largest = duct.area_m2[0].max(duct.area_m2[1]);
        let subject = format!("duct.{}.area", duct.name);
        if smallest < 1e-5 {
            list.size(subject, smallest, (1e-5, 4.0), " m²");
        } else {
            list.size(subject, largest, (1e-5, 4.0), " m²");
        }
        let subject = format!("duct.{}.loss", duct.name);
        list.size(subject, duct.loss_factor, (0.0, 20.0), "");
    }
    for leak in &design.leaks {
        if let LeakForm::Slot { gap_m, .. } = leak.form {
            // Beyond a few millimetres the flow is not viscous and the formula does not hold.
            list.size(
                format!("leak.{}.gap", leak.name),
                gap_m,
                (2e-5, 0.003),
                " m",
            );
        }
    }
    for opening in &design.openings {
        let subject = format!("opening.{}.area", opening.name);
        list.size(subject, opening.area_m2, (1e-4, 4.0), " m²");
    }
}

/// Lowest f/σ (SI) of Miki's fit.
const MIKI_LOWEST: f64 = 0.01;

/// Fits that are used below the frequencies of their data.
fn materials(design: &Design, list: &mut List) {
    let lowest_hz = design.target.map_or(20.0, |t| t.band_hz[0]);
    let mut look = |subject: String, model: PorousModel, resistivity: f64| {
        if model == PorousModel::Miki && lowest_hz < MIKI_LOWEST * resistivity {
            list.push(
                WarningKind::Material,
                subject,
                format!(
                    "Miki's fit holds from {} Hz for this material, the band begins at {} Hz",
                    short(MIKI_LOWEST * resistivity),
                    short(lowest_hz)
                ),
                "use model = \"johnson-champoux-allard\", which goes down to the isothermal limit",
            );
        }
    };
    for chamber in &design.chambers {
        if let Some(fill) = chamber.fill {
            let subject = format!("chamber.{}.fill", chamber.name);
            look(subject, fill.model, fill.flow_resistivity_pa_s_per_m2);
        }
    }
    for duct in &design.ducts {
        if let Some(LiningMaterial::Porous {
            flow_resistivity_pa_s_per_m2,
            model,
            ..
        }) = duct.lining.map(|l| l.material)
        {
            let subject = format!("duct.{}.lining", duct.name);
            look(subject, model, flow_resistivity_pa_s_per_m2);
        }
    }
}

/// Open fraction up to which the end corrections of a plate are good.
const OPEN_PLATE: f64 = 0.4;

fn plates(design: &Design, list: &mut List) {
    for resistor in &design.resistors {
        let Resistance::Plate(plate) = resistor.resistance else {
            continue;
        };
        if plate.open_fraction > OPEN_PLATE {
            list.push(
                WarningKind::Plate,
                format!("resistor.{}.open_fraction", resistor.name),
                format!(
                    "an open fraction of {}: the end corrections are good up to {OPEN_PLATE}",
                    short(plate.open_fraction)
                ),
                "measure its resistance and write specific_pa_s_per_m instead",
            );
        }
    }
}

/// One end of a duct: the duct's name and its area there.
type Ends<'d> = BTreeMap<&'d str, Vec<(&'d Duct, f64)>>;

fn duct_ends(design: &Design) -> Ends<'_> {
    let mut ends: Ends<'_> = BTreeMap::new();
    for duct in &design.ducts {
        for (junction, area) in [(&duct.from, duct.area_m2[0]), (&duct.to, duct.area_m2[1])] {
            if !is_reserved(junction) {
                ends.entry(junction).or_default().push((duct, area));
            }
        }
    }
    ends
}

fn area_jumps(ends: &Ends<'_>, list: &mut List) {
    for (junction, there) in ends {
        let by_area = |a: &&(&Duct, f64), b: &&(&Duct, f64)| a.1.total_cmp(&b.1);
        let (Some(small), Some(large)) =
            (there.iter().min_by(by_area), there.iter().max_by(by_area))
        else {
            continue;
        };
        if large.1 >= AREA_JUMP * small.1 {
            list.push(
                WarningKind::AreaJump,
                format!("junction {junction}"),
                format!(
                    "the area changes from {} m² (duct {}) to {} m² (duct {})",
                    short(small.1),
                    small.0.name,
                    short(large.1),
                    large.0.name
                ),
                "such a step has an inertance of its own: write it as end_correction_m of the narrow duct, or \
                 taper the step",
            );
        }
    }
}

fn resistors(design: &Design, ends: &Ends<'_>, list: &mut List) {
    for resistor in &design.resistors {
        let Some(area_m2) = resistor.area_m2 else {
            continue;
        };
        // The duct behind is the one that shares a junction with the resistor and nothing else.
        let behind = [&resistor.from, &resistor.to].into_iter().find_map(|j| {
            match ends.get(j.as_str()).map(Vec::as_slice) {
                Some([only]) => Some(*only),
                _ => None,
            }
        });
        let Some((duct, duct_area_m2)) = behind else {
            continue;
        };
        if (area_m2 - duct_area_m2).abs() > SAME_AREA * duct_area_m2 {
            list.push(
                WarningKind::ResistorArea,
                format!("resistor.{}", resistor.name),
                format!(
                    "its area is {} m², that of duct {} behind it {} m²",
                    short(area_m2),
                    duct.name,
                    short(duct_area_m2)
                ),
                "a resistor usually covers the duct's whole end: correct one of the areas, or leave it so if \
                 only part is open",
            );
        }
    }
}

fn section(duct: &Duct, list: &mut List) {
    let smallest = duct.area_m2[0].min(duct.area_m2[1]);
    let largest = duct.area_m2[0].max(duct.area_m2[1]);
    let free_m = match duct.section {
        Section::Round => 2.0 * (smallest / PI).sqrt(),
        Section::Rectangular { width_m } => {
            let heights = [smallest / width_m, largest / width_m];
            if heights[1].max(width_m) > 50.0 * heights[0].min(width_m) {
                list.push(
                    WarningKind::Section,
                    format!("duct.{}.width", duct.name),
                    format!(
                        "a width of {} m and these areas make heights of {} to {} m",
                        short(width_m),
                        short(heights[0]),
                        short(heights[1])
                    ),
                    "check width_m against area_m2; a very flat channel is better written as a slit",
                );
            }
            heights[0].min(width_m)
        }
        Section::Slit { gap_m } => {
            if gap_m * gap_m > smallest {
                list.push(
                    WarningKind::Section,
                    format!("duct.{}.gap", duct.name),
                    format!(
                        "a gap of {} m makes a slit only {} m wide",
                        short(gap_m),
                        short(smallest / gap_m)
                    ),
                    "a slit is much wider than its gap: check gap_m against area_m2, or use rectangular",
                );
            }
            gap_m
        }
    };
    let thickness_m = match duct.lining.map(|l| (l.material, l.air_gap_m)) {
        Some((LiningMaterial::Porous { thickness_m, .. }, gap_m)) => thickness_m + gap_m,
        Some((LiningMaterial::Cloth { .. }, gap_m)) => gap_m,
        None => 0.0,
    };
    if 2.0 * thickness_m >= free_m {
        list.push(
            WarningKind::Lining,
            format!("duct.{}.thickness", duct.name),
            format!(
                "a lining of {} m on both sides leaves nothing of {} m",
                short(thickness_m),
                short(free_m)
            ),
            "check thickness_m; a channel that is filled is a chamber with fill or a resistor",
        );
    }
    if duct.bend != Bend::None && is_reserved(&duct.to) {
        list.push(
            WarningKind::NoEffect,
            format!("duct.{}", duct.name),
            format!("a bend at the end that leads to '{}'", duct.to),
            "leave the bend out, or write it at a joint",
        );
    }
}

fn without_effect(design: &Design, list: &mut List) {
    for resistor in &design.resistors {
        if resistor.from == resistor.to || resistor.from == CLOSED || resistor.to == CLOSED {
            list.push(
                WarningKind::NoEffect,
                format!("resistor.{}", resistor.name),
                format!(
                    "it runs from '{}' to '{}': no air flows through it",
                    resistor.from, resistor.to
                ),
                "connect it with two different junctions",
            );
        }
    }
    for leak in &design.leaks {
        if leak.to == CLOSED || leak.to == leak.at {
            list.push(
                WarningKind::NoEffect,
                format!("leak.{}", leak.name),
                format!("it leads to '{}': no air flows through it", leak.to),
                "let it lead to \"outside\" or to another junction",
            );
        }
    }
    for duct in design.ducts.iter().filter(|duct| duct.from == duct.to) {
        list.push(
            WarningKind::NoEffect,
            format!("duct.{}", duct.name),
            format!("both ends are at '{}': a ring", duct.from),
            "leave it so if a ring is built; otherwise correct `from` or `to`",
        );
    }
    if design.openings.is_empty() && design.driver.front != OUTSIDE && design.driver.rear != OUTSIDE
    {
        list.push(
            WarningKind::Nothing,
            "opening",
            "the design has no opening: no sound leaves it",
            "add an [[opening]] where sound leaves, also for a cone that is seen from outside",
        );
    }
    if design.probes.is_empty() {
        list.push(
            WarningKind::Nothing,
            "probe",
            "the design has no probe: only the impedance can be compared",
            "add a [[probe]] for each place of the microphone",
        );
    }
}

/// Free parameters without any tolerance.
fn flat_priors(design: &Design, list: &mut List) {
    use super::path::matches;
    for pattern in &design.free {
        let path = pattern.strip_prefix("each ").unwrap_or(pattern).trim();
        // A rule covers a pattern of free parameters when it says the same or stands for every name.
        let covered = design
            .tolerance
            .iter()
            .any(|rule| matches(&rule.pattern, path) || matches(path, &rule.pattern));
        if !covered {
            list.push(
                WarningKind::FlatPrior,
                path,
                "it is free and has no tolerance: the data alone decide",
                format!("add \"{path}\" to [tolerance] if its spread is known"),
            );
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::design::read::read_text;
    use std::path::Path;

    const DOME: &str = include_str!("../../tests/designs/dome.toml");

    fn kinds(old: &str, new: &str) -> Vec<(WarningKind, String)> {
        assert!(DOME.contains(old), "the case changes nothing: {old}");
        let text = DOME.replacen(old, new, 1);
        let design = read_text(&text, Path::new("d.toml")).expect("legal");
        warnings(&design)
            .into_iter()
            .map(|w| (w.kind, w.subject))
            .collect()
    }

    #[test]
    fn a_sound_design_has_no_warning() {
        assert_eq!(kinds("format", "format"), []);
    }

    #[test]
    fn odd_designs_are_warned_of_once_with_their_subject() {
        use WarningKind as K;
        let near = "near = \"mouth\"\ndistance_m = 0.0";
        for (old, new, kind, subject) in [
            (
                "mmd_kg = 0.150",
                "mmd_kg = 1.5",
                K::UnlikelySize,
                "driver.mmd",
            ),
            (
                "length_m = 0.62",
                "length_m = 10",
                K::UnlikelySize,
                "duct.d1.length",
            ),
            (
                "volume_m3 = 0.055",
                "volume_m3 = 55",
                K::UnlikelySize,
                "chamber.rear-box.volume",
            ),
            (
                "area_m2  = [0.0120, 0.0120]",
                "area_m2 = [0.0150, 0.0150]",
                K::ResistorArea,
                "resistor.r2",
            ),
            (
                "[0.0480, 0.120]",
                "[0.2, 0.120]",
                K::AreaJump,
                "junction j2",
            ),
            (
                "area_m2 = 0.120\nshape = { width_m = 0.40, height_m = 0.30 }",
                "area_m2 = 0.1",
                K::OpeningArea,
                "opening.mouth",
            ),
            (
                "flange = \"infinite\"",
                "flange = \"none\"",
                K::Flange,
                "opening.mouth",
            ),
            (
                near,
                "near = \"mouth\"\ndistance_m = 1.0",
                K::ProbePlace,
                "probe.mouth-near",
            ),
            (
                "[2.0, 0.0, 0.0]",
                "[-2.0, 0.0, 0.0]",
                K::ProbePlace,
                "probe.floor-2m",
            ),
            (
                "[2.0, 0.0, 0.0]",
                "[0.1, 0.0, 0.0]",
                K::ProbePlace,
                "probe.floor-2m",
            ),
            ("\"driver.cms\" = 0.10\n", "", K::FlatPrior, "driver.cms"),
            (
                "at = \"box\"\nresistance",
                "at = \"box\"\nto = \"closed\"\nresistance",
                K::NoEffect,
                "leak.seam",
            ),
            (
                "front = \"throat\"\nrear  = \"box\"",
                "front = \"throat\"\nrear  = \"throat\"\n[[duct]]\nname=\"q\"\nfrom=\"throat\"\nto=\"box\"\nlength_m=0.1\narea_m2=[0.02,0.02]",
                K::NoEffect,
                "driver",
            ),
            (
                "area_m2  = [0.0100, 0.0100]",
                "area_m2  = [0.0100, 0.0100]\nlining = { flow_resistivity_pa_s_per_m2 = 8000.0, thickness_m = 0.06 }",
                K::Lining,
                "duct.side1.thickness",
            ),
            (
                "area_m2  = [0.0100, 0.0100]",
                "area_m2  = [0.0100, 0.0100]\nsection = { shape = \"slit\", gap_m = 0.2 }",
                K::Section,
                "duct.side1.gap",
            ),
        ] {
            assert_eq!(kinds(old, new), [(kind, subject.to_string())], "{new}");
        }
        // DERIVED: Qes = √(m/C)·Re/Bl² = 11.07 for Bl = 4 N/A.
        let weak = kinds("bl_n_per_a = 19.0", "bl_n_per_a = 4.0");
        assert_eq!(weak, [(K::UnlikelySize, "driver.bl".to_string())]);
    }
}
