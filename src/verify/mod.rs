//! The main job: measured responses against the model as designed and as aligned, by band, with findings.

pub mod bands;
pub mod far_field;
pub mod findings;
pub mod form;
pub mod outlook;
pub mod result;
pub mod spread;
pub mod words;

use crate::air::Air;
use crate::align::explain;
use crate::align::residual::{Bench, DRIFT_UNIT, Nuisance, growth};
use crate::align::robust::Stretch;
use crate::align::search::AlignError;
use crate::align::{Fit, align};
use crate::design::captures::CaptureSet;
use crate::design::{AirConditions, Design};
use crate::measure::{Observation, Response, TakeWarning, warning_text};
use crate::model::ModelError;
use crate::model::network::Network;
use bands::{Compared, DB};
use result::{
    Capture, Conditions, DesignMark, Discrepancy, FileDigest, IntervalKind, Judged, Parameter,
    Verdict,
};

/// A finished verification.
#[derive(Debug, Clone)]
pub struct Verification {
    /// What is written to `result.json`.
    pub result: result::Result,
    /// The alignment behind it.
    pub fit: Fit,
    /// Measured, designed and aligned values per observation.
    pub compared: Vec<Compared>,
    /// The responses, inverted ones turned round.
    pub responses: Vec<Response>,
    /// The capture that all others contradict, in words, if one does.
    pub contradicted: Option<String>,
}

/// Aligns and judges one unit.
///
/// # Errors
/// [`AlignError`] where nothing can be compared or the design cannot be simulated.
pub fn verify(
    design: &Design,
    set: &CaptureSet,
    mut responses: Vec<Response>,
    progress: &mut dyn FnMut(&str),
) -> Result<Verification, AlignError> {
    let started = std::time::Instant::now();
    let bench = Bench::of(set, design.air);
    let air = bench.air;
    let fit = align(design, &set.built, bench, &mut responses, progress)?;
    let seconds = started.elapsed().as_secs_f64();
    note_drift(&fit, &mut responses);
    let compared = side_by_side(&fit, &responses, air)?;
    let mut bands: Vec<result::Band> = compared
        .iter()
        .flat_map(|c| bands::bands(design, &responses[c.response], c, Judged::Designed))
        .collect();
    // Where a capture was disturbed, or is itself what is wrong, it says nothing about the unit.
    let doubted = doubted(&fit, &responses);
    for b in &mut bands {
        let response = responses
            .iter()
            .position(|r| r.observation.label() == b.observation);
        if doubted.contains(&None) || doubted.contains(&response) {
            b.verdict = Verdict::Unresolved;
            b.disturbed = true;
        }
    }
    for d in &fit.disturbed {
        let label = responses[fit.comparison.series[d.series].response]
            .observation
            .label();
        for b in &mut bands {
            if b.observation == label && b.low_hz < d.high_hz && b.high_hz > d.low_hz {
                b.verdict = Verdict::Unresolved;
                b.disturbed = true;
            }
        }
    }
    let findings = findings::findings(design, &fit, &responses, air)?;
    let (not_excluded, next) = findings::not_excluded(design, &fit, &responses, air)?;
    let (far_field, no_far_field) = match far_field::far_field(
        [&fit.designed, &fit.aligned],
        &air,
        &responses,
        (&compared, &doubted),
    )? {
        Ok(far) => (Some(far), None),
        Err(why) => (None, Some(why.to_string())),
    };
    let weather = crate::model::weather::cold_day(&fit.aligned, &air)?;
    let result = result::Result {
        format: result::FORMAT.to_string(),
        software: format!("bassay {}", env!("CARGO_PKG_VERSION")),
        unit: set.unit.clone(),
        design: DesignMark {
            name: design.name.clone(),
            digest: design.digest.clone(),
        },
        taken: set.taken.clone(),
        rehearsed: set.unreal().map(String::from),
        verdict: bands::overall(&bands),
        judged: Judged::Designed,
        captures: responses
            .iter()
            .map(|r| {
                let mut capture = capture(r);
                // As captures.toml calls it.
                if let (Some(pair), Some(probe)) = (&fit.exchanged, &mut capture.probe)
                    && let Some(n) = pair.labels.iter().position(|l| l == probe)
                {
                    probe.clone_from(&pair.labels[1 - n]);
                }
                capture
            })
            .collect(),
        exchanged: fit.exchanged.as_ref().map(|pair| pair.text.clone()),
        parameters: parameters(&fit),
        findings,
        not_excluded,
        next,
        fit: result::Fit {
            converged: fit.settled.converged,
            iterations: fit.settled.iterations,
            cost: fit.settled.cost,
            degrees_of_freedom: fit.degrees_of_freedom,
            seconds,
            ended: None,
            discrepancy: discrepancies(&fit, &responses),
        },
        conditions: Conditions {
            temperature_c: air.temperature_c,
            pressure_kpa: air.pressure_kpa,
            humidity_pct: air.humidity_pct,
            speed_of_sound_m_per_s: Air::at(&air).speed_m_per_s,
        },
        files: files(design, set, &responses),
        near_fields: near_fields(&fit.designed, &air, &responses)?,
        far_field,
        no_far_field,
        weather: Some(weather),
        assumptions: assumptions(design, set, &fit, &responses),
        warnings: set
            .doubts()
            .iter()
            .map(ToString::to_string)
            .chain(warnings(design, &fit, &responses, &bands))
            .collect(),
        bands,
    };
    Ok(Verification {
        contradicted: contradicting(&fit, &responses),
        result,
        fit,
        compared,
        responses,
    })
}

/// Where no reference channel told the clocks apart, the fit did.
fn note_drift(fit: &Fit, responses: &mut [Response]) {
    let first = fit.settled.active.len();
    for (n, &(series, kind)) in fit.comparison.nuisance_of.iter().enumerate() {
        if kind == Nuisance::Drift {
            let take = &mut responses[fit.comparison.series[series].response].take;
            let ppm = DRIFT_UNIT * 1e6;
            take.drift_ppm = fit.settled.theta[first + n] * ppm;
            take.drift_sd_ppm = Some(fit.settled.covariance[(first + n, first + n)].sqrt() * ppm);
            if take.drift_ppm.abs() > 5.0 {
                take.warnings.push(TakeWarning::DriftCorrected {
                    ppm: take.drift_ppm,
                });
            }
        }
    }
}

fn side_by_side(
    fit: &Fit,
    responses: &[Response],
    air: AirConditions,
) -> Result<Vec<Compared>, ModelError> {
    let designed = fit.comparison.simulate(&fit.designed, &air)?;
    let aligned = fit.comparison.simulate(&fit.aligned, &fit.air())?;
    // Level slopes of the uncertain inputs at the designed point.
    let inputs = bands::uncertain_inputs(&fit.unknowns);
    let zero = vec![0.0; inputs.len()];
    let none = vec![0.0; fit.comparison.nuisances()];
    let at = fit.comparison.evaluate(&inputs, &zero, &none, true)?;
    let input: Vec<Vec<(f64, Vec<f64>)>> = at
        .jacobian
        .iter()
        .zip(&fit.comparison.series)
        .map(|(parts, series)| {
            let level = |slope: &Vec<f64>| {
                let places = slope.iter().zip(&series.place);
                places
                    .map(|(v, &i)| v * growth(fit.comparison.frequency_hz[i]))
                    .collect()
            };
            inputs
                .iter()
                .zip(&parts[0])
                .map(|(u, slope)| (u.sound_sd, level(slope)))
                .collect()
        })
        .collect();
    let nuisance = &fit.settled.theta[fit.settled.active.len()..];
    let first = fit.settled.active.len();
    let sd: Vec<f64> = (0..nuisance.len())
        .map(|n| {
            fit.settled.covariance[(first + n, first + n)]
                .max(0.0)
                .sqrt()
        })
        .collect();
    Ok(bands::compare(
        (&fit.designed, Air::at(&air).speed_m_per_s),
        &fit.comparison,
        responses,
        &designed,
        &aligned,
        &input,
        (nuisance, &sd),
    ))
}

fn capture(r: &Response) -> Capture {
    Capture {
        file: r.take.file.clone(),
        quantity: match r.observation {
            Observation::Impedance => "impedance".to_string(),
            Observation::Pressure { .. } => "pressure".to_string(),
        },
        probe: match &r.observation {
            Observation::Impedance => None,
            Observation::Pressure { probe } => Some(probe.clone()),
        },
        snr_db: r.take.snr_db,
        clipped: r.take.clipped,
        drift_ppm: r.take.drift_ppm,
        polarity: r.take.polarity,
        usable_hz: r.take.usable_hz,
        repeats: r.take.repeats.clone(),
    }
}

fn parameters(fit: &Fit) -> Vec<Parameter> {
    fit.estimates
        .iter()
        .map(|e| Parameter {
            path: fit.unknowns[e.unknown].path.clone(),
            unit: fit.unknowns[e.unknown].unit.to_string(),
            // A leak that the design has not has no designed value.
            designed: if fit.unknowns[e.unknown].absent {
                f64::NAN
            } else {
                e.designed
            },
            fitted: e.fitted,
            low95: e.low95,
            high95: e.high95,
            identifiable: e.identifiable,
            confounded_with: e.confounded_with.as_ref().map(|(path, _)| path.clone()),
            correlation: e.confounded_with.as_ref().map(|&(_, r)| r),
            interval: if e.profiled {
                IntervalKind::Profile
            } else {
                IntervalKind::Laplace
            },
            laplace95: Some(e.laplace95),
            open_low: e.low_open,
            open_high: e.high_open,
            among: e.group.clone(),
        })
        .collect()
}

/// Up to where each near-field reading follows its opening.
fn near_fields(
    design: &Design,
    air: &AirConditions,
    responses: &[Response],
) -> Result<Vec<result::NearField>, ModelError> {
    let network = Network::new(design, air)?;
    Ok(design
        .probes
        .iter()
        .enumerate()
        .filter(|(_, p)| responses.iter().any(|r| r.observation.label() == p.name))
        .filter_map(|(i, p)| {
            Some(result::NearField {
                probe: p.name.clone(),
                valid_to_hz: network.near_field_limit_hz(i)?,
            })
        })
        .collect())
}

fn discrepancies(fit: &Fit, responses: &[Response]) -> Vec<Discrepancy> {
    fit.comparison
        .series
        .iter()
        .zip(&fit.settled.kernels)
        .map(|(s, k)| Discrepancy {
            observation: responses[s.response].observation.label().to_string(),
            sd_db: k.sigma * DB,
            length_octaves: k.length / std::f64::consts::LN_2,
        })
        .collect()
}

fn files(design: &Design, set: &CaptureSet, responses: &[Response]) -> Vec<FileDigest> {
    let mark = |path: String, role: &str, digest: &str| FileDigest {
        path,
        role: role.to_string(),
        digest: digest.to_string(),
    };
    let mut list = vec![
        mark(set.design.display().to_string(), "design", &design.digest),
        mark(set.file.display().to_string(), "captures", &set.digest),
    ];
    if let Some(station) = &set.station {
        let file = station.file.display().to_string();
        list.push(mark(file, "station", &station.digest));
    }
    for r in responses {
        let role = if r.take.sample_rate_hz == 0 {
            "curve"
        } else {
            "capture"
        };
        list.push(mark(r.take.file.clone(), role, &r.take.digest));
        for repeat in &r.take.repeats {
            let known = list.iter().any(|f| f.digest == repeat.digest);
            if !known {
                list.push(mark(repeat.file.clone(), role, &repeat.digest));
            }
        }
    }
    list
}

fn assumptions(
    design: &Design,
    set: &CaptureSet,
    fit: &Fit,
    responses: &[Response],
) -> Vec<String> {
    use crate::align::unknowns::Role;
    let mut list = Vec::new();
    let captured = |label: &str| responses.iter().any(|r| r.observation.label() == label);
    let labels = std::iter::once("impedance").chain(design.probes.iter().map(|p| p.name.as_str()));
    let lacking: Vec<&str> = labels.filter(|l| !captured(l)).collect();
    if !lacking.is_empty() {
        list.push(format!(
            "Not captured, so that nothing is said of them: {}.",
            lacking.join(", ")
        ));
    }
    let exact: Vec<String> = design
        .parameters()
        .into_iter()
        .filter(|p| {
            !fit.unknowns
                .iter()
                .any(|u| u.members.contains(p) && u.role != Role::Exact)
                && design.value(*p) != 0.0
                && !matches!(p.element, crate::design::path::Element::Probe(_))
        })
        .map(|p| design.path_of(p))
        .collect();
    if !exact.is_empty() {
        list.push(format!(
            "These count as exact, because they are neither free nor have a tolerance: {}.",
            exact.join(", ")
        ));
    }
    for r in responses {
        if !r.absolute && r.observation != Observation::Impedance {
            list.push(format!(
                "{}: no sensitivity is stated, so that the level is free and only the shape is judged.",
                r.observation.label()
            ));
        }
        if !r.timed && r.observation != Observation::Impedance {
            list.push(format!(
                "{}: there is no reference channel, so that the delay is free.",
                r.observation.label()
            ));
        }
    }
    let arrangements = explain::arrangements(design).len();
    if arrangements > explain::MOST_ARRANGEMENTS {
        list.push(format!(
            "Of {} ways in which two resistors could be exchanged or a driver inverted, {} were looked at.",
            arrangements - 1,
            explain::MOST_ARRANGEMENTS - 1
        ));
    }
    if design.target.is_none() {
        list.push(format!(
            "The design has no [target]: every usable band is judged, with {} dB and {:.0} % of |Z| as tolerance.",
            bands::DEFAULT_TOLERANCE_DB,
            100.0 * bands::DEFAULT_TOLERANCE_IMPEDANCE
        ));
    }
    if set.temperature_c.is_none() {
        list.push(format!(
            "No temperature was stated with the captures: the design's {} °C is used.",
            design.air.temperature_c
        ));
    }
    list.push(format!(
        "One-dimensional theory is given a standard uncertainty of {:.2} dB for impedance and inside, {:.2} dB for the near field of a mouth and {:.2} dB in the far field, and up to {:.2} dB more where the mouth is no longer small (ka > {}): what finite elements of a short horn differ by.",
        form::LOAD_DB[0] / 3f64.sqrt(),
        form::NEAR_DB[0] / 3f64.sqrt(),
        form::FAR_DB[0] / 3f64.sqrt(),
        (form::FAR_DB[1] - form::FAR_DB[0]) / 3f64.sqrt(),
        form::SMALL_KA
    ));
    list
}

/// Probability from which a wrong level, place or temperature is taken for the better explanation.
const LIKELY: f64 = 0.5;

/// Captures that are clipped, or of which the fit says that they, and not the unit, are wrong: indices of responses, `None` for all
/// at once.
fn doubted(fit: &Fit, responses: &[Response]) -> Vec<Option<usize>> {
    let bench = fit.bench_faults.iter();
    let mut list: Vec<Option<usize>> = bench
        .filter(|b| b.probability > LIKELY)
        .map(|b| b.response)
        .collect();
    list.extend(fit.contradicting().map(|(response, _)| Some(response)));
    let pair = fit.exchanged.iter().flat_map(|pair| pair.responses);
    list.extend(pair.map(Some));
    list.extend(
        (0..responses.len())
            .filter(|&n| responses[n].take.clipped)
            .map(Some),
    );
    list
}

/// Captures that are each other's, or one that contradicts all others, in words.
fn contradicting(fit: &Fit, responses: &[Response]) -> Option<String> {
    if let Some(pair) = &fit.exchanged {
        return Some(pair.text.clone());
    }
    let (response, [worst, next]) = fit.contradicting()?;
    Some(format!(
        "{}: this capture contradicts all others, which the aligned model follows within {:.2} dB (standard deviation), and this one only within {:.1} dB. Check its probe, channels and place, and repeat it.",
        responses[response].observation.label(),
        next * DB,
        worst * DB
    ))
}

fn warnings(
    design: &Design,
    fit: &Fit,
    responses: &[Response],
    bands: &[result::Band],
) -> Vec<String> {
    let label = |response: usize| responses[response].observation.label();
    let contradicts = fit.contradicting().map(|(response, _)| response);
    // What decides comes first.
    let mut list: Vec<String> = contradicting(fit, responses).into_iter().collect();
    for (r, polarity) in responses.iter().zip(&fit.polarity) {
        list.extend(warning_text::of(r, design.target.map(|t| t.band_hz)));
        if *polarity < 0 {
            list.push(format!(
                "{}: inverted against the model; it was turned round. Check the polarity of the driver's leads and of the microphone.",
                r.take.file
            ));
        }
    }
    for (s, misfit) in fit.comparison.series.iter().zip(&fit.misfits) {
        if misfit * DB > 0.5 && Some(s.response) != contradicts {
            list.push(format!(
                "{}: the aligned model still differs by {:.1} dB (standard deviation): something is not in the model, or a fault was not found.",
                label(s.response),
                misfit * DB
            ));
        }
    }
    for (n, s) in fit.comparison.series.iter().enumerate() {
        let stretches: Vec<&Stretch> = fit.disturbed.iter().filter(|d| d.series == n).collect();
        // Of what contradicts everything the single stretches say nothing more.
        if stretches.is_empty() || Some(s.response) == contradicts {
            continue;
        }
        let places: Vec<String> = stretches
            .iter()
            .map(|d| format!("{:.1} to {:.1}", d.low_hz, d.high_hz))
            .collect();
        let most = stretches.iter().map(|d| d.size).fold(0.0, f64::max);
        list.push(format!(
            "{}: at {} Hz it deviates by up to {:.1} dB from what everything else says; what lies there counts little. A disturbance during the sweep (traffic, a rattle, hum): repeat the capture.",
            label(s.response),
            places.join(", "),
            most * DB
        ));
    }
    let open = bands
        .iter()
        .filter(|b| b.verdict == Verdict::Unresolved && !b.disturbed)
        .count();
    if responses
        .iter()
        .all(|r| r.observation == Observation::Impedance)
    {
        list.push(
            "Only the impedance was measured: nothing is said about the sound. A near field of each opening tells of it."
                .to_string(),
        );
    }
    list.extend(unswept(design, responses));
    if open > 0 {
        list.push(format!(
            "{open} of {} bands are unresolved: the uncertainty reaches over the tolerance, or the signal is too weak there or missing. A louder or longer sweep, a level calibration, or tighter tolerances of what was not fitted settle them.",
            bands.len()
        ));
    }
    if !fit.settled.converged {
        list.push(
            "The fit did not end at a minimum: take the fitted values as indications.".to_string(),
        );
    }
    list
}

/// Bands of the target that a sweep or a curve leaves out, observations with the same ones together.
fn unswept(design: &Design, responses: &[Response]) -> Vec<String> {
    let Some(target) = design.target else {
        return Vec::new();
    };
    let [low, high] = target.band_hz;
    let all = bands::judged_bands(design, low, high);
    let mut of: Vec<(Vec<String>, Vec<&str>)> = Vec::new();
    for r in responses {
        let missing: Vec<String> = all
            .iter()
            .filter(|b| bands::reach(r, b) == bands::Reach::Unswept)
            .map(|b| format!("{}", b.nominal_hz))
            .collect();
        let label = r.observation.label();
        match of.iter_mut().find(|(same, _)| *same == missing) {
            Some((_, labels)) => labels.push(label),
            None => of.push((missing, vec![label])),
        }
    }
    of.retain(|(missing, _)| !missing.is_empty());
    let told = |(missing, labels): &(Vec<String>, Vec<&str>)| {
        format!(
            "{}: the target's bands at {} Hz lie outside what was measured and are not judged: a sweep from below {low:.0} to above {high:.0} Hz covers them.",
            labels.join(", "),
            missing.join(", ")
        )
    };
    of.iter().map(told).collect()
}
