//! The resistance of every resistor of a built unit, with a 95 % interval.
//!
//! The design is fitted with every resistor's resistance free and without the design's tolerance as prior: a calibration
//! must not be drawn towards what was meant to be built. A value in `[built]` stays, for it was measured.
//!
//! ```text
//! acoustic resistance  R (Pa·s/m³) = specific resistance (Pa·s/m) over area
//! interval             where twice the profiled cost rises by χ²₁(0.95) = 3.84 (see [`crate::align::profile`])
//! particle velocity    V = Σ w·v(f)/Σ w,   w = Σ over the captures of |∂ln M/∂ln R|²
//! ```
//!
//! The profile gives the two sides of the interval their own lengths. A missing resistor has an upper end only, a
//! blocked one a lower end only; such an end stands as an open side. V is the peak velocity through the resistor at the
//! drive of each capture, weighted with what the capture says about it: the velocity that the fitted value belongs to.

use crate::align::ranges::profile;
use crate::align::residual::{Bench, behind};
use crate::align::search::AlignError;
use crate::align::{Fit, align};
use crate::design::captures::CaptureSet;
use crate::design::path::{Element, Key, Parameter, matches};
use crate::design::{AirConditions, Design, Resistance, Spread, ToleranceRule};
use crate::measure::Response;
use crate::model::network::Network;
use serde::Serialize;

/// The ends of an interval of a resistor that the data can tell lie within this factor of each other: a factor of two to
/// either side.
const TOLD: f64 = 4.0;

/// A resistance with its 95 % interval; an open side is `None`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Reach {
    /// Best value.
    pub value: f64,
    /// Low end; `None`: down to nothing.
    pub low95: Option<f64>,
    /// High end; `None`: without limit.
    pub high95: Option<f64>,
}

impl Reach {
    /// The same times a factor.
    #[must_use]
    pub fn times(self, factor: f64) -> Self {
        Self {
            value: self.value * factor,
            low95: self.low95.map(|v| v * factor),
            high95: self.high95.map(|v| v * factor),
        }
    }

    /// Standard deviation of the logarithm that the interval stands for; infinite with an open side.
    #[must_use]
    pub fn log_sd(&self) -> f64 {
        match (self.low95, self.high95) {
            (Some(low), Some(high)) if low > 0.0 => {
                (high / low).ln() / (2.0 * crate::align::interval::NORMAL_95)
            }
            _ => f64::INFINITY,
        }
    }
}

/// One resistor in place.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct InPlace {
    /// Name.
    pub name: String,
    /// Face, m², if the design states one.
    pub area_m2: Option<f64>,
    /// Acoustic resistance of the design, Pa·s/m³.
    pub designed_pa_s_per_m3: f64,
    /// Specific resistance of the design, Pa·s/m, where there is an area.
    pub designed_pa_s_per_m: Option<f64>,
    /// Acoustic resistance in place, Pa·s/m³.
    pub resistance_pa_s_per_m3: Reach,
    /// Specific resistance in place, Pa·s/m, where there is an area.
    pub specific_pa_s_per_m: Option<Reach>,
    /// Whether the data tell it: an interval of less than a factor of two to either side.
    pub told: bool,
    /// What it cannot be told from, and the correlation with that.
    pub confounded_with: Option<(String, f64)>,
    /// Peak particle velocity that the value belongs to, m/s, where there is an area.
    pub velocity_m_per_s: Option<f64>,
    /// Drive voltage of the captures, V RMS, weighted as the velocity is.
    pub drive_v: f64,
}

/// All resistors of a unit at one drive level.
#[derive(Debug, Clone)]
pub struct Calibration {
    /// The fit behind it.
    pub fit: Fit,
    /// The air.
    pub air: AirConditions,
    /// One per resistor that has a resistance; plates have none.
    pub resistors: Vec<InPlace>,
}

/// Resistors whose resistance is a number of the design: all but plates. Index and name.
#[must_use]
pub fn calibrated(design: &Design) -> Vec<(usize, &str)> {
    design
        .resistors
        .iter()
        .enumerate()
        .filter(|(_, r)| !matches!(r.resistance, Resistance::Plate(_)))
        .map(|(i, r)| (i, r.name.as_str()))
        .collect()
}

/// The parameter of a resistor's resistance.
#[must_use]
pub fn parameter(resistor: usize) -> Parameter {
    Parameter {
        element: Element::Resistor(resistor),
        key: Key::Resistance,
    }
}

/// The design with every resistor's resistance free by itself and without a prior.
#[must_use]
pub fn freed(design: &Design) -> Design {
    let mut out = design.clone();
    let paths: Vec<String> = calibrated(design)
        .iter()
        .map(|&(i, _)| design.path_of(parameter(i)))
        .collect();
    // Without entries everything that has a tolerance is free: that is written out before something is added.
    if out.free.is_empty() {
        out.free = design
            .parameters()
            .into_iter()
            .map(|p| design.path_of(p))
            .filter(|path| {
                design
                    .tolerance
                    .iter()
                    .any(|rule| matches(&rule.pattern, path))
            })
            .collect();
    }
    // A pattern that ties resistors would hold them to one factor: its other members keep it one by one.
    let mut free = Vec::new();
    for pattern in &out.free {
        let bare = pattern
            .strip_prefix("each ")
            .map_or(pattern.as_str(), str::trim);
        let members: Vec<String> = design
            .matching(bare)
            .into_iter()
            .map(|p| design.path_of(p))
            .collect();
        if members.iter().any(|m| paths.contains(m)) {
            free.extend(members.into_iter().filter(|m| !paths.contains(m)));
        } else {
            free.push(pattern.clone());
        }
    }
    free.extend(paths.iter().cloned());
    out.free = free;
    // A spread of nothing counts as no tolerance.
    out.tolerance
        .extend(paths.into_iter().map(|pattern| ToleranceRule {
            pattern,
            spread: Spread::Relative(0.0),
        }));
    out
}

/// Fits one unit at one level and gives every resistor.
///
/// # Errors
/// [`AlignError`] where nothing can be compared or the design cannot be simulated.
pub fn calibrate(
    design: &Design,
    set: &CaptureSet,
    mut responses: Vec<Response>,
    progress: &mut dyn FnMut(&str),
) -> Result<Calibration, AlignError> {
    let bench = Bench::of(set, design.air);
    let air = bench.air;
    let fit = align(&freed(design), &set.built, bench, &mut responses, progress)?;
    progress("intervals of the resistors");
    let mut resistors = Vec::new();
    for (index, _) in calibrated(design) {
        resistors.extend(in_place(design, &fit, &responses, index, air)?);
    }
    Ok(Calibration {
        fit,
        air,
        resistors,
    })
}

fn in_place(
    design: &Design,
    fit: &Fit,
    responses: &[Response],
    index: usize,
    air: AirConditions,
) -> Result<Option<InPlace>, AlignError> {
    let wanted = parameter(index);
    let Some(n) = (0..fit.settled.active.len())
        .find(|&n| fit.unknowns[fit.settled.active[n]].members == [wanted])
    else {
        return Ok(None);
    };
    let unknown = &fit.unknowns[fit.settled.active[n]];
    let resistor = &design.resistors[index];
    // A value in `[built]` was measured and stays a prior; a resistor without one has none.
    let flat = unknown.stated_sd.is_none();
    let (theta, reach) = profile(&fit.comparison, &fit.unknowns, &fit.settled, n, flat)?;
    let at = |theta: f64| unknown.value(0, theta);
    let acoustic = Reach {
        value: at(theta),
        low95: (!reach.low_open).then(|| at(reach.low)),
        high95: (!reach.high_open).then(|| at(reach.high)),
    };
    let told = match (acoustic.low95, acoustic.high95) {
        (Some(low), Some(high)) => high < TOLD * low,
        _ => false,
    };
    let estimate = fit
        .estimates
        .iter()
        .find(|e| fit.unknowns[e.unknown].members == [wanted]);
    let (velocity, drive_v) = velocity(fit, responses, n, index, air)?;
    Ok(Some(InPlace {
        name: resistor.name.clone(),
        area_m2: resistor.area_m2,
        designed_pa_s_per_m3: resistor.acoustic_pa_s_per_m3(),
        designed_pa_s_per_m: resistor
            .area_m2
            .map(|a| a * resistor.acoustic_pa_s_per_m3()),
        resistance_pa_s_per_m3: acoustic,
        specific_pa_s_per_m: resistor.area_m2.map(|a| acoustic.times(a)),
        told,
        confounded_with: estimate.and_then(|e| e.confounded_with.clone()),
        velocity_m_per_s: velocity,
        drive_v,
    }))
}

/// Peak particle velocity in a resistor and drive voltage, weighted with what the captures say about its resistance.
fn velocity(
    fit: &Fit,
    responses: &[Response],
    n: usize,
    resistor: usize,
    air: AirConditions,
) -> Result<(Option<f64>, f64), AlignError> {
    let design = &fit.aligned;
    let network = Network::new(design, &air)?;
    let (mut sum, mut volts, mut weight) = (0.0, 0.0, 0.0);
    // A capture whose drive is not known says nothing about the velocity, unless none is known.
    let known = |response: usize| responses.get(response).is_some_and(|r| r.drive_v.is_some());
    let any = fit.comparison.series.iter().any(|s| known(s.response));
    for (series, parts) in fit.comparison.series.iter().zip(&fit.evaluated.jacobian) {
        if any && !known(series.response) {
            continue;
        }
        let jig = series
            .ahead_ohm
            .map(|ohm| behind(design, ohm, &air))
            .transpose()?;
        let network = jig.as_ref().unwrap_or(&network);
        // Every fourth point, a twelfth of an octave, is enough for a mean.
        for (k, &place) in series.place.iter().enumerate().step_by(4) {
            let w = parts[0][n][k].powi(2) + parts[1][n][k].powi(2);
            let at = network.solve(fit.comparison.frequency_hz[place], series.drive_v);
            let flow = at.resistor_flow[resistor].norm() * series.drive_v;
            sum += w * flow * std::f64::consts::SQRT_2;
            volts += w * series.drive_v;
            weight += w;
        }
    }
    if weight <= 0.0 {
        return Ok((None, design.drive.voltage_v));
    }
    Ok((
        design.resistors[resistor].area_m2.map(|a| sum / weight / a),
        volts / weight,
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::align::unknowns::{Role, unknowns};
    use crate::design::read;
    use std::path::Path;

    fn dome() -> Design {
        read::read(&Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-captures/dome.toml"))
            .unwrap()
    }

    /// Every resistor is fitted by itself and without a prior, however the design's list is written.
    #[test]
    fn resistors_are_free_by_themselves() {
        let mut design = dome();
        for free in [
            vec![],
            vec!["driver.cms".to_string()],
            vec![
                "driver.cms".to_string(),
                "resistor.*.resistance".to_string(),
            ],
            vec!["each resistor.*.resistance".to_string()],
        ] {
            let had_none = free.is_empty();
            design.free = free;
            let list = unknowns(&freed(&design), &[]);
            for (index, name) in calibrated(&design) {
                let own: Vec<_> = list
                    .iter()
                    .filter(|u| u.members.contains(&parameter(index)))
                    .collect();
                assert_eq!(own.len(), 1, "{name}: {own:?}");
                assert_eq!(
                    (own[0].role, own[0].stated_sd, own[0].members.len()),
                    (Role::Free, None, 1)
                );
            }
            // Without entries everything with a tolerance was free, and stays so.
            let loss = list.iter().find(|u| u.path == "driver.rms").unwrap();
            assert_eq!(loss.role == Role::Free, had_none, "{loss:?}");
        }
    }

    #[test]
    fn an_open_side_is_no_spread() {
        let open = Reach {
            value: 2.0,
            low95: None,
            high95: Some(3.0),
        };
        assert!(open.log_sd().is_infinite());
        // DERIVED: ln 4 over twice 1.96.
        let closed = Reach {
            value: 2.0,
            low95: Some(1.0),
            high95: Some(4.0),
        }
        .times(10.0);
        assert!((closed.log_sd() - 4_f64.ln() / 3.919_927_97).abs() < 1e-8);
    }
}
