//! Makes limits: from accepted units, from units drawn from the model's tolerances, from both, or by hand.
//!
//! ```text
//! units   x̄ ± k·s                 k(n, n − 1; p, γ) of ISO 16269-6, for a parameter that is positive in its logarithm
//! model   order statistics of N drawn units, measured, and wider by what all of them may lie off alike: the error of the
//!         simulation and the level of the station, at γ
//! both    x̄ ± k·√(σ² + u²)        σ of the drawn units, k(n, N − 1; p, γ): where the line stands is known from n units,
//!                                  how far it may scatter from the tolerances
//! hand    ± a stated number
//! ```
//!
//! Limits are held against measured values, so that the first three hold a share of what will be measured, u being the
//! uncertainty of one measurement. What the simulation is wrong by is the same in every unit of a line: it moves where the
//! line stands and is no scatter between units. `model` does not know where the line stands and is wider for it
//! ([`offset`]); `units` and `both` have seen where it stands, at the stations that measured the accepted units. They
//! describe what the line does, and go with
//! simple acceptance; a guard band would take the measurement off a second time. A spec's tolerance set by hand is about true
//! values, and goes with a guard band.
//!
//! With few accepted units k is large because s is hardly known, and the limits are too wide to be of use. `both` takes the
//! scatter from the tolerances, which say what a sound build may be, and keeps from the units what tolerances cannot know: by
//! how much the simulation is off in this band. Where units scatter significantly more than σ (χ² test, 5 %
//! over all bands), the tolerances do not describe the line: from six units on their own interval is taken there, with fewer the
//! limits are called doubtful.
//!
//! | symbol | variable | unit |
//! | --- | --- | --- |
//! | p, γ | `content`, `confidence` | 1 |
//! | n, N | accepted units, drawn units | 1 |
//!
//! References: ISO 16269-6:2014 (factors: [`crate::production::tolerance`]).

mod bands;
pub mod odds;
pub mod offset;
pub mod parameters;

use super::entry::Value;
use super::tolerance::ToleranceError;
use crate::align::unknowns::Unknown;
use crate::design::Design;
use crate::design::limits::{
    BandLimit, Decision, Environment, Limits, Method, Origin, ParameterLimit, PolarityLimit,
    ResidueLimit, Rule, StationRule,
};
use crate::measure::Observation;
use crate::model::monte_carlo::DrawnBand;
use crate::verify::bands::{judged_bands, tolerance_db};
use serde::Serialize;

/// One accepted unit.
#[derive(Debug, Clone, PartialEq)]
pub struct Accepted {
    /// Serial number.
    pub serial: String,
    /// Digest of the result, the captures file or the entry, hex.
    pub digest: String,
    /// Its numbers.
    pub values: Vec<Value>,
    /// What speaks against it, in words: a fault that its own captures name.
    pub doubt: Option<String>,
    /// Digests of its raw captures, where they are known.
    pub recordings: Vec<String>,
}

impl Accepted {
    /// A number by its name.
    #[must_use]
    pub fn value(&self, name: &str) -> Option<f64> {
        self.found(name)?.value
    }

    /// Its standard uncertainty.
    #[must_use]
    pub fn standard(&self, name: &str) -> Option<f64> {
        self.found(name)?.expanded.map(|u| 0.5 * u)
    }

    fn found(&self, name: &str) -> Option<&Value> {
        self.values.iter().find(|v| v.name == name)
    }
}

/// What limits are wanted.
#[derive(Debug, Clone, PartialEq)]
pub struct Wanted {
    /// From what.
    pub method: Method,
    /// Share of units that each limit is to hold.
    pub content: f64,
    /// Confidence that it does.
    pub confidence: f64,
    /// Decision rule.
    pub decision: Decision,
    /// Half-width of acoustic bands set by hand, dB; the spec's tolerance if left out.
    pub hand_db: Option<f64>,
    /// Half-width of impedance bands set by hand, dB.
    pub hand_impedance_db: Option<f64>,
    /// Most residue by hand, dB.
    pub residue_db: Option<f64>,
    /// No limit beyond the spec's tolerance.
    pub within_tolerance: bool,
    /// Environment.
    pub environment: Environment,
    /// Station.
    pub station: StationRule,
    /// Pattern of serial numbers.
    pub serial_pattern: Option<String>,
    /// When, RFC 3339.
    pub made: String,
    /// Seed of the drawn units.
    pub seed: u32,
}

/// Made limits with what is to be said about them.
#[derive(Debug, Clone)]
pub struct Made {
    /// The limits.
    pub limits: Limits,
    /// Per band: what it rests on.
    pub bands: Vec<Basis>,
    /// What is doubtful, one sentence each.
    pub remarks: Vec<String>,
}

/// What the limits of one band rest on.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Basis {
    /// `impedance` or the probe's name.
    pub observation: String,
    /// Nominal midband frequency, Hz.
    pub center_hz: f64,
    /// Mean of the process, dB.
    pub mean_db: f64,
    /// Its standard deviation, dB.
    pub sd_db: f64,
    /// Standard uncertainty of one measurement, dB.
    pub standard_db: f64,
    /// Units that would bring the limits inside the spec's tolerance, if the line stays as it is; `None`: no number would.
    pub units_needed: Option<usize>,
}

/// Why no limits can be made.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum LimitsError {
    /// Too few units, or nonsense for shares.
    #[error(transparent)]
    Tolerance(#[from] ToleranceError),
    /// Nothing was drawn.
    #[error(
        "method {method} needs units drawn from the tolerances, and the design states none; write a [tolerance], or use --method units or hand"
    )]
    NothingDrawn {
        /// The method's word.
        method: &'static str,
    },
    /// The drawn units are too few for the demand.
    #[error(
        "{units} drawn units do not hold {content} with confidence {confidence} by order statistics; draw more with --drawn"
    )]
    FewDrawn {
        /// How many.
        units: usize,
        /// Content.
        content: f64,
        /// Confidence.
        confidence: f64,
    },
    /// No band has a number in every unit.
    #[error(
        "no one-third octave of the judged band has a value in all of the accepted units; check that they were captured with the same probes and that the levels are calibrated"
    )]
    NoBand,
}

/// The limits that a unit exactly as designed would fail.
fn excluded_design(
    bands: &[BandLimit],
    parameters: &[ParameterLimit],
    unknowns: &[Unknown],
) -> Option<String> {
    let bands = bands
        .iter()
        .filter(|b| b.low_db > 0.0 || b.high_db < 0.0)
        .map(|b| format!("{} at {} Hz", b.observation, b.center_hz));
    let designed = |path: &str| {
        let found = unknowns.iter().find(|u| u.path == path);
        found.map_or(f64::NAN, |u| u.value(0, 0.0))
    };
    let parameters = parameters
        .iter()
        .filter(|p| {
            let v = designed(&p.path);
            p.low.is_some_and(|low| v < low) || p.high.is_some_and(|high| v > high)
        })
        .map(|p| p.path.clone());
    let list: Vec<String> = bands.chain(parameters).collect();
    (!list.is_empty()).then(|| {
        format!(
            "a unit exactly as designed would fail by {}: the line lies off the design, or an accepted unit has a fault; look before they are signed",
            list.join(", ")
        )
    })
}

/// Makes limits.
///
/// # Errors
/// [`LimitsError`].
pub fn make(
    design: &Design,
    accepted: &[Accepted],
    drawn: &[DrawnBand],
    unknowns: &[Unknown],
    wanted: &Wanted,
) -> Result<Made, LimitsError> {
    let doubts = accepted.iter().filter_map(|a| Some((a, a.doubt.as_ref()?)));
    let mut remarks: Vec<String> = doubts
        .map(|(a, doubt)| format!("unit {} was given as accepted: {doubt}", a.serial))
        .collect();
    let (bands, basis) = bands::make(design, accepted, drawn, wanted, &mut remarks)?;
    if bands.is_empty() {
        return Err(LimitsError::NoBand);
    }
    let parameters = parameters::make(accepted, unknowns, wanted, &mut remarks)?;
    remarks.extend(excluded_design(&bands, &parameters, unknowns));
    if wanted.method != Method::Hand && wanted.decision.rule != Rule::Simple {
        remarks.push(
            "these limits describe measured values, and a guard band beside them counts the measurement (and the simulation) twice: --rule simple decides by the value alone"
                .to_string(),
        );
    }
    let residue = residue(design, accepted, wanted, &mut remarks)?;
    let polarity = polarity(accepted, &bands);
    let draws = matches!(wanted.method, Method::Model | Method::Both);
    let counted = wanted.method != Method::Hand;
    let units = if wanted.method == Method::Hand || wanted.method == Method::Model {
        Vec::new()
    } else {
        let pairs = accepted.iter();
        pairs
            .map(|a| (a.serial.clone(), a.digest.clone()))
            .collect()
    };
    let limits = Limits {
        name: design.name.clone(),
        design_name: design.name.clone(),
        design_digest: design.digest.clone(),
        origin: Origin {
            method: wanted.method,
            made: Some(wanted.made.clone()),
            software: Some(super::inspect::software()),
            content: counted.then_some(wanted.content),
            confidence: counted.then_some(wanted.confidence),
            drawn: drawn
                .first()
                .filter(|_| draws)
                .and_then(|b| u32::try_from(b.difference_db.len()).ok()),
            seed: draws.then_some(wanted.seed),
            units,
        },
        decision: wanted.decision,
        bands,
        parameters,
        residue,
        polarity,
        environment: wanted.environment,
        station: wanted.station,
        serial_pattern: wanted.serial_pattern.clone(),
        signature: None,
        file: std::path::PathBuf::new(),
        digest: String::new(),
        body_digest: String::new(),
    };
    Ok(Made {
        limits,
        bands: basis,
        remarks,
    })
}

/// Observations and judged midbands of a design, each with the spec's tolerance, dB.
pub(super) fn places(design: &Design) -> Vec<(String, f64, f64)> {
    let probes = design.probes.iter().map(|p| Observation::Pressure {
        probe: p.name.clone(),
    });
    std::iter::once(Observation::Impedance)
        .chain(probes)
        .flat_map(|o| {
            let [low, high] = design.target.map_or([20.0, 200.0], |t| t.band_hz);
            let tolerance = tolerance_db(design, &o);
            let label = o.label().to_string();
            judged_bands(design, 0.5 * low, 2.0 * high)
                .into_iter()
                .filter(move |b| b.belongs_to([low, high]))
                .map(move |b| (label.clone(), b.nominal_hz, tolerance))
        })
        .collect()
}

fn residue(
    design: &Design,
    accepted: &[Accepted],
    wanted: &Wanted,
    remarks: &mut Vec<String>,
) -> Result<Vec<ResidueLimit>, LimitsError> {
    use super::tolerance::{Sides, normal_interval};
    let mut list = Vec::new();
    for probe in &design.probes {
        let prefix = format!("residue:{}:", probe.name);
        // The loudest band of each unit: one limit holds for all of them.
        let loudest: Vec<f64> = accepted
            .iter()
            .filter_map(|a| {
                let of = a.values.iter().filter(|v| v.name.starts_with(&prefix));
                of.filter_map(|v| Some(v.value? + 0.825 * v.expanded.unwrap_or(0.0)))
                    .reduce(f64::max)
            })
            .collect();
        let from_units = matches!(wanted.method, Method::Units | Method::Both)
            && loudest.len() == accepted.len()
            && loudest.len() > 1;
        let high_db = if let Some(db) = wanted.residue_db {
            Some(db)
        } else if from_units {
            normal_interval(&loudest, Sides::Upper, wanted.content, wanted.confidence)?.high
        } else {
            None
        };
        list.extend(high_db.map(|high_db| ResidueLimit {
            observation: probe.name.clone(),
            center_hz: None,
            high_db,
        }));
    }
    if list.is_empty() {
        remarks.push(
            "no limit for rattles and air noise: give --residue-db, or accepted units with captures"
                .to_string(),
        );
    }
    // A probe that no unit was captured at would leave every test undecided.
    if !accepted.is_empty() {
        list.retain(|r| {
            accepted
                .iter()
                .any(|a| has(a, &format!("residue:{}:", r.observation)))
        });
    }
    Ok(list)
}

fn has(unit: &Accepted, prefix: &str) -> bool {
    unit.values.iter().any(|v| v.name.starts_with(prefix))
}

fn polarity(
    accepted: &[Accepted],
    bands: &[crate::design::limits::BandLimit],
) -> Vec<PolarityLimit> {
    let mut list: Vec<PolarityLimit> = Vec::new();
    for observation in bands.iter().map(|b| &b.observation) {
        if observation == "impedance" || list.iter().any(|p| p.observation == *observation) {
            continue;
        }
        let name = super::unit::polarity_name(observation);
        let seen: Vec<f64> = accepted.iter().filter_map(|a| a.value(&name)).collect();
        // Where the accepted units agree, they say; without them the model does.
        let sign = if !seen.is_empty() && seen.iter().all(|s| *s < 0.0) {
            -1
        } else {
            1
        };
        if accepted.is_empty() || !seen.is_empty() {
            list.push(PolarityLimit {
                observation: observation.clone(),
                sign,
            });
        }
    }
    list
}

#[cfg(test)]
#[path = "limits_tests.rs"]
mod tests;

#[cfg(test)]
#[path = "line_tests.rs"]
mod line_tests;
