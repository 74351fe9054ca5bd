//! Reads a `limits.toml` into [`Limits`] and reports everything that is wrong with it, line by line.

use super::limits::{
    BandLimit, Decision, Environment, FORMAT, Limits, METHODS, Method, Origin, ParameterLimit,
    PolarityLimit, RULES, ResidueLimit, Rule, Signature, StationRule, same_band,
};
use super::problem::{Problems, number, quoted};
use super::toml_reader::{Range, Source, Table, bytes_of, check_format, in_words, parse, text_of};
use std::path::Path;
use toml::de::{DeTable, DeValue};

const FREQUENCY: Range = Range::new(0.1, 100_000.0, "Hz");
const LEVEL: Range = Range::new(-200.0, 200.0, "dB");
const SPREAD: Range = Range::new(0.0, 200.0, "dB");
const SHARE: Range = Range::new(0.0, 1.0, "");
const VALUE: Range = Range::new(-1e15, 1e15, "in the SI unit");
/// Guard band over the standard uncertainty that is used where the file states none: 95 % on one side of a normal error
/// (ISO 14253-1, from memory).
pub const USUAL_GUARD: f64 = 1.65;

/// Reads a limits file.
///
/// # Errors
/// [`Problems`] for a file that cannot be read, is not UTF-8 TOML, or does not state limits soundly.
pub fn read(path: &Path) -> Result<Limits, Problems> {
    let bytes = bytes_of(path)?;
    read_text(text_of(&bytes, path)?, path)
}

/// Reads limits from text; `file` names it in messages.
///
/// # Errors
/// As [`read`].
pub fn read_text(text: &str, file: &Path) -> Result<Limits, Problems> {
    let document = parse(text, file, FORMAT)?;
    let source = Source::new(text, file);
    if let Some(at) = below_signature(text) {
        source.report(
            at,
            "signed",
            "a table follows it, which the signature does not cover; expected [signed] as the last table",
        );
    }
    let limits = read_document(&source, document.get_ref()).map(|mut limits| {
        limits.file = file.to_path_buf();
        limits.digest = blake3::hash(text.as_bytes()).to_hex().to_string();
        limits.body_digest = blake3::hash(body(text).as_bytes()).to_hex().to_string();
        limits
    });
    source.finish(limits)
}

/// What a signature covers: all that stands ahead of the line `[signed]`, or everything.
pub(super) fn body(text: &str) -> &str {
    let mut start = 0;
    for line in text.split_inclusive('\n') {
        if line.trim() == "[signed]" {
            return text[..start].trim_end();
        }
        start += line.len();
    }
    text.trim_end()
}

/// Where a table stands below `[signed]`.
fn below_signature(text: &str) -> Option<usize> {
    let mut signed = false;
    let mut start = 0;
    for line in text.split_inclusive('\n') {
        if signed && line.trim_start().starts_with('[') {
            return Some(start);
        }
        signed |= line.trim() == "[signed]";
        start += line.len();
    }
    None
}

fn read_document<'t>(source: &Source<'t>, document: &DeTable<'t>) -> Option<Limits> {
    check_format(source, document, FORMAT)?;
    let known = [
        "format",
        "name",
        "compared",
        "serial_pattern",
        "design",
        "origin",
        "decision",
        "environment",
        "station",
        "band",
        "parameter",
        "residue",
        "polarity",
        "signed",
    ];
    let top = Table::open(source, document, 0, "", &known);
    let name = top.required_text("name", "a name for people");
    if !top.has("compared") {
        top.missing("compared", "compared = \"designed\"");
    }
    top.choice("compared", &[("designed", ())]);
    let serial_pattern = pattern(&top);
    let design = match top.sub("design", &["name", "digest"]) {
        Some(t) => {
            let name = t.required_text("name", "the name of the design");
            let digest = t.required_text("digest", "the BLAKE3 digest of the design file");
            name.zip(digest)
        }
        None => {
            top.missing("design", "a table [design] with name and digest");
            None
        }
    };
    let origin = origin(&top);
    let decision = decision(&top);
    let bands = bands(&top);
    let limits = Limits {
        name: name?.to_string(),
        design_name: design?.0.to_string(),
        design_digest: design?.1.to_string(),
        origin: origin?,
        decision,
        parameters: parameters(&top),
        residue: residue(&top),
        polarity: polarity(&top),
        environment: environment(&top),
        station: station(&top),
        serial_pattern,
        signature: signature(&top),
        bands,
        file: std::path::PathBuf::new(),
        digest: String::new(),
        body_digest: String::new(),
    };
    if limits.bands.is_empty() && limits.parameters.is_empty() && limits.residue.is_empty() {
        top.missing(
            "band",
            "at least one [[band]], [[parameter]] or [[residue]]",
        );
    }
    Some(limits)
}

fn pattern(top: &Table<'_, '_>) -> Option<String> {
    let text = top.text(
        "serial_pattern",
        "a regular expression, such as \"DB-[0-9]{4}\"",
    )?;
    if let Err(error) = regex_lite::Regex::new(text) {
        top.problem(
            "serial_pattern",
            format!(
                "found {}, which is no regular expression: {error}",
                quoted(text)
            ),
        );
        return None;
    }
    Some(text.to_string())
}

fn origin(top: &Table<'_, '_>) -> Option<Origin> {
    let known = [
        "method",
        "made",
        "software",
        "content",
        "confidence",
        "drawn",
        "seed",
        "unit",
    ];
    let Some(table) = top.sub("origin", &known) else {
        if !top.has("origin") {
            top.missing(
                "origin",
                "a table [origin] that says where the limits come from",
            );
        }
        return None;
    };
    if !table.has("method") {
        table.missing("method", "units, model, both or hand");
    }
    let method: Option<Method> = table.choice("method", &METHODS);
    let made = table.raw("made").and_then(|value| match value.get_ref() {
        DeValue::Datetime(date) => Some(date.to_string()),
        other => {
            table.wrong(
                "made",
                other,
                "a date and time, such as 2026-03-14T10:20:00Z",
            );
            None
        }
    });
    let units = table
        .list("unit")
        .into_iter()
        .filter_map(|(unit, at)| {
            let unit = Table::open(table.source, unit, at, "origin.unit", &["serial", "digest"]);
            let serial = unit.required_text("serial", "the serial number");
            let digest = unit.required_text("digest", "the digest of its result or entry");
            Some((serial?.to_string(), digest?.to_string()))
        })
        .collect();
    Some(Origin {
        method: method?,
        made,
        software: table
            .text("software", "program and version")
            .map(String::from),
        content: table.optional("content", SHARE),
        confidence: table.optional("confidence", SHARE),
        drawn: table.whole("drawn", 1, 100_000_000),
        seed: table.whole("seed", 0, u32::MAX),
        units,
    })
}

fn decision(top: &Table<'_, '_>) -> Decision {
    let usual = Decision {
        rule: Rule::Conformity,
        guard_factor: USUAL_GUARD,
    };
    let Some(table) = top.sub("decision", &["rule", "guard_factor"]) else {
        if !top.has("decision") {
            top.missing(
                "decision",
                "a table [decision] with rule = \"conformity\", \"non-conformity\" or \"simple\"",
            );
        }
        return usual;
    };
    if !table.has("rule") {
        table.missing("rule", "conformity, non-conformity or simple");
    }
    Decision {
        rule: table.choice("rule", &RULES).unwrap_or(usual.rule),
        guard_factor: table.number_or("guard_factor", Range::new(0.0, 10.0, ""), USUAL_GUARD),
    }
}

/// Two limits of which the first must be the lower one.
fn ordered(table: &Table<'_, '_>, low: (&str, f64), high: (&str, f64), unit: &str) {
    if low.1 >= high.1 {
        table.problem(
            high.0,
            format!(
                "found {} {unit}; expected more than {}, {} {unit}",
                number(high.1),
                low.0,
                number(low.1)
            ),
        );
    }
}

fn bands(top: &Table<'_, '_>) -> Vec<BandLimit> {
    let known = [
        "observation",
        "center_hz",
        "low_db",
        "high_db",
        "tolerance_db",
        "mean_db",
        "sd_db",
        "measurement_sd_db",
        "simulation_sd_db",
        "offset_db",
    ];
    let mut list: Vec<BandLimit> = Vec::new();
    for (n, (table, at)) in top.list("band").into_iter().enumerate() {
        let table = Table::open(top.source, table, at, format!("band[{}]", n + 1), &known);
        let observation = table.required_text("observation", "impedance or the name of a probe");
        let band = BandLimit {
            observation: observation.unwrap_or_default().to_string(),
            center_hz: table.number("center_hz", FREQUENCY),
            low_db: table.number("low_db", LEVEL),
            high_db: table.number("high_db", LEVEL),
            tolerance_db: table.optional("tolerance_db", SPREAD),
            mean_db: table.optional("mean_db", LEVEL),
            sd_db: table.optional("sd_db", SPREAD),
            measurement_sd_db: table.optional("measurement_sd_db", SPREAD),
            simulation_sd_db: table.optional("simulation_sd_db", SPREAD),
            offset_db: table.optional("offset_db", SPREAD),
        };
        ordered(
            &table,
            ("low_db", band.low_db),
            ("high_db", band.high_db),
            "dB",
        );
        let twice = list
            .iter()
            .any(|b| b.observation == band.observation && same_band(b.center_hz, band.center_hz));
        if twice {
            table.problem(
                "center_hz",
                format!(
                    "{} Hz of {} has limits above; expected each band once",
                    number(band.center_hz),
                    quoted(&band.observation)
                ),
            );
        }
        list.push(band);
    }
    list
}

fn parameters(top: &Table<'_, '_>) -> Vec<ParameterLimit> {
    let known = ["path", "unit", "low", "high"];
    let mut list: Vec<ParameterLimit> = Vec::new();
    for (n, (table, at)) in top.list("parameter").into_iter().enumerate() {
        let table = Table::open(
            top.source,
            table,
            at,
            format!("parameter[{}]", n + 1),
            &known,
        );
        let path = table.required_text("path", "the path of a fitted parameter");
        let (low, high) = (table.optional("low", VALUE), table.optional("high", VALUE));
        match (low, high) {
            (Some(low), Some(high)) => ordered(&table, ("low", low), ("high", high), ""),
            (None, None) if !table.has("low") && !table.has("high") => {
                table.missing("low", "low, high or both");
            }
            _ => {}
        }
        let path = path.unwrap_or_default().to_string();
        if list.iter().any(|p| p.path == path) {
            table.problem(
                "path",
                format!(
                    "{} has limits above; expected each path once",
                    quoted(&path)
                ),
            );
        }
        let unit = table.raw("unit").map_or("", |value| {
            value.get_ref().as_str().unwrap_or_else(|| {
                table.wrong("unit", value.get_ref(), "the SI unit as text");
                ""
            })
        });
        list.push(ParameterLimit {
            path,
            unit: unit.to_string(),
            low,
            high,
        });
    }
    list
}

fn residue(top: &Table<'_, '_>) -> Vec<ResidueLimit> {
    let known = ["observation", "center_hz", "high_db"];
    top.list("residue")
        .into_iter()
        .enumerate()
        .map(|(n, (table, at))| {
            let table = Table::open(top.source, table, at, format!("residue[{}]", n + 1), &known);
            let observation = table.required_text("observation", "the name of a probe");
            ResidueLimit {
                observation: observation.unwrap_or_default().to_string(),
                center_hz: table.optional("center_hz", FREQUENCY),
                high_db: table.number("high_db", LEVEL),
            }
        })
        .collect()
}

fn polarity(top: &Table<'_, '_>) -> Vec<PolarityLimit> {
    top.list("polarity")
        .into_iter()
        .enumerate()
        .map(|(n, (table, at))| {
            let known = ["observation", "sign"];
            let table = Table::open(
                top.source,
                table,
                at,
                format!("polarity[{}]", n + 1),
                &known,
            );
            let observation =
                table.required_text("observation", "impedance or the name of a probe");
            let sign = table.number("sign", Range::new(-1.0, 1.0, ""));
            if sign.abs() < 1.0 {
                table.problem("sign", format!("found {}; expected 1 or -1", number(sign)));
            }
            PolarityLimit {
                observation: observation.unwrap_or_default().to_string(),
                sign: if sign < 0.0 { -1 } else { 1 },
            }
        })
        .collect()
}

fn environment(top: &Table<'_, '_>) -> Environment {
    let known = ["temperature_c", "pressure_kpa", "humidity_pct"];
    let Some(table) = top.sub("environment", &known) else {
        return Environment::default();
    };
    let pair = |key: &str, range: Range| {
        let pair = table.numbers::<2>(key, range)?;
        if pair[0] >= pair[1] {
            table.problem(
                key,
                format!(
                    "found {} to {}; expected the lower end first",
                    number(pair[0]),
                    number(pair[1])
                ),
            );
        }
        Some(pair)
    };
    Environment {
        temperature_c: pair("temperature_c", Range::new(-60.0, 80.0, "°C")),
        pressure_kpa: pair("pressure_kpa", Range::new(30.0, 120.0, "kPa")),
        humidity_pct: pair("humidity_pct", Range::new(0.0, 100.0, "%")),
    }
}

fn station(top: &Table<'_, '_>) -> StationRule {
    let known = ["check_within_h", "calibrated_within_days"];
    let Some(table) = top.sub("station", &known) else {
        return StationRule::default();
    };
    StationRule {
        check_within_h: table.optional("check_within_h", Range::new(0.0, 1e6, "h")),
        calibrated_within_days: table
            .optional("calibrated_within_days", Range::new(0.0, 1e6, "days")),
    }
}

fn signature(top: &Table<'_, '_>) -> Option<Signature> {
    let table = top.sub("signed", &["by", "date", "digest"])?;
    let by = table.required_text("by", "the code of who signed");
    let date = match table.raw("date").map(|v| v.get_ref()) {
        Some(DeValue::Datetime(date)) => Some(date.to_string()),
        Some(other) => {
            table.problem(
                "date",
                format!(
                    "found {}; expected a date, such as 2026-03-14",
                    in_words(other)
                ),
            );
            None
        }
        None => {
            table.missing("date", "the date, such as 2026-03-14");
            None
        }
    };
    let digest = table.required_text("digest", "the digest that `bassay limits sign` writes");
    Some(Signature {
        by: by?.to_string(),
        date: date?,
        digest: digest?.to_string(),
    })
}
