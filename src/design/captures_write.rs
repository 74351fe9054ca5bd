//! Writes captures into a `captures.toml` and leaves what a person wrote there as it is.
//!
//! [`new_set`] makes the head of a file; [`with_capture`] adds one capture to a text or replaces one; [`save`] does so on disk, at once or not at all.

use super::captures::{CaptureKind, MicrophoneScale, Recorded, SweepPlan};
use super::captures_read::{FORMAT, read_text};
use super::problem::Problems;
use super::station::{self, Station};
use super::toml_writer::{
    Field, beside, document, float, inline, line_ends, moment, put, text, texts, whole,
};
use crate::files::{FileError, read_whole, write_whole};
use std::path::Path;
use toml_edit::{ArrayOfTables, DocumentMut, Item, Table, TableLike, Value};

/// One capture to write.
#[derive(Debug, Clone, PartialEq)]
pub struct NewCapture {
    /// WAV files as written, relative to the captures file: the first is `file`, the others are its `repeats`.
    pub files: Vec<String>,
    /// File of the capture whose place it takes; without one it takes that of the same `file`.
    pub replaces: Option<String>,
    /// What the channels saw. What the set's station states as well is not written, so that a later correction of the
    /// station file holds for it.
    pub kind: CaptureKind,
    /// RMS voltage, where no channel tells it.
    pub drive_v: Option<f64>,
    /// How it was recorded.
    pub recorded: Option<Recorded>,
}

/// Why a captures file was not written.
#[derive(Debug, thiserror::Error)]
pub enum CapturesWriteError {
    /// It is no sound captures file, or would not be one.
    #[error("{0}")]
    Unsound(#[from] Problems),
    /// The file system failed.
    #[error("{0}")]
    File(#[from] FileError),
}

/// The head of a captures file, without a capture yet: `design` and `station` as written, relative to it; `taken` is RFC
/// 3339 text, empty where it is not known.
#[must_use]
pub fn new_set(
    unit: &str,
    design: &str,
    sweep: &SweepPlan,
    taken: &str,
    station: Option<&str>,
    air: [Option<f64>; 3],
) -> String {
    let mut document = DocumentMut::new();
    put(
        document.as_table_mut(),
        vec![
            ("format", text(FORMAT)),
            ("unit", text(unit)),
            ("design", text(design)),
            ("station", station.and_then(text)),
            ("taken", moment(taken)),
            ("temperature_c", air[0].and_then(float)),
            ("pressure_kpa", air[1].and_then(float)),
            ("humidity_pct", air[2].and_then(float)),
        ],
    );
    let s = sweep;
    let mut table = Table::new();
    put(
        &mut table,
        vec![
            ("start_hz", float(s.start_hz)),
            ("stop_hz", float(s.stop_hz)),
            ("duration_s", float(s.duration_s)),
            ("sample_rate_hz", whole(s.sample_rate_hz as usize)),
            ("level_dbfs", float(s.level_dbfs)),
            ("fade_in_s", float(s.fade_in_s)),
            ("fade_out_s", float(s.fade_out_s)),
            ("silence_before_s", float(s.silence_before_s)),
            ("silence_after_s", float(s.silence_after_s)),
            ("synchronized", Some(s.synchronized.into())),
        ],
    );
    document.insert("sweep", Item::Table(table));
    document.to_string()
}

/// A number that the station does not state already.
fn own(value: f64, of_station: Option<f64>) -> Option<Value> {
    if of_station == Some(value) {
        None
    } else {
        float(value)
    }
}

fn fields(new: &NewCapture, path: &Path, station: Option<&Station>) -> Vec<Field> {
    let (file, repeats) = match new.files.split_first() {
        Some((file, repeats)) => (file.as_str(), repeats),
        None => ("", &[][..]),
    };
    let mut list: Vec<Field> = vec![
        ("file", text(file)),
        ("repeats", texts(repeats)),
        ("drive_v", new.drive_v.and_then(float)),
    ];
    match &new.kind {
        CaptureKind::Impedance {
            source_channel,
            load_channel,
            reference_ohm,
            lead_ohm,
            gain_ratio,
        } => {
            let jig = station.and_then(|s| s.jig.as_ref());
            list.extend([
                ("quantity", text("impedance")),
                ("source_channel", whole(*source_channel)),
                ("load_channel", whole(*load_channel)),
                (
                    "reference_ohm",
                    own(*reference_ohm, jig.map(|j| j.reference_ohm)),
                ),
                ("lead_ohm", own(*lead_ohm, jig.map(|j| j.lead_ohm.max(0.0)))),
                ("gain_ratio", own(*gain_ratio, jig.map(|j| j.gain_ratio))),
            ]);
        }
        CaptureKind::Pressure {
            probe,
            reference_channel,
            microphone_channel,
            scale,
            reference_v_per_unit,
            correction,
        } => {
            let microphone = station.and_then(|s| s.microphone.as_ref());
            let (sensitivity, volts, full) = match *scale {
                MicrophoneScale::Sensitivity {
                    sensitivity_v_per_pa,
                    microphone_v_per_unit,
                } => (
                    own(
                        sensitivity_v_per_pa,
                        microphone.map(|m| m.sensitivity_v_per_pa),
                    ),
                    own(
                        microphone_v_per_unit,
                        microphone.map(|m| m.microphone_v_per_unit),
                    ),
                    None,
                ),
                MicrophoneScale::FullScale { full_scale_db } => (None, None, float(full_scale_db)),
                MicrophoneScale::Unknown => (None, None, None),
            };
            let same = microphone.is_some_and(|m| m.correction == *correction);
            let correction = correction.as_ref().filter(|_| !same);
            list.extend([
                ("quantity", text("pressure")),
                ("probe", text(probe)),
                ("reference_channel", reference_channel.and_then(whole)),
                ("microphone_channel", whole(*microphone_channel)),
                ("sensitivity_v_per_pa", sensitivity),
                ("microphone_v_per_unit", volts),
                ("full_scale_db", full),
                (
                    "reference_v_per_unit",
                    own(
                        *reference_v_per_unit,
                        station.and_then(|s| s.card.reference_v_per_unit),
                    ),
                ),
                ("correction", correction.and_then(|file| beside(file, path))),
            ]);
        }
    }
    let recorded = new.recorded.as_ref().and_then(|r| {
        let channels: toml_edit::Array = r.input_channels.iter().map(|&c| c as i64).collect();
        inline(vec![
            ("at", moment(&r.at)),
            ("device", text(&r.device)),
            ("sample_rate_hz", whole(r.sample_rate_hz as usize)),
            ("level_dbfs", float(r.level_dbfs)),
            ("output_channel", whole(r.output_channel)),
            (
                "input_channels",
                (!channels.is_empty()).then_some(Value::Array(channels)),
            ),
            ("station", r.station.as_deref().and_then(text)),
            ("software", text(&r.software)),
        ])
    });
    list.push(("recorded", recorded));
    list
}

fn is_of(table: &dyn TableLike, file: &str) -> bool {
    table.get("file").and_then(Item::as_str) == Some(file)
}

/// The text of a captures file with a capture added, or with the one that it replaces changed. Comments, order and
/// layout stay, and so do keys that a capture of ours does not state, such as `ac_coupling_hz`. What was written is read
/// back before it is given away; `path` names the file in messages and is what paths are resolved against.
///
/// # Errors
/// [`Problems`] where the new text would not be a sound captures file.
pub fn with_capture(old: &str, path: &Path, new: &NewCapture) -> Result<String, Problems> {
    let mut document = document(old, path)?;
    let station = document
        .get("station")
        .and_then(Item::as_str)
        .map(|file| station::read(&path.parent().unwrap_or(Path::new("")).join(file)))
        .transpose()?;
    let file = new.replaces.as_ref().or(new.files.first());
    let file = file.map_or("", String::as_str);
    let list = fields(new, path, station.as_ref());
    match document.get_mut("capture") {
        None => {
            let mut tables = ArrayOfTables::new();
            let mut table = Table::new();
            put(&mut table, list);
            table.decor_mut().set_prefix("\n");
            tables.push(table);
            document.insert("capture", Item::ArrayOfTables(tables));
        }
        Some(Item::ArrayOfTables(tables)) => {
            if let Some(there) = tables.iter_mut().find(|t| is_of(*t, file)) {
                put(there, list);
            } else {
                let mut table = Table::new();
                put(&mut table, list);
                table.decor_mut().set_prefix("\n");
                tables.push(table);
            }
        }
        Some(Item::Value(Value::Array(tables))) => {
            let there = tables
                .iter_mut()
                .filter_map(Value::as_inline_table_mut)
                .find(|t| is_of(*t, file));
            match (there, inline(list.clone())) {
                (Some(there), _) => put(there, list),
                (None, Some(value)) => tables.push(value),
                (None, None) => {}
            }
        }
        Some(_) => {
            return Err(Problems::whole_file(
                path,
                "capture is no list of tables; expected [[capture]]",
            ));
        }
    }
    let new = line_ends(document.to_string(), old);
    read_text(&new, path)?;
    Ok(new)
}

/// Adds a capture to the captures file at `path`, or replaces one; a file that does not exist is
/// made with `head` ([`new_set`]). Atomic: the file holds the old text or the new one.
///
/// # Errors
/// [`CapturesWriteError`]; an existing file is then untouched.
pub fn save(path: &Path, head: &str, new: &NewCapture) -> Result<(), CapturesWriteError> {
    let old = if path.exists() {
        let bytes = read_whole(path)?;
        super::toml_reader::text_of(&bytes, path)?.to_string()
    } else {
        head.to_string()
    };
    let text = with_capture(&old, path, new)?;
    write_whole(path, text.as_bytes())?;
    Ok(())
}

#[cfg(test)]
#[path = "captures_write_tests.rs"]
mod tests;
