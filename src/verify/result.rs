//! The result of a verification as it is written to `result.json` (`bassay-result/1`).
//!
//! Every difference is measured minus simulated, in dB (20 lg of the magnitude ratio, for impedance too).
//! A number that does not exist is NaN here (or `None`) and `null` in the file.
//!
//! | term | meaning | unit |
//! | --- | --- | --- |
//! | designed | the model with the values of the design file | |
//! | aligned | the model with the fitted values | |
//! | expanded uncertainty | k = 2, of a difference: measurement, input and numerical parts | dB |
//!
//! Reference for the three verdicts: ASME V&V 20-2009, validation uncertainty (from memory).

use super::far_field::FarField;
use crate::measure::Repeat;
use crate::model::weather::Weather;
use serde::{Deserialize, Deserializer, Serialize};

/// The `format` key of a result file.
pub const FORMAT: &str = "bassay-result/1";

/// What a comparison says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Verdict {
    /// Inside the tolerance even at the far end of the uncertainty.
    Within,
    /// Outside the tolerance even at the near end of the uncertainty.
    Outside,
    /// Neither can be said.
    Unresolved,
}

/// Which simulated response the verdicts compare with.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Judged {
    /// The model as designed.
    #[default]
    Designed,
    /// The model after the fit.
    Aligned,
}

/// One verification of one unit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Result {
    /// [`FORMAT`].
    pub format: String,
    /// Program and version, such as `bassay 0.1.0`.
    #[serde(default)]
    pub software: String,
    /// Serial number of the unit.
    pub unit: String,
    /// The design it is compared with.
    pub design: DesignMark,
    /// When the captures were taken, RFC 3339, where it is known.
    #[serde(default)]
    pub taken: Option<String>,
    /// What made the captures, where no real unit did.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rehearsed: Option<String>,
    /// Overall verdict.
    pub verdict: Verdict,
    /// Which difference the band verdicts judge.
    #[serde(default)]
    pub judged: Judged,
    /// The takes, in the order of `captures.toml`.
    pub captures: Vec<Capture>,
    /// One-third octaves by observation, ascending in frequency.
    pub bands: Vec<Band>,
    /// Free parameters.
    pub parameters: Vec<Parameter>,
    /// What in the build explains the difference, the most probable first.
    pub findings: Vec<Finding>,
    /// Changes that are too weak to be findings and that the captures do not exclude.
    #[serde(default)]
    pub not_excluded: Vec<Instead>,
    /// What to measure next to decide about the first of those.
    #[serde(default)]
    pub next: Option<String>,
    /// How the fit ended.
    pub fit: Fit,
    /// Air during the captures.
    #[serde(default)]
    pub conditions: Conditions,
    /// Every file that went in, with its digest.
    #[serde(default)]
    pub files: Vec<FileDigest>,
    /// Up to where each near-field reading follows its opening within 1 dB.
    #[serde(default)]
    pub near_fields: Vec<NearField>,
    /// The far field from the near fields, where every opening was captured.
    #[serde(default)]
    pub far_field: Option<FarField>,
    /// Two captures that stand under each other's name, in words: fitted as what they are, and not judged.
    #[serde(default)]
    pub exchanged: Option<String>,
    /// Why there is no far field.
    #[serde(default)]
    pub no_far_field: Option<String>,
    /// How far a cold day moves the tuning of the aligned model.
    #[serde(default)]
    pub weather: Option<Weather>,
    /// What counts as exact, and other assumptions, one sentence each.
    #[serde(default)]
    pub assumptions: Vec<String>,
    /// What is doubtful but usable, each with its remedy.
    #[serde(default)]
    pub warnings: Vec<String>,
}

/// The band of a near-field reading.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NearField {
    /// Probe.
    pub probe: String,
    /// Highest frequency at which the reading follows the opening's volume velocity within 1 dB, Hz.
    pub valid_to_hz: f64,
}

/// Which design.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct DesignMark {
    /// The design's name.
    pub name: String,
    /// BLAKE3 digest of the file, hex.
    pub digest: String,
}

/// One take.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Capture {
    /// File as written in `captures.toml`.
    pub file: String,
    /// `impedance` or `pressure`.
    pub quantity: String,
    /// Probe of a pressure capture.
    #[serde(default)]
    pub probe: Option<String>,
    /// Linear response over noise floor, one-third octaves, median over the usable band, dB.
    #[serde(deserialize_with = "number")]
    pub snr_db: f64,
    /// Whether a used channel was clipped.
    pub clipped: bool,
    /// Recorder's clock against the player's, positive where the recorder is fast, ppm.
    #[serde(deserialize_with = "number")]
    pub drift_ppm: f64,
    /// +1 or −1.
    pub polarity: i8,
    /// Where the SNR exceeds 20 dB in every one-third octave, Hz.
    #[serde(deserialize_with = "pair")]
    pub usable_hz: [f64; 2],
    /// All takes that were averaged or dropped; empty where there was one.
    #[serde(default)]
    pub repeats: Vec<Repeat>,
}

/// The mismatch in one one-third octave of one observation.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Band {
    /// `impedance` or the probe's name.
    pub observation: String,
    /// Midband frequency, Hz.
    #[serde(deserialize_with = "number")]
    pub center_hz: f64,
    /// Lower edge, Hz.
    #[serde(deserialize_with = "number")]
    pub low_hz: f64,
    /// Upper edge, Hz.
    #[serde(deserialize_with = "number")]
    pub high_hz: f64,
    /// Measured minus designed, mean over the band, dB.
    #[serde(deserialize_with = "number")]
    pub designed_difference_db: f64,
    /// Measured minus aligned, mean over the band, dB.
    #[serde(deserialize_with = "number")]
    pub aligned_difference_db: f64,
    /// Root mean square of the judged difference over the band, dB.
    #[serde(deserialize_with = "number")]
    pub rms_difference_db: f64,
    /// Judged difference of the largest magnitude in the band, with its sign, dB.
    #[serde(deserialize_with = "number")]
    pub largest_difference_db: f64,
    /// Expanded uncertainty (k = 2) of the judged difference, dB.
    #[serde(deserialize_with = "number")]
    pub expanded_uncertainty_db: f64,
    /// The part of it that is the measurement's (k = 2): noise, level or reference resistor, air temperature, dB. Two units
    /// of one design differ by no more than this where they are alike; NaN in results of older programs.
    #[serde(default = "missing", deserialize_with = "number")]
    pub measurement_uncertainty_db: f64,
    /// Signal over noise floor, dB.
    #[serde(deserialize_with = "number")]
    pub snr_db: f64,
    /// Allowed magnitude of the difference, dB; NaN where the design has no target.
    #[serde(default = "missing", deserialize_with = "number")]
    pub tolerance_db: f64,
    /// The band's verdict.
    pub verdict: Verdict,
    /// The capture was disturbed here, contradicts the others or has a wrong level, place or temperature, so that the band is not
    /// judged.
    #[serde(default)]
    pub disturbed: bool,
}

impl Band {
    /// The difference that the verdict is about, dB.
    #[must_use]
    pub fn difference_db(&self, judged: Judged) -> f64 {
        match judged {
            Judged::Designed => self.designed_difference_db,
            Judged::Aligned => self.aligned_difference_db,
        }
    }
}

/// One free parameter.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Parameter {
    /// Path, such as `leak.seam.resistance`.
    pub path: String,
    /// SI unit; empty for a ratio.
    pub unit: String,
    /// Value of the design (or of `[built]`), SI.
    #[serde(deserialize_with = "number")]
    pub designed: f64,
    /// Fitted value, SI.
    #[serde(deserialize_with = "number")]
    pub fitted: f64,
    /// Lower end of the 95 % interval, SI.
    #[serde(deserialize_with = "number")]
    pub low95: f64,
    /// Upper end of the 95 % interval, SI.
    #[serde(deserialize_with = "number")]
    pub high95: f64,
    /// Whether the data can tell it from the other parameters.
    pub identifiable: bool,
    /// The parameter that the data cannot tell it from.
    #[serde(default)]
    pub confounded_with: Option<String>,
    /// Correlation with that parameter, −1 to 1.
    #[serde(default)]
    pub correlation: Option<f64>,
    /// How the interval was found.
    #[serde(default)]
    pub interval: IntervalKind,
    /// The interval by Laplace's method, SI, whichever was chosen.
    #[serde(default)]
    pub laplace95: Option<[f64; 2]>,
    /// The data do not limit the parameter below.
    #[serde(default)]
    pub open_low: bool,
    /// The data do not limit the parameter above.
    #[serde(default)]
    pub open_high: bool,
    /// All parameters among which the data see only a combination; empty where this one is told apart.
    #[serde(default)]
    pub among: Vec<String>,
}

/// How an interval was found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum IntervalKind {
    /// The posterior taken for normal.
    #[default]
    Laplace,
    /// The profile of the likelihood: the posterior is skewed or not limited on one side.
    Profile,
}

/// A change that explains the captures nearly as well as a finding.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Instead {
    /// Path.
    pub path: String,
    /// Probability, 0 to 1.
    #[serde(deserialize_with = "number")]
    pub probability: f64,
    /// What it would be, in workshop words.
    pub text: String,
}

/// One change to the build that explains the difference.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    /// Path of the changed parameter.
    pub path: String,
    /// Probability of this change among the examined ones, 0 to 1.
    #[serde(deserialize_with = "number")]
    pub probability: f64,
    /// What is wrong and by how much, in workshop words.
    pub text: String,
    /// What to do about it.
    #[serde(default)]
    pub remedy: Option<String>,
    /// Relative change against the design as a fraction (−0.38: 38 % less).
    #[serde(default)]
    pub size: Option<f64>,
    /// Lower end of the 95 % interval of `size`.
    #[serde(default)]
    pub low95: Option<f64>,
    /// Upper end of the 95 % interval of `size`.
    #[serde(default)]
    pub high95: Option<f64>,
    /// What the change does to the simulated bands.
    #[serde(default)]
    pub effect_db: Vec<Effect>,
    /// What explains the captures nearly as well, the most probable first.
    #[serde(default)]
    pub instead: Vec<Instead>,
    /// What to measure next where something else explains the captures nearly as well.
    #[serde(default)]
    pub next: Option<String>,
}

/// What a change does to one band of one observation.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Effect {
    /// `impedance` or the probe's name.
    pub observation: String,
    /// Midband frequency, Hz.
    #[serde(deserialize_with = "number")]
    pub center_hz: f64,
    /// Change of the level, dB.
    #[serde(deserialize_with = "number")]
    pub db: f64,
}

/// How the fit ended.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Fit {
    /// Whether a minimum was reached.
    pub converged: bool,
    /// Iterations of the start that won.
    pub iterations: usize,
    /// Half the sum of the whitened squared residuals.
    #[serde(deserialize_with = "number")]
    pub cost: f64,
    /// Data minus free parameters.
    pub degrees_of_freedom: usize,
    /// Time it took, s.
    #[serde(deserialize_with = "number")]
    pub seconds: f64,
    /// Why it stopped, in words.
    #[serde(default)]
    pub ended: Option<String>,
    /// Size of the model discrepancy by observation.
    #[serde(default)]
    pub discrepancy: Vec<Discrepancy>,
}

/// What the model cannot follow, as a smooth random function of log-frequency.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Discrepancy {
    /// `impedance` or the probe's name.
    pub observation: String,
    /// Standard deviation, dB.
    #[serde(deserialize_with = "number")]
    pub sd_db: f64,
    /// Correlation length, octaves.
    #[serde(deserialize_with = "number")]
    pub length_octaves: f64,
}

/// Air during the captures.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Conditions {
    /// Temperature, °C.
    #[serde(deserialize_with = "number")]
    pub temperature_c: f64,
    /// Static pressure, kPa.
    #[serde(deserialize_with = "number")]
    pub pressure_kpa: f64,
    /// Relative humidity, %.
    #[serde(deserialize_with = "number")]
    pub humidity_pct: f64,
    /// Speed of sound that follows, m/s.
    #[serde(deserialize_with = "number")]
    pub speed_of_sound_m_per_s: f64,
}

impl Default for Conditions {
    fn default() -> Self {
        Self {
            temperature_c: f64::NAN,
            pressure_kpa: f64::NAN,
            humidity_pct: f64::NAN,
            speed_of_sound_m_per_s: f64::NAN,
        }
    }
}

/// A file that went into the result.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct FileDigest {
    /// Path as the user wrote it.
    pub path: String,
    /// What it is: `design`, `captures`, `capture`, `correction`, `curve`.
    pub role: String,
    /// BLAKE3 digest, hex.
    pub digest: String,
}

fn missing() -> f64 {
    f64::NAN
}

/// `null` reads as NaN.
fn number<'de, D: Deserializer<'de>>(from: D) -> std::result::Result<f64, D::Error> {
    Ok(Option::<f64>::deserialize(from)?.unwrap_or(f64::NAN))
}

fn pair<'de, D: Deserializer<'de>>(from: D) -> std::result::Result<[f64; 2], D::Error> {
    let read = <[Option<f64>; 2]>::deserialize(from)?;
    Ok(read.map(|value| value.unwrap_or(f64::NAN)))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    const CONTRACT: &str = r#"{
      "format": "bassay-result/1", "unit": "proto-2",
      "design": {"name": "n", "digest": "d"}, "verdict": "outside",
      "captures": [{"file": "a.wav", "quantity": "pressure", "probe": "mouth", "snr_db": 61.0,
                    "clipped": false, "drift_ppm": null, "polarity": 1, "usable_hz": [6.0, null]}],
      "bands": [{"observation": "impedance", "center_hz": 31.5, "low_hz": 28.2, "high_hz": 35.5,
                 "designed_difference_db": 2.5, "aligned_difference_db": null,
                 "rms_difference_db": 2.6, "largest_difference_db": 3.0,
                 "expanded_uncertainty_db": 0.5, "snr_db": 60.0, "verdict": "outside"}],
      "parameters": [{"path": "leak.seam.resistance", "unit": "Pa·s/m³", "designed": 2e6,
                      "fitted": 1e6, "low95": 0.9e6, "high95": 1.1e6, "identifiable": true}],
      "findings": [{"path": "leak.seam.resistance", "probability": 0.9, "text": "t"}],
      "fit": {"converged": true, "iterations": 7, "cost": 12.5, "degrees_of_freedom": 90, "seconds": 0.5}
    }"#;

    /// The names of contract §4 alone are a valid result; `null` is a number that does not exist.
    #[test]
    fn reads_the_contract_and_keeps_nulls() {
        let result: Result = serde_json::from_str(CONTRACT).unwrap();
        assert_eq!(result.verdict, Verdict::Outside);
        assert_eq!(result.judged, Judged::Designed);
        assert!(result.captures[0].drift_ppm.is_nan());
        assert_eq!(result.captures[0].usable_hz[0], 6.0);
        assert!(result.captures[0].usable_hz[1].is_nan());
        assert!(result.bands[0].tolerance_db.is_nan());

        let written = serde_json::to_value(&result).unwrap();
        assert!(written["captures"][0]["drift_ppm"].is_null());
        assert!(written["captures"][0]["usable_hz"][1].is_null());
        assert!(written["bands"][0]["aligned_difference_db"].is_null());
        assert!(written["conditions"]["temperature_c"].is_null());
        assert_eq!(written["verdict"], "outside");
        assert_eq!(written["bands"][0]["verdict"], "outside");
        assert_eq!(
            written["parameters"][0]["confounded_with"],
            serde_json::Value::Null
        );
        // Every name of the contract is still there after writing.
        let contract: serde_json::Value = serde_json::from_str(CONTRACT).unwrap();
        for (key, value) in contract.as_object().unwrap() {
            assert!(written.get(key).is_some(), "{key} is missing");
            if let Some(first) = value.get(0).and_then(|v| v.as_object()) {
                for name in first.keys() {
                    assert!(
                        written[key][0].get(name).is_some(),
                        "{key}.{name} is missing"
                    );
                }
            }
        }
    }
}
