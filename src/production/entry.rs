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

/// What stands in the place of a digest before the first entry of a chain.
pub const BEGIN: &str = "0000000000000000000000000000000000000000000000000000000000000000";

/// Longest name of a station, bytes.
pub const STATION_LENGTH: usize = 64;

/// Digest of entry `number` of a station, 64 lower-case hex digits.
///
/// `buffer` only saves allocations where many are computed one after another.
#[must_use]
pub fn digest(
    previous: &str,
    station: &str,
    number: u64,
    body: &str,
    buffer: &mut Vec<u8>,
) -> blake3::Hash {
    buffer.clear();
    buffer.extend_from_slice(previous.as_bytes());
    buffer.extend_from_slice(station.as_bytes());
    buffer.push(b'\n');
    buffer.extend_from_slice(number.to_string().as_bytes());
    buffer.push(b'\n');
    buffer.extend_from_slice(body.as_bytes());
    blake3::hash(buffer)
}

/// Whether a text is a digest: 64 lower-case hex digits.
#[must_use]
pub fn is_digest(text: &str) -> bool {
    text.len() == 64
        && text
            .bytes()
            .all(|b| b.is_ascii_digit() || (b'a'..=b'f').contains(&b))
}

/// An entry that cannot be written.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("entry of unit «{unit}»: {key}: found {found}; expected {expected}")]
pub struct EntryError {
    /// Serial number, for finding it.
    pub unit: String,
    /// Key of the body.
    pub key: String,
    /// What was found.
    pub found: String,
    /// What was expected.
    pub expected: &'static str,
}

/// A name of a station that can stand in a chain: nothing that ends a line, not empty, not longer than [`STATION_LENGTH`].
#[must_use]
pub fn is_station(name: &str) -> bool {
    !name.is_empty()
        && name.len() <= STATION_LENGTH
        && name.trim() == name
        && !name.contains(char::is_control)
}

impl Entry {
    /// An entry of today's format that says nothing yet but what it is, when, and by whom.
    #[must_use]
    pub fn blank(kind: Kind, at: &str, operator: &str) -> Self {
        Self {
            format: FORMAT.to_string(),
            kind,
            at: at.to_string(),
            taken: None,
            rehearsed: None,
            operator: operator.to_string(),
            unit: String::new(),
            batch: None,
            attempt: 1,
            refers_to: None,
            remark: None,
            verdict: Judgement::None,
            cause: None,
            also: Vec::new(),
            limits: String::new(),
            design: String::new(),
            software: concat!("bassay ", env!("CARGO_PKG_VERSION")).to_string(),
            bench: None,
            conditions: None,
            measurement: None,
            values: Vec::new(),
            files: Vec::new(),
        }
    }

    /// When it was measured: when the captures were taken, or, where that is not known, when the entry was written.
    #[must_use]
    pub fn measured(&self) -> &str {
        self.taken.as_deref().unwrap_or(&self.at)
    }

    /// Whether its captures are of a virtual unit. Entries that were written before there was a key for it say so in their remark.
    #[must_use]
    pub fn is_virtual(&self) -> bool {
        let said = |remark: &String| remark.contains("no real unit: recorded from the virtual");
        self.rehearsed.is_some() || self.remark.as_ref().is_some_and(said)
    }

    /// Digests of its raw captures, sorted: two entries with the same ones judge the same recordings.
    #[must_use]
    pub fn recordings(&self) -> Vec<&str> {
        let mut list: Vec<&str> = self.files.iter().map(|f| f.digest.as_str()).collect();
        list.sort_unstable();
        list
    }

    /// The line of JSON that the digest covers, after looking at what JSON would change in silence.
    ///
    /// # Errors
    /// [`EntryError`] for another format, a time that is none, a number that is not finite, a digest that is none.
    pub fn body(&self) -> Result<String, EntryError> {
        self.check()?;
        serde_json::to_string(self).map_err(|cause| self.wrong("body", cause, "what JSON can hold"))
    }

    /// When, in microseconds since 1970-01-01T00:00:00Z.
    ///
    /// # Errors
    /// [`EntryError`] if [`Entry::at`] is no time.
    pub fn at_us(&self) -> Result<i64, EntryError> {
        microseconds(&self.at).ok_or_else(|| self.wrong("at", &self.at, TIME))
    }

    fn check(&self) -> Result<(), EntryError> {
        if self.format != FORMAT {
            return Err(self.wrong("format", &self.format, FORMAT));
        }
        self.at_us()?;
        let digests = [
            ("limits", Some(&self.limits), true),
            ("design", Some(&self.design), true),
            ("refers_to", self.refers_to.as_ref(), false),
        ];
        for (key, value, may_be_empty) in digests {
            if let Some(value) = value
                && !(is_digest(value) || may_be_empty && value.is_empty())
            {
                return Err(self.wrong(key, value, DIGEST));
            }
        }
        for file in &self.files {
            if !is_digest(&file.digest) {
                return Err(self.wrong(&format!("files.{}", file.name), &file.digest, DIGEST));
            }
        }
        for v in &self.values {
            for (key, number) in [
                ("value", v.value),
                ("expanded", v.expanded),
                ("decided", v.decided),
                ("low", v.low),
                ("high", v.high),
            ] {
                finite(number).map_err(|n| {
                    self.wrong(&format!("values.{}.{key}", v.name), n, "a finite number")
                })?;
            }
        }
        for other in &self.also {
            finite(Some(other.probability))
                .map_err(|n| self.wrong("also.probability", n, "a finite number"))?;
        }
        for finding in self.measurement.iter().flat_map(|m| &m.findings) {
            finite(Some(finding.probability)).map_err(|n| {
                self.wrong("measurement.findings.probability", n, "a finite number")
            })?;
        }
        let others = [
            (
                "cause.probability",
                self.cause.as_ref().map(|c| c.probability),
            ),
            (
                "bench.oldest_days",
                self.bench.as_ref().map(|b| b.oldest_days),
            ),
            (
                "conditions.temperature_c",
                self.conditions.map(|c| c.temperature_c),
            ),
            (
                "conditions.pressure_kpa",
                self.conditions.map(|c| c.pressure_kpa),
            ),
            (
                "conditions.humidity_pct",
                self.conditions.map(|c| c.humidity_pct),
            ),
        ];
        for (key, number) in others {
            finite(number).map_err(|n| self.wrong(key, n, "a finite number"))?;
        }
        Ok(())
    }

    fn wrong(
        &self,
        key: &str,
        found: impl std::fmt::Display,
        expected: &'static str,
    ) -> EntryError {
        EntryError {
            unit: self.unit.clone(),
            key: key.to_string(),
            found: format!("«{found}»"),
            expected,
        }
    }
}

const TIME: &str = "a time with offset as in 2026-03-14T10:20:00Z";
const DIGEST: &str = "64 lower-case hex digits";

fn finite(number: Option<f64>) -> Result<(), f64> {
    match number {
        Some(n) if !n.is_finite() => Err(n),
        _ => Ok(()),
    }
}

/// Microseconds since 1970 of a time in RFC 3339; `None` if it is none.
#[must_use]
pub fn microseconds(text: &str) -> Option<i64> {
    text.parse::<jiff::Timestamp>()
        .ok()
        .map(jiff::Timestamp::as_microsecond)
}

/// The body of an entry.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// [`FORMAT`].
    pub format: String,
    /// What the entry is.
    pub kind: Kind,
    /// When it was written, by the station's clock, RFC 3339 with offset.
    pub at: String,
    /// When the captures were taken, as they state it, RFC 3339; absent where that is not known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub taken: Option<String>,
    /// The virtual bench or the rehearsal that the captures come from; absent for a real unit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rehearsed: Option<String>,
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
    /// What else is wrong beside it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub also: Vec<Cause>,
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
    /// What of the measurement itself keeps it from being judged, by whatever limits; absent in entries of older versions.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub measurement: Option<Measurement>,
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
    /// Raw captures were removed by the rules of retention; `files` names them.
    Retention,
}

impl Kind {
    /// All of them.
    pub const ALL: [Self; 6] = [
        Self::Inspection,
        Self::Correction,
        Self::StationCheck,
        Self::Reference,
        Self::Gauge,
        Self::Retention,
    ];

    /// The word that stands in the body.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Inspection => "inspection",
            Self::Correction => "correction",
            Self::StationCheck => "station-check",
            Self::Reference => "reference",
            Self::Gauge => "gauge",
            Self::Retention => "retention",
        }
    }

    /// The kind of a word.
    #[must_use]
    pub fn of(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.word() == word)
    }
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

impl Judgement {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::Pass, Self::Fail, Self::Unresolved, Self::None];

    /// The word that stands in the body.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Pass => "pass",
            Self::Fail => "fail",
            Self::Unresolved => "unresolved",
            Self::None => "none",
        }
    }

    /// The judgement of a word.
    #[must_use]
    pub fn of(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.word() == word)
    }
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

/// What of a measurement keeps it from being judged: other limits lift none of it.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Measurement {
    /// Of the air, what the captures do not state: `temperature`, `pressure`, `humidity`.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub unstated: Vec<String>,
    /// The capture that all others contradict, in words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub contradicted: Option<String>,
    /// What explains the response, the most probable first, whether or not limits are about it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub findings: Vec<Cause>,
    /// Observations whose capture something disturbed.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub disturbed: Vec<String>,
    /// The other unit whose recordings these are, in words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub other_unit: Option<String>,
    /// Only what is stated beside the recordings kept the test from a judgement: the same recordings with it finish the test.
    #[serde(default, skip_serializing_if = "is_false")]
    pub unfinished: bool,
}

fn is_false(flag: &bool) -> bool {
    !flag
}

/// What air is stated by, in the order of [`Conditions`].
pub const AIR: [&str; 3] = ["temperature", "pressure", "humidity"];

impl Measurement {
    /// Which of [`AIR`] were stated with the captures.
    #[must_use]
    pub fn stated(&self) -> [bool; 3] {
        AIR.map(|what| self.unstated.iter().all(|u| u != what))
    }
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
    /// The expanded uncertainty that decided, where it holds more than the measurement's: that of the simulation, where limits are
    /// about what it says.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub decided: Option<f64>,
    /// Lower limit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub low: Option<f64>,
    /// Upper limit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub high: Option<f64>,
    /// Its own judgement.
    pub verdict: Judgement,
}

impl Value {
    /// The expanded uncertainty by which it was judged: the one to show beside it.
    #[must_use]
    pub fn uncertainty(&self) -> Option<f64> {
        self.decided.or(self.expanded)
    }
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
