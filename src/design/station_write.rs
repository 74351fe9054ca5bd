//! Writes calibrations into a station file and leaves what a person wrote there as it is.

use super::problem::Problems;
use super::station::{
    Card, Check, FORMAT, Jig, Loopback, Microphone, Stamp, Station, read, read_text,
};
use super::toml_writer::{
    Field, beside, document, float, inline, line_ends, moment, put, text, whole,
};
use crate::files::{FileError, write_whole};
use std::path::Path;
use toml_edit::{Item, Table};

/// A table of a station file to write.
#[derive(Debug, Clone, PartialEq)]
pub enum Section {
    /// `[card]`.
    Card(Card),
    /// `[loopback]`.
    Loopback(Loopback),
    /// `[jig]`.
    Jig(Jig),
    /// `[microphone]`.
    Microphone(Microphone),
    /// `[check]`.
    Check(Check),
}

/// Why a station file was not written.
#[derive(Debug, thiserror::Error)]
pub enum StationWriteError {
    /// It is no sound station file, or would not be one.
    #[error("{0}")]
    Unsound(#[from] Problems),
    /// The file system failed.
    #[error("{0}")]
    File(#[from] FileError),
}

fn stamp(stamp: &Stamp) -> Vec<Field> {
    vec![
        ("taken", moment(&stamp.taken)),
        ("serial", stamp.serial.as_deref().and_then(text)),
        ("valid_days", float(stamp.valid_days)),
        ("device", stamp.device.as_deref().and_then(text)),
    ]
}

impl Section {
    fn key(&self) -> &'static str {
        match self {
            Self::Card(_) => "card",
            Self::Loopback(_) => "loopback",
            Self::Jig(_) => "jig",
            Self::Microphone(_) => "microphone",
            Self::Check(_) => "check",
        }
    }

    fn fields(&self, file: &Path) -> Vec<Field> {
        match self {
            Self::Card(c) => vec![
                ("input", c.input.as_deref().and_then(text)),
                ("output", c.output.as_deref().and_then(text)),
                ("sample_rate_hz", whole(c.sample_rate_hz as usize)),
                ("output_channel", whole(c.output_channel)),
                ("inputs", whole(c.inputs)),
                ("outputs", whole(c.outputs)),
                ("reference_channel", whole(c.reference_channel)),
                ("microphone_channel", whole(c.microphone_channel)),
                ("source_channel", whole(c.source_channel)),
                ("load_channel", whole(c.load_channel)),
                ("output_v_per_unit", c.output_v_per_unit.and_then(float)),
                (
                    "reference_v_per_unit",
                    c.reference_v_per_unit.and_then(float),
                ),
            ],
            Self::Loopback(l) => {
                let mut fields = stamp(&l.stamp);
                fields.push((
                    "response",
                    l.response.as_ref().and_then(|r| beside(r, file)),
                ));
                fields.push((
                    "response_digest",
                    l.response_digest.as_deref().and_then(text),
                ));
                fields.push((
                    "latency_frames",
                    l.latency_frames.and_then(|n| whole(n as usize)),
                ));
                fields.push(("latency_sd_frames", l.latency_sd_frames.and_then(float)));
                fields.push(("gain_ratio", float(l.gain_ratio)));
                fields.push(("gain_ratio_sd", float(l.gain_ratio_sd)));
                fields
            }
            Self::Jig(j) => {
                let mut fields = stamp(&j.stamp);
                fields.push(("reference_ohm", float(j.reference_ohm)));
                fields.push(("reference_sd_ohm", float(j.reference_sd_ohm)));
                fields.push(("lead_ohm", float(j.lead_ohm)));
                fields.push(("lead_sd_ohm", float(j.lead_sd_ohm)));
                fields.push(("gain_ratio", float(j.gain_ratio)));
                fields.push(("gain_ratio_sd", float(j.gain_ratio_sd)));
                fields.push(("resistors", j.resistors.and_then(|n| whole(n as usize))));
                fields.push(("chi_squared", j.chi_squared.and_then(float)));
                fields.push(("how", j.how.as_deref().and_then(text)));
                // A person states it: a calibration that does not know it leaves it there.
                let watts = j.reference_power_w;
                fields.extend(watts.map(|w| ("reference_power_w", float(w))));
                fields
            }
            Self::Microphone(m) => {
                let mut fields = stamp(&m.stamp);
                fields.push(("sensitivity_v_per_pa", float(m.sensitivity_v_per_pa)));
                fields.push(("microphone_v_per_unit", float(m.microphone_v_per_unit)));
                fields.push(("sd_db", float(m.sd_db)));
                fields.extend(m.max_peak_db.map(|db| ("max_peak_db", float(db))));
                fields.push((
                    "correction",
                    m.correction.as_ref().and_then(|c| beside(c, file)),
                ));
                let calibrator = m.calibrator.as_ref().and_then(|c| {
                    inline(vec![
                        ("serial", c.serial.as_deref().and_then(text)),
                        ("level_db", float(c.level_db)),
                        ("frequency_hz", float(c.frequency_hz)),
                    ])
                });
                fields.push(("calibrator", calibrator));
                fields
            }
            Self::Check(c) => vec![
                ("resistor_ohm", float(c.resistor_ohm)),
                ("tolerance", float(c.tolerance)),
                ("every_hours", float(c.every_hours)),
            ],
        }
    }
}

/// The text of a station file with a table added or replaced. An empty text becomes a new file of the station `name`;
/// comments, order and layout of an old one stay. What was written is read back before it is given away.
///
/// # Errors
/// [`Problems`] where the old text or the new one is no sound station file.
pub fn with_section(
    old: &str,
    file: &Path,
    name: &str,
    section: &Section,
) -> Result<String, Problems> {
    let start = if old.trim().is_empty() {
        let quoted = toml_edit::Value::from(name);
        format!(
            "format = \"{FORMAT}\"\nname = {}\n",
            quoted.to_string().trim()
        )
    } else {
        read_text(old, file)?;
        old.to_string()
    };
    let mut document = document(&start, file)?;
    let key = section.key();
    if !document.contains_key(key) {
        let mut table = Table::new();
        table.decor_mut().set_prefix("\n");
        document.insert(key, Item::Table(table));
    }
    let Some(table) = document.get_mut(key).and_then(Item::as_table_like_mut) else {
        return Err(Problems::whole_file(
            file,
            format!("{key} is no table; expected [{key}]"),
        ));
    };
    put(table, section.fields(file));
    let new = line_ends(document.to_string(), old);
    read_text(&new, file)?;
    Ok(new)
}

/// Adds or replaces a table of the station file at `path`, which is made where there is none, and reads it back.
///
/// # Errors
/// [`StationWriteError`]; an existing file is then untouched.
pub fn save(path: &Path, name: &str, section: &Section) -> Result<Station, StationWriteError> {
    let old = if path.exists() {
        let bytes = crate::files::read_whole(path)?;
        super::toml_reader::text_of(&bytes, path)?.to_string()
    } else {
        String::new()
    };
    let new = with_section(&old, path, name, section)?;
    write_whole(path, new.as_bytes())?;
    Ok(read(path)?)
}
