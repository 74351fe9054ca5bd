//! One unit's production test: measured, judged by limits, named, ready to be logged.

use super::entry::{self, Cause, Conditions, Entry, Judgement, Kind, RawFile, Value};
use super::judge::{judge, outside_environment};
use super::limits::parameters::misfit;
use super::unit::{Measured, Told, UnitError, measure_unit, parts};
use crate::design::Design;
use crate::design::captures::CaptureSet;
use crate::design::limits::Limits;
use crate::measure::Response;
use crate::special::probability::normal_cdf;
use crate::verify::Verification;
use crate::verify::result::Finding;
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
    let judged = judge(&measured.values, limits);
    let mut doubts = outside_environment(&measured.conditions, measured.stated, limits);
    let mut causes = match judged.verdict {
        Judgement::Fail => causes(&measured, &judged.values),
        _ => Vec::new(),
    };
    // A fault of the bench says nothing about the unit.
    if judged.verdict != Judgement::Pass {
        let bench = match judged.verdict {
            Judgement::Fail => causes
                .first()
                .filter(|c| is_of_bench(&c.path))
                .map(|c| c.text.clone()),
            _ => measured
                .findings
                .iter()
                .find(|f| f.probability > LIKELY && is_of_bench(&f.path))
                .map(|f| f.text.clone()),
        };
        doubts.extend(measured.contradicted.clone().or(bench));
    }
    if judged.verdict == Judgement::Fail {
        doubts.extend(only_noise_of_disturbed(&measured, &judged.values));
    }
    // Nor does any number in air for which the limits were not made.
    let verdict = if doubts.is_empty() {
        judged.verdict
    } else {
        causes.clear();
        Judgement::Unresolved
    };
    doubts.extend(judged.doubts);
    let mut warnings = measured.warnings.clone();
    if verdict == Judgement::Pass {
        warnings.extend(unlimited(&measured, &judged.values));
    }
    let unexplained = verdict == Judgement::Fail && causes.is_empty();
    let mut causes = causes.into_iter();
    Inspection {
        format: FORMAT,
        software: software(),
        unit: measured.unit,
        verdict,
        cause: causes.next(),
        also: causes.collect(),
        doubts,
        design_name: measured.design_name,
        design_digest: measured.design_digest,
        limits_name: limits.name.clone(),
        limits_digest: limits.digest.clone(),
        limits_signature: limits.signature_words(),
        taken: measured.taken,
        values: judged.values,
        conditions: measured.conditions,
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

/// What to repeat, where nothing fails but noise in captures that something disturbed.
fn only_noise_of_disturbed(measured: &Measured, values: &[Value]) -> Vec<String> {
    let failed: Vec<&str> = values
        .iter()
        .filter(|v| v.verdict == Judgement::Fail)
        .map(|v| match parts(&v.name) {
            Some(("residue", observation, _)) => observation,
            _ => "",
        })
        .collect();
    let of = |name: &str| measured.disturbed.iter().find(|(of, _)| of == name);
    if !failed.iter().all(|name| of(name).is_some()) {
        return Vec::new();
    }
    let named = measured.disturbed.iter();
    named
        .filter(|(of, _)| failed.contains(&of.as_str()))
        .map(|(_, why)| why.clone())
        .collect()
}

/// Probability from which a fault of the bench is taken for the reason.
const LIKELY: f64 = 0.5;

/// Whether a finding is about captures, levels or air, and not about the unit.
fn is_of_bench(path: &str) -> bool {
    path.starts_with("capture.") || path.starts_with("air.")
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

/// What is wrong, the most probable first: what explains the response, else the number that failed by most; noise stands
/// beside either.
fn causes(measured: &Measured, values: &[Value]) -> Vec<Cause> {
    let failed = || values.iter().filter(|v| v.verdict == Judgement::Fail);
    let kind = |v: &Value| {
        parts(&v.name).map_or("parameter", |p| match p.0 {
            "band" => "band",
            "residue" => "residue",
            _ => "polarity",
        })
    };
    let worst = |wanted: &str| {
        failed()
            .filter(|v| kind(v) == wanted)
            .max_by(|a, b| beyond(a).total_cmp(&beyond(b)))
    };
    let mut list = Vec::new();
    if failed().any(|v| kind(v) != "residue") {
        list = found(measured, values);
        if list.is_empty() {
            list.extend(
                worst("polarity")
                    .map(inverted)
                    .or_else(|| worst("parameter").map(outside)),
            );
        }
    }
    list.extend(worst("residue").and_then(noisy));
    list
}

/// The changes that explain the response. A change of which the limits say that it is none of a bad unit does not count,
/// unless nothing else was found.
fn found(measured: &Measured, values: &[Value]) -> Vec<Cause> {
    let harmless = |path: &str| {
        values
            .iter()
            .any(|v| v.name == path && v.verdict == Judgement::Pass)
    };
    let of = |f: &Finding| Cause {
        path: f.path.clone(),
        probability: f.probability,
        text: f.text.clone(),
    };
    let all = &measured.findings;
    let list: Vec<Cause> = all.iter().filter(|f| !harmless(&f.path)).map(of).collect();
    if list.is_empty() {
        all.iter().take(1).map(of).collect()
    } else {
        list
    }
}

fn inverted(v: &Value) -> Cause {
    let name = parts(&v.name).map_or("", |p| p.1);
    // That the capture is inverted is seen, not inferred.
    Cause {
        path: "polarity".to_string(),
        probability: 1.0,
        text: format!("{name}: inverted; check the driver's leads, and the microphone's"),
    }
}

fn outside(v: &Value) -> Cause {
    Cause {
        path: v.name.clone(),
        probability: chance_beyond(v),
        text: format!("{} outside its limits", v.name),
    }
}

fn noisy(v: &Value) -> Option<Cause> {
    let (_, name, center) = parts(&v.name)?;
    Some(Cause {
        path: "residue".to_string(),
        probability: chance_beyond(v),
        text: format!(
            "{name}: noise far above the tone while {} Hz is played; look for loose parts, a leak that blows, a cable that touches the cone",
            center?
        ),
    })
}

/// How far beyond the nearer limit, in limits' own unit.
fn beyond(v: &Value) -> f64 {
    let y = v.value.unwrap_or(f64::NAN);
    let below = v.low.map_or(f64::NEG_INFINITY, |l| l - y);
    let above = v.high.map_or(f64::NEG_INFINITY, |h| y - h);
    below.max(above)
}

/// Probability that the true value lies beyond the limit, the error being normal.
fn chance_beyond(v: &Value) -> f64 {
    let standard = 0.5 * v.expanded.unwrap_or(0.0);
    if standard > 0.0 {
        normal_cdf(beyond(v) / standard)
    } else {
        1.0
    }
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
