//! Reads a `design.toml` into a [`Design`] and reports everything that is wrong with it, line by line.
//!
//! Nothing is silently ignored: an unknown key, a missing key, a wrong type, a value out of range, a dangling
//! junction and a pattern that matches nothing are problems.

use super::junctions::{Mention, Role, Wiring};
use super::problem::{Problems, number};
use super::toml_reader::{Source, Table, check_format, parse, text_of};
use super::{
    AirConditions, CLOSED, Design, Drive, Driver, Mechanics, OUTSIDE, Space, Target, quantity,
    read_elements, rules,
};
use std::path::Path;

/// The value of the `format` key.
pub const FORMAT: &str = "bassay-design/1";

/// ρc² of air at 20 °C, 101.325 kPa, 50 %, Pa; only to compare a moving mass with the air load.
const RHO_C2_PA: f64 = 1.1993 * 343.99 * 343.99;
/// Density of that air, kg/m³.
const RHO_KG_PER_M3: f64 = 1.1993;

/// Reads a design file.
///
/// # Errors
/// [`Problems`] for a file that cannot be read, is not UTF-8 TOML, or is not a sound design.
pub fn read(path: &Path) -> Result<Design, Problems> {
    let bytes = super::toml_reader::bytes_of(path)?;
    let digest = blake3::hash(&bytes).to_hex().to_string();
    let mut design = read_text(text_of(&bytes, path)?, path)?;
    design.digest = digest;
    Ok(design)
}

/// Reads a design from its text; `file` names it in messages. The digest is that of the text's bytes.
///
/// # Errors
/// As [`read`].
pub fn read_text(text: &str, file: &Path) -> Result<Design, Problems> {
    let digest = blake3::hash(text.as_bytes()).to_hex().to_string();
    let text = text_of(text.as_bytes(), file)?;
    let document = parse(text, file, FORMAT)?;
    let source = Source::new(text, file);
    let design = read_document(&source, document.get_ref(), file, digest);
    source.finish(design)
}

fn read_document<'t>(
    source: &Source<'t>,
    document: &toml::de::DeTable<'t>,
    file: &Path,
    digest: String,
) -> Option<Design> {
    let known = [
        "format",
        "name",
        "air",
        "drive",
        "site",
        "target",
        "driver",
        "chamber",
        "duct",
        "resistor",
        "leak",
        "opening",
        "probe",
        "tolerance",
        "align",
    ];
    check_format(source, document, FORMAT)?;
    let known_before = source.count();
    let top = Table::open(source, document, 0, "", &known);
    // A mistyped table name ("ducts") leaves out elements, so that the rest would look wrongly connected.
    let mut wiring = Wiring::default();
    wiring.unsure = source.count() > known_before;
    let name = match top.text("name", "a name for people") {
        Some(name) => name.to_string(),
        None => file
            .file_stem()
            .map_or_else(String::new, |stem| stem.to_string_lossy().into_owned()),
    };
    let air = read_air(&top);
    let drive = read_drive(&top);
    let space = read_space(&top);
    let target = top.has("target").then(|| read_target(&top)).flatten();
    let driver = read_driver(&top, &mut wiring);
    if !read_elements::few_enough(&top) {
        return None;
    }
    let chambers = read_elements::chambers(&top, &mut wiring);
    let ducts = read_elements::ducts(&top, &mut wiring);
    let resistors = read_elements::resistors(&top, &mut wiring);
    let leaks = read_elements::leaks(&top, &mut wiring);
    let openings = read_elements::openings(&top, &mut wiring, space);
    let probes = read_elements::probes(&top, &wiring, &openings);
    wiring.check(source);
    let mut design = Design {
        name,
        digest,
        air,
        drive: drive?,
        space,
        target,
        driver: driver?,
        chambers,
        ducts,
        resistors,
        leaks,
        openings,
        probes,
        tolerance: Vec::new(),
        free: Vec::new(),
    };
    // Patterns are compared with the elements, so that each element must have been read.
    if source.count() == 0 {
        let index = rules::Index::new(&design);
        let tolerance = rules::tolerance(&top, &design, &index);
        let free = rules::free(&top, &design, &index);
        design.tolerance = tolerance;
        design.free = free;
    }
    Some(design)
}

fn read_air(top: &Table<'_, '_>) -> AirConditions {
    let default = AirConditions::default();
    let Some(air) = top.sub("air", &["temperature_c", "pressure_kpa", "humidity_pct"]) else {
        return default;
    };
    AirConditions {
        temperature_c: air.number_or(
            "temperature_c",
            quantity::TEMPERATURE,
            default.temperature_c,
        ),
        pressure_kpa: air.number_or("pressure_kpa", quantity::PRESSURE, default.pressure_kpa),
        humidity_pct: air.number_or("humidity_pct", quantity::HUMIDITY, default.humidity_pct),
    }
}

fn read_drive(top: &Table<'_, '_>) -> Option<Drive> {
    if !top.has("drive") {
        top.missing("drive", "a table [drive] with voltage_v and source_ohm");
    }
    let table = top.sub("drive", &["voltage_v", "source_ohm", "max_voltage_v"])?;
    let drive = Drive {
        voltage_v: table.number("voltage_v", quantity::VOLTAGE),
        source_ohm: table.number("source_ohm", quantity::SOURCE_OHM),
        max_voltage_v: table.optional("max_voltage_v", quantity::VOLTAGE),
    };
    Some(drive)
}

fn read_space(top: &Table<'_, '_>) -> Space {
    let words = [
        ("full", Space::Full),
        ("half", Space::Half),
        ("quarter", Space::Quarter),
        ("eighth", Space::Eighth),
    ];
    top.sub("site", &["space"])
        .and_then(|site| site.choice("space", &words))
        .unwrap_or(Space::Half)
}

fn read_target(top: &Table<'_, '_>) -> Option<Target> {
    let table = top.sub(
        "target",
        &[
            "band_hz",
            "cutoff_hz",
            "level_db_1m",
            "tolerance_db",
            "tolerance_impedance",
        ],
    )?;
    let tolerance_db = table.number("tolerance_db", quantity::TOLERANCE_DB);
    let tolerance_impedance = table.number("tolerance_impedance", quantity::TOLERANCE_FRACTION);
    let cutoff_hz = table.optional("cutoff_hz", quantity::FREQUENCY);
    let level_db_1m = table.optional("level_db_1m", quantity::LEVEL);
    if !table.has("band_hz") {
        table.missing("band_hz", "a list of 2 frequencies, such as [18.0, 120.0]");
    }
    let band_hz = table.numbers::<2>("band_hz", quantity::FREQUENCY)?;
    if band_hz[0] >= band_hz[1] {
        table.problem(
            "band_hz",
            format!(
                "found {} to {} Hz; expected the lower frequency first",
                number(band_hz[0]),
                number(band_hz[1])
            ),
        );
    }
    Some(Target {
        band_hz,
        cutoff_hz,
        level_db_1m,
        tolerance_db,
        tolerance_impedance,
    })
}

/// A junction's name where a reserved one may stand too.
pub(super) fn mention<'t>(
    table: &Table<'t, '_>,
    key: &str,
    role: Role,
    default: Option<&'t str>,
) -> Option<Mention<'t>> {
    let expected = "the name of a junction";
    let junction = match (table.has(key), default) {
        (false, Some(default)) => default,
        _ => table.required_text(key, expected)?,
    };
    let sound = read_elements::sound_name(junction);
    if let Err(why) = sound {
        table.problem(key, why);
        return None;
    }
    let lower = junction.to_lowercase();
    if lower != junction && (lower == OUTSIDE || lower == CLOSED) {
        table.problem(
            key,
            format!("found '{junction}'; expected the reserved name in small letters: {lower}"),
        );
        return None;
    }
    Some(Mention {
        junction,
        at: table.at_key(key),
        key: table.key(key),
        role,
    })
}

fn read_driver<'t>(top: &Table<'t, '_>, wiring: &mut Wiring<'t>) -> Option<Driver> {
    if !top.has("driver") {
        top.missing(
            "driver",
            "a table [driver] with the small-signal parameters",
        );
        wiring.unsure = true;
    }
    let known = [
        "re_ohm",
        "bl_n_per_a",
        "mmd_kg",
        "mms_kg",
        "cms_m_per_n",
        "rms_kg_per_s",
        "fs_hz",
        "qms",
        "qes",
        "vas_m3",
        "sd_m2",
        "le_h",
        "l2_h",
        "r2_ohm",
        "xmax_m",
        "power_w",
        "creep",
        "front",
        "rear",
    ];
    let Some(table) = top.sub("driver", &known) else {
        wiring.unsure = true;
        return None;
    };
    let front = wiring.mention(mention(&table, "front", Role::Driver, None));
    let rear = wiring.mention(mention(&table, "rear", Role::Driver, None));
    wiring.tie(front, rear);
    let name = |key| table.text(key, "").unwrap_or_default().to_string();
    let l2_h = table.optional("l2_h", quantity::INDUCTANCE_2);
    let r2_ohm = table.optional("r2_ohm", quantity::RESISTANCE_OHM);
    for (there, other) in [("l2_h", "r2_ohm"), ("r2_ohm", "l2_h")] {
        if table.has(there) && !table.has(other) {
            table.missing(other, &format!("it together with {there}"));
        }
    }
    let sd_m2 = table.number("sd_m2", quantity::AREA);
    let re_ohm = table.number("re_ohm", quantity::RESISTANCE_OHM);
    let mechanics = read_mechanics(&table);
    let driver = Driver {
        re_ohm,
        sd_m2,
        le_h: table.number("le_h", quantity::INDUCTANCE),
        l2_h,
        r2_ohm,
        xmax_m: table.optional("xmax_m", quantity::LENGTH),
        power_w: table.optional("power_w", quantity::POWER),
        creep: table.number_or("creep", quantity::CREEP, 0.0),
        front: if front.is_some() {
            name("front")
        } else {
            String::new()
        },
        rear: if rear.is_some() {
            name("rear")
        } else {
            String::new()
        },
        mechanics: mechanics?,
    };
    check_air_load(&table, &driver);
    Some(driver)
}

/// A stated mass with air load must be more than that load, or the cone would weigh nothing.
fn check_air_load(table: &Table<'_, '_>, driver: &Driver) {
    if !driver.mass_has_air_load() {
        return;
    }
    let radius_m = (driver.sd_m2 / std::f64::consts::PI).sqrt();
    let load_kg = 2.0 * 8.0 / 3.0 * RHO_KG_PER_M3 * radius_m.powi(3);
    let (_, mass_kg, _, _) = driver.mechanical(RHO_C2_PA);
    if mass_kg <= load_kg {
        let key = if table.has("mms_kg") {
            "mms_kg"
        } else {
            "fs_hz"
        };
        table.problem(
            key,
            format!(
                "the moving mass with air load is {mass_kg:.3e} kg; expected more than the air load of \
                 this cone, {load_kg:.3e} kg"
            ),
        );
    }
}

fn read_mechanics(table: &Table<'_, '_>) -> Option<Mechanics> {
    let mechanical = [
        "bl_n_per_a",
        "mmd_kg",
        "mms_kg",
        "cms_m_per_n",
        "rms_kg_per_s",
    ];
    let resonance = ["fs_hz", "qms", "qes", "vas_m3"];
    let first_mechanical = mechanical.iter().find(|key| table.has(key));
    let first_resonance = resonance.iter().find(|key| table.has(key));
    match (first_mechanical, first_resonance) {
        (Some(one), Some(other)) => {
            table.problem(
                other,
                format!(
                    "it stands beside {one}; expected either bl_n_per_a, mmd_kg, cms_m_per_n and \
                     rms_kg_per_s, or fs_hz, qms, qes and vas_m3, never both"
                ),
            );
            None
        }
        (None, Some(_)) => Some(Mechanics::Resonance {
            fs_hz: table.number("fs_hz", quantity::FREQUENCY),
            qms: table.number("qms", quantity::Q),
            qes: table.number("qes", quantity::Q),
            vas_m3: table.number("vas_m3", quantity::VOLUME),
        }),
        _ => {
            let with_air_load = table.has("mms_kg");
            if with_air_load && table.has("mmd_kg") {
                table.problem(
                    "mms_kg",
                    "it stands beside mmd_kg; expected one of them: mmd_kg without air load, mms_kg with it",
                );
            }
            Some(Mechanics::Mechanical {
                bl_n_per_a: table.number("bl_n_per_a", quantity::FORCE_FACTOR),
                mass_kg: table.number(
                    if with_air_load { "mms_kg" } else { "mmd_kg" },
                    quantity::MASS,
                ),
                with_air_load,
                cms_m_per_n: table.number("cms_m_per_n", quantity::COMPLIANCE),
                rms_kg_per_s: table.number("rms_kg_per_s", quantity::MECHANICAL_RESISTANCE),
            })
        }
    }
}
