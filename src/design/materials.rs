//! `materials.toml`: damping materials that the user has measured or bought, with spread and source.
//!
//! ```toml
//! format = "bassay-materials/1"
//!
//! [[material]]
//! name = "felt 3 mm"
//! specific_pa_s_per_m = 180.0        # one layer
//! sd_pa_s_per_m = 12.0               # from piece to piece; or relative_sd = 0.07
//! areal_mass_kg_per_m2 = 0.35        # optional
//! source = "coupon, roll 12"
//! measured = 2026-03-14              # optional
//! ```
//!
//! A material is added at the end of the text, so that comments and order stay.

use super::problem::{Problems, quoted};
use super::quantity;
use super::toml_reader::{Range, Source, Table, bytes_of, check_format, parse, text_of};
use serde::Serialize;
use std::path::Path;
use toml::de::{DeTable, DeValue};

/// The value of the `format` key.
pub const FORMAT: &str = "bassay-materials/1";

/// Most materials of one file.
const LARGEST: usize = 10_000;

/// One layer of a damping material.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Material {
    /// Name.
    pub name: String,
    /// Specific resistance of one layer, Pa·s/m.
    pub specific_pa_s_per_m: f64,
    /// Its standard deviation from piece to piece, Pa·s/m.
    pub sd_pa_s_per_m: f64,
    /// Mass per area, kg/m², if known.
    pub areal_mass_kg_per_m2: Option<f64>,
    /// Where the numbers come from.
    pub source: String,
    /// Date of the measurement, `YYYY-MM-DD`, if stated.
    pub measured: Option<String>,
}

/// Reads a materials file.
///
/// # Errors
/// [`Problems`] with file, line and key of everything that is wrong.
pub fn read(path: &Path) -> Result<Vec<Material>, Problems> {
    let bytes = bytes_of(path)?;
    read_text(text_of(&bytes, path)?, path)
}

/// Reads materials from text; `file` names it in messages.
///
/// # Errors
/// As [`read`].
pub fn read_text(text: &str, file: &Path) -> Result<Vec<Material>, Problems> {
    let text = text_of(text.as_bytes(), file)?;
    let document = parse(text, file, FORMAT)?;
    let source = Source::new(text, file);
    let list = read_document(&source, document.get_ref());
    source.finish(list)
}

fn read_document<'t>(source: &Source<'t>, document: &DeTable<'t>) -> Option<Vec<Material>> {
    check_format(source, document, FORMAT)?;
    let top = Table::open(source, document, 0, "", &["format", "material"]);
    let tables = top.list("material");
    if tables.len() > LARGEST {
        top.problem(
            "material",
            format!("found {}; expected at most {LARGEST}", tables.len()),
        );
        return None;
    }
    let mut list: Vec<Material> = Vec::with_capacity(tables.len());
    for (n, (table, at)) in tables.into_iter().enumerate() {
        let Some(material) = read_material(source, table, at, n) else {
            continue;
        };
        if list.iter().any(|m| m.name == material.name) {
            source.report(
                at,
                format!("material[{}].name", n + 1),
                format!(
                    "there is a material {} above; expected a name of its own",
                    quoted(&material.name)
                ),
            );
        }
        list.push(material);
    }
    Some(list)
}

fn read_material<'t>(
    source: &Source<'t>,
    table: &DeTable<'t>,
    at: usize,
    count: usize,
) -> Option<Material> {
    let known = [
        "name",
        "specific_pa_s_per_m",
        "sd_pa_s_per_m",
        "relative_sd",
        "areal_mass_kg_per_m2",
        "source",
        "measured",
    ];
    let table = Table::open(
        source,
        table,
        at,
        format!("material[{}]", count + 1),
        &known,
    );
    let name = table.required_text("name", "a name as text");
    let specific = table.number("specific_pa_s_per_m", quantity::SPECIFIC);
    let absolute = table.optional("sd_pa_s_per_m", Range::new(0.0, 1e9, "Pa·s/m"));
    let relative = table.optional("relative_sd", Range::new(0.0, 10.0, ""));
    if table.has("sd_pa_s_per_m") && table.has("relative_sd") {
        table.problem(
            "relative_sd",
            "it stands beside sd_pa_s_per_m; expected one of the two",
        );
    }
    if !table.has("sd_pa_s_per_m") && !table.has("relative_sd") {
        table.missing(
            "sd_pa_s_per_m",
            "the standard deviation from piece to piece in Pa·s/m, or relative_sd as a fraction",
        );
    }
    let areal_mass_kg_per_m2 = table.optional("areal_mass_kg_per_m2", quantity::AREAL_MASS);
    let origin = table.required_text("source", "where the numbers come from, as text");
    let measured = date(&table, "measured");
    Some(Material {
        name: name?.to_string(),
        specific_pa_s_per_m: specific,
        sd_pa_s_per_m: absolute
            .or(relative.map(|r| r * specific))
            .unwrap_or(f64::NAN),
        areal_mass_kg_per_m2,
        source: origin?.to_string(),
        measured,
    })
}

/// A date, or a date and time, as TOML writes it or as text.
pub(super) fn date(table: &Table<'_, '_>, key: &str) -> Option<String> {
    let value = table.raw(key)?.get_ref();
    let text = match value {
        DeValue::Datetime(date) => date.to_string(),
        DeValue::String(text) => text.to_string(),
        _ => String::new(),
    };
    let day = text.get(..10).unwrap_or("");
    if day.parse::<jiff::civil::Date>().is_err() {
        table.wrong(key, value, "a date such as 2026-03-14");
        return None;
    }
    Some(day.to_string())
}

/// A text as a TOML basic string.
fn basic_string(text: &str) -> String {
    let mut out = String::from("\"");
    for c in text.chars() {
        match c {
            '"' => out.push_str("\\\""),
            '\\' => out.push_str("\\\\"),
            c if c.is_control() => out.push_str(&format!("\\u{:04X}", u32::from(c))),
            c => out.push(c),
        }
    }
    out.push('"');
    out
}

/// Four significant digits in TOML's float form.
fn float(value: f64) -> String {
    let size = if value == 0.0 {
        0
    } else {
        value.abs().log10().floor() as i32
    };
    if !(-4..6).contains(&size) {
        return format!("{value:.3e}");
    }
    format!("{value:.*}", (3 - size).clamp(1, 9) as usize)
}

/// The text of a materials file with one more material at its end; an empty text becomes a new file. `file` names it
/// in messages.
///
/// # Errors
/// [`Problems`] where the text is no sound materials file, or has a material of that name.
pub fn with_added(text: &str, file: &Path, new: &Material) -> Result<String, Problems> {
    let mut whole = if text.trim().is_empty() {
        format!("format = \"{FORMAT}\"\n")
    } else {
        let there = read_text(text, file)?;
        if there.iter().any(|m| m.name == new.name) {
            return Err(Problems::whole_file(
                file,
                format!(
                    "it has a material {} already; expected another name, or take the old one out first",
                    quoted(&new.name)
                ),
            ));
        }
        text.to_string()
    };
    if !whole.ends_with('\n') {
        whole.push('\n');
    }
    whole.push_str(&format!(
        "\n[[material]]\nname = {}\nspecific_pa_s_per_m = {}\nsd_pa_s_per_m = {}\n",
        basic_string(&new.name),
        float(new.specific_pa_s_per_m),
        float(new.sd_pa_s_per_m)
    ));
    if let Some(mass) = new.areal_mass_kg_per_m2 {
        whole.push_str(&format!("areal_mass_kg_per_m2 = {}\n", float(mass)));
    }
    whole.push_str(&format!("source = {}\n", basic_string(&new.source)));
    if let Some(day) = &new.measured {
        whole.push_str(&format!("measured = {day}\n"));
    }
    // What was written must read back: a list in the inline form cannot be added to.
    let back = read_text(&whole, file)?;
    if back.last().is_none_or(|m| m.name != new.name) {
        return Err(Problems::whole_file(
            file,
            "a material cannot be added at its end; expected [[material]] tables",
        ));
    }
    Ok(whole)
}

#[cfg(test)]
mod tests {
    use super::*;

    const TEXT: &str = "# my shelf\nformat = \"bassay-materials/1\"\n\n[[material]] # felt\nname = \"felt\"\n\
        specific_pa_s_per_m = 180\nrelative_sd = 0.1\nsource = \"coupon\" # roll 12";

    fn new(name: &str) -> Material {
        Material {
            name: name.into(),
            specific_pa_s_per_m: 51.234_56,
            sd_pa_s_per_m: 2.0,
            areal_mass_kg_per_m2: Some(0.12),
            source: "a \"b\" \\ c\nd".into(),
            measured: Some("2026-03-14".into()),
        }
    }

    #[test]
    fn adding_keeps_every_byte_that_was_there() {
        let file = Path::new("materials.toml");
        let whole = with_added(TEXT, file, &new("gauze")).unwrap();
        assert!(whole.starts_with(TEXT), "{whole}");
        let list = read_text(&whole, file).unwrap();
        assert_eq!(list.len(), 2);
        // DERIVED: 0.1 of 180.
        assert!((list[0].sd_pa_s_per_m - 18.0).abs() < 1e-12);
        assert_eq!(list[1].source, new("gauze").source);
        assert_eq!(list[1].measured.as_deref(), Some("2026-03-14"));
        // Four digits are kept.
        assert!((list[1].specific_pa_s_per_m / 51.234_56 - 1.0).abs() < 1e-4);
        let first = with_added("", file, &new("gauze")).unwrap();
        assert_eq!(read_text(&first, file).unwrap().len(), 1);
    }

    #[test]
    fn mistakes_are_told_with_line_and_key() {
        let file = Path::new("materials.toml");
        let told = |text: &str| read_text(text, file).unwrap_err().to_string();
        let typo = TEXT.replace("relative_sd", "relativ_sd");
        assert!(
            told(&typo).contains("materials.toml:7: material[1].relativ_sd"),
            "{}",
            told(&typo)
        );
        assert!(told(&typo).contains("'relative_sd'"), "{}", told(&typo));
        let both = format!("{TEXT}\nsd_pa_s_per_m = 3.0");
        assert!(told(&both).contains("expected one of the two"));
        let day = format!("{TEXT}\nmeasured = \"last week\"");
        assert!(told(&day).contains("2026-03-14"), "{}", told(&day));
        let twice = with_added(TEXT, file, &new("felt"))
            .unwrap_err()
            .to_string();
        assert!(twice.contains("'felt' already"), "{twice}");
        let inline = "format = \"bassay-materials/1\"\nmaterial = []\n";
        assert!(with_added(inline, file, &new("x")).is_err());
    }
}
