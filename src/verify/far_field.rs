//! The far field at 1 m from the near fields of all openings, beside the simulated one.
//!
//! The readings are those that the bands compare: turned to the right polarity, with fitted gain and delay taken out.
//! Their complex sum is that of [`crate::model::near_field`]. Its uncertainty, relative and independent for each reading,
//! weighted by the part s_i·p_i that it has in the sum:
//!
//! ```text
//! u² = u_cal² + u_far² + Σ |s_i·p_i|²·(u_noise,i² + u_form,i² + (g_i·u_d)²)/|Σ s_i·p_i|²
//! ```
//!
//! u_cal: level calibration, common to all; u_far, u_form,i: form of the far field and of each reading ([`super::form`]); g_i: change of the reading with the
//! microphone's distance, u_d its spread (`[tolerance] "probe.NAME.distance"`, else 3 mm: common practice, no published
//! source). Expanded with k = 2. The band ends where the first reading stops following its volume velocity.

use super::bands::{Compared, DB};
use super::form;
use crate::design::path::{Element, Key, Parameter, matches};
use crate::design::{AirConditions, Design, Spread};
use crate::measure::{Observation, Response};
use crate::model::network::Network;
use crate::model::predict::{level_db, listening_point};
use crate::model::{ModelError, Observed, near_field};
use num_complex::Complex64;
use serde::{Deserialize, Serialize};

/// Spread of a microphone's distance where the design states none, m.
const DISTANCE_SD_M: f64 = 0.003;

/// Far field from near fields, levels at the design's drive voltage.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FarField {
    /// Near-field probes, one for each opening.
    pub probes: Vec<String>,
    /// Highest frequency at which every reading follows its opening within 1 dB, Hz.
    pub valid_to_hz: f64,
    /// Whether the levels are absolute; otherwise the microphone's gain was fitted.
    pub absolute: bool,
    /// Frequencies, Hz.
    pub frequency_hz: Vec<f64>,
    /// From the measured near fields, at 1 m, dB.
    pub measured_db: Vec<f64>,
    /// The model as designed, dB.
    pub designed_db: Vec<f64>,
    /// The aligned model, dB.
    pub aligned_db: Vec<f64>,
    /// Expanded uncertainty (k = 2) of the measured level, dB.
    pub expanded_uncertainty_db: Vec<f64>,
}

/// Why there is no far field.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NoFarField {
    /// The design has no opening.
    #[error("the design has no opening")]
    NoOpening,
    /// Sound leaves where no microphone stood.
    #[error("there is no near-field capture of opening {0}")]
    NotCaptured(String),
    /// A magnitude alone cannot be summed.
    #[error("the near field of {0} has no phase")]
    NoPhase(String),
    /// What was captured there is not what its label says, or the bench was not as stated.
    #[error("the capture of {0} is in doubt itself: see the findings and warnings")]
    Doubted(String),
    /// The usable bands do not meet.
    #[error("the near fields have no usable frequency in common")]
    Apart,
}

/// The far field, or why there is none. `doubted` are responses that say nothing about the unit, `None` all of them.
///
/// # Errors
/// [`ModelError`] if a design cannot be simulated.
pub fn far_field(
    models: [&Design; 2],
    air: &AirConditions,
    responses: &[Response],
    (compared, doubted): (&[Compared], &[Option<usize>]),
) -> Result<std::result::Result<FarField, NoFarField>, ModelError> {
    let [design, aligned] = models;
    let (network, after) = (Network::new(design, air)?, Network::new(aligned, air)?);
    if design.openings.is_empty() {
        return Ok(Err(NoFarField::NoOpening));
    }
    let mut probes = Vec::new();
    let mut takes: Vec<&Compared> = Vec::new();
    for (opening, probe) in design.openings.iter().zip(near_field::probes(&network)) {
        let missing = || NoFarField::NotCaptured(opening.name.clone());
        let Some(probe) = probe else {
            return Ok(Err(missing()));
        };
        let name = &design.probes[probe].name;
        let take = compared.iter().find(|c| {
            matches!(&responses[c.response].observation, Observation::Pressure { probe } if probe == name)
        });
        let Some(take) = take else {
            return Ok(Err(missing()));
        };
        if doubted.contains(&None) || doubted.contains(&Some(take.response)) {
            return Ok(Err(NoFarField::Doubted(name.clone())));
        }
        if !responses[take.response].has_phase {
            return Ok(Err(NoFarField::NoPhase(opening.name.clone())));
        }
        probes.push(probe);
        takes.push(take);
    }
    let valid_to_hz = probes
        .iter()
        .filter_map(|&p| network.near_field_limit_hz(p))
        .fold(f64::INFINITY, f64::min);
    let listener = listening_point(design);
    let volts = design.drive.voltage_v;
    let distance_sd: Vec<f64> = probes.iter().map(|&p| distance_sd_m(design, p)).collect();
    let mut far = FarField {
        probes: probes
            .iter()
            .map(|&p| design.probes[p].name.clone())
            .collect(),
        valid_to_hz,
        absolute: takes.iter().all(|t| responses[t.response].absolute),
        frequency_hz: Vec::new(),
        measured_db: Vec::new(),
        designed_db: Vec::new(),
        aligned_db: Vec::new(),
        expanded_uncertainty_db: Vec::new(),
    };
    let calibration = takes
        .iter()
        .map(|t| responses[t.response].calibration_relative)
        .fold(0.0, f64::max);
    for &f in takes[0].frequency_hz.iter().filter(|f| **f <= valid_to_hz) {
        let Some(place) = takes
            .iter()
            .map(|t| place_of(t, f))
            .collect::<Option<Vec<_>>>()
        else {
            continue;
        };
        let Some(shares) = near_field::shares(&network, &probes, listener, f) else {
            continue;
        };
        let parts: Vec<Complex64> = shares
            .iter()
            .zip(&takes)
            .zip(&place)
            .map(|((s, t), &i)| s * t.measured[i])
            .collect();
        let sum: Complex64 = parts.iter().sum();
        let speed = network.air().speed_m_per_s;
        let form_db = form::uncertainty_db(design, form::Kind::Far, f, speed);
        let mut variance = calibration.powi(2) + (form_db / DB).powi(2);
        for (n, part) in parts.iter().enumerate() {
            let noise = takes[n].noise_db[place[n]] / DB;
            // A reading in a mouth is converted as though the mouth moved as one.
            let kind = form::kind(design, &responses[takes[n].response].observation);
            let read_db = form::uncertainty_db(design, kind, f, speed);
            let moved = distance_slope(&network, probes[n], f, volts) * distance_sd[n];
            variance += part.norm_sqr() / sum.norm_sqr()
                * (noise * noise + moved * moved + (read_db / DB).powi(2));
        }
        let level = |net: &Network| {
            let s = net.solve(f, volts);
            level_db(net.pressure_at(listener, &s).norm() * volts)
        };
        far.frequency_hz.push(f);
        far.measured_db.push(level_db(sum.norm() * volts));
        far.designed_db.push(level(&network));
        far.aligned_db.push(level(&after));
        far.expanded_uncertainty_db.push(2.0 * variance.sqrt() * DB);
    }
    if far.frequency_hz.is_empty() {
        return Ok(Err(NoFarField::Apart));
    }
    Ok(Ok(far))
}

fn place_of(take: &Compared, f: f64) -> Option<usize> {
    let i = take.frequency_hz.partition_point(|&x| x < f * 0.9999);
    (take.frequency_hz.get(i)? / f < 1.0001).then_some(i)
}

fn distance(probe: usize) -> Parameter {
    Parameter {
        element: Element::Probe(probe),
        key: Key::Distance,
    }
}

fn distance_sd_m(design: &Design, probe: usize) -> f64 {
    let path = design.path_of(distance(probe));
    let rule = design
        .tolerance
        .iter()
        .rev()
        .find(|rule| matches(&rule.pattern, &path));
    match rule.map(|r| r.spread) {
        Some(Spread::Absolute(sd)) => sd,
        Some(Spread::Relative(sd)) => sd * design.value(distance(probe)).abs(),
        None => DISTANCE_SD_M,
    }
}

/// Relative change of the reading with the microphone's distance, 1/m.
fn distance_slope(network: &Network, probe: usize, f: f64, volts: f64) -> f64 {
    let got =
        network.respond_with_slopes(&[f], &[Observed::Probe(probe)], &[distance(probe)], volts);
    (got.slope[0][0][0] / got.value[0][0]).norm()
}
