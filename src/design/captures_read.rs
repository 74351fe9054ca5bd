//! Reads a `captures.toml` into a [`CaptureSet`] and reports everything that is wrong with it, line by line.
//!
//! Paths in the file are resolved against its own folder. Whether probes and parameters exist is known only with
//! the design: [`check_against`].

use super::captures::{
    Built, Capture, CaptureCalibration, CaptureKind, CaptureSet, CurveFile, MicrophoneScale,
    Recorded, SweepPlan,
};
use super::problem::{Problems, number};
use super::station::{self, Jig, Station};
use super::toml_reader::{
    MOMENT, Range, Source, Table, bytes_of, check_format, in_words, number_of, parse, text_of,
};
use super::{Spread, quantity};
use std::path::{Path, PathBuf};
use toml::de::{DeTable, DeValue};

pub use super::captures_against::check_against;

/// The value of the `format` key.
pub const FORMAT: &str = "bassay-captures/1";

/// Most captures and curves of one unit.
const LARGEST_CAPTURES: usize = 1000;
/// Most takes in one file.
const LARGEST_TAKES: u32 = 10_000;
/// Most channels of a WAV file.
const LARGEST_CHANNEL: u32 = 256;

const SECONDS: Range = Range::new(0.0, 3600.0, "s");
const DURATION: Range = Range::new(0.05, 3600.0, "s");
const SWEPT: Range = Range::new(0.01, 400_000.0, "Hz");
const GAIN: Range = Range::new(1e-9, 1e9, "");
const VOLTS_PER_UNIT: Range = Range::new(1e-9, 1e9, "V");

/// Reads a captures file.
///
/// # Errors
/// [`Problems`] for a file that cannot be read, is not UTF-8 TOML, or does not describe captures soundly.
pub fn read(path: &Path) -> Result<CaptureSet, Problems> {
    let bytes = bytes_of(path)?;
    let digest = blake3::hash(&bytes).to_hex().to_string();
    let mut set = read_text(text_of(&bytes, path)?, path)?;
    set.digest = digest;
    Ok(set)
}

/// Reads captures from text; `file` names it in messages and is what paths are resolved against.
///
/// # Errors
/// As [`read`].
pub fn read_text(text: &str, file: &Path) -> Result<CaptureSet, Problems> {
    read_any(text, file, true)
}

/// The same for a file that may not list any capture yet.
///
/// # Errors
/// As [`read`].
pub fn read_unfinished(text: &str, file: &Path) -> Result<CaptureSet, Problems> {
    read_any(text, file, false)
}

fn read_any(text: &str, file: &Path, finished: bool) -> Result<CaptureSet, Problems> {
    let digest = blake3::hash(text.as_bytes()).to_hex().to_string();
    let text = text_of(text.as_bytes(), file)?;
    let document = parse(text, file, FORMAT)?;
    let source = Source::new(text, file);
    let set = read_document(&source, document.get_ref(), file, (digest, finished));
    source.finish(set)
}

fn read_document<'t>(
    source: &Source<'t>,
    document: &DeTable<'t>,
    file: &Path,
    (digest, finished): (String, bool),
) -> Option<CaptureSet> {
    check_format(source, document, FORMAT)?;
    let known = [
        "format",
        "unit",
        "design",
        "station",
        "taken",
        "rehearsed",
        "temperature_c",
        "pressure_kpa",
        "humidity_pct",
        "sweep",
        "capture",
        "built",
        "curve",
    ];
    let top = Table::open(source, document, 0, "", &known);
    let folder = file.parent().unwrap_or(Path::new(""));
    let unit = top.required_text("unit", "the serial number as text");
    let design = top.required_text("design", "the design file");
    let taken = top.moment("taken");
    let rehearsed = top.text("rehearsed", "what made the captures, as text");
    let station = read_station(&top, folder);
    let temperature_c = top.optional("temperature_c", quantity::TEMPERATURE);
    let pressure_kpa = top.optional("pressure_kpa", quantity::PRESSURE);
    let humidity_pct = top.optional("humidity_pct", quantity::HUMIDITY);
    if finished && !top.has("capture") && !top.has("curve") {
        top.missing("capture", "at least one [[capture]] or [[curve]]");
    }
    for key in ["capture", "curve"] {
        let count = top
            .raw(key)
            .and_then(|v| v.get_ref().as_array())
            .map_or(0, |list| list.len());
        if count > LARGEST_CAPTURES {
            top.problem(
                key,
                format!("found {count}; expected at most {LARGEST_CAPTURES} of one unit"),
            );
            return None;
        }
    }
    let sweep = if top.has("sweep") {
        read_sweep(&top)
    } else {
        if top.has("capture") {
            top.missing("sweep", "a table [sweep], because there is a [[capture]]");
        }
        None
    };
    let captures: Vec<Capture> = top
        .list("capture")
        .into_iter()
        .enumerate()
        .filter_map(|(i, (table, at))| read_capture(&top, table, at, i, (folder, station.as_ref())))
        .collect();
    twice(&top, &captures);
    let curves = top
        .list("curve")
        .into_iter()
        .enumerate()
        .filter_map(|(i, (table, at))| read_curve(&top, table, at, i, folder))
        .collect();
    let built = read_built(&top);
    Some(CaptureSet {
        unit: unit?.to_string(),
        design: folder.join(design?),
        taken,
        rehearsed: rehearsed.map(str::to_string),
        temperature_c,
        pressure_kpa,
        humidity_pct,
        sweep,
        captures,
        built,
        curves,
        station,
        file: file.to_path_buf(),
        digest,
    })
}

/// The station that the file names; what is wrong with its file is told at the key.
fn read_station(top: &Table<'_, '_>, folder: &Path) -> Option<Station> {
    let file = top.text("station", "a station file")?;
    match station::read(&folder.join(file)) {
        Ok(station) => Some(station),
        Err(problems) => {
            top.problem("station", problems.to_string());
            None
        }
    }
}

pub(super) fn read_sweep(top: &Table<'_, '_>) -> Option<SweepPlan> {
    let known = [
        "start_hz",
        "stop_hz",
        "duration_s",
        "sample_rate_hz",
        "level_dbfs",
        "fade_in_s",
        "fade_out_s",
        "silence_before_s",
        "silence_after_s",
        "synchronized",
    ];
    let table = top.sub("sweep", &known)?;
    let usual = SweepPlan::default();
    let plan = SweepPlan {
        start_hz: table.number("start_hz", SWEPT),
        stop_hz: table.number("stop_hz", SWEPT),
        duration_s: table.number("duration_s", DURATION),
        sample_rate_hz: table
            .whole("sample_rate_hz", 1000, 768_000)
            .unwrap_or(usual.sample_rate_hz),
        level_dbfs: table.number_or(
            "level_dbfs",
            Range::new(-120.0, 0.0, "dB"),
            usual.level_dbfs,
        ),
        fade_in_s: table.number_or("fade_in_s", SECONDS, usual.fade_in_s),
        fade_out_s: table.number_or("fade_out_s", SECONDS, usual.fade_out_s),
        silence_before_s: table.number_or("silence_before_s", SECONDS, usual.silence_before_s),
        silence_after_s: table.number_or("silence_after_s", SECONDS, usual.silence_after_s),
        synchronized: table.flag("synchronized").unwrap_or(usual.synchronized),
    };
    if plan.start_hz >= plan.stop_hz {
        table.problem(
            "stop_hz",
            format!(
                "found {} Hz; expected more than start_hz, {} Hz",
                number(plan.stop_hz),
                number(plan.start_hz)
            ),
        );
    }
    let highest_hz = f64::from(plan.sample_rate_hz) / 2.0;
    if plan.stop_hz >= highest_hz {
        table.problem(
            "stop_hz",
            format!(
                "found {} Hz; expected less than half the sample rate, {} Hz",
                number(plan.stop_hz),
                number(highest_hz)
            ),
        );
    }
    if plan.fade_in_s + plan.fade_out_s > plan.duration_s {
        let key = if table.has("fade_in_s") {
            "fade_in_s"
        } else {
            "fade_out_s"
        };
        table.problem(
            key,
            format!(
                "both fades last {} s; expected at most duration_s, {} s",
                number(plan.fade_in_s + plan.fade_out_s),
                number(plan.duration_s)
            ),
        );
    }
    Some(plan)
}

/// What a capture or a curve is of.
#[derive(Clone, Copy, PartialEq)]
enum Quantity {
    Impedance,
    Pressure,
}

const QUANTITIES: [(&str, Quantity); 2] = [
    ("impedance", Quantity::Impedance),
    ("pressure", Quantity::Pressure),
];

const IMPEDANCE_KEYS: [&str; 5] = [
    "source_channel",
    "load_channel",
    "reference_ohm",
    "lead_ohm",
    "gain_ratio",
];
const PRESSURE_KEYS: [&str; 8] = [
    "probe",
    "reference_channel",
    "microphone_channel",
    "sensitivity_v_per_pa",
    "full_scale_db",
    "reference_v_per_unit",
    "microphone_v_per_unit",
    "correction",
];

fn quantity_of(table: &Table<'_, '_>) -> Option<Quantity> {
    if !table.has("quantity") {
        table.missing("quantity", "impedance or pressure");
    }
    table.choice("quantity", &QUANTITIES)
}

/// Reports keys that belong to the other quantity.
fn foreign(table: &Table<'_, '_>, keys: &[&str], owner: &str) {
    for key in keys.iter().filter(|key| table.has(key)) {
        table.problem(
            key,
            format!(
                "this key belongs to quantity = \"{owner}\"; expected another quantity or no {key}"
            ),
        );
    }
}

fn read_capture<'s, 't>(
    top: &Table<'s, 't>,
    table: &'s DeTable<'t>,
    at: usize,
    count: usize,
    (folder, station): (&Path, Option<&Station>),
) -> Option<Capture> {
    let mut known = vec![
        "file",
        "quantity",
        "drive_v",
        "ac_coupling_hz",
        "repeats",
        "take",
        "recorded",
    ];
    known.extend(IMPEDANCE_KEYS);
    known.extend(PRESSURE_KEYS);
    let path = format!("capture[{}]", count + 1);
    let table = Table::open(top.source, table, at, path, &known);
    let file = table.required_text("file", "a WAV file");
    let kind = match quantity_of(&table) {
        Some(Quantity::Impedance) => {
            foreign(&table, &PRESSURE_KEYS, "pressure");
            read_impedance(&table, station.and_then(|s| s.jig.as_ref()))
        }
        Some(Quantity::Pressure) => {
            foreign(&table, &IMPEDANCE_KEYS, "impedance");
            read_pressure(&table, folder, station)
        }
        None => None,
    };
    let drive_v = table.optional("drive_v", quantity::VOLTAGE);
    let ac_coupling_hz = table.optional("ac_coupling_hz", Range::new(1e-3, 1e3, "Hz"));
    let repeats = read_repeats(&table, folder);
    let take = table
        .whole("take", 1, LARGEST_TAKES)
        .map(|take| take as usize);
    if take.is_some() && !repeats.is_empty() {
        table.problem(
            "take",
            "it stands beside repeats; expected one of them: list the takes as captures of their own",
        );
    }
    let recorded = read_recorded(&table);
    let file = file?;
    Some(Capture {
        file: file.to_string(),
        path: folder.join(file),
        kind: kind?,
        calibration: calibration(&table, station),
        drive_v,
        ac_coupling_hz,
        repeats,
        take,
        recorded,
    })
}

/// The same take is no second measurement, and never one of another place. Without `take` the file is asked how many it has.
fn twice(top: &Table<'_, '_>, captures: &[Capture]) {
    let channel = |c: &Capture| match c.kind {
        CaptureKind::Impedance { load_channel, .. } => load_channel,
        CaptureKind::Pressure {
            microphone_channel, ..
        } => microphone_channel,
    };
    for (i, one) in captures.iter().enumerate() {
        let same = |other: &&Capture| {
            one.path == other.path && one.take == other.take && channel(one) == channel(other)
        };
        if let Some(take) = one.take
            && captures[..i].iter().any(|other| same(&other))
        {
            top.problem(
                "capture",
                format!(
                    "channel {} of «{}», take {take}, stands in two captures; expected each recording once",
                    channel(one),
                    one.file
                ),
            );
        }
    }
}

/// How closely the station knows what the capture does not state; 0 in its file is «not known».
fn calibration(table: &Table<'_, '_>, station: Option<&Station>) -> CaptureCalibration {
    let from = |key: &str, sd: Option<f64>| sd.filter(|sd| *sd > 0.0 && !table.has(key));
    let jig = station.and_then(|s| s.jig.as_ref());
    let microphone = station.and_then(|s| s.microphone.as_ref());
    CaptureCalibration {
        reference_relative: from(
            "reference_ohm",
            jig.map(|j| j.reference_sd_ohm / j.reference_ohm),
        ),
        gain_relative: from("gain_ratio", jig.map(|j| j.gain_ratio_sd / j.gain_ratio)),
        lead_sd_ohm: from("lead_ohm", jig.map(|j| j.lead_sd_ohm)),
        microphone_sd_db: from("sensitivity_v_per_pa", microphone.map(|m| m.sd_db))
            .filter(|_| !table.has("full_scale_db")),
    }
}

fn read_repeats(table: &Table<'_, '_>, folder: &Path) -> Vec<(String, PathBuf)> {
    let Some(value) = table.raw("repeats") else {
        return Vec::new();
    };
    let list = value.get_ref().as_array();
    let texts: Option<Vec<&str>> = list.and_then(|list| {
        list.iter()
            .map(|item| item.get_ref().as_str().filter(|t| !t.is_empty()))
            .collect()
    });
    match texts {
        Some(texts) if texts.len() < LARGEST_CAPTURES => texts
            .into_iter()
            .map(|file| (file.to_string(), folder.join(file)))
            .collect(),
        _ => {
            let expected = "a list of WAV files, such as [\"mouth-near-2.wav\"]";
            table.wrong("repeats", value.get_ref(), expected);
            Vec::new()
        }
    }
}

fn read_recorded(table: &Table<'_, '_>) -> Option<Recorded> {
    if !table.has("recorded") {
        return None;
    }
    let known = [
        "at",
        "device",
        "sample_rate_hz",
        "level_dbfs",
        "output_channel",
        "input_channels",
        "station",
        "software",
    ];
    let table = table.sub("recorded", &known)?;
    if !table.has("at") {
        table.missing("at", MOMENT);
    }
    let input_channels = match table.raw("input_channels").map(|v| v.get_ref()) {
        None => Vec::new(),
        Some(value) => {
            let whole = |v: &DeValue<'_>| number_of(v).filter(|c| c.fract() == 0.0 && *c >= 1.0);
            let list: Option<Vec<usize>> = value.as_array().and_then(|list| {
                list.iter()
                    .map(|item| whole(item.get_ref()).map(|c| c as usize))
                    .collect()
            });
            if list.is_none() {
                table.wrong("input_channels", value, "a list of channels, from 1");
            }
            list.unwrap_or_default()
        }
    };
    Some(Recorded {
        at: table.moment("at")?,
        device: table
            .text("device", "the sound card")
            .unwrap_or_default()
            .to_string(),
        sample_rate_hz: table.whole("sample_rate_hz", 1000, 768_000)?,
        level_dbfs: table.number("level_dbfs", Range::new(-200.0, 0.0, "dB")),
        output_channel: table
            .whole("output_channel", 1, LARGEST_CHANNEL)
            .unwrap_or(1) as usize,
        input_channels,
        station: table
            .text("station", "the digest of the station file")
            .map(str::to_string),
        software: table
            .text("software", "program and version")
            .unwrap_or_default()
            .to_string(),
    })
}

/// A channel that must be there.
fn channel(table: &Table<'_, '_>, key: &str) -> Option<usize> {
    if !table.has(key) {
        table.missing(key, &format!("a channel, 1 to {LARGEST_CHANNEL}"));
    }
    table.whole(key, 1, LARGEST_CHANNEL).map(|c| c as usize)
}

fn different(table: &Table<'_, '_>, one: (&str, Option<usize>), other: (&str, Option<usize>)) {
    if one.1.is_some() && one.1 == other.1 {
        table.problem(
            other.0,
            format!(
                "found channel {}, which is {} too; expected two channels",
                other.1.unwrap_or_default(),
                one.0
            ),
        );
    }
}

fn read_impedance(table: &Table<'_, '_>, jig: Option<&Jig>) -> Option<CaptureKind> {
    let source = channel(table, "source_channel");
    let load = channel(table, "load_channel");
    different(table, ("source_channel", source), ("load_channel", load));
    let resistance = quantity::RESISTANCE_OHM;
    let reference_ohm = match jig {
        Some(jig) => table.number_or("reference_ohm", resistance, jig.reference_ohm),
        None => table.number("reference_ohm", resistance),
    };
    let (lead, gain) = jig.map_or((0.0, 1.0), |jig| (jig.lead_ohm.max(0.0), jig.gain_ratio));
    let lead_ohm = table.number_or("lead_ohm", Range::new(0.0, 100.0, "Ω"), lead);
    let gain_ratio = table.number_or("gain_ratio", GAIN, gain);
    Some(CaptureKind::Impedance {
        source_channel: source?,
        load_channel: load?,
        reference_ohm,
        lead_ohm,
        gain_ratio,
    })
}

fn read_pressure(
    table: &Table<'_, '_>,
    folder: &Path,
    station: Option<&Station>,
) -> Option<CaptureKind> {
    let calibrated = station.and_then(|s| s.microphone.as_ref());
    let probe = table.required_text("probe", "the name of a probe of the design");
    let microphone = channel(table, "microphone_channel");
    let reference = if table.has("reference_channel") {
        channel(table, "reference_channel")
    } else {
        None
    };
    different(
        table,
        ("reference_channel", reference),
        ("microphone_channel", microphone),
    );
    let sensitivity = table.optional("sensitivity_v_per_pa", GAIN);
    let full_scale = table.optional("full_scale_db", quantity::LEVEL);
    let usual = calibrated.map_or(1.0, |m| m.microphone_v_per_unit);
    let volts = table.number_or("microphone_v_per_unit", VOLTS_PER_UNIT, usual);
    if table.has("sensitivity_v_per_pa") && table.has("full_scale_db") {
        table.problem(
            "full_scale_db",
            "it stands beside sensitivity_v_per_pa; expected one of them or none",
        );
    }
    let scale = match (sensitivity, full_scale) {
        (Some(sensitivity_v_per_pa), _) => MicrophoneScale::Sensitivity {
            sensitivity_v_per_pa,
            microphone_v_per_unit: volts,
        },
        (None, Some(full_scale_db)) => MicrophoneScale::FullScale { full_scale_db },
        (None, None) => {
            calibrated.map_or(MicrophoneScale::Unknown, |m| MicrophoneScale::Sensitivity {
                sensitivity_v_per_pa: m.sensitivity_v_per_pa,
                microphone_v_per_unit: volts,
            })
        }
    };
    // A level in Pa/V needs the volts; a shape does not.
    if scale != MicrophoneScale::Unknown
        && table.has("reference_channel")
        && !table.has("reference_v_per_unit")
        && !table.has("drive_v")
        && station.is_none_or(|s| s.card.reference_v_per_unit.is_none())
    {
        table.missing(
            "reference_v_per_unit",
            "the volts at the terminals for 1.0 on the reference channel, because the microphone's level is known",
        );
    }
    let correction = table
        .text("correction", "a file with the microphone's response")
        .map(|file| folder.join(file))
        .or_else(|| calibrated.and_then(|m| m.correction.clone()));
    let reference_v_per_unit = station
        .and_then(|s| s.card.reference_v_per_unit)
        .unwrap_or(1.0);
    Some(CaptureKind::Pressure {
        probe: probe?.to_string(),
        reference_channel: reference,
        microphone_channel: microphone?,
        scale,
        reference_v_per_unit: table.number_or(
            "reference_v_per_unit",
            VOLTS_PER_UNIT,
            reference_v_per_unit,
        ),
        correction,
    })
}

fn read_curve<'s, 't>(
    top: &Table<'s, 't>,
    table: &'s DeTable<'t>,
    at: usize,
    count: usize,
    folder: &Path,
) -> Option<CurveFile> {
    let known = ["file", "quantity", "probe", "drive_v"];
    let path = format!("curve[{}]", count + 1);
    let table = Table::open(top.source, table, at, path, &known);
    let file = table.required_text("file", "a text file with a curve");
    let drive_v = table.optional("drive_v", quantity::VOLTAGE);
    let probe = match quantity_of(&table)? {
        Quantity::Impedance => {
            foreign(&table, &["probe"], "pressure");
            None
        }
        Quantity::Pressure => Some(
            table
                .required_text("probe", "the name of a probe of the design")?
                .to_string(),
        ),
    };
    let file = file?;
    Some(CurveFile {
        file: file.to_string(),
        path: folder.join(file),
        probe,
        drive_v,
    })
}

fn read_built(top: &Table<'_, '_>) -> Vec<Built> {
    let Some(value) = top.raw("built") else {
        return Vec::new();
    };
    let Some(table) = value.get_ref().as_table() else {
        top.wrong("built", value.get_ref(), "a table [built]");
        return Vec::new();
    };
    let mut list: Vec<(usize, Built)> = Vec::new();
    for (key, value) in table {
        let path: &str = key.get_ref();
        let name = built_key(path);
        let report = |at: usize, text: String| top.source.report(at, name.clone(), text);
        if path.contains('*') || path.starts_with("each ") {
            report(
                key.span().start,
                "found a pattern; expected the path of one parameter".into(),
            );
            continue;
        }
        let Some(inner) = value.get_ref().as_table() else {
            report(
                value.span().start,
                format!(
                    "found {}; expected {{ value = …, sd = … }}",
                    in_words(value.get_ref())
                ),
            );
            continue;
        };
        let at = value.span().start;
        let inner = Table::open(top.source, inner, at, name.clone(), &["value", "sd"]);
        let found = inner.number("value", Range::new(-1e15, 1e15, "in the SI unit"));
        let sd = inner.number("sd", Range::new(1e-15, 1e15, "in the SI unit"));
        list.push((
            key.span().start,
            Built {
                path: path.to_string(),
                value: found,
                spread: Spread::Absolute(sd),
            },
        ));
    }
    list.sort_by_key(|&(at, _)| at);
    list.into_iter().map(|(_, built)| built).collect()
}

pub(super) fn built_key(path: &str) -> String {
    format!("built.\"{path}\"")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_may_be_written_in_every_way_of_toml() {
        // DERIVED: TOML 1.0, integers and floats.
        let document = DeTable::parse("a = 1_000\nb = 0x10\nc = +5\nd = 1_0.5e1\n").expect("toml");
        let of = |key: &str| number_of(document.get_ref().get(key).expect("there").get_ref());
        assert_eq!(
            [of("a"), of("b"), of("c"), of("d")],
            [Some(1000.0), Some(16.0), Some(5.0), Some(105.0)]
        );
    }
}
