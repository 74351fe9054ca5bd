//! Two pressure captures that stand under each other's name.
//!
//! ```text
//! r(a, b) = RMS over the usable points of 20·lg|M_a/S_b|, dB     M measured, S the model as designed
//! exchanged:  r(a, b) ≤ r(a, a)/3  and  r(b, a) ≤ r(b, b)/3  and  r(a, a), r(b, b) ≥ 2 dB
//! ```
//!
//! A fault moves readings by some dB, and by no more under the other name; two places in and around a cabinet differ by ten and
//! more. The model as designed is compared with and not an aligned one, whose parameters such captures would pull along. What
//! was recorded with another gain may stand under a wrong scale together with its wrong name, so that the shapes alone, without
//! their means, may show it too. Places that the design does not tell apart are never named.

use crate::design::{AirConditions, Design};
use crate::measure::take::clock_time;
use crate::measure::{Observation, Response};
use crate::model::network::Network;
use crate::model::{ModelError, Observed};
use num_complex::Complex64;

/// A capture fits the other's place better by this factor where two are exchanged (judgement: see the head of this file).
const BETTER: f64 = 3.0;
/// Least deviation from its own place that is looked at, dB (judgement: the tolerance of most targets).
const LEAST_DB: f64 = 2.0;
/// Least number of usable points: an octave of the grid.
const LEAST_POINTS: usize = 48;

/// Two captures under each other's name.
#[derive(Debug, Clone, PartialEq)]
pub struct Exchanged {
    /// Which responses.
    pub responses: [usize; 2],
    /// The observations as they are called.
    pub labels: [String; 2],
    /// Whether the levels fit as well, and not the shapes alone.
    pub level: bool,
    /// What shows it and what to do, one or two sentences.
    pub text: String,
}

/// A response beside the model at every probe.
struct Beside {
    response: usize,
    probe: usize,
    /// dB over the model at each probe of the design, usable points.
    over_db: Vec<Vec<f64>>,
}

impl Beside {
    /// RMS difference from the model at a probe, dB; `free` takes the mean out.
    fn apart_db(&self, probe: usize, free: bool) -> f64 {
        let list = &self.over_db[probe];
        let count = list.len() as f64;
        let mean = if free {
            list.iter().sum::<f64>() / count
        } else {
            0.0
        };
        (list.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / count).sqrt()
    }
}

fn beside(
    design: &Design,
    network: &Network,
    (index, response): (usize, &Response),
) -> Option<Beside> {
    let Observation::Pressure { probe } = &response.observation else {
        return None;
    };
    let probe = design.probes.iter().position(|p| p.name == *probe)?;
    let [low, high] = response.take.usable_hz;
    let usable: Vec<usize> = (0..response.frequency_hz.len())
        .filter(|&i| (low..=high).contains(&response.frequency_hz[i]))
        .collect();
    if usable.len() < LEAST_POINTS {
        return None;
    }
    let frequency_hz: Vec<f64> = usable.iter().map(|&i| response.frequency_hz[i]).collect();
    let probes: Vec<Observed> = (0..design.probes.len()).map(Observed::Probe).collect();
    let drive_v = response.drive_v.unwrap_or(design.drive.voltage_v);
    let over = |model: &Vec<Complex64>| -> Vec<f64> {
        let pairs = model.iter().zip(&usable);
        pairs
            .map(|(s, &i)| 20.0 * (response.value[i].norm() / s.norm()).log10())
            .collect()
    };
    let over_db: Vec<Vec<f64>> = network
        .respond(&frequency_hz, &probes, drive_v)
        .iter()
        .map(over)
        .collect();
    let sound = over_db.iter().flatten().all(|d| d.is_finite());
    sound.then_some(Beside {
        response: index,
        probe,
        over_db,
    })
}

/// How much better two captures fit each other's place, and r(a, a), r(b, b), r(a, b), r(b, a) in dB; `None` where that does not
/// show an exchange.
fn crossed(a: &Beside, b: &Beside, free: bool) -> Option<(f64, [f64; 4])> {
    let (aa, bb) = (a.apart_db(a.probe, free), b.apart_db(b.probe, free));
    let (ab, ba) = (a.apart_db(b.probe, free), b.apart_db(a.probe, free));
    let shown = aa.min(bb) >= LEAST_DB && BETTER * ab <= aa && BETTER * ba <= bb;
    shown.then(|| ((aa / ab).min(bb / ba), [aa, bb, ab, ba]))
}

/// The pair of captures that fits exchanged names far better than its own; the clearest one of several.
///
/// # Errors
/// [`ModelError`] where the design cannot be simulated.
pub fn exchanged(
    design: &Design,
    air: &AirConditions,
    responses: &[Response],
) -> Result<Option<Exchanged>, ModelError> {
    let network = Network::new(design, air)?;
    let list: Vec<Beside> = responses
        .iter()
        .enumerate()
        .filter_map(|r| beside(design, &network, r))
        .collect();
    let place = |r: &Response| {
        if r.take.sample_rate_hz > 0 {
            format!("{} at {}", r.take.file, clock_time(r.take.start_s))
        } else {
            r.take.file.clone()
        }
    };
    let mut best: Option<(f64, Exchanged)> = None;
    for (n, a) in list.iter().enumerate() {
        for b in &list[n + 1..] {
            let (first, second) = (&responses[a.response], &responses[b.response]);
            let leveled = first.absolute && second.absolute;
            let Some((level, better, [aa, bb, ab, ba])) = [true, false]
                .into_iter()
                .filter(|level| leveled || !level)
                .find_map(|level| crossed(a, b, !level).map(|(by, db)| (level, by, db)))
            else {
                continue;
            };
            if best.as_ref().is_some_and(|(most, _)| *most >= better) {
                continue;
            }
            let labels = [first, second].map(|r| r.observation.label().to_string());
            let text = format!(
                "The captures of {} ({}) and {} ({}) look exchanged: they differ by {aa:.1} and {bb:.1} dB (RMS) from their own places in the design, and by {ab:.1} and {ba:.1} dB from each other's. They are fitted as what they are, and not judged: see which file, take and probe belong together in captures.toml, or record both again.",
                labels[0],
                place(first),
                labels[1],
                place(second)
            );
            let found = Exchanged {
                responses: [a.response, b.response],
                labels,
                level,
                text,
            };
            best = Some((better, found));
        }
    }
    Ok(best.map(|(_, found)| found))
}

impl Exchanged {
    /// Gives each of the two the other's name, so that what is fitted to them is not torn apart.
    pub fn turn_back(&self, responses: &mut [Response]) {
        let [a, b] = self.responses;
        let first = responses[a].observation.clone();
        responses[a].observation = std::mem::replace(&mut responses[b].observation, first);
        for n in [a, b] {
            responses[n].absolute &= self.level;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rehearse::settings;
    use std::path::Path;

    fn dome() -> Design {
        crate::design::read::read(Path::new("tests/designs/dome.toml")).unwrap()
    }

    /// What a cabinet with faults would give at every probe of the design.
    fn captured(faults: &[&str]) -> Vec<Response> {
        let design = dome();
        let faults: Vec<_> = faults.iter().map(|f| f.parse().unwrap()).collect();
        let built = settings::build(&design, &faults, None).unwrap().design;
        let network = Network::new(&built, &built.air).unwrap();
        let frequency_hz = Response::grid(8.0, 450.0);
        let probes: Vec<Observed> = (0..built.probes.len()).map(Observed::Probe).collect();
        let values = network.respond(&frequency_hz, &probes, built.drive.voltage_v);
        let named = built.probes.iter().zip(values);
        named
            .map(|(p, value)| {
                let probe = p.name.clone();
                Response::made(Observation::Pressure { probe }, &frequency_hz, value, 1e-3)
            })
            .collect()
    }

    fn found(responses: &[Response]) -> Option<Exchanged> {
        exchanged(&dome(), &dome().air, responses).unwrap()
    }

    /// DERIVED: no cabinet, however wrong, has its readings in each other's places; faults far beyond any workshop's.
    #[test]
    fn no_fault_looks_exchanged() {
        for fault in [
            "leak.seam.resistance=x0.001",
            "duct.*.length=x1.2",
            "driver.sd=x0.7",
            "driver.bl=x0.6",
            "driver.cms=x0.4",
            "chamber.*.volume=x0.6",
            "resistor.*.resistance=x0.01",
            "resistor.*.resistance=x50",
        ] {
            assert_eq!(found(&captured(&[fault])), None, "{fault}");
        }
    }

    /// Every pair of places is named where two are exchanged, in a sound cabinet and in one with a fault; with levels under a wrong
    /// scale the shapes show it where they differ.
    #[test]
    fn every_exchanged_pair_is_named() {
        for faults in [&[][..], &["leak.seam.resistance=x0.05"]] {
            let sound = captured(faults);
            for a in 0..sound.len() {
                for b in a + 1..sound.len() {
                    let mut list = sound.clone();
                    let first = list[a].observation.clone();
                    list[a].observation = std::mem::replace(&mut list[b].observation, first);
                    let pair = found(&list).unwrap();
                    assert_eq!((pair.responses, pair.level), ([a, b], true), "{faults:?}");
                    pair.turn_back(&mut list);
                    assert_eq!(list[a].observation, sound[a].observation);
                    assert_eq!(found(&list), None);
                    // Alike but for the level: two wrong levels explain as much.
                    let labels = [a, b].map(|n| sound[n].observation.label());
                    if labels.contains(&"box-inside") {
                        pair.turn_back(&mut list);
                        for (n, gain) in [(a, 3.0), (b, 0.25)] {
                            list[n].value.iter_mut().for_each(|v| *v *= gain);
                        }
                        let pair = found(&list).unwrap();
                        assert_eq!((pair.responses, pair.level), ([a, b], false));
                    }
                }
            }
        }
    }
}
