//! Writes changed values into the text of a design file and leaves its comments, order and layout as they are.
//!
//! [`with_changes`] turns a file's text into the text of a new file. Which key a parameter path writes to is the table in
//! `place`; a path that no key can hold is refused. The new text is read back before it is given away: it must be a
//! sound design that has every changed value, so that a file which says something else is never written.
//!
//! Values get six significant digits, spreads three: far finer than any interval.

use super::path::{Element, Key, Parameter, matches};
use super::problem::{Problems, number};
use super::read::read_text;
use super::{Design, Holes, LiningMaterial, Profile, Resistance, Section, Spread};
use std::path::Path;
use toml_edit::{Array, DocumentMut, Item, Table, TableLike, Value};

/// Start of the comment lines that are ours; those of an earlier writing are replaced.
pub const MARK: &str = "# bassay: ";
/// Largest relative difference of a value read back: half a unit of the sixth digit, and rounding.
const SAME: f64 = 6e-6;

/// A value to write.
#[derive(Debug, Clone, PartialEq)]
pub struct Change {
    /// Which number.
    pub parameter: Parameter,
    /// Its new value, SI.
    pub value: f64,
}

/// An entry of `[tolerance]` to write.
#[derive(Debug, Clone, PartialEq)]
pub struct NewTolerance {
    /// Path or pattern.
    pub pattern: String,
    /// The spread.
    pub spread: Spread,
    /// Where it comes from, one line for the comment above it.
    pub comment: String,
}

/// Why a design cannot be written.
#[derive(Debug, thiserror::Error)]
pub enum WriteError {
    /// No key of a design file holds this number.
    #[error("{path} cannot be written to a design file: {why}")]
    NoKey {
        /// Parameter path.
        path: String,
        /// Why, and what to do.
        why: &'static str,
    },
    /// The new text is no sound design.
    #[error("the aligned design would not be sound, so nothing is written:\n{0}")]
    Unsound(Problems),
    /// A value did not arrive.
    #[error(
        "{path} would be {found} in the new file where {wanted} was found, because another entry speaks of the same \
         number; nothing is written; free one of the two only"
    )]
    NotKept {
        /// Parameter path or pattern.
        path: String,
        /// What the fit found.
        wanted: String,
        /// What the text says.
        found: String,
    },
    /// The text is not what the design was read from.
    #[error("the design file changed while it was read; start again: {0}")]
    Changed(String),
}

/// Where a number stands inside the table of its element.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Place {
    /// `key = …`
    Plain(&'static str),
    /// `sub = { key = … }`
    Inside(&'static str, &'static str),
    /// One end of `key = [from, to]`.
    End(&'static str, usize),
}

/// The places of a parameter and the numbers to write there.
fn places(
    design: &Design,
    parameter: Parameter,
    value: f64,
) -> Result<Vec<(Place, f64)>, &'static str> {
    use Place::{End, Inside, Plain};
    let one = |place| Ok(vec![(place, value)]);
    let plain = |key| one(Plain(key));
    const NOT_HERE: &str = "this element has no such number";
    match (parameter.element, parameter.key) {
        (Element::Driver, key) => match key {
            Key::Re => plain("re_ohm"),
            Key::Bl => plain("bl_n_per_a"),
            Key::Mmd => plain("mmd_kg"),
            Key::Mms => plain("mms_kg"),
            Key::Cms => plain("cms_m_per_n"),
            Key::Rms => plain("rms_kg_per_s"),
            Key::Sd => plain("sd_m2"),
            Key::Le => plain("le_h"),
            Key::L2 => plain("l2_h"),
            Key::R2 => plain("r2_ohm"),
            Key::SemiK => plain("semi_k_ohm_s_n"),
            Key::SemiN => plain("semi_n"),
            Key::CoilTemperature => plain("coil_temperature_c"),
            Key::Creep => plain("creep"),
            Key::Fs => plain("fs_hz"),
            Key::Qms => plain("qms"),
            Key::Qes => plain("qes"),
            Key::Vas => plain("vas_m3"),
            _ => Err(NOT_HERE),
        },
        (Element::Chamber(_), key) => match key {
            Key::Volume => plain("volume_m3"),
            Key::WallArea => plain("wall_area_m2"),
            Key::FlowResistivity => one(Inside("fill", "flow_resistivity_pa_s_per_m2")),
            Key::Fraction => one(Inside("fill", "fraction")),
            _ => Err(NOT_HERE),
        },
        (Element::Duct(i), key) => {
            let duct = &design.ducts[i];
            const UNIFORM: &str = "the duct is uniform, and areas that differ need a profile: write profile = \
                                   \"conical\" into the design, or free its area instead of one end";
            match key {
                Key::Length => plain("length_m"),
                Key::Area => {
                    let other = duct.area_m2[1] * value / duct.area_m2[0];
                    Ok(vec![(End("area_m2", 0), value), (End("area_m2", 1), other)])
                }
                Key::AreaFrom | Key::AreaTo if duct.profile == Profile::Uniform => Err(UNIFORM),
                Key::AreaFrom => one(End("area_m2", 0)),
                Key::AreaTo => one(End("area_m2", 1)),
                Key::Loss => plain("loss_factor"),
                Key::Width if matches!(duct.section, Section::Rectangular { .. }) => {
                    one(Inside("section", "width_m"))
                }
                Key::Gap if matches!(duct.section, Section::Slit { .. }) => {
                    one(Inside("section", "gap_m"))
                }
                Key::EndFrom => one(End("end_correction_m", 0)),
                Key::EndTo => one(End("end_correction_m", 1)),
                Key::AirGap => one(Inside("lining", "air_gap_m")),
                Key::Bend => Err(
                    "the length that a bend adds has no key; take it out of [align] free, or write it into \
                     end_correction_m of the duct and the bend as none",
                ),
                key => match (key, duct.lining.map(|l| l.material)) {
                    (Key::FlowResistivity, Some(LiningMaterial::Porous { .. })) => {
                        one(Inside("lining", "flow_resistivity_pa_s_per_m2"))
                    }
                    (Key::Thickness, Some(LiningMaterial::Porous { .. })) => {
                        one(Inside("lining", "thickness_m"))
                    }
                    (Key::Specific, Some(LiningMaterial::Cloth { .. })) => {
                        one(Inside("lining", "specific_pa_s_per_m"))
                    }
                    _ => Err(NOT_HERE),
                },
            }
        }
        (Element::Resistor(i), key) => {
            let resistor = &design.resistors[i];
            match (key, resistor.resistance) {
                (Key::ArealMass, _) => plain("areal_mass_kg_per_m2"),
                (Key::Quadratic, _) => plain("quadratic_pa_s2_per_m2"),
                (Key::Resistance, Resistance::Acoustic(_)) => plain("resistance_pa_s_per_m3"),
                (Key::Resistance, Resistance::Specific(_)) => match resistor.area_m2 {
                    // Acoustic is specific over area.
                    Some(area) => Ok(vec![(Plain("specific_pa_s_per_m"), value * area)]),
                    None => Err(NOT_HERE),
                },
                (key, Resistance::Plate(plate)) => {
                    let (kind, across, name) = match plate.holes {
                        Holes::Round { .. } => ("perforated", Key::HoleDiameter, "hole_diameter_m"),
                        Holes::Slots { .. } => ("slots", Key::Gap, "gap_m"),
                    };
                    match key {
                        Key::Thickness => one(Inside(kind, "thickness_m")),
                        Key::OpenFraction => one(Inside(kind, "open_fraction")),
                        Key::Discharge => one(Inside(kind, "discharge_coefficient")),
                        key if key == across => one(Inside(kind, name)),
                        _ => Err(NOT_HERE),
                    }
                }
                _ => Err(NOT_HERE),
            }
        }
        (Element::Leak(_), key) => match key {
            Key::Resistance => plain("resistance_pa_s_per_m3"),
            Key::Gap => one(Inside("slot", "gap_m")),
            Key::Length => one(Inside("slot", "length_m")),
            Key::Depth => one(Inside("slot", "depth_m")),
            _ => Err(NOT_HERE),
        },
        (Element::Opening(_), key) => match key {
            Key::EndCorrection => plain("end_correction_factor"),
            Key::Area => plain("area_m2"),
            _ => Err(NOT_HERE),
        },
        (Element::Probe(_), Key::Distance) => plain("distance_m"),
        (Element::Probe(_), _) => {
            Err("a microphone's gain belongs to the captures and not to the design")
        }
    }
}

/// The new text of a design file.
///
/// `text` is what `design` was read from and `file` names it in messages. `head` are lines for the comment at the top of the file,
/// without the mark; those of an earlier writing give way.
///
/// # Errors
/// [`WriteError`] for a number that no key holds, and for a text that would not be a sound design with the wanted values.
pub fn with_changes(
    text: &str,
    file: &Path,
    design: &Design,
    changes: &[Change],
    tolerances: &[NewTolerance],
    head: &[String],
) -> Result<String, WriteError> {
    let plain_text = text.trim_start_matches('\u{feff}');
    let mut document: DocumentMut = plain_text
        .parse()
        .map_err(|error: toml_edit::TomlError| WriteError::Changed(error.to_string()))?;
    for change in changes {
        write_value(&mut document, design, change)?;
    }
    for tolerance in tolerances {
        write_tolerance(&mut document, design, tolerance)?;
    }
    let mut new = String::new();
    for line in head {
        new.push_str(&comment(line));
    }
    let body = document.to_string();
    let mut rest = body.as_str();
    while rest.starts_with(MARK) {
        rest = rest.split_once('\n').map_or("", |(_, after)| after);
    }
    new.push_str(rest);
    if text.contains("\r\n") {
        new = new.replace("\r\n", "\n").replace('\n', "\r\n");
    }
    read_back(&new, file, design, changes, tolerances)?;
    Ok(new)
}

/// One comment line; control characters cannot end it.
fn comment(line: &str) -> String {
    let line: String = line
        .chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect();
    format!("{MARK}{}\n", line.trim_end())
}

fn read_back(
    new: &str,
    file: &Path,
    design: &Design,
    changes: &[Change],
    tolerances: &[NewTolerance],
) -> Result<(), WriteError> {
    let read = read_text(new, file).map_err(WriteError::Unsound)?;
    for change in changes {
        let found = read.value(change.parameter);
        if (found - change.value).abs() > SAME * change.value.abs() {
            return Err(WriteError::NotKept {
                path: design.path_of(change.parameter),
                wanted: number(change.value),
                found: number(found),
            });
        }
    }
    for tolerance in tolerances {
        let size = |spread: Spread| match spread {
            Spread::Relative(v) | Spread::Absolute(v) => v,
        };
        for parameter in read.matching(&tolerance.pattern) {
            let path = read.path_of(parameter);
            let rule = read
                .tolerance
                .iter()
                .rev()
                .find(|r| matches(&r.pattern, &path));
            let found = rule.map_or(f64::NAN, |r| size(r.spread));
            let wanted = size(tolerance.spread);
            // Three digits; a rule that is missing is NaN.
            let kept = (found - wanted).abs() <= 6e-3 * wanted;
            if !kept {
                return Err(WriteError::NotKept {
                    path: format!("the tolerance of {path}"),
                    wanted: number(wanted),
                    found: number(found),
                });
            }
        }
    }
    Ok(())
}

/// A number as TOML with so many significant digits.
fn toml_number(value: f64, digits: usize) -> String {
    let rounded: f64 = format!("{value:.*e}", digits - 1).parse().unwrap_or(value);
    let size = rounded.abs();
    if size == 0.0 || (1e-3..1e6).contains(&size) {
        let text = format!("{rounded}");
        if text.contains('.') {
            text
        } else {
            format!("{text}.0")
        }
    } else {
        format!("{rounded:e}")
    }
}

/// Puts a value in place of another, with the spaces and comments around that one.
fn replace(old: &mut Value, text: &str) -> Result<(), WriteError> {
    let mut new: Value = text
        .parse()
        .map_err(|error: toml_edit::TomlError| WriteError::Changed(error.to_string()))?;
    *new.decor_mut() = old.decor().clone();
    *old = new;
    Ok(())
}

fn set(table: &mut dyn TableLike, key: &str, text: &str) -> Result<(), WriteError> {
    if let Some(value) = table.get_mut(key).and_then(Item::as_value_mut) {
        return replace(value, text);
    }
    let value: Value = text
        .parse()
        .map_err(|error: toml_edit::TomlError| WriteError::Changed(error.to_string()))?;
    table.insert(key, Item::Value(value));
    Ok(())
}

fn write_value(
    document: &mut DocumentMut,
    design: &Design,
    change: &Change,
) -> Result<(), WriteError> {
    let path = || design.path_of(change.parameter);
    let list = places(design, change.parameter, change.value)
        .map_err(|why| WriteError::NoKey { path: path(), why })?;
    let missing = || WriteError::Changed(format!("{} is not there", path()));
    let element = match change.parameter.element {
        Element::Driver => document.get_mut("driver").and_then(Item::as_table_like_mut),
        Element::Chamber(i) => entry(document, "chamber", i),
        Element::Duct(i) => entry(document, "duct", i),
        Element::Resistor(i) => entry(document, "resistor", i),
        Element::Leak(i) => entry(document, "leak", i),
        Element::Opening(i) => entry(document, "opening", i),
        Element::Probe(i) => entry(document, "probe", i),
    }
    .ok_or_else(missing)?;
    for (place, value) in list {
        let text = toml_number(value, 6);
        match place {
            Place::Plain(key) => set(element, key, &text)?,
            Place::Inside(sub, key) => {
                let sub = element
                    .get_mut(sub)
                    .and_then(Item::as_table_like_mut)
                    .ok_or_else(missing)?;
                set(sub, key, &text)?;
            }
            Place::End(key, end) => {
                if !element.contains_key(key) {
                    let zero: Array = [0.0, 0.0].into_iter().collect();
                    element.insert(key, Item::Value(Value::Array(zero)));
                }
                let value = element
                    .get_mut(key)
                    .and_then(Item::as_array_mut)
                    .and_then(|list| list.get_mut(end))
                    .ok_or_else(missing)?;
                replace(value, &text)?;
            }
        }
    }
    Ok(())
}

/// The n-th element of a kind, written as `[[kind]]` or as a list of inline tables.
fn entry<'d>(
    document: &'d mut DocumentMut,
    kind: &str,
    index: usize,
) -> Option<&'d mut dyn TableLike> {
    match document.get_mut(kind)? {
        Item::ArrayOfTables(list) => list.get_mut(index).map(|t| t as &mut dyn TableLike),
        Item::Value(Value::Array(list)) => list
            .get_mut(index)?
            .as_inline_table_mut()
            .map(|t| t as &mut dyn TableLike),
        _ => None,
    }
}

/// An absolute spread as text: millimetres for lengths, the SI unit otherwise.
fn spread_text(spread: Spread, unit: &str) -> String {
    match spread {
        Spread::Relative(v) => toml_number(v, 3),
        Spread::Absolute(v) if unit == "m" => format!("\"{} mm\"", toml_number(v * 1e3, 3)),
        Spread::Absolute(v) => {
            format!("\"{}\"", format!("{} {unit}", toml_number(v, 3)).trim_end())
        }
    }
}

/// The table and key of a tolerance, also of one whose path is written without quotes, as nested tables.
fn find<'t>(table: &'t mut dyn TableLike, path: &str) -> Option<(&'t mut dyn TableLike, String)> {
    if table.get(path).is_some_and(Item::is_value) {
        return Some((table, path.to_string()));
    }
    let (head, rest) = path
        .match_indices('.')
        .map(|(at, _)| (&path[..at], &path[at + 1..]))
        .find(|(head, _)| table.get(head).is_some_and(Item::is_table_like))?;
    find(table.get_mut(head)?.as_table_like_mut()?, rest)
}

fn write_tolerance(
    document: &mut DocumentMut,
    design: &Design,
    new: &NewTolerance,
) -> Result<(), WriteError> {
    let unit = design
        .matching(&new.pattern)
        .first()
        .map_or("", |p| p.key.unit(p.element));
    let text = spread_text(new.spread, unit);
    let place = design
        .tolerance
        .iter()
        .position(|r| r.pattern == new.pattern);
    // A later rule would overrule a value that is changed where it stands.
    let overruled = place.is_some_and(|at| {
        let of_ours = design.matching(&new.pattern);
        design.tolerance[at + 1..].iter().any(|rule| {
            of_ours
                .iter()
                .any(|&p| matches(&rule.pattern, &design.path_of(p)))
        })
    });
    if !document.contains_key("tolerance") {
        document.insert("tolerance", Item::Table(Table::new()));
    }
    // Inside { … } a comment would swallow what follows it.
    let inline = document.get("tolerance").is_some_and(Item::is_value);
    if overruled && let Some((inner, leaf)) = find(rules(document)?, &new.pattern) {
        inner.remove(&leaf);
    }
    let (table, key) = if place.is_some() && !overruled {
        find(rules(document)?, &new.pattern)
            .ok_or_else(|| WriteError::Changed(format!("tolerance.{} is not there", new.pattern)))?
    } else {
        (rules(document)?, new.pattern.clone())
    };
    set(table, &key, &text)?;
    if !inline && !table.is_dotted() {
        comment_above(table, &key, &new.comment);
    }
    Ok(())
}

/// The table `[tolerance]`.
fn rules(document: &mut DocumentMut) -> Result<&mut dyn TableLike, WriteError> {
    document
        .get_mut("tolerance")
        .and_then(Item::as_table_like_mut)
        .ok_or_else(|| WriteError::Changed("[tolerance] is no table".into()))
}

/// Puts a comment line above a key, in place of an earlier one of ours.
fn comment_above(table: &mut dyn TableLike, key: &str, line: &str) {
    let Some(mut key) = table.key_mut(key) else {
        return;
    };
    let decor = key.leaf_decor_mut();
    let old = decor.prefix().and_then(|p| p.as_str()).unwrap_or("");
    let mut prefix: String = old
        .split_inclusive('\n')
        .filter(|l| !l.trim_start().starts_with(MARK))
        .collect();
    prefix.push_str(&comment(line));
    decor.set_prefix(prefix);
}

#[cfg(test)]
#[path = "write_tests.rs"]
mod tests;
