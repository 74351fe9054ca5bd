//! What one entry of the production log says.
//!
//! An entry is written once and never changed; a correction is a new entry that refers to the old one. Its body is one line
//! of JSON with the keys of [`Entry`]; that text is what the digest covers, so that nothing depends on how a database
//! stores numbers. Every station has a chain of its own: entry n of a station carries the digest of its entry n − 1, so
//! that a station without a connection can go on and deliver later, in order.
//!
//! ```text
//! digest(n) = BLAKE3(digest(n − 1) ‖ station ‖ 0x0A ‖ n ‖ 0x0A ‖ body)     in ASCII and UTF-8; n decimal;
//! digest(0) = 64 zeros                                                      digests as 64 lower-case hex digits
//! ```

use serde::{Deserialize, Serialize};

/// The `format` key of an entry's body.
pub const FORMAT: &str = "bassay-entry/1";

/// The body of an entry.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// [`FORMAT`].
    pub format: String,
    /// What the entry is.
    pub kind: Kind,
    /// When, RFC 3339 with offset.
    pub at: String,
    /// Who ran it: a code, not a name.
    pub operator: String,
    /// Serial number of the unit; empty for a station check.
    pub unit: String,
    /// Batch, if units are made in batches.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub batch: Option<String>,
    /// How often this serial has been tested, counting this time; from 1.
    pub attempt: u32,
    /// Digest of the entry that this one corrects or judges anew.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub refers_to: Option<String>,
    /// Why, for a correction; what is said of the unit by hand.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub remark: Option<String>,
    /// The judgement.
    pub verdict: Judgement,
    /// The most probable cause, where it failed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cause: Option<Cause>,
    /// BLAKE3 digest of the limits file, hex; empty where none was used.
    pub limits: String,
    /// BLAKE3 digest of the design file, hex.
    pub design: String,
    /// Program and version.
    pub software: String,
    /// Digest of the station file and the age of its oldest calibration.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bench: Option<Bench>,
    /// Air during the test.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub conditions: Option<Conditions>,
    /// What was compared with limits: bands, parameters, residue, polarity.
    pub values: Vec<Value>,
    /// Raw captures.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub files: Vec<RawFile>,
}

/// What an entry is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// A unit was tested.
    Inspection,
    /// Something said about an earlier entry.
    Correction,
    /// The station was checked against known things.
    StationCheck,
    /// A unit kept as reference, tested or imported.
    Reference,
    /// A measurement of a gauge study.
    Gauge,
}

/// What a test came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Judgement {
    /// Inside the limits by the decision rule.
    Pass,
    /// Outside the limits by the decision rule.
    Fail,
    /// Neither can be said.
    Unresolved,
    /// Nothing was judged.
    None,
}

/// Why a unit failed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Cause {
    /// Parameter path, or the name of a check (`polarity`, `residue`).
    pub path: String,
    /// Probability, 0 to 1.
    pub probability: f64,
    /// In workshop words.
    pub text: String,
}

/// State of the station.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Bench {
    /// BLAKE3 digest of the station file, hex.
    pub digest: String,
    /// Age of its oldest calibration, days.
    pub oldest_days: f64,
    /// Digest of the last passed station check's entry.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub check: Option<String>,
}

/// Air during a test.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Conditions {
    /// Temperature, °C.
    pub temperature_c: f64,
    /// Static pressure, kPa.
    pub pressure_kpa: f64,
    /// Relative humidity, %.
    pub humidity_pct: f64,
}

/// One number that was compared with limits.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Value {
    /// `band:OBSERVATION:CENTER_HZ`, a parameter path, `residue:OBSERVATION:CENTER_HZ`, `polarity:OBSERVATION`.
    pub name: String,
    /// Unit of the numbers (`dB`, `Ω`, `Pa·s/m³`; empty for a ratio).
    pub unit: String,
    /// Value; `null` where it could not be told.
    pub value: Option<f64>,
    /// Expanded uncertainty (k = 2).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub expanded: Option<f64>,
    /// Lower limit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub low: Option<f64>,
    /// Upper limit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub high: Option<f64>,
    /// Its own judgement.
    pub verdict: Judgement,
}

/// A raw capture that is kept beside the ledger.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct RawFile {
    /// Name of the WAV.
    pub name: String,
    /// BLAKE3 digest of the WAV's bytes, hex.
    pub digest: String,
    /// Size of the WAV, bytes.
    pub bytes: u64,
}
