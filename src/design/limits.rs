//! Production limits of a design (`limits.toml`): what a unit's test is judged against, where the numbers come from, and who
//! signed them.
//!
//! A band's value is the mean over one one-third octave of 20·lg|measured/simulated|, dB, the simulation being the design with
//! the values of its file: what `verify` calls the designed difference. A parameter's value is the fitted one, SI. A residue is the
//! level of what the microphone hears far above the sweep's frequency over that of the response to the sweep, dB. Polarity is
//! +1 or −1.
//!
//! The signature covers all that stands above its own table `[signed]`, byte for byte, so that a later edit voids it.

use std::path::PathBuf;

/// The value of the `format` key.
pub const FORMAT: &str = "bassay-limits/1";

/// Limits as read from `limits.toml`.
#[derive(Debug, Clone, PartialEq)]
pub struct Limits {
    /// Name for people.
    pub name: String,
    /// Name of the design that they belong to.
    pub design_name: String,
    /// BLAKE3 digest of the design file, hex.
    pub design_digest: String,
    /// Where the numbers come from.
    pub origin: Origin,
    /// How a value near a limit is decided.
    pub decision: Decision,
    /// One-third octaves.
    pub bands: Vec<BandLimit>,
    /// Fitted parameters.
    pub parameters: Vec<ParameterLimit>,
    /// Non-linear residue.
    pub residue: Vec<ResidueLimit>,
    /// Polarity.
    pub polarity: Vec<PolarityLimit>,
    /// In which air a test counts.
    pub environment: Environment,
    /// What the station must have.
    pub station: StationRule,
    /// Pattern that a serial number must match as a whole.
    pub serial_pattern: Option<String>,
    /// Who stands for it.
    pub signature: Option<Signature>,
    /// The file.
    pub file: PathBuf,
    /// BLAKE3 digest of the whole file, hex.
    pub digest: String,
    /// BLAKE3 digest of what a signature covers, hex.
    pub body_digest: String,
}

/// Where limits come from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Method {
    /// Tolerance intervals of accepted units.
    Units,
    /// Units drawn from the tolerances of the model.
    Model,
    /// Centre of the units, scatter of the model.
    Both,
    /// By hand.
    Hand,
}

impl Method {
    /// What limits by this method rest on, in words: what they lie about, what they leave room for, what they do not.
    #[must_use]
    pub fn rests_on(self) -> &'static str {
        match self {
            Self::Units => {
                "centre and scatter are those of the accepted units, as measured; few units make wide limits. \
                 They hold where the tests are levelled as those units were"
            }
            Self::Model => {
                "centre is the simulation and scatter the design's tolerances; wider by what the simulation and a \
                 station's level may be off in all units alike (offset_db, at the confidence). One accepted unit and \
                 method both take the simulation's part out"
            }
            Self::Both => {
                "centre is the mean of the accepted units, so that what the simulation is off by in all units alike has \
                 no part; scatter is that of the design's tolerances and of one measurement. \
                 They hold where the tests are levelled as those units were"
            }
            Self::Hand => {
                "centre is the simulation, the width was set by a person; nothing was drawn or measured for it"
            }
        }
    }
}

/// Words of the file for the methods.
pub const METHODS: [(&str, Method); 4] = [
    ("units", Method::Units),
    ("model", Method::Model),
    ("both", Method::Both),
    ("hand", Method::Hand),
];

/// Where the numbers come from.
#[derive(Debug, Clone, PartialEq)]
pub struct Origin {
    /// By what.
    pub method: Method,
    /// When they were made, RFC 3339.
    pub made: Option<String>,
    /// Program and version.
    pub software: Option<String>,
    /// Share of units that each limit holds.
    pub content: Option<f64>,
    /// Confidence that it holds as much.
    pub confidence: Option<f64>,
    /// Units drawn from the model.
    pub drawn: Option<u32>,
    /// Seed of the drawn units.
    pub seed: Option<u32>,
    /// Accepted units: serial number and digest of the result or entry.
    pub units: Vec<(String, String)>,
}

/// Which of two errors the decision near a limit avoids (ISO 14253-1, from memory).
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Rule {
    /// Passes only what is proven inside, fails only what is proven outside; between the two nothing can be said.
    Conformity,
    /// Fails only what is proven outside.
    NonConformity,
    /// The value alone decides.
    Simple,
}

/// Words of the file for the rules.
pub const RULES: [(&str, Rule); 3] = [
    ("conformity", Rule::Conformity),
    ("non-conformity", Rule::NonConformity),
    ("simple", Rule::Simple),
];

/// How a value near a limit is decided.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Decision {
    /// Rule.
    pub rule: Rule,
    /// Guard band over the standard uncertainty.
    pub guard_factor: f64,
}

/// Limits of one one-third octave of one observation.
#[derive(Debug, Clone, PartialEq)]
pub struct BandLimit {
    /// `impedance` or the probe's name.
    pub observation: String,
    /// Nominal midband frequency, Hz.
    pub center_hz: f64,
    /// Lowest difference from the designed response, dB.
    pub low_db: f64,
    /// Highest difference from the designed response, dB.
    pub high_db: f64,
    /// The spec's tolerance, dB.
    pub tolerance_db: Option<f64>,
    /// Mean of the units, dB.
    pub mean_db: Option<f64>,
    /// Standard deviation of the units, dB.
    pub sd_db: Option<f64>,
    /// Standard uncertainty of one measurement of the accepted units, dB.
    pub measurement_sd_db: Option<f64>,
    /// Standard uncertainty of the simulation itself, dB, where the limits lie about what it says; where they lie about what
    /// units were measured to be, it is the same in all of them and drops out.
    pub simulation_sd_db: Option<f64>,
    /// By how much all units may lie off alike (simulation and level of the station), dB, at the confidence of the limits, which
    /// are that much wider; `None` where the units themselves say where the line stands.
    pub offset_db: Option<f64>,
}

/// Limits of a fitted parameter, SI.
#[derive(Debug, Clone, PartialEq)]
pub struct ParameterLimit {
    /// Path.
    pub path: String,
    /// SI unit; empty for a ratio.
    pub unit: String,
    /// Lowest; `None`: not limited below.
    pub low: Option<f64>,
    /// Highest; `None`: not limited above.
    pub high: Option<f64>,
}

/// Most residue of one observation.
#[derive(Debug, Clone, PartialEq)]
pub struct ResidueLimit {
    /// Probe.
    pub observation: String,
    /// Nominal midband of the excitation's one-third octave, Hz; `None`: every band that has no limit of its own.
    pub center_hz: Option<f64>,
    /// Most residue over the response at the excitation's frequency, dB.
    pub high_db: f64,
}

/// Expected polarity of one observation.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PolarityLimit {
    /// `impedance` or the probe's name.
    pub observation: String,
    /// +1 or −1 against the model.
    pub sign: i8,
}

/// In which air a test counts.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Environment {
    /// Lowest and highest temperature, °C.
    pub temperature_c: Option<[f64; 2]>,
    /// Lowest and highest static pressure, kPa.
    pub pressure_kpa: Option<[f64; 2]>,
    /// Lowest and highest relative humidity, %.
    pub humidity_pct: Option<[f64; 2]>,
}

/// What the station must have.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct StationRule {
    /// Most hours since the last passed check.
    pub check_within_h: Option<f64>,
    /// Most days since its oldest calibration.
    pub calibrated_within_days: Option<f64>,
}

/// Who stands for the limits.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Signature {
    /// Code of the person.
    pub by: String,
    /// Date, `2026-03-14`.
    pub date: String,
    /// BLAKE3 digest of what was signed, hex.
    pub digest: String,
}

/// What a signature is worth.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Signed {
    /// Nobody signed.
    Not,
    /// Signed, and unchanged since.
    Sound,
    /// Signed, and changed since.
    Void,
}

impl Limits {
    /// What the signature is worth.
    #[must_use]
    pub fn signed(&self) -> Signed {
        match &self.signature {
            None => Signed::Not,
            Some(s) if s.digest == self.body_digest => Signed::Sound,
            Some(_) => Signed::Void,
        }
    }

    /// The signature in words.
    #[must_use]
    pub fn signature_words(&self) -> String {
        match (&self.signature, self.signed()) {
            (Some(s), Signed::Sound) => format!("signed by {} on {}", s.by, s.date),
            (Some(s), _) => format!(
                "changed after {} signed on {}: the signature is void",
                s.by, s.date
            ),
            (None, _) => "not signed".to_string(),
        }
    }

    /// The limits of a band.
    #[must_use]
    pub fn band(&self, observation: &str, center_hz: f64) -> Option<&BandLimit> {
        self.bands
            .iter()
            .find(|b| b.observation == observation && same_band(b.center_hz, center_hz))
    }

    /// Most residue of an observation in a band of the excitation, dB.
    #[must_use]
    pub fn residue_db(&self, observation: &str, center_hz: f64) -> Option<f64> {
        let of = || self.residue.iter().filter(|r| r.observation == observation);
        of().find(|r| r.center_hz.is_some_and(|c| same_band(c, center_hz)))
            .or_else(|| of().find(|r| r.center_hz.is_none()))
            .map(|r| r.high_db)
    }
}

/// Whether two midband frequencies name one one-third octave: nominal and exact ones differ by less than 2 %.
#[must_use]
pub fn same_band(a: f64, b: f64) -> bool {
    (a / b).ln().abs() < 0.03
}
