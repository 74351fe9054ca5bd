//! One unit's production test: measured, judged by limits, named, ready to be logged.

use super::conclude::conclude;
use super::entry::{self, Cause, Conditions, Entry, Judgement, Kind, Measurement, RawFile, Value};
use super::limits::parameters::misfit;
use super::unit::{Measured, Told, UnitError, measure_unit};
use crate::design::Design;
use crate::design::captures::CaptureSet;
use crate::design::limits::Limits;
use crate::measure::Response;
use crate::verify::Verification;
use serde::Serialize;

/// The `format` key of the document of an inspection.
pub const FORMAT: &str = "bassay-inspection/1";

/// Probability from which a finding is told of a unit that passes.
const CERTAIN: f64 = 0.95;

/// A judged unit.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Inspection {
    /// [`FORMAT`].
    pub format: &'static str,
    /// Program and version.
    pub software: String,
    /// Serial number.
    pub unit: String,
    /// The judgement.
    pub verdict: Judgement,
    /// The most probable cause of a failure.
    pub cause: Option<Cause>,
    /// What else is wrong beside it.
    pub also: Vec<Cause>,
    /// Why nothing, or not all, can be said.
    pub doubts: Vec<String>,
    /// Name of the design.
    pub design_name: String,
    /// BLAKE3 digest of the design file, hex.
    pub design_digest: String,
    /// Name of the limits.
    pub limits_name: String,
    /// BLAKE3 digest of the limits file, hex.
    pub limits_digest: String,
    /// The limits' signature in words.
    pub limits_signature: String,
    /// When the captures were taken, RFC 3339.
    pub taken: Option<String>,
    /// Every number with its limits and judgement; those that are limited first.
    pub values: Vec<Value>,
    /// Air.
    pub conditions: Conditions,
    /// What of the measurement keeps it from being judged.
    #[serde(skip)]
    pub measurement: Measurement,
    /// It could not be judged for more than what is stated beside the recordings.
    #[serde(skip)]
    pub lasting: bool,
    /// Raw captures.
    pub files: Vec<RawFile>,
    /// What is doubtful about captures and fit, with its remedy.
    pub warnings: Vec<String>,
    /// Of a unit that fails without a named cause: the parameters that were told, beside their tolerances.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub parameters: Vec<Told>,
}

/// Why a unit cannot be inspected.
#[derive(Debug, thiserror::Error)]
pub enum InspectError {
    /// The limits are of another design.
    #[error(
        "{limits}: made for the design «{theirs}» (digest {their_digest}), and the captures name «{ours}» (digest {our_digest}); use the limits of this design, or make new ones with `bassay limits`"
    )]
    OtherDesign {
        /// Limits file.
        limits: String,
        /// Design of the limits.
        theirs: String,
        /// First digits of its digest.
        their_digest: String,
        /// Design of the captures.
        ours: String,
        /// First digits of its digest.
        our_digest: String,
    },
    /// A limit of a parameter does not fit the design.
    #[error("{limits}: {what}")]
    Parameter {
        /// Limits file.
        limits: String,
        /// Which, what was found, what was expected.
        what: String,
    },
    /// The unit cannot be measured.
    #[error(transparent)]
    Unit(#[from] UnitError),
}

fn short(digest: &str) -> String {
    digest.chars().take(12).collect()
}

/// Measures and judges one unit.
///
/// # Errors
/// [`InspectError`] for limits of another design, or captures that cannot be used.
pub fn inspect_set(
    design: &Design,
    set: &CaptureSet,
    responses: Vec<Response>,
    limits: &Limits,
    progress: &mut (dyn FnMut(&str) + Send),
) -> Result<(Inspection, Verification), InspectError> {
    if limits.design_digest != design.digest {
        return Err(InspectError::OtherDesign {
            limits: limits.file.display().to_string(),
            theirs: limits.design_name.clone(),
            their_digest: short(&limits.design_digest),
            ours: design.name.clone(),
            our_digest: short(&design.digest),
        });
    }
    if let Some(what) = misfit(design, &limits.parameters) {
        return Err(InspectError::Parameter {
            limits: limits.file.display().to_string(),
            what,
        });
    }
    let (measured, done) = measure_unit(design, set, responses, progress)?;
    Ok((inspection(measured, limits), done))
}

/// Judges what was measured.
#[must_use]
pub fn inspection(measured: Measured, limits: &Limits) -> Inspection {
    let mut measurement = measured.measurement();
    let concluded = conclude(
        &measured.values,
        Some(&measured.conditions),
        &measurement,
        limits,
    );
    measurement.unfinished = concluded.unfinished;
    let lasting = concluded.verdict == Judgement::Unresolved && !concluded.unfinished;
    let (verdict, judged) = (concluded.verdict, concluded.judged);
    let mut warnings = measured.warnings.clone();
    if verdict == Judgement::Pass {
        warnings.extend(unlimited(&measured, &judged));
    }
    let unexplained = verdict == Judgement::Fail && concluded.causes.is_empty();
    let mut causes = concluded.causes.into_iter();
    Inspection {
        format: FORMAT,
        software: software(),
        unit: measured.unit,
        verdict,
        cause: causes.next(),
        also: causes.collect(),
        doubts: concluded.doubts,
        design_name: measured.design_name,
        design_digest: measured.design_digest,
        limits_name: limits.name.clone(),
        limits_digest: limits.digest.clone(),
        limits_signature: limits.signature_words(),
        taken: measured.taken,
        values: judged,
        conditions: measured.conditions,
        measurement,
        lasting,
        files: measured.files,
        warnings,
        parameters: if unexplained {
            measured.parameters
        } else {
            Vec::new()
        },
    }
}

/// Program and version.
#[must_use]
pub fn software() -> String {
    format!("bassay {}", env!("CARGO_PKG_VERSION"))
}

/// Findings that are all but certain in a unit that passes: nothing limits them.
fn unlimited(measured: &Measured, values: &[Value]) -> Vec<String> {
    let limited = |path: &str| {
        values
            .iter()
            .any(|v| v.name == path && (v.low.is_some() || v.high.is_some()))
    };
    let certain = measured
        .findings
        .iter()
        .filter(|f| f.probability > CERTAIN && !limited(&f.path));
    certain
        .map(|f| {
            format!(
                "inside the limits, none of which is about it: {} ({})",
                f.text, f.path
            )
        })
        .collect()
}

/// What the log needs to know beside the inspection.
#[derive(Debug, Clone, PartialEq)]
pub struct Logged<'a> {
    /// When it was tested, RFC 3339.
    pub at: &'a str,
    /// Code of the operator.
    pub operator: &'a str,
    /// Batch.
    pub batch: Option<&'a str>,
    /// How often this serial has been tested, counting this time.
    pub attempt: u32,
    /// What the entry is.
    pub kind: Kind,
    /// State of the station.
    pub bench: Option<entry::Bench>,
    /// What the operator says.
    pub remark: Option<&'a str>,
    /// The virtual bench or the rehearsal that the captures come from.
    pub rehearsed: Option<&'a str>,
}

impl Inspection {
    /// Takes the verdict back: the recordings are another unit's, as these words say.
    pub fn recorded_of_another(&mut self, words: String) {
        self.verdict = Judgement::Unresolved;
        self.cause = None;
        self.also.clear();
        self.parameters.clear();
        self.doubts.insert(0, words.clone());
        self.measurement.other_unit = Some(words);
        self.measurement.unfinished = !self.lasting;
    }

    /// The body of its entry in the log.
    #[must_use]
    pub fn entry(&self, logged: &Logged<'_>) -> Entry {
        let doubts = (!self.doubts.is_empty()).then(|| self.doubts.join("; "));
        let remark = match (logged.remark, doubts) {
            (Some(said), Some(doubts)) => Some(format!("{said}; {doubts}")),
            (Some(said), None) => Some(said.to_string()),
            (None, doubts) => doubts,
        };
        Entry {
            format: entry::FORMAT.to_string(),
            kind: logged.kind,
            at: logged.at.to_string(),
            taken: self.taken.clone(),
            rehearsed: logged.rehearsed.map(String::from),
            operator: logged.operator.to_string(),
            unit: self.unit.clone(),
            batch: logged.batch.map(String::from),
            attempt: logged.attempt,
            refers_to: None,
            remark,
            verdict: self.verdict,
            cause: self.cause.clone(),
            also: self.also.clone(),
            limits: self.limits_digest.clone(),
            design: self.design_digest.clone(),
            software: self.software.clone(),
            bench: logged.bench.clone(),
            conditions: Some(self.conditions),
            measurement: Some(self.measurement.clone()),
            values: self.values.clone(),
            files: self.files.clone(),
        }
    }

    /// The numbers that have limits.
    pub fn limited(&self) -> impl Iterator<Item = &Value> {
        self.values
            .iter()
            .filter(|v| v.low.is_some() || v.high.is_some())
    }
}
