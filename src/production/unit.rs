//! One unit as the production test sees it: every number that limits can be set for, with its own uncertainty.
//!
//! The uncertainty of a band is that of the measurement alone, because two units of one design share everything else:
//!
//! ```text
//! u² = noise²/n + level² + (dL/dT·u_T)²
//! ```
//!
//! noise by point over n independent points, level of the calibration (or of the fitted gain), air temperature. What the
//! simulation itself may be wrong by is in the limits, where it counts ([`crate::design::limits::BandLimit::simulation_sd_db`]).
//!
//! A parameter's uncertainty is half its 95 % interval, to the side on which the data limit it where the other is open.

use super::entry::{AIR, Cause, Conditions, Judgement, Measurement, RawFile, Value};
use super::residues::residues;
use crate::align::search::AlignError;
use crate::design::Design;
use crate::design::captures::CaptureSet;
use crate::measure::{MeasureError, Response};
use crate::signal::bands::third_octaves;
use crate::signal::residue::{BOUND, HIDDEN_DB};
use crate::verify::result::{Band, Capture, Finding, Parameter, Result as Outcome};
use crate::verify::{Verification, verify};
use serde::Serialize;

/// Why a unit cannot be measured.
#[derive(Debug, thiserror::Error)]
pub enum UnitError {
    /// A capture cannot be used.
    #[error(transparent)]
    Measure(#[from] MeasureError),
    /// Nothing can be compared, or the design cannot be simulated.
    #[error(transparent)]
    Align(#[from] AlignError),
}

/// What was measured of one unit, before limits.
#[derive(Debug, Clone, PartialEq)]
pub struct Measured {
    /// Serial number.
    pub unit: String,
    /// Name of the design.
    pub design_name: String,
    /// BLAKE3 digest of the design file, hex.
    pub design_digest: String,
    /// When the captures were taken, RFC 3339.
    pub taken: Option<String>,
    /// Bands, parameters, residue and polarity; nothing is judged yet.
    pub values: Vec<Value>,
    /// What in the build explains the difference from the design, the most probable first.
    pub findings: Vec<Finding>,
    /// Air.
    pub conditions: Conditions,
    /// Which of temperature, pressure and humidity were stated with the captures.
    pub stated: [bool; 3],
    /// Raw captures.
    pub files: Vec<RawFile>,
    /// The capture that all others contradict, in words, if one does.
    pub contradicted: Option<String>,
    /// Observations whose capture something disturbed.
    pub disturbed: Vec<String>,
    /// What is doubtful, with its remedy.
    pub warnings: Vec<String>,
    /// The parameters that the captures tell, beside what the design allows.
    pub parameters: Vec<Told>,
}

impl Measured {
    /// What of it keeps it from being judged, by whatever limits.
    #[must_use]
    pub fn measurement(&self) -> Measurement {
        let air = AIR.into_iter().zip(self.stated);
        Measurement {
            unstated: air
                .filter(|(_, stated)| !stated)
                .map(|(what, _)| what.to_string())
                .collect(),
            contradicted: self.contradicted.clone(),
            findings: self
                .findings
                .iter()
                .map(|f| Cause {
                    path: f.path.clone(),
                    probability: f.probability,
                    text: f.text.clone(),
                })
                .collect(),
            disturbed: self.disturbed.clone(),
            other_unit: None,
            unfinished: false,
        }
    }
}

/// A parameter that was told, beside its tolerance.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Told {
    /// Path.
    pub path: String,
    /// SI unit; empty for a ratio.
    pub unit: String,
    /// Value of the design, SI.
    pub designed: f64,
    /// Fitted value, SI.
    pub fitted: f64,
    /// Lower end of its 95 % interval, SI; `None` where the data do not limit it.
    pub low95: Option<f64>,
    /// Upper end, SI.
    pub high95: Option<f64>,
    /// Where 95 % of the units lie that are built within the design's tolerance, SI; `None` where none is stated.
    pub tolerance: Option<[f64; 2]>,
}

impl Told {
    /// Whether its interval reaches into the tolerance; `None` without one.
    #[must_use]
    pub fn allowed(&self) -> Option<bool> {
        let [low, high] = self.tolerance?;
        Some(self.low95.is_none_or(|l| l <= high) && self.high95.is_none_or(|h| h >= low))
    }
}

/// The parameters of a fit that the captures tell.
fn told(done: &Verification) -> Vec<Told> {
    let parameters = done.result.parameters.iter();
    parameters
        .filter(|p| p.identifiable && !(p.open_low && p.open_high))
        .map(|p| {
            let known = done.fit.unknowns.iter().find(|u| u.path == p.path);
            let tolerance = known.and_then(|u| {
                let reach = 1.959_964 * u.stated_sd?;
                Some([u.value(0, -reach), u.value(0, reach)])
            });
            Told {
                path: p.path.clone(),
                unit: p.unit.clone(),
                designed: p.designed,
                fitted: p.fitted,
                low95: (!p.open_low).then_some(p.low95),
                high95: (!p.open_high).then_some(p.high95),
                tolerance,
            }
        })
        .collect()
}

/// Name of a band's value.
#[must_use]
pub fn band_name(observation: &str, center_hz: f64) -> String {
    format!("band:{observation}:{}", nominal(center_hz))
}

/// Name of a residue's value.
#[must_use]
pub fn residue_name(observation: &str, center_hz: f64) -> String {
    format!("residue:{observation}:{}", nominal(center_hz))
}

/// Name of a polarity's value.
#[must_use]
pub fn polarity_name(observation: &str) -> String {
    format!("polarity:{observation}")
}

/// Kind, observation and midband of a name that one of the above made; a parameter path has none.
#[must_use]
pub fn parts(name: &str) -> Option<(&str, &str, Option<f64>)> {
    let (kind, rest) = name.split_once(':')?;
    match kind {
        "polarity" => Some((kind, rest, None)),
        "band" | "residue" => {
            let (observation, center) = rest.rsplit_once(':')?;
            Some((kind, observation, Some(center.parse().ok()?)))
        }
        _ => None,
    }
}

/// The level that a residue lies below, dB, where the noise hides it; `None` for a value that was measured.
#[must_use]
pub fn hidden_below(value: &Value) -> Option<f64> {
    let (Some(("residue", ..)), Some(level), Some(expanded)) =
        (parts(&value.name), value.value, value.expanded)
    else {
        return None;
    };
    // The stated uncertainty reaches the noise at 1.65 of its standard.
    (0.5 * expanded >= HIDDEN_DB).then_some(level + 0.5 * BOUND * expanded)
}

/// Midband as its nominal name, however it was rounded.
fn nominal(center_hz: f64) -> f64 {
    third_octaves(center_hz * 0.99, center_hz * 1.01)
        .first()
        .map_or(center_hz, |b| (b.nominal_hz * 1e6).round() / 1e6)
}

fn value(name: String, unit: &str, value: Option<f64>, standard: Option<f64>) -> Value {
    Value {
        name,
        unit: unit.to_string(),
        value: value.filter(|v| v.is_finite()),
        expanded: standard.map(|u| 2.0 * u).filter(|u| u.is_finite()),
        decided: None,
        low: None,
        high: None,
        verdict: Judgement::None,
    }
}

/// Aligns a unit and gathers its numbers; the verification behind them comes along.
///
/// # Errors
/// [`UnitError`].
pub fn measure_unit(
    design: &Design,
    set: &CaptureSet,
    responses: Vec<Response>,
    progress: &mut (dyn FnMut(&str) + Send),
) -> Result<(Measured, Verification), UnitError> {
    let for_residue = responses.clone();
    let (done, noises) = rayon::join(
        || verify(design, set, responses, progress),
        || residues(set, &for_residue),
    );
    let (done, noises) = (done?, noises?);
    let mut values: Vec<Value> = Vec::new();
    for compared in &done.compared {
        let response = &done.responses[compared.response];
        let swept = [response.frequency_hz.first(), response.frequency_hz.last()]
            .map(|f| f.copied().unwrap_or(f64::NAN));
        let ranges = [response.take.usable_hz, swept];
        let bands = done
            .result
            .bands
            .iter()
            .filter(|b| b.observation == response.observation.label());
        values.extend(bands.map(|b| band(b, &ranges)));
    }
    values.extend(done.result.parameters.iter().map(parameter));
    for (observation, list) in &noises {
        values.extend(list.iter().map(|r| {
            let name = residue_name(observation, r.center_hz);
            value(name, "dB", Some(r.level_db), Some(r.standard_db))
        }));
    }
    for (response, sign) in done.responses.iter().zip(&done.fit.polarity) {
        let name = polarity_name(response.observation.label());
        // Against the model; the take's own sign was turned together with the response.
        let known = response.has_phase.then_some(f64::from(*sign));
        values.push(value(name, "", known, None));
    }
    let mut events: Vec<String> = Vec::new();
    // Where the whole capture was disturbed, or one noise was heard once, its noise says nothing about the unit.
    let mut disturbed: Vec<String> = Vec::new();
    for d in &done.fit.disturbed {
        let series = &done.fit.comparison.series[d.series];
        let label = done.responses[series.response].observation.label();
        if !disturbed.iter().any(|of| of == label) {
            disturbed.push(label.to_string());
        }
    }
    for (observation, list) in &noises {
        let mut times: Vec<f64> = list.iter().filter_map(|r| r.event_s).collect();
        times.dedup();
        events.extend(times.iter().map(|t| {
            format!(
                "{observation}: one single noise at {t:.2} s of the capture, which nothing repeats: a knock in the room, a click on the line, or a part that knocks once; repeat the capture"
            )
        }));
    }
    let air = done.result.conditions;
    let measured = Measured {
        unit: set.unit.clone(),
        design_name: design.name.clone(),
        design_digest: design.digest.clone(),
        taken: set.taken.clone(),
        values,
        findings: done.result.findings.clone(),
        conditions: Conditions {
            temperature_c: air.temperature_c,
            pressure_kpa: air.pressure_kpa,
            humidity_pct: air.humidity_pct,
        },
        parameters: told(&done),
        stated: [set.temperature_c, set.pressure_kpa, set.humidity_pct].map(|v| v.is_some()),
        files: files(set, &done.responses),
        contradicted: done.contradicted.clone(),
        disturbed,
        // What `verify` says of its own verdicts has no meaning by other limits.
        warnings: done
            .result
            .warnings
            .iter()
            .filter(|w| !w.contains("bands are unresolved"))
            .cloned()
            .chain(events)
            .collect(),
    };
    Ok((measured, done))
}

/// Bands and parameters of a verification that was done earlier; residue and polarity are not in a result.
///
/// A result of an older program does not tell the measurement's part of its uncertainty: then the whole of it is taken, which
/// holds that of the simulation too.
#[must_use]
pub fn values_of(result: &Outcome) -> Vec<Value> {
    let usable = |observation: &str| -> Vec<[f64; 2]> {
        let of = |c: &&Capture| match &c.probe {
            Some(probe) => probe == observation,
            None => c.quantity == observation,
        };
        let found = result.captures.iter().filter(of);
        found.map(|c| c.usable_hz).take(1).collect()
    };
    let bands = result
        .bands
        .iter()
        .map(|b| band(b, &usable(&b.observation)));
    bands
        .chain(result.parameters.iter().map(parameter))
        .collect()
}

/// A band that lies inside all of these ranges, Hz; else it has no value.
fn band(band: &Band, ranges: &[[f64; 2]]) -> Value {
    let counts = ranges
        .iter()
        .all(|[low, high]| band.low_hz >= low * 0.98 && band.high_hz <= high * 1.02);
    let name = band_name(&band.observation, band.center_hz);
    if !counts || band.disturbed {
        return value(name, "dB", None, None);
    }
    let expanded = if band.measurement_uncertainty_db.is_finite() {
        band.measurement_uncertainty_db
    } else {
        band.expanded_uncertainty_db
    };
    value(
        name,
        "dB",
        Some(band.designed_difference_db),
        Some(0.5 * expanded),
    )
}

fn parameter(p: &Parameter) -> Value {
    let name = p.path.clone();
    if !p.identifiable || (p.open_low && p.open_high) {
        return value(name, &p.unit, None, None);
    }
    let half = match (p.open_low, p.open_high) {
        (true, _) => p.high95 - p.fitted,
        (_, true) => p.fitted - p.low95,
        _ => 0.5 * (p.high95 - p.low95),
    };
    value(name, &p.unit, Some(p.fitted), Some(half / 1.959_964))
}

fn files(set: &CaptureSet, responses: &[Response]) -> Vec<RawFile> {
    let paths = set
        .captures
        .iter()
        .map(|c| (&c.file, &c.path))
        .chain(set.curves.iter().map(|c| (&c.file, &c.path)));
    let mut list: Vec<RawFile> = Vec::new();
    for (file, path) in paths {
        let Some(response) = responses.iter().find(|r| r.take.file == *file) else {
            continue;
        };
        if list.iter().all(|f| f.name != *file) {
            list.push(RawFile {
                name: file.clone(),
                digest: response.take.digest.clone(),
                bytes: std::fs::metadata(path).map_or(0, |m| m.len()),
            });
        }
        // Repeats and takes of other files have digests of their own.
        for (file, path) in set.captures.iter().flat_map(|c| &c.repeats) {
            let repeat = response.take.repeats.iter().find(|r| r.file == *file);
            if let Some(repeat) = repeat
                && list.iter().all(|f| f.name != *file)
            {
                list.push(RawFile {
                    name: file.clone(),
                    digest: repeat.digest.clone(),
                    bytes: std::fs::metadata(path).map_or(0, |m| m.len()),
                });
            }
        }
    }
    list
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_read_back() {
        assert_eq!(band_name("mouth-near", 31.622_776), "band:mouth-near:31.5");
        assert_eq!(
            parts("band:a:b:31.5"),
            Some(("band", "a:b", Some(31.5))),
            "a probe's name may hold a colon"
        );
        assert_eq!(
            parts(&residue_name("x", 100.0)),
            Some(("residue", "x", Some(100.0)))
        );
        assert_eq!(
            parts(&polarity_name("impedance")),
            Some(("polarity", "impedance", None))
        );
        assert_eq!(parts("leak.seam.resistance"), None);
        assert_eq!(parts("band:x:y"), None);
    }
}
