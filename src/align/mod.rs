//! The alignment of a simulation to what was measured: estimates with intervals, and what is at fault.
//!
//! The residual is defined in [`residual`], the coordinates in `unknowns`, the search in [`search`]; the modules
//! below know nothing of acoustics.

#[cfg(test)]
mod chance;
pub mod dense;
pub mod discrepancy;
pub mod exchanged;
pub mod explain;
mod fit;
pub mod identify;
pub mod interval;
pub mod kernels;
pub mod least_squares;
pub mod plan;
mod polarity;
pub mod possible_leaks;
pub mod problem;
pub mod profile;
pub mod ranges;
pub mod residual;
pub mod robust;
pub mod search;
pub mod starts;
pub mod suspicion;
mod trust_region;
pub mod unknowns;
pub mod whiten;

use crate::design::Design;
use crate::design::captures::Built;
use crate::measure::Response;
use dense::Matrix;
use explain::{Arrangement, Explained, Tried, explain};
pub use fit::{BenchFault, Estimate, Fault, Fit, Instead, Rearranged, What};
use identify::{Criteria, Identification, identify};
use polarity::{driver_inverted, settle_polarity};
use problem::{whitened, whiteners};
use ranges::Range;
use rayon::prelude::*;
use residual::{Bench, Comparison, Evaluated, Nuisance};
use robust::{Stretch, stretches, with_less_weight};
use search::{AlignError, Search, Settled};
use suspicion::log_odds;
use unknowns::{Role, Unknown, unknowns};

/// Alternatives below this share of the best explanation's weight are not listed.
const ALIKE: f64 = 0.02;
/// Changes that are no findings and at least this probable are told as not excluded.
pub const NOT_EXCLUDED: f64 = 0.05;

/// Fits a design to measured responses.
///
/// # Errors
/// [`AlignError`] where nothing can be compared or the design cannot be simulated.
pub fn align(
    design: &Design,
    built: &[Built],
    bench: Bench,
    responses: &mut [Response],
    progress: &mut dyn FnMut(&str),
) -> Result<Fit, AlignError> {
    let mut designed = possible_leaks::with_possible_leaks(design);
    let unknowns = unknowns(&designed, built);
    for u in &unknowns {
        u.apply(&mut designed, u.resting_theta());
    }
    let exchanged = exchanged::exchanged(&designed, &bench.air, responses)?;
    if let Some(pair) = &exchanged {
        pair.turn_back(responses);
    }
    let polarity = settle_polarity(&designed, bench, responses)?;
    let comparison = Comparison::new(&designed, bench, responses);
    let mut explained = explain(comparison, unknowns, &designed, progress)?;
    let disturbed = undisturbed(&mut explained, &designed, progress)?;
    explained.misfits = misfits_of(&explained, &disturbed)?;
    let (faults, of_bench): (Vec<Fault>, Vec<Fault>) = faults(&explained, &designed)
        .into_iter()
        .partition(|f| f.unknown < explained.cases[0].unknowns.len());
    let rearranged = rearranged(&explained, &designed);
    let unmodelled = explained.unmodelled();
    let possible = possible(&explained, &designed);
    let best = explained.tried.remove(0);
    let case = explained.cases.remove(best.arrangement);
    let (comparison, unknowns) = (case.comparison, case.unknowns);
    let settled = Search::new(&comparison, &unknowns).relaxed(best.settled)?;
    let chosen: Vec<&Unknown> = settled.active.iter().map(|&i| &unknowns[i]).collect();
    let (own, nuisance) = settled.theta.split_at(chosen.len());
    let evaluated = comparison.evaluate(&chosen, own, nuisance, true)?;
    let aligned = comparison.design_at(&chosen, own);
    // What moves no level by more than the model may err is no finding.
    let mut material = Vec::new();
    for f in faults {
        // A released number is always fitted.
        let place = settled.active.iter().position(|&i| i == f.unknown);
        let theta = place.map_or(0.0, |n| settled.theta[n]);
        let number = (&unknowns[f.unknown], theta);
        if effect(&comparison, &aligned, number, bench)? > search::MATERIAL {
            material.push(f);
        }
    }
    let mut faults = material;
    faults.extend(unstated(&unknowns, &settled, &comparison, &evaluated));
    faults.sort_by(|a, b| b.log_odds.total_cmp(&a.log_odds));
    let bench_faults = of_bench
        .iter()
        .map(|f| {
            let n = f.unknown - unknowns.len();
            let place = settled.active.len() + n;
            let sd = settled.covariance[(place, place)].max(0.0).sqrt();
            let [low, high] = interval::interval_95(settled.theta[place], sd, None);
            let (series, kind) = comparison.nuisance_of[n];
            BenchFault {
                nuisance: n,
                path: comparison.nuisance_path(n),
                kind,
                response: (kind != Nuisance::Temperature)
                    .then_some(comparison.series[series].response),
                probability: f.probability,
                estimate: [settled.theta[place], low, high],
            }
        })
        .collect();
    let identified = identified(&unknowns, &settled, &comparison, &evaluated);
    let search = Search::new(&comparison, &unknowns);
    progress("intervals");
    let estimates = estimates(&search, &settled, &identified, &faults, &aligned);
    let rows: usize = comparison
        .series
        .iter()
        .map(|s| s.x.len() * if s.has_phase { 2 } else { 1 })
        .sum();
    Ok(Fit {
        degrees_of_freedom: rows.saturating_sub(settled.theta.len()),
        driver_inverted: driver_inverted(&polarity, responses, &comparison),
        possible,
        disturbed,
        misfits: explained.misfits,
        unmodelled,
        bench_faults,
        rearranged,
        exchanged,
        polarity,
        aligned,
        designed,
        evaluated,
        estimates,
        identified,
        faults,
        settled,
        comparison,
        unknowns,
    })
}

/// Takes weight from disturbed stretches, where that makes the whole more probable, and explains again.
fn undisturbed(
    explained: &mut Explained,
    designed: &Design,
    progress: &mut dyn FnMut(&str),
) -> Result<Vec<Stretch>, AlignError> {
    let mut kept: Vec<Stretch> = Vec::new();
    for _ in 0..2 {
        let best = explained.best();
        let mut models = vec![best];
        // A disturbance that was taken for something else shows where nothing else is tried.
        if best.settled.kernels.iter().any(|k| k.sigma > robust::BADLY) {
            models.extend(
                explained
                    .tried
                    .iter()
                    .find(|t| t.arrangement == 0 && t.settled.released.is_empty()),
            );
        }
        let mut better: Option<(f64, Explained, Vec<Stretch>)> = None;
        let mut seen: Vec<Vec<Stretch>> = Vec::new();
        for model in models {
            let found = stretches_of(explained, model)?;
            if found.is_empty() || seen.contains(&found) {
                continue;
            }
            progress("fitting again without the disturbed stretches");
            let lighter = with_less_weight(&explained.cases[0].comparison, &found);
            let unknowns = explained.cases[0].unknowns.clone();
            let again = explain(lighter, unknowns, designed, progress)?;
            let gained = again.best().score - best.score + robust::COST * found.len() as f64;
            if gained > better.as_ref().map_or(0.0, |b| b.0) {
                better = Some((gained, again, found.clone()));
            }
            seen.push(found);
        }
        let Some((_, again, found)) = better else {
            break;
        };
        *explained = again;
        kept.extend(found);
    }
    Ok(robust::joined(kept))
}

fn misfits_of(explained: &Explained, disturbed: &[Stretch]) -> Result<Vec<f64>, AlignError> {
    let best = explained.best();
    let case = &explained.cases[best.arrangement];
    let evaluated = evaluated_at(case, &best.settled)?;
    let kernels = &best.settled.kernels;
    Ok(robust::misfits(
        &case.comparison,
        &evaluated,
        kernels,
        disturbed,
    ))
}

fn evaluated_at(case: &explain::Case, settled: &Settled) -> Result<Evaluated, AlignError> {
    let chosen = case.chosen(settled);
    let (own, nuisance) = settled.theta.split_at(chosen.len());
    Ok(case.comparison.evaluate(&chosen, own, nuisance, false)?)
}

fn stretches_of(explained: &Explained, model: &Tried) -> Result<Vec<Stretch>, AlignError> {
    let case = &explained.cases[model.arrangement];
    let evaluated = evaluated_at(case, &model.settled)?;
    let kernels = &model.settled.kernels;
    Ok(stretches(&case.comparison, &evaluated, kernels))
}

/// Largest change of any level, nepers, between a design and the same with the number at `place` as it rests.
fn effect(
    comparison: &Comparison,
    aligned: &Design,
    (u, theta): (&Unknown, f64),
    bench: Bench,
) -> Result<f64, AlignError> {
    let back = u.resting_theta() - theta;
    let mut without = aligned.clone();
    for &p in &u.members {
        let value = aligned.value(p);
        without.set(
            p,
            if u.log {
                value * back.exp()
            } else {
                value + back
            },
        );
    }
    let with = comparison.simulate(aligned, &bench.air)?;
    let without = comparison.simulate(&without, &bench.air)?;
    let points = with.iter().flatten().zip(without.iter().flatten());
    Ok(points
        .map(|(a, b)| (a.norm() / b.norm()).ln().abs())
        .fold(0.0, f64::max))
}

/// Probabilities of the best model's changes, and what would do in their place.
fn faults(explained: &Explained, designed: &Design) -> Vec<Fault> {
    let best = explained.best();
    best.settled
        .released
        .iter()
        .map(|&i| {
            let holds =
                |t: &Tried| t.arrangement == best.arrangement && t.settled.released.contains(&i);
            let probability = explained.probability(holds);
            let without = explained
                .tried
                .iter()
                .filter(|t| !holds(t))
                .map(|t| t.score)
                .fold(f64::NEG_INFINITY, f64::max);
            Fault {
                unknown: i,
                probability,
                log_odds: best.score - without,
                instead: instead(explained, designed, &holds),
            }
        })
        .collect()
}

fn rearranged(explained: &Explained, designed: &Design) -> Option<Rearranged> {
    let best = explained.best();
    let arrangement = explained.cases[best.arrangement].arrangement;
    if arrangement == Arrangement::AsDesigned {
        return None;
    }
    let holds = |t: &Tried| t.arrangement == best.arrangement;
    Some(Rearranged {
        arrangement,
        path: explain::arrangement_path(designed, arrangement),
        probability: explained.probability(holds),
        instead: instead(explained, designed, &holds),
    })
}

/// Models without a change that are not much less probable than the best one, by what they have in its place.
fn instead(
    explained: &Explained,
    designed: &Design,
    holds: &dyn Fn(&Tried) -> bool,
) -> Vec<Instead> {
    let best = explained.best();
    let mut list = Vec::new();
    for t in explained.tried.iter().filter(|t| !holds(t)) {
        let new = beyond(t, best);
        let rearranged = t.arrangement != best.arrangement && t.arrangement > 0;
        let change = match (new.as_slice(), rearranged) {
            ([], true) => None,
            (&[i], false) => Some(i),
            _ => continue,
        };
        let probability = explained.probability(|other| {
            !holds(other)
                && other.arrangement == t.arrangement
                && new.iter().all(|i| other.settled.released.contains(i))
        });
        if probability >= ALIKE {
            list.push(as_instead(explained, designed, t, change, probability));
        }
    }
    ordered(list)
}

/// Changes beyond those of the best model that are not excluded: too weak to be findings.
fn possible(explained: &Explained, designed: &Design) -> Vec<Instead> {
    let best = explained.best();
    let mut list = Vec::new();
    for t in &explained.tried {
        let whole = best
            .settled
            .released
            .iter()
            .all(|i| t.settled.released.contains(i));
        if t.arrangement != best.arrangement || !whole {
            continue;
        }
        let [i] = beyond(t, best)[..] else { continue };
        let probability = explained.probability(|t| t.settled.released.contains(&i));
        if probability >= NOT_EXCLUDED {
            list.push(as_instead(explained, designed, t, Some(i), probability));
        }
    }
    ordered(list)
}

/// What a model releases and the best one does not.
fn beyond(t: &Tried, best: &Tried) -> Vec<usize> {
    let new = t.settled.released.iter().copied();
    new.filter(|i| !best.settled.released.contains(i)).collect()
}

/// A model by the change that tells it from the best one: a released number, or else its arrangement.
fn as_instead(
    explained: &Explained,
    designed: &Design,
    t: &Tried,
    change: Option<usize>,
    probability: f64,
) -> Instead {
    let case = &explained.cases[t.arrangement];
    let (path, what) = match change {
        None => (
            explain::arrangement_path(designed, case.arrangement),
            What::Places(case.arrangement),
        ),
        Some(i) => (
            case.path_of(i),
            match i.checked_sub(case.unknowns.len()) {
                None => What::Number(i),
                Some(n) => What::Bench(n),
            },
        ),
    };
    Instead {
        path,
        what,
        probability,
        aligned: case.design_of(&t.settled),
    }
}

/// The most probable first, each change once: by its best model, which comes first.
fn ordered(list: Vec<Instead>) -> Vec<Instead> {
    let mut once: Vec<Instead> = Vec::new();
    for i in list {
        if !once.iter().any(|o| o.path == i.path) {
            once.push(i);
        }
    }
    once.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    once
}

/// Free numbers without a tolerance: the fit moves them without a release, and they are at fault where they end far from the
/// design.
fn unstated(
    unknowns: &[Unknown],
    settled: &Settled,
    comparison: &Comparison,
    evaluated: &Evaluated,
) -> Vec<Fault> {
    let mut list = Vec::new();
    for (n, &index) in settled.active.iter().enumerate() {
        let u = &unknowns[index];
        if settled.released.contains(&index) || u.role != Role::Free || u.stated_sd.is_some() {
            continue;
        }
        let theta = settled.theta[n] - u.designed_theta();
        let odds = log_odds(u, theta, settled.covariance[(n, n)].sqrt());
        if odds > 0.0 && comparison.level_change(evaluated, n, theta) > search::MATERIAL {
            list.push(Fault {
                unknown: index,
                probability: 1.0 / (1.0 + (-odds).exp()),
                log_odds: odds,
                instead: Vec::new(),
            });
        }
    }
    list
}

/// What the data and the tolerances of what is not fitted tell about each coordinate. A coordinate is scaled so that 1 is a large
/// change: a factor e, or the size of a fault.
fn identified(
    unknowns: &[Unknown],
    settled: &Settled,
    comparison: &Comparison,
    evaluated: &Evaluated,
) -> Identification {
    let size = settled.theta.len();
    let (_, mut jacobian) = whitened(&whiteners(comparison, &settled.kernels), evaluated, size);
    let mut precision = vec![0.0; size];
    let mut known = vec![false; size];
    for (n, &i) in settled.active.iter().enumerate() {
        let u = &unknowns[i];
        let scale = if u.log { 1.0 } else { u.fault_sd };
        for v in jacobian.column_mut(n) {
            *v *= scale;
        }
        let released = settled.released.contains(&i);
        let sd = match (u.role, u.stated_sd) {
            _ if released => None,
            (Role::Toleranced, None) => Some(u.sound_sd),
            (_, stated) => stated,
        };
        precision[n] = sd.map_or(0.0, |sd| (scale / sd).powi(2));
        known[n] = u.role == Role::Toleranced && !released;
    }
    let first = settled.active.len();
    for (n, sd) in comparison.nuisance_sd.iter().enumerate() {
        precision[first + n] = sd.powi(-2);
        known[first + n] = true;
    }
    identify(&jacobian, &precision, &known, &Criteria::default())
}

/// Name of a coordinate for people.
fn coordinate_name(search: &Search<'_>, settled: &Settled, n: usize) -> String {
    if let Some(&i) = settled.active.get(n) {
        return search.unknowns[i].path.clone();
    }
    search.comparison.nuisance_path(n - settled.active.len())
}

/// The interval of a number with a spread of its own is that of the product with the common factor.
fn total_range(search: &Search<'_>, settled: &Settled, n: usize, own: Range) -> Range {
    let member = search.unknowns[settled.active[n]].members[0];
    let common = (0..settled.active.len())
        .find(|&m| m != n && search.unknowns[settled.active[m]].members.contains(&member));
    let Some(m) = common else { return own };
    let c = &settled.covariance;
    let sd = (c[(n, n)] + 2.0 * c[(n, m)] + c[(m, m)]).max(0.0).sqrt();
    let ends = interval::interval_95(settled.theta[n], sd, None);
    Range {
        low: ends[0],
        high: ends[1],
        laplace: ends,
        profiled: false,
        ..own
    }
}

fn estimates(
    search: &Search<'_>,
    settled: &Settled,
    identified: &Identification,
    faults: &[Fault],
    aligned: &Design,
) -> Vec<Estimate> {
    let wanted: Vec<usize> = (0..settled.active.len())
        .filter(|&n| {
            let index = settled.active[n];
            search.unknowns[index].role == Role::Free || faults.iter().any(|f| f.unknown == index)
        })
        .collect();
    let ranges: Vec<Range> = wanted
        .par_iter()
        .map(|&n| ranges::range(search.comparison, search.unknowns, settled, n))
        .collect();
    let correlation = |n: usize, m: usize, c: &Matrix| c[(n, m)] / (c[(n, n)] * c[(m, m)]).sqrt();
    wanted
        .iter()
        .zip(ranges)
        .map(|(&n, range)| {
            let index = settled.active[n];
            let u = &search.unknowns[index];
            let knowledge = &identified.parameters[n];
            let open = range.low_open || range.high_open;
            let partner = match knowledge.partner {
                Some(p) => Some((p.index, p.correlation)),
                None => (0..settled.theta.len())
                    .filter(|&m| m != n)
                    .map(|m| (m, correlation(n, m, &settled.covariance)))
                    .max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))
                    .filter(|&(_, r)| r.abs() > 0.9),
            };
            // A spread of its own acts on what the common coordinate gives.
            let here = settled.theta[n];
            let range = if u.own {
                total_range(search, settled, n, range)
            } else {
                range
            };
            let value = |t: f64| match (u.own, u.log) {
                (false, _) => u.value(0, t),
                (true, true) => aligned.value(u.members[0]) * (t - here).exp(),
                (true, false) => aligned.value(u.members[0]) + t - here,
            };
            Estimate {
                unknown: index,
                designed: u.designed,
                fitted: value(here),
                low95: value(range.low),
                high95: value(range.high),
                laplace95: range.laplace.map(value),
                profiled: range.profiled,
                low_open: range.low_open,
                high_open: range.high_open,
                identifiable: knowledge.identifiable() && !open,
                confounded_with: partner.map(|(m, r)| (coordinate_name(search, settled, m), r)),
                group: identified
                    .groups
                    .iter()
                    .find(|g| g.contains(&n))
                    .map(|g| {
                        g.iter()
                            .map(|&m| coordinate_name(search, settled, m))
                            .collect()
                    })
                    .unwrap_or_default(),
            }
        })
        .collect()
}
