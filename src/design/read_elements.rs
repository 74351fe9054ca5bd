//! Reads the elements of a network: `[[chamber]]`, `[[duct]]`, `[[resistor]]`, `[[leak]]`.

use super::junctions::{Mention, Role, Wiring, is_reserved};
use super::problem::{number, quoted};
use super::read::mention;
use super::toml_reader::Table;
use super::{
    Bend, Chamber, Duct, Fill, Holes, Leak, LeakForm, Lining, LiningMaterial, OUTSIDE, Plate,
    PorousModel, Profile, Resistance, Resistor, Section, quantity,
};
use std::collections::BTreeMap;

/// Most elements in one design; the network is solved as a dense system, and a cabinet has a few dozen.
const LARGEST_ELEMENTS: usize = 2000;
/// Discharge coefficient of a sharp-edged hole (Ingard & Ising 1967, from memory).
const SHARP_EDGE: f64 = 0.61;

/// Whether the file has a sensible number of elements; reports it otherwise.
pub(super) fn few_enough(top: &Table<'_, '_>) -> bool {
    let mut count = 0;
    let mut largest = ("duct", 0);
    for kind in ["chamber", "duct", "resistor", "leak", "opening", "probe"] {
        let here = top
            .raw(kind)
            .and_then(|v| v.get_ref().as_array())
            .map_or(0, |list| list.len());
        count += here;
        if here > largest.1 {
            largest = (kind, here);
        }
    }
    if count > LARGEST_ELEMENTS {
        top.problem(
            largest.0,
            format!("found {count} elements; expected at most {LARGEST_ELEMENTS} in one design"),
        );
    }
    count <= LARGEST_ELEMENTS
}

/// Whether a name can stand in a parameter path; the error says what was found and expected.
pub(super) fn sound_name(name: &str) -> Result<(), String> {
    let sound = name.chars().count() <= 64
        && name.trim() == name
        && !name.is_empty()
        && !name
            .chars()
            .any(|c| c.is_control() || matches!(c, '.' | '*' | '/' | '\\' | '"' | '\''));
    if sound {
        Ok(())
    } else {
        Err(format!(
            "found {}; expected a name of 1 to 64 characters without . * / \\ and quotes",
            quoted(name)
        ))
    }
}

/// Names of one kind, each once.
pub(super) struct Names<'t> {
    kind: &'static str,
    lines: BTreeMap<&'t str, usize>,
}

impl<'t> Names<'t> {
    /// No name of this kind yet.
    pub fn new(kind: &'static str) -> Self {
        Self {
            kind,
            lines: BTreeMap::new(),
        }
    }

    /// Opens the table of an element and reads its name.
    pub fn open<'u>(
        &mut self,
        top: &Table<'t, 'u>,
        table: &'t toml::de::DeTable<'u>,
        at: usize,
        count: usize,
        known: &[&str],
    ) -> (Table<'t, 'u>, String) {
        let name = table.get("name").and_then(|v| v.get_ref().as_str());
        let path = match name.filter(|n| sound_name(n).is_ok()) {
            Some(name) => format!("{}.{name}", self.kind),
            None => format!("{}[{}]", self.kind, count + 1),
        };
        let table = Table::open(top.source, table, at, path, known);
        let Some(name) = table.required_text("name", "a name for the element") else {
            return (table, String::new());
        };
        if let Err(why) = sound_name(name) {
            table.problem("name", why);
        } else if let Some(&line) = self.lines.get(name) {
            table.problem(
                "name",
                format!(
                    "found {} a second time (line {line}); expected a name of its own for each {}",
                    quoted(name),
                    self.kind
                ),
            );
        } else {
            let line = table.source.line(table.at_key("name"));
            self.lines.insert(name, line);
        }
        (table, name.to_string())
    }
}

/// A junction at which an element stands: not a reserved one.
pub(super) fn at_junction<'t>(table: &Table<'t, '_>, key: &str, role: Role) -> Option<Mention<'t>> {
    let found = mention(table, key, role, None)?;
    if is_reserved(found.junction) {
        table.problem(
            key,
            format!(
                "found the reserved name '{}'; expected a junction of the network",
                found.junction
            ),
        );
        return None;
    }
    Some(found)
}

/// Notes a mention and returns its name.
pub(super) fn named<'t>(
    wiring: &mut Wiring<'t>,
    found: Option<Mention<'t>>,
) -> (Option<usize>, String) {
    let name = found
        .as_ref()
        .map_or_else(String::new, |m| m.junction.to_string());
    (wiring.mention(found), name)
}

pub(super) fn chambers<'t>(top: &Table<'t, '_>, wiring: &mut Wiring<'t>) -> Vec<Chamber> {
    let mut names = Names::new("chamber");
    let known = ["name", "at", "volume_m3", "wall_area_m2", "fill"];
    let mut list = Vec::new();
    for (i, (table, at)) in top.list("chamber").into_iter().enumerate() {
        let (table, name) = names.open(top, table, at, i, &known);
        let (_, at) = named(wiring, at_junction(&table, "at", Role::Load));
        let volume_m3 = table.number("volume_m3", quantity::VOLUME);
        let wall_area_m2 = table.optional("wall_area_m2", quantity::AREA);
        // A sphere has the least surface for its volume: (36π)^(1/3)·V^(2/3).
        let least = (36.0 * std::f64::consts::PI).cbrt() * volume_m3.powf(2.0 / 3.0);
        if wall_area_m2.is_some_and(|area| area < least * 0.999) {
            table.problem(
                "wall_area_m2",
                format!(
                    "found {} m²; expected at least {least:.3} m², the surface of a sphere of this volume",
                    number(wall_area_m2.unwrap_or_default())
                ),
            );
        }
        let fill = table
            .sub(
                "fill",
                &["flow_resistivity_pa_s_per_m2", "fraction", "model"],
            )
            .map(|fill| Fill {
                flow_resistivity_pa_s_per_m2: fill
                    .number("flow_resistivity_pa_s_per_m2", quantity::FLOW_RESISTIVITY),
                fraction: fill.number("fraction", quantity::FRACTION),
                model: porous_model(&fill),
            });
        list.push(Chamber {
            name,
            at,
            volume_m3,
            wall_area_m2,
            fill,
        });
    }
    list
}

pub(super) fn ducts<'t>(top: &Table<'t, '_>, wiring: &mut Wiring<'t>) -> Vec<Duct> {
    let mut names = Names::new("duct");
    let known = [
        "name",
        "from",
        "to",
        "length_m",
        "area_m2",
        "profile",
        "section",
        "loss_factor",
        "bend",
        "lining",
        "end_correction_m",
    ];
    let mut list = Vec::new();
    for (i, (table, at)) in top.list("duct").into_iter().enumerate() {
        let (table, name) = names.open(top, table, at, i, &known);
        let (a, from) = named(wiring, mention(&table, "from", Role::End, None));
        let (b, to) = named(wiring, mention(&table, "to", Role::End, None));
        wiring.tie(a, b);
        let length_m = table.number("length_m", quantity::LENGTH);
        if !table.has("area_m2") {
            table.missing("area_m2", "the areas at `from` and at `to`, m²");
        }
        let area_m2 = table
            .numbers::<2>("area_m2", quantity::AREA)
            .unwrap_or([f64::NAN; 2]);
        let end_correction_m = table
            .numbers::<2>("end_correction_m", quantity::END_CORRECTION)
            .unwrap_or([0.0; 2]);
        if length_m + end_correction_m[0] + end_correction_m[1] <= 0.0 {
            table.problem(
                "end_correction_m",
                "the corrections take away the whole length; expected length_m and both corrections to \
                 add up to more than 0 m",
            );
        }
        list.push(Duct {
            name,
            from,
            to,
            length_m,
            area_m2,
            profile: read_profile(&table, area_m2),
            section: read_section(&table),
            loss_factor: table.number_or("loss_factor", quantity::FACTOR, 1.0),
            bend: read_bend(&table),
            bend_excess: None,
            lining: read_lining(&table),
            end_correction_m,
        });
    }
    list
}

fn read_bend(table: &Table<'_, '_>) -> Bend {
    let words = [
        ("none", Bend::None),
        ("mitred", Bend::Mitred),
        ("rounded", Bend::Rounded),
    ];
    table.choice("bend", &words).unwrap_or(Bend::None)
}

fn read_lining(table: &Table<'_, '_>) -> Option<Lining> {
    let known = [
        "flow_resistivity_pa_s_per_m2",
        "thickness_m",
        "model",
        "specific_pa_s_per_m",
        "air_gap_m",
    ];
    let lining = table.sub("lining", &known)?;
    let air_gap_m = lining.number_or("air_gap_m", quantity::AIR_GAP, 0.0);
    let of = one_of(
        &lining,
        &["flow_resistivity_pa_s_per_m2", "specific_pa_s_per_m"],
    )?;
    let material = if of == "specific_pa_s_per_m" {
        for key in ["thickness_m", "model"] {
            if lining.has(key) {
                lining.problem(
                    key,
                    "this key belongs to flow_resistivity_pa_s_per_m2; a cloth of specific_pa_s_per_m has none",
                );
            }
        }
        if air_gap_m <= 0.0 {
            let expected = "the air between the cloth and the wall, more than 0 m";
            if lining.has("air_gap_m") {
                lining.problem("air_gap_m", format!("found 0; expected {expected}"));
            } else {
                lining.missing("air_gap_m", expected);
            }
        }
        LiningMaterial::Cloth {
            specific_pa_s_per_m: lining.number("specific_pa_s_per_m", quantity::SPECIFIC),
        }
    } else {
        LiningMaterial::Porous {
            flow_resistivity_pa_s_per_m2: lining
                .number("flow_resistivity_pa_s_per_m2", quantity::FLOW_RESISTIVITY),
            thickness_m: lining.number("thickness_m", quantity::LENGTH),
            model: porous_model(&lining),
        }
    };
    Some(Lining {
        material,
        air_gap_m,
    })
}

fn porous_model(table: &Table<'_, '_>) -> PorousModel {
    let words = [
        (
            "johnson-champoux-allard",
            PorousModel::JohnsonChampouxAllard,
        ),
        ("miki", PorousModel::Miki),
    ];
    table
        .choice("model", &words)
        .unwrap_or(PorousModel::JohnsonChampouxAllard)
}

fn read_profile(table: &Table<'_, '_>, area_m2: [f64; 2]) -> Profile {
    let words = [
        ("uniform", Profile::Uniform),
        ("conical", Profile::Conical),
        ("exponential", Profile::Exponential),
        ("parabolic", Profile::Parabolic),
    ];
    // Two areas that are written differently are meant differently; 1e-9 covers a last digit.
    let differ = (area_m2[0] - area_m2[1]).abs() > 1e-9 * area_m2[0];
    let areas = || format!("{} and {} m²", number(area_m2[0]), number(area_m2[1]));
    if !table.has("profile") {
        if differ {
            table.missing(
                "profile",
                &format!(
                    "conical, exponential or parabolic, because the areas differ: {}",
                    areas()
                ),
            );
        }
        return Profile::Uniform;
    }
    let profile = table.choice("profile", &words);
    if profile == Some(Profile::Uniform) && differ {
        table.problem(
            "profile",
            format!(
                "found uniform with the areas {}; expected equal areas, or conical, exponential or parabolic",
                areas()
            ),
        );
    }
    profile.unwrap_or(Profile::Uniform)
}

fn read_section(table: &Table<'_, '_>) -> Section {
    #[derive(Clone, Copy, PartialEq)]
    enum Shape {
        Round,
        Rectangular,
        Slit,
    }
    let words = [
        ("round", Shape::Round),
        ("rectangular", Shape::Rectangular),
        ("slit", Shape::Slit),
    ];
    let Some(value) = table.raw("section") else {
        return Section::Round;
    };
    if value.get_ref().as_str() == Some("round") {
        return Section::Round;
    }
    if value.get_ref().as_table().is_none() {
        table.wrong(
            "section",
            value.get_ref(),
            "{ shape = \"round\" }, { shape = \"rectangular\", width_m = … } or { shape = \"slit\", gap_m = … }",
        );
        return Section::Round;
    }
    let Some(section) = table.sub("section", &["shape", "width_m", "gap_m"]) else {
        return Section::Round;
    };
    if !section.has("shape") {
        section.missing("shape", "round, rectangular or slit");
    }
    let shape = section.choice("shape", &words);
    for (key, owner, word) in [
        ("width_m", Shape::Rectangular, "rectangular"),
        ("gap_m", Shape::Slit, "slit"),
    ] {
        if section.has(key) && shape.is_some_and(|s| s != owner) {
            section.problem(
                key,
                format!(
                    "this key belongs to shape = \"{word}\"; expected another shape or no {key}"
                ),
            );
        }
    }
    match shape {
        Some(Shape::Rectangular) => Section::Rectangular {
            width_m: section.number("width_m", quantity::LENGTH),
        },
        Some(Shape::Slit) => Section::Slit {
            gap_m: section.number("gap_m", quantity::GAP),
        },
        _ => Section::Round,
    }
}

/// Exactly one of a few keys must be there; returns it.
pub(super) fn one_of<'k>(table: &Table<'_, '_>, keys: &[&'k str]) -> Option<&'k str> {
    let mut there = keys.iter().copied().filter(|key| table.has(key));
    match (there.next(), there.next()) {
        (Some(one), None) => Some(one),
        (Some(one), Some(other)) => {
            table.problem(
                other,
                format!(
                    "it stands beside {one}; expected exactly one of {}",
                    keys.join(", ")
                ),
            );
            None
        }
        (None, _) => {
            let first = keys.first().copied().unwrap_or_default();
            table.missing(first, &format!("exactly one of {}", keys.join(", ")));
            None
        }
    }
}

pub(super) fn resistors<'t>(top: &Table<'t, '_>, wiring: &mut Wiring<'t>) -> Vec<Resistor> {
    let mut names = Names::new("resistor");
    let known = [
        "name",
        "from",
        "to",
        "area_m2",
        "specific_pa_s_per_m",
        "resistance_pa_s_per_m3",
        "areal_mass_kg_per_m2",
        "limp",
        "quadratic_pa_s2_per_m2",
        "perforated",
        "slots",
        "max_velocity_m_per_s",
    ];
    let mut list = Vec::new();
    for (i, (table, at)) in top.list("resistor").into_iter().enumerate() {
        let (table, name) = names.open(top, table, at, i, &known);
        let (a, from) = named(wiring, mention(&table, "from", Role::End, None));
        let (b, to) = named(wiring, mention(&table, "to", Role::End, None));
        wiring.tie(a, b);
        let forms = [
            "specific_pa_s_per_m",
            "resistance_pa_s_per_m3",
            "perforated",
            "slots",
        ];
        let resistance = match one_of(&table, &forms) {
            Some("specific_pa_s_per_m") => {
                Resistance::Specific(table.number("specific_pa_s_per_m", quantity::SPECIFIC))
            }
            Some(key @ ("perforated" | "slots")) => read_plate(&table, key),
            Some(key) => Resistance::Acoustic(table.number(key, quantity::ACOUSTIC)),
            None => Resistance::Acoustic(f64::NAN),
        };
        let areal_mass = table.number_or("areal_mass_kg_per_m2", quantity::AREAL_MASS, 0.0);
        let limp = table.flag("limp").unwrap_or(false);
        if limp && areal_mass <= 0.0 && table.has("limp") {
            table.missing(
                "areal_mass_kg_per_m2",
                "the mass of the limp cloth per area, more than 0",
            );
        }
        let quadratic = table.number_or("quadratic_pa_s2_per_m2", quantity::QUADRATIC, 0.0);
        let area_m2 = table.optional("area_m2", quantity::AREA);
        let needs = if matches!(resistance, Resistance::Specific(_)) {
            Some("specific_pa_s_per_m")
        } else if let Resistance::Plate(plate) = resistance {
            for key in ["areal_mass_kg_per_m2", "quadratic_pa_s2_per_m2", "limp"] {
                if table.has(key) {
                    table.problem(
                        key,
                        "it follows from the dimensions of the plate; expected no such key beside them",
                    );
                }
            }
            Some(match plate.holes {
                Holes::Round { .. } => "perforated",
                Holes::Slots { .. } => "slots",
            })
        } else if areal_mass > 0.0 {
            Some("areal_mass_kg_per_m2")
        } else if quadratic > 0.0 {
            Some("quadratic_pa_s2_per_m2")
        } else {
            None
        };
        if let Some(needs) = needs.filter(|_| !table.has("area_m2")) {
            let expected = format!("an area for {needs}, {}", quantity::AREA.text());
            table.missing("area_m2", &expected);
        }
        list.push(Resistor {
            name,
            from,
            to,
            area_m2,
            resistance,
            areal_mass_kg_per_m2: areal_mass,
            limp,
            quadratic_pa_s2_per_m2: quadratic,
            max_velocity_m_per_s: table.optional("max_velocity_m_per_s", quantity::VELOCITY),
        });
    }
    list
}

/// A resistor by the dimensions of a plate.
fn read_plate(table: &Table<'_, '_>, key: &str) -> Resistance {
    let across = if key == "slots" {
        "gap_m"
    } else {
        "hole_diameter_m"
    };
    let known = [
        across,
        "thickness_m",
        "open_fraction",
        "discharge_coefficient",
    ];
    let Some(plate) = table.sub(key, &known) else {
        return Resistance::Acoustic(f64::NAN);
    };
    let size_m = plate.number(across, quantity::GAP);
    Resistance::Plate(Plate {
        holes: if key == "slots" {
            Holes::Slots { gap_m: size_m }
        } else {
            Holes::Round { diameter_m: size_m }
        },
        thickness_m: plate.number("thickness_m", quantity::LENGTH),
        open_fraction: plate.number("open_fraction", quantity::OPEN_FRACTION),
        discharge: plate.number_or("discharge_coefficient", quantity::DISCHARGE, SHARP_EDGE),
    })
}

pub(super) fn leaks<'t>(top: &Table<'t, '_>, wiring: &mut Wiring<'t>) -> Vec<Leak> {
    let mut names = Names::new("leak");
    let known = ["name", "at", "to", "resistance_pa_s_per_m3", "slot"];
    let mut list = Vec::new();
    for (i, (table, at)) in top.list("leak").into_iter().enumerate() {
        let (table, name) = names.open(top, table, at, i, &known);
        let (a, at) = named(wiring, at_junction(&table, "at", Role::End));
        let (b, to) = named(wiring, mention(&table, "to", Role::End, Some(OUTSIDE)));
        wiring.tie(a, b);
        let form = match one_of(&table, &["resistance_pa_s_per_m3", "slot"]) {
            Some("slot") => table
                .sub("slot", &["length_m", "gap_m", "depth_m"])
                .map(|slot| LeakForm::Slot {
                    length_m: slot.number("length_m", quantity::LENGTH),
                    gap_m: slot.number("gap_m", quantity::GAP),
                    depth_m: slot.number("depth_m", quantity::LENGTH),
                }),
            Some(key) => Some(LeakForm::Resistance(table.number(key, quantity::ACOUSTIC))),
            None => None,
        };
        list.push(Leak {
            name,
            at,
            to,
            form: form.unwrap_or(LeakForm::Resistance(f64::NAN)),
        });
    }
    list
}
