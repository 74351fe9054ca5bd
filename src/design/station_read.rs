//! Reads `station.toml`, strictly and with places.

use super::problem::Problems;
use super::quantity;
use super::station::{
    Calibrator, Card, Check, FORMAT, Jig, Loopback, Microphone, Stamp, Station, USUAL_CHECK_HOURS,
    USUAL_MICROPHONE_SD_DB, USUAL_VALID_DAYS,
};
use super::toml_reader::{MOMENT, Range, Source, Table, bytes_of, check_format, parse, text_of};
use std::path::Path;
use toml::de::DeTable;

const CHANNEL: (u32, u32) = (1, 256);
const DIGEST: &str = "a BLAKE3 digest, 64 hexadecimal digits";
const SD: Range = Range::new(0.0, 1e6, "");
const DAYS: Range = Range::new(0.01, 1e5, "days");
const HOURS: Range = Range::new(0.01, 1e5, "h");
const RATIO: Range = Range::new(1e-6, 1e6, "");
const WATTS: Range = Range::new(1e-3, 1e6, "W");
const VOLTS: Range = Range::new(1e-9, 1e9, "V");

/// Reads a station file.
///
/// # Errors
/// [`Problems`] with file, line and key of everything that is wrong.
pub fn read(path: &Path) -> Result<Station, Problems> {
    let bytes = bytes_of(path)?;
    let text = text_of(&bytes, path)?;
    let mut station = read_with(text, path, true)?;
    station.digest = blake3::hash(&bytes).to_hex().to_string();
    Ok(station)
}

/// As [`read`], for a station whose loop-back is about to be replaced: its table is not looked at.
///
/// # Errors
/// As [`read`], but for the table.
pub fn read_without_table(path: &Path) -> Result<Station, Problems> {
    let bytes = bytes_of(path)?;
    let text = text_of(&bytes, path)?;
    let mut station = read_text(text, path)?;
    station.digest = blake3::hash(&bytes).to_hex().to_string();
    Ok(station)
}

/// Reads a station from text; `file` names it in messages and is what paths are resolved against. No other file is looked at.
///
/// # Errors
/// As [`read`].
pub fn read_text(text: &str, file: &Path) -> Result<Station, Problems> {
    read_with(text, file, false)
}

fn read_with(text: &str, file: &Path, table_too: bool) -> Result<Station, Problems> {
    let digest = blake3::hash(text.as_bytes()).to_hex().to_string();
    let document = parse(text, file, FORMAT)?;
    let source = Source::new(text, file);
    let station = read_document(&source, document.get_ref(), file, digest, table_too);
    source.finish(station)
}

fn read_document<'t>(
    source: &Source<'t>,
    document: &DeTable<'t>,
    file: &Path,
    digest: String,
    table_too: bool,
) -> Option<Station> {
    check_format(source, document, FORMAT)?;
    let known = [
        "format",
        "name",
        "card",
        "loopback",
        "jig",
        "microphone",
        "check",
    ];
    let top = Table::open(source, document, 0, "", &known);
    let folder = file.parent().unwrap_or(Path::new(""));
    let name = top.required_text("name", "the station's code");
    let card = if top.has("card") {
        read_card(&top)
    } else {
        Some(Card::default())
    };
    let loopback = read_loopback(&top, folder, table_too);
    // Of other channels the loop-back says nothing.
    let of_jig = card.as_ref().is_some_and(|c| {
        c.source_channel == c.reference_channel && c.load_channel == c.microphone_channel
    });
    let usual = loopback.as_ref().filter(|_| of_jig);
    let jig = read_jig(
        &top,
        usual.map(|l: &Loopback| (l.gain_ratio, l.gain_ratio_sd)),
    );
    let microphone = read_microphone(&top, folder);
    let check = read_check(&top);
    Some(Station {
        name: name?.to_string(),
        file: file.to_path_buf(),
        digest,
        card: card?,
        loopback,
        jig,
        microphone,
        check,
    })
}

fn read_card(top: &Table<'_, '_>) -> Option<Card> {
    let known = [
        "input",
        "output",
        "sample_rate_hz",
        "inputs",
        "outputs",
        "output_channel",
        "reference_channel",
        "microphone_channel",
        "source_channel",
        "load_channel",
        "output_v_per_unit",
        "reference_v_per_unit",
    ];
    let table = top.sub("card", &known)?;
    let usual = Card::default();
    let channel = |key: &str, default: usize, most: usize, of: &str| {
        let found = table
            .whole(key, CHANNEL.0, CHANNEL.1)
            .map_or(default, |c| c as usize);
        if found > most {
            table.problem(
                key,
                format!("found channel {found}; expected 1 to {most}, as many as {of} opens"),
            );
        }
        found
    };
    let count = |key: &str, default: usize| {
        table
            .whole(key, CHANNEL.0, CHANNEL.1)
            .map_or(default, |c| c as usize)
    };
    let inputs = count("inputs", usual.inputs);
    let outputs = count("outputs", usual.outputs);
    let card = Card {
        input: table
            .text("input", "the name of an input device")
            .map(str::to_string),
        output: table
            .text("output", "the name of an output device")
            .map(str::to_string),
        sample_rate_hz: table
            .whole("sample_rate_hz", 8_000, 768_000)
            .unwrap_or(usual.sample_rate_hz),
        inputs,
        outputs,
        output_channel: channel("output_channel", usual.output_channel, outputs, "outputs"),
        reference_channel: channel(
            "reference_channel",
            usual.reference_channel,
            inputs,
            "inputs",
        ),
        microphone_channel: channel(
            "microphone_channel",
            usual.microphone_channel,
            inputs,
            "inputs",
        ),
        source_channel: channel("source_channel", usual.source_channel, inputs, "inputs"),
        load_channel: channel("load_channel", usual.load_channel, inputs, "inputs"),
        output_v_per_unit: table.optional("output_v_per_unit", VOLTS),
        reference_v_per_unit: table.optional("reference_v_per_unit", VOLTS),
    };
    for (key, one, other_key, other) in [
        (
            "microphone_channel",
            card.microphone_channel,
            "reference_channel",
            card.reference_channel,
        ),
        (
            "load_channel",
            card.load_channel,
            "source_channel",
            card.source_channel,
        ),
    ] {
        if one == other {
            table.problem(
                key,
                format!("found channel {one}, which is {other_key} too; expected two channels"),
            );
        }
    }
    Some(card)
}

/// The keys that every calibration has.
fn read_stamp(table: &Table<'_, '_>) -> Option<Stamp> {
    let serial = table.text("serial", "a serial number").map(str::to_string);
    let valid_days = table.number_or("valid_days", DAYS, USUAL_VALID_DAYS);
    if !table.has("taken") {
        table.missing("taken", MOMENT);
    }
    let device = table.text("device", "a device").map(str::to_string);
    Some(Stamp {
        taken: table.moment("taken")?,
        serial,
        valid_days,
        device,
    })
}

/// The digest of the loop-back's table, and whether the table still has it.
fn read_digest(table: &Table<'_, '_>, response: Option<&Path>, look: bool) -> Option<String> {
    let stated = table.text("response_digest", DIGEST)?.to_string();
    if stated.len() != 64 || !stated.chars().all(|c| c.is_ascii_hexdigit()) {
        table.problem(
            "response_digest",
            format!("found '{stated}'; expected {DIGEST}"),
        );
        return None;
    }
    let Some(response) = response else {
        table.missing("response", "the file whose digest is stated");
        return None;
    };
    if !look {
        return Some(stated);
    }
    match crate::files::read_whole(response) {
        Err(error) => table.problem("response", error.to_string()),
        Ok(bytes) => {
            let found = blake3::hash(&bytes).to_hex().to_string();
            if !found.eq_ignore_ascii_case(&stated) {
                table.problem(
                    "response_digest",
                    format!(
                        "{} has the digest {}…; expected {}…: it was edited or exchanged after the calibration; bring back the table of this calibration, or make both anew with `bassay station loopback`",
                        response.display(),
                        &found[..12],
                        &stated[..12]
                    ),
                );
            }
        }
    }
    Some(stated)
}

fn read_loopback(top: &Table<'_, '_>, folder: &Path, table_too: bool) -> Option<Loopback> {
    if !top.has("loopback") {
        return None;
    }
    let known = [
        "taken",
        "serial",
        "valid_days",
        "device",
        "gain_ratio",
        "gain_ratio_sd",
        "latency_frames",
        "latency_sd_frames",
        "response",
        "response_digest",
    ];
    let table = top.sub("loopback", &known)?;
    let stamp = read_stamp(&table);
    let response = table
        .text("response", "a file with the ratio against frequency")
        .map(|file| folder.join(file));
    let response_digest = read_digest(&table, response.as_deref(), table_too);
    Some(Loopback {
        gain_ratio: table.number("gain_ratio", RATIO),
        gain_ratio_sd: table.number_or("gain_ratio_sd", SD, 0.0),
        latency_frames: table.whole("latency_frames", 0, 10_000_000),
        latency_sd_frames: table.optional("latency_sd_frames", Range::new(0.0, 1e7, "frames")),
        response,
        response_digest,
        stamp: stamp?,
    })
}

fn read_jig(top: &Table<'_, '_>, usual_gain: Option<(f64, f64)>) -> Option<Jig> {
    if !top.has("jig") {
        return None;
    }
    let known = [
        "taken",
        "serial",
        "valid_days",
        "device",
        "reference_ohm",
        "reference_sd_ohm",
        "reference_power_w",
        "lead_ohm",
        "lead_sd_ohm",
        "gain_ratio",
        "gain_ratio_sd",
        "resistors",
        "chi_squared",
        "how",
    ];
    let table = top.sub("jig", &known)?;
    let stamp = read_stamp(&table);
    let own_sd = match usual_gain {
        Some((_, sd)) if !table.has("gain_ratio") => sd,
        _ => 0.0,
    };
    Some(Jig {
        reference_ohm: table.number("reference_ohm", quantity::RESISTANCE_OHM),
        reference_sd_ohm: table.number_or("reference_sd_ohm", SD, 0.0),
        reference_power_w: table.optional("reference_power_w", WATTS),
        lead_ohm: table.number_or("lead_ohm", Range::new(-1.0, 100.0, "Ω"), 0.0),
        lead_sd_ohm: table.number_or("lead_sd_ohm", SD, 0.0),
        gain_ratio: table.number_or("gain_ratio", RATIO, usual_gain.map_or(1.0, |g| g.0)),
        gain_ratio_sd: table.number_or("gain_ratio_sd", SD, own_sd),
        resistors: table.whole("resistors", 1, 1000),
        chi_squared: table.optional("chi_squared", Range::new(0.0, 1e6, "")),
        how: table
            .text("how", "how it was found, in words")
            .map(str::to_string),
        stamp: stamp?,
    })
}

fn read_microphone(top: &Table<'_, '_>, folder: &Path) -> Option<Microphone> {
    if !top.has("microphone") {
        return None;
    }
    let known = [
        "taken",
        "serial",
        "valid_days",
        "device",
        "sensitivity_v_per_pa",
        "microphone_v_per_unit",
        "sd_db",
        "max_peak_db",
        "correction",
        "calibrator",
    ];
    let table = top.sub("microphone", &known)?;
    let stamp = read_stamp(&table);
    Some(Microphone {
        sensitivity_v_per_pa: table.number("sensitivity_v_per_pa", RATIO),
        microphone_v_per_unit: table.number_or("microphone_v_per_unit", VOLTS, 1.0),
        sd_db: table.number_or("sd_db", SD, USUAL_MICROPHONE_SD_DB),
        max_peak_db: table.optional("max_peak_db", quantity::LEVEL),
        correction: table
            .text("correction", "a file with the microphone's response")
            .map(|file| folder.join(file)),
        calibrator: table
            .has("calibrator")
            .then(|| table.sub("calibrator", &["serial", "level_db", "frequency_hz"]))
            .flatten()
            .map(|inner| Calibrator {
                serial: inner.text("serial", "a serial number").map(str::to_string),
                level_db: inner.number("level_db", quantity::LEVEL),
                frequency_hz: inner.number("frequency_hz", Range::new(10.0, 20_000.0, "Hz")),
            }),
        stamp: stamp?,
    })
}

fn read_check(top: &Table<'_, '_>) -> Option<Check> {
    if !top.has("check") {
        return None;
    }
    let table = top.sub("check", &["resistor_ohm", "tolerance", "every_hours"])?;
    Some(Check {
        resistor_ohm: table.number("resistor_ohm", quantity::RESISTANCE_OHM),
        tolerance: table.number_or("tolerance", Range::new(1e-5, 1.0, ""), 0.01),
        every_hours: table.number_or("every_hours", HOURS, USUAL_CHECK_HOURS),
    })
}
