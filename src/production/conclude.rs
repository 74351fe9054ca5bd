//! From numbers and limits to a verdict: what is wrong with a unit, and what keeps it from being judged. A test and a look back by
//! other limits conclude alike.

use super::entry::{Cause, Conditions, Judgement, Measurement, Value};
use super::judge::{judge, outside_environment, unstated_environment};
use super::unit::parts;
use crate::design::limits::Limits;
use crate::special::probability::normal_cdf;

/// What a unit's numbers come to by limits.
#[derive(Debug, Clone, PartialEq)]
pub struct Concluded {
    /// The judgement.
    pub verdict: Judgement,
    /// What is wrong, the most probable first, where it failed.
    pub causes: Vec<Cause>,
    /// Why nothing, or not all, can be said.
    pub doubts: Vec<String>,
    /// Only what is stated beside the recordings, air or serial, keeps them from being judged.
    pub unfinished: bool,
    /// Every number with its limits and judgement; those that are limited first.
    pub judged: Vec<Value>,
}

/// Judges numbers by limits, and doubts the judgement where the measurement or the air does not bear it. Without `air` nothing is
/// known of it.
#[must_use]
pub fn conclude(
    values: &[Value],
    air: Option<&Conditions>,
    measurement: &Measurement,
    limits: &Limits,
) -> Concluded {
    let judged = judge(values, limits);
    let unknown = Conditions {
        temperature_c: f64::NAN,
        pressure_kpa: f64::NAN,
        humidity_pct: f64::NAN,
    };
    let (air, stated) = match air {
        Some(air) => (air, measurement.stated()),
        None => (&unknown, [false; 3]),
    };
    let mut doubts: Vec<String> = measurement.other_unit.iter().cloned().collect();
    doubts.extend(unstated_environment(stated, limits));
    let by_statement = doubts.len();
    doubts.extend(outside_environment(air, stated, limits));
    let mut causes = match judged.verdict {
        Judgement::Fail => causes(&measurement.findings, &judged.values),
        _ => Vec::new(),
    };
    // A fault of the bench says nothing about the unit.
    if judged.verdict != Judgement::Pass {
        let bench = match judged.verdict {
            Judgement::Fail => causes.first().filter(|c| is_of_bench(&c.path)),
            _ => measurement
                .findings
                .iter()
                .find(|f| f.probability > LIKELY && is_of_bench(&f.path)),
        };
        let bench = bench.map(|c| c.text.clone());
        doubts.extend(measurement.contradicted.clone().or(bench));
    }
    if judged.verdict == Judgement::Fail {
        doubts.extend(only_noise_of_disturbed(measurement, &judged.values));
    }
    let unfinished = by_statement > 0 && doubts.len() == by_statement;
    // Nor does any number in air for which the limits were not made.
    let verdict = if doubts.is_empty() {
        judged.verdict
    } else {
        causes.clear();
        Judgement::Unresolved
    };
    doubts.extend(judged.doubts);
    Concluded {
        verdict,
        causes,
        doubts,
        unfinished,
        judged: judged.values,
    }
}

/// What to repeat, where nothing fails but noise in captures that something disturbed.
fn only_noise_of_disturbed(measurement: &Measurement, values: &[Value]) -> Vec<String> {
    let failed: Vec<&str> = values
        .iter()
        .filter(|v| v.verdict == Judgement::Fail)
        .map(|v| match parts(&v.name) {
            Some(("residue", observation, _)) => observation,
            _ => "",
        })
        .collect();
    let of = |name: &str| measurement.disturbed.iter().any(|label| label == name);
    if !failed.iter().all(|name| of(name)) {
        return Vec::new();
    }
    let named = measurement.disturbed.iter();
    named
        .filter(|label| failed.contains(&label.as_str()))
        .map(|label| format!("{label}: something disturbed this capture; repeat it"))
        .collect()
}

/// Probability from which a fault of the bench is taken for the reason.
const LIKELY: f64 = 0.5;

/// Whether a finding is about captures, levels or air, and not about the unit.
fn is_of_bench(path: &str) -> bool {
    path.starts_with("capture.") || path.starts_with("air.")
}

/// What is wrong, the most probable first: what explains the response, else the number that failed by most; noise stands
/// beside either.
fn causes(findings: &[Cause], values: &[Value]) -> Vec<Cause> {
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
        list = found(findings, values);
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
fn found(all: &[Cause], values: &[Value]) -> Vec<Cause> {
    let harmless = |path: &str| {
        values
            .iter()
            .any(|v| v.name == path && v.verdict == Judgement::Pass)
    };
    let list: Vec<Cause> = all.iter().filter(|f| !harmless(&f.path)).cloned().collect();
    if list.is_empty() {
        all.iter().take(1).cloned().collect()
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
