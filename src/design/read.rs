//! Reads a `design.toml` into a [`Design`] and reports everything that is wrong with it, line by line.
//!
//! Nothing is silently ignored: an unknown key, a missing key, a wrong type, a value out of range, a dangling
//! junction and a pattern that matches nothing are problems.

use super::junctions::{Mention, Role, Wiring};
use super::problem::{Problems, number};
use super::toml_reader::{Source, Table, check_format, parse, text_of};
use super::{
    AirConditions, CLOSED, Design, Drive, OUTSIDE, Room, Space, Target, quantity, read_driver,
    read_elements, read_openings, rules,
};
use std::path::Path;

/// The value of the `format` key.
pub const FORMAT: &str = "bassay-design/1";

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
        "room",
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
    let room = read_room(&top, space);
    let target = top.has("target").then(|| read_target(&top)).flatten();
    let driver = read_driver::driver(&top, &mut wiring);
    if !read_elements::few_enough(&top) {
        return None;
    }
    let chambers = read_elements::chambers(&top, &mut wiring);
    let ducts = read_elements::ducts(&top, &mut wiring);
    let resistors = read_elements::resistors(&top, &mut wiring);
    let leaks = read_elements::leaks(&top, &mut wiring);
    let openings = read_openings::openings(&top, &mut wiring, (space, room));
    let probes = read_openings::probes(&top, &wiring, &openings, room);
    wiring.check(source);
    let mut design = Design {
        name,
        digest,
        air,
        drive: drive?,
        space,
        room,
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
    let table = top.sub(
        "drive",
        &["voltage_v", "source_ohm", "max_voltage_v", "max_current_a"],
    )?;
    let drive = Drive {
        voltage_v: table.number("voltage_v", quantity::VOLTAGE),
        source_ohm: table.number("source_ohm", quantity::SOURCE_OHM),
        max_voltage_v: table.optional("max_voltage_v", quantity::VOLTAGE),
        max_current_a: table.optional("max_current_a", quantity::CURRENT),
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

fn read_room(top: &Table<'_, '_>, space: Space) -> Room {
    let Some(table) = top.sub("room", &["floor_m", "wall_m"]) else {
        return Room::default();
    };
    let taken = match space {
        Space::Full | Space::Half => &[][..],
        Space::Quarter => &["floor_m"],
        Space::Eighth => &["floor_m", "wall_m"],
    };
    for key in taken.iter().filter(|key| table.has(key)) {
        table.problem(
            key,
            "site.space already puts this plane through the origin; expected space = \"half\" with a distance \
             here, or the word alone",
        );
    }
    Room {
        floor_m: table.optional("floor_m", quantity::DISTANCE),
        wall_m: table.optional("wall_m", quantity::DISTANCE),
    }
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
