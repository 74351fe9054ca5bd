//! What in the build explains the difference: words, effect by band, what would do instead, what to measure next.

use super::bands::{DB, inside};
use super::result::{Effect, Finding, Instead};
use super::words::{self, Amount};
use crate::align::explain::Arrangement;
use crate::align::residual::{DELAY_UNIT_S, Nuisance};
use crate::align::whiten::{Kernel, Whitener};
use crate::align::{self, BenchFault, Fit, What};
use crate::design::{AirConditions, Design, Probe, ProbePlace};
use crate::measure::{Observation, Response};
use crate::model::network::Network;
use crate::model::{ModelError, Observed};
use crate::signal::bands::third_octaves;
use num_complex::Complex64;

/// Separation of two explanations, standard deviations, from which a capture is worth naming.
const TELLS: f64 = 3.0;
/// Path of what is in no model.
pub const UNMODELLED: &str = "unmodelled";
/// What a good capture is taken to leave open: 1 % over a third of ln f.
const OPEN: (f64, f64) = (0.01, 0.3);

/// Findings, the strongest evidence first.
///
/// # Errors
/// [`ModelError`] if a changed design cannot be simulated.
pub fn findings(
    design: &Design,
    fit: &Fit,
    responses: &[Response],
    air: AirConditions,
) -> Result<Vec<Finding>, ModelError> {
    let before = fit.comparison.simulate(&fit.designed, &air)?;
    let measured: Vec<&str> = responses.iter().map(|r| r.observation.label()).collect();
    let next = |list: &[align::Instead]| -> Result<Option<String>, ModelError> {
        match list.first() {
            Some(other) => {
                next_capture(design, [&fit.aligned, &other.aligned], &air, &measured).map(Some)
            }
            None => Ok(None),
        }
    };
    let mut list = Vec::new();
    if let Some(probability) = fit.driver_inverted {
        list.push(inverted(probability));
    }
    for b in &fit.bench_faults {
        list.push(of_bench(b));
    }
    if let Some(r) = &fit.rearranged {
        let after = fit
            .comparison
            .simulate(&arranged(fit, r.arrangement), &air)?;
        let (text, remedy) = rearranged_words(design, r.arrangement);
        list.push(Finding {
            path: r.path.clone(),
            probability: r.probability,
            text,
            remedy: Some(remedy),
            size: None,
            low95: None,
            high95: None,
            effect_db: effect(fit, responses, &after, &before),
            instead: instead(design, fit, &r.instead),
            next: next(&r.instead)?,
        });
    }
    for fault in &fit.faults {
        let u = &fit.unknowns[fault.unknown];
        let Some(e) = fit.estimates.iter().find(|e| e.unknown == fault.unknown) else {
            continue;
        };
        let Some(n) = fit.settled.active.iter().position(|&i| i == fault.unknown) else {
            continue;
        };
        let mut changed = fit.designed.clone();
        u.apply(&mut changed, fit.settled.theta[n]);
        let after = fit.comparison.simulate(&changed, &air)?;
        let words = words::describe(&fit.designed, u, e.into());
        let relative =
            |value: f64| Some(value / e.designed - 1.0).filter(|v| v.is_finite() && !u.absent);
        list.push(Finding {
            path: u.path.clone(),
            probability: fault.probability,
            text: words.text,
            remedy: Some(words.remedy),
            size: relative(e.fitted),
            low95: relative(e.low95),
            high95: relative(e.high95),
            effect_db: effect(fit, responses, &after, &before),
            instead: instead(design, fit, &fault.instead),
            next: next(&fault.instead)?,
        });
    }
    // Where something else explains it all but certainly, the best of what was tried is no finding.
    list.retain(|f| f.probability >= align::NOT_EXCLUDED);
    list.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    Ok(list)
}

/// Changes that are not excluded, and the capture that would decide about the first of them.
///
/// # Errors
/// [`ModelError`] if an explanation cannot be simulated.
pub fn not_excluded(
    design: &Design,
    fit: &Fit,
    responses: &[Response],
    air: AirConditions,
) -> Result<(Vec<Instead>, Option<String>), ModelError> {
    let measured: Vec<&str> = responses.iter().map(|r| r.observation.label()).collect();
    let next = match fit.possible.first() {
        Some(first) => Some(next_capture(
            design,
            [&fit.aligned, &first.aligned],
            &air,
            &measured,
        )?),
        None => None,
    };
    let mut list = instead(design, fit, &fit.possible);
    if fit.unmodelled >= align::NOT_EXCLUDED {
        let alone = fit.contradicting().map(|(response, _)| response);
        let series = fit.comparison.series.iter().zip(&fit.misfits);
        let worst = series
            .filter(|(s, _)| Some(s.response) != alone)
            .max_by(|a, b| a.1.total_cmp(b.1));
        list.extend(worst.map(|(s, misfit)| Instead {
            path: UNMODELLED.to_string(),
            probability: fit.unmodelled,
            text: format!(
                "something else than what was looked at: after the fit {} still differs by {:.1} dB (standard deviation)",
                responses[s.response].observation.label(),
                misfit * DB
            ),
        }));
        list.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    }
    Ok((list, next))
}

/// A wrong term of the bench in words.
fn of_bench(b: &BenchFault) -> Finding {
    let [value, low, high] = b.estimate;
    let label = b.path.split('.').nth(1).unwrap_or_default().to_string();
    let (text, remedy) = match b.kind {
        Nuisance::Temperature => (
            format!(
                "air in the cabinet: {:.1} K {} than stated, 95 % {:.1} to {:.1} K",
                value.abs(),
                if value > 0.0 { "warmer" } else { "colder" },
                if value > 0.0 { low } else { -high },
                if value > 0.0 { high } else { -low }
            ),
            "check temperature_c of the captures, and let the cabinet take the room's temperature"
                .to_string(),
        ),
        Nuisance::Delay | Nuisance::Drift => {
            let mm = |v: f64| v * DELAY_UNIT_S * 343.0 * 1e3;
            (
                format!(
                    "capture {label}: arrives as from {:.0} mm {}, 95 % {:.0} to {:.0} mm",
                    mm(value).abs(),
                    if value > 0.0 {
                        "farther away"
                    } else {
                        "nearer"
                    },
                    mm(low),
                    mm(high)
                ),
                "check where the microphone stood, and whether the recorder delays one channel"
                    .to_string(),
            )
        }
        Nuisance::Gain => (
            format!(
                "capture {label}: {:.1} dB too {} against all others, 95 % {:.1} to {:.1} dB",
                (value * DB).abs(),
                if value > 0.0 { "high" } else { "low" },
                low * DB,
                high * DB
            ),
            if label == Observation::Impedance.label() {
                "check the reference resistor, the leads and the gains of both channels".to_string()
            } else {
                "check sensitivity, gain and the place of the microphone in this capture; calibrate the level".to_string()
            },
        ),
    };
    Finding {
        path: b.path.clone(),
        probability: b.probability,
        text,
        remedy: Some(remedy),
        size: None,
        low95: None,
        high95: None,
        effect_db: Vec::new(),
        instead: Vec::new(),
        next: None,
    }
}

fn inverted(probability: f64) -> Finding {
    let text = "driver, or the microphone that all captures were made with: every capture of sound is inverted against the model, and which of the two is cannot be told from them";
    let remedy = "look which way the cone moves on a 1.5 V cell; if it moves inwards with plus at the marked terminal, exchange the driver's leads, else those of the microphone";
    Finding {
        path: "driver.polarity".to_string(),
        probability,
        text: text.to_string(),
        remedy: Some(remedy.to_string()),
        size: None,
        low95: None,
        high95: None,
        effect_db: Vec::new(),
        instead: Vec::new(),
        next: None,
    }
}

/// The design with nothing changed but the arrangement.
fn arranged(fit: &Fit, arrangement: Arrangement) -> Design {
    align::explain::arranged(&fit.designed, &[], arrangement).0
}

fn rearranged_words(design: &Design, arrangement: Arrangement) -> (String, String) {
    match arrangement {
        Arrangement::Exchanged(a, b) => {
            let [a, b] = [a, b].map(|i| &design.resistors[i].name);
            (
                format!("resistors {a} and {b}: each has the other's cloth"),
                format!("open the cabinet and exchange the cloths of {a} and {b}"),
            )
        }
        Arrangement::Inverted(i) => (
            format!(
                "driver {} of the set: connected the other way round than its companions",
                i + 2
            ),
            format!("exchange the two leads of driver {}", i + 2),
        ),
        Arrangement::AsDesigned => (String::new(), String::new()),
    }
}

fn instead(design: &Design, fit: &Fit, list: &[align::Instead]) -> Vec<Instead> {
    list.iter()
        .map(|i| Instead {
            path: i.path.clone(),
            probability: i.probability,
            text: match i.what {
                What::Places(arrangement) => rearranged_words(design, arrangement).0,
                What::Bench(n) => match fit.comparison.nuisance_of[n] {
                    (_, Nuisance::Temperature) => {
                        "air in the cabinet: not as warm as stated".to_string()
                    }
                    (series, Nuisance::Gain) => {
                        format!("capture {}: a wrong level", fit.comparison.label(series))
                    }
                    (series, _) => format!(
                        "capture {}: a microphone that stood elsewhere, or a delay",
                        fit.comparison.label(series)
                    ),
                },
                What::Number(u) => {
                    let u = &fit.unknowns[u];
                    let amount = Amount {
                        fitted: i.aligned.value(u.members[0]),
                        interval: None,
                    };
                    words::describe(&fit.designed, u, amount).text
                }
            },
        })
        .collect()
}

fn effect(
    fit: &Fit,
    responses: &[Response],
    after: &[Vec<Complex64>],
    before: &[Vec<Complex64>],
) -> Vec<Effect> {
    let mut list = Vec::new();
    for ((s, a), b) in fit.comparison.series.iter().zip(after).zip(before) {
        let f: Vec<f64> = s
            .place
            .iter()
            .map(|&i| fit.comparison.frequency_hz[i])
            .collect();
        let (Some(&low), Some(&high)) = (f.first(), f.last()) else {
            continue;
        };
        for band in third_octaves(low, high) {
            let points = inside(&f, &band);
            if points.is_empty() {
                continue;
            }
            let sum: f64 = points
                .iter()
                .map(|&i| 20.0 * (a[i].norm() / b[i].norm()).log10())
                .sum();
            list.push(Effect {
                observation: responses[s.response].observation.label().to_string(),
                center_hz: band.nominal_hz,
                db: sum / points.len() as f64,
            });
        }
    }
    list
}

/// Which capture that was not made would tell two explanations apart best.
fn next_capture(
    design: &Design,
    explanations: [&Design; 2],
    air: &AirConditions,
    measured: &[&str],
) -> Result<String, ModelError> {
    let [low, high] = design.target.map_or([10.0, 200.0], |t| t.band_hz);
    let f = Response::grid(low * 0.7, high * 1.4);
    let x: Vec<f64> = f.iter().map(|f| f.ln()).collect();
    let mut pair = explanations.map(Clone::clone);
    // A hole for a microphone can be drilled into any chamber.
    let mut words: Vec<(Observed, String)> = Vec::new();
    if !measured.contains(&Observation::Impedance.label()) {
        words.push((Observed::Impedance, "the impedance".to_string()));
    }
    for (i, p) in design.probes.iter().enumerate() {
        if !measured.contains(&p.name.as_str()) {
            words.push((Observed::Probe(i), format!("the pressure at {}", p.name)));
        }
    }
    for c in &design.chambers {
        let there = design
            .probes
            .iter()
            .any(|p| matches!(&p.place, ProbePlace::Inside { junction } if *junction == c.at));
        if !there {
            words.push((
                Observed::Probe(pair[0].probes.len()),
                format!(
                    "the pressure inside {} (a hole for a microphone, sealed)",
                    c.name
                ),
            ));
            for d in &mut pair {
                d.probes.push(Probe {
                    name: format!("inside {}", c.name),
                    place: ProbePlace::Inside {
                        junction: c.at.clone(),
                    },
                });
            }
        }
    }
    let observed: Vec<Observed> = words.iter().map(|w| w.0).collect();
    let values: Vec<Vec<Vec<Complex64>>> = pair
        .iter()
        .map(|d| Ok(Network::new(d, air)?.respond(&f, &observed, design.drive.voltage_v)))
        .collect::<Result<_, ModelError>>()?;
    let mut best: Option<(f64, String)> = None;
    for (n, (_, name)) in words.iter().enumerate() {
        let ratio: Vec<Complex64> = values[0][n]
            .iter()
            .zip(&values[1][n])
            .map(|(a, b)| (a / b).ln())
            .collect();
        let separation = separation(&x, &ratio);
        let Some((at, size)) = ratio
            .iter()
            .enumerate()
            .map(|(i, r)| (i, r.re * DB))
            .max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))
        else {
            continue;
        };
        if separation > TELLS && best.as_ref().is_none_or(|b| separation > b.0) {
            best = Some((
                separation,
                format!(
                    "measure {name}: there the two differ by up to {:.1} dB, at {:.0} Hz",
                    size.abs(),
                    f[at]
                ),
            ));
        }
    }
    Ok(best.map_or_else(
        || "no further capture tells the two apart: look, or measure with a tape".to_string(),
        |b| b.1,
    ))
}

/// How many standard deviations two responses lie apart, a constant level aside.
fn separation(x: &[f64], ratio: &[Complex64]) -> f64 {
    let variance = vec![1e-6; x.len()];
    let Ok(whitener) = Whitener::new(x, &variance, &Kernel::exponential(OPEN.0, OPEN.1)) else {
        return 0.0;
    };
    let sum: f64 = [0, 1]
        .iter()
        .map(|part| {
            let mut column: Vec<f64> = ratio
                .iter()
                .map(|r| if *part == 0 { r.re } else { r.im })
                .collect();
            whitener.apply(&mut column);
            column.iter().map(|v| v * v).sum::<f64>()
        })
        .sum();
    sum.sqrt()
}
