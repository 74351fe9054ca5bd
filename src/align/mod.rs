//! The alignment of a simulation to what was measured: estimates with intervals, and what is at fault.
//!
//! The residual is defined in [`residual`], the coordinates in `unknowns`, the search in [`search`]; the modules
//! below know nothing of acoustics.

#[cfg(test)]
mod chance;
pub mod dense;
pub mod discrepancy;
pub mod identify;
pub mod interval;
pub mod kernels;
pub mod least_squares;
pub mod problem;
pub mod profile;
pub mod residual;
pub mod search;
pub mod starts;
mod trust_region;
pub mod unknowns;
pub mod whiten;

use crate::design::captures::Built;
use crate::design::{AirConditions, Design};
use crate::measure::{Observation, Response};
use residual::{Comparison, Evaluated};
use search::{AlignError, Search, Settled, log_odds};
use unknowns::{Role, Unknown, unknowns};

/// A finished alignment.
#[derive(Debug, Clone)]
pub struct Fit {
    /// All numbers that were looked at.
    pub unknowns: Vec<Unknown>,
    /// Where the search ended.
    pub settled: Settled,
    /// What was compared.
    pub comparison: Comparison,
    /// Residuals and derivatives at the end, of the active numbers.
    pub evaluated: Evaluated,
    /// Estimates of the free numbers and of those found at fault.
    pub estimates: Vec<Estimate>,
    /// What is at fault, the strongest evidence first.
    pub faults: Vec<Fault>,
    /// −1 for a response that is inverted against the model.
    pub polarity: Vec<i8>,
    /// The design with the fitted values.
    pub aligned: Design,
    /// The design as it counts before fitting: `[built]` values in place.
    pub designed: Design,
    /// Data minus coordinates.
    pub degrees_of_freedom: usize,
}

/// An estimate with its interval.
#[derive(Debug, Clone, PartialEq)]
pub struct Estimate {
    /// Index of the unknown.
    pub unknown: usize,
    /// Value of the design file, SI.
    pub designed: f64,
    /// Fitted, SI.
    pub fitted: f64,
    /// 95 % interval, SI.
    pub low95: f64,
    /// 95 % interval, SI.
    pub high95: f64,
    /// Whether the data can tell it from the others.
    pub identifiable: bool,
    /// What it cannot be told from, and the correlation with that.
    pub confounded_with: Option<(String, f64)>,
}

/// A number at fault.
#[derive(Debug, Clone, PartialEq)]
pub struct Fault {
    /// Index of the unknown.
    pub unknown: usize,
    /// Probability that it lies outside the spread of a sound build.
    pub probability: f64,
    /// Logarithm of the odds.
    pub log_odds: f64,
}

/// Fits a design to measured responses.
///
/// `sweep` is (L in s, start in Hz) where a response without reference channel needs the drift term.
///
/// # Errors
/// [`AlignError`] where nothing can be compared or the design cannot be simulated.
pub fn align(
    design: &Design,
    built: &[Built],
    air: AirConditions,
    responses: &mut [Response],
    sweep: Option<(f64, f64)>,
    progress: &mut dyn FnMut(&str),
) -> Result<Fit, AlignError> {
    let unknowns = unknowns(design, built);
    let mut designed = design.clone();
    for u in &unknowns {
        u.apply(&mut designed, 0.0);
    }
    let polarity = settle_polarity(&designed, air, responses, sweep)?;
    let comparison = Comparison::new(&designed, air, responses, sweep);
    let settled = Search::new(&comparison, &unknowns).run(progress)?;
    let chosen: Vec<&Unknown> = settled.active.iter().map(|&i| &unknowns[i]).collect();
    let (own, nuisance) = settled.theta.split_at(chosen.len());
    let evaluated = comparison.evaluate(&chosen, own, nuisance, true)?;
    let aligned = comparison.design_at(&chosen, own);
    let faults = faults(&unknowns, &settled, &comparison, &evaluated);
    let estimates = estimates(&unknowns, &settled, &comparison, &faults);
    let rows: usize = comparison.series.iter().map(|s| 2 * s.x.len()).sum();
    Ok(Fit {
        degrees_of_freedom: rows.saturating_sub(settled.theta.len()),
        polarity,
        aligned,
        designed,
        evaluated,
        estimates,
        faults,
        settled,
        comparison,
        unknowns,
    })
}

/// Finds inverted captures by the sign of measured over simulated, and turns them round.
fn settle_polarity(
    design: &Design,
    air: AirConditions,
    responses: &mut [Response],
    sweep: Option<(f64, f64)>,
) -> Result<Vec<i8>, AlignError> {
    let comparison = Comparison::new(design, air, responses, sweep);
    let none = vec![0.0; comparison.nuisances()];
    let evaluated = comparison.evaluate(&[], &[], &none, false)?;
    let mut polarity = vec![1; responses.len()];
    for (s, simulated) in comparison.series.iter().zip(&evaluated.simulated) {
        let response = &mut responses[s.response];
        if matches!(response.observation, Observation::Impedance) || !s.has_phase {
            continue;
        }
        let delay = if response.timed {
            0.0
        } else {
            s.coarse_delay_s(&comparison.frequency_hz, simulated)
        };
        // The lower half of the band: there a delay or a wrong length turns the phase least.
        let sum: f64 = s
            .place
            .iter()
            .enumerate()
            .take(s.x.len().div_ceil(2))
            .map(|(i, &at)| {
                let ratio = s.measured[i] / simulated[i];
                (ratio.arg() + std::f64::consts::TAU * comparison.frequency_hz[at] * delay).cos()
            })
            .sum();
        if sum < 0.0 {
            polarity[s.response] = -1;
            response.take.polarity = -response.take.polarity;
            for v in &mut response.value {
                *v = -*v;
            }
        }
    }
    Ok(polarity)
}

fn faults(
    unknowns: &[Unknown],
    settled: &Settled,
    comparison: &Comparison,
    evaluated: &Evaluated,
) -> Vec<Fault> {
    let mut list = Vec::new();
    for (n, &index) in settled.active.iter().enumerate() {
        let u = &unknowns[index];
        let released = settled.released.contains(&index);
        let flat = u.role == Role::Free && u.stated_sd.is_none();
        if !released && !flat {
            continue;
        }
        let theta = settled.theta[n] - u.designed_theta();
        let sd = settled.covariance[(n, n)].sqrt();
        let odds = log_odds(u, theta, sd);
        // What moves no level by more than the model may err is no finding.
        let effect = comparison.level_change(evaluated, n, theta);
        if odds > 0.0 && effect > search::MATERIAL {
            list.push(Fault {
                unknown: index,
                probability: 1.0 / (1.0 + (-odds).exp()),
                log_odds: odds,
            });
        }
    }
    list.sort_by(|a, b| b.log_odds.total_cmp(&a.log_odds));
    list
}

fn estimates(
    unknowns: &[Unknown],
    settled: &Settled,
    comparison: &Comparison,
    faults: &[Fault],
) -> Vec<Estimate> {
    let name = |n: usize| match settled.active.get(n) {
        Some(&i) => unknowns[i].path.clone(),
        None => {
            let (series, kind) = comparison.nuisance_of[n - settled.active.len()];
            let word = match kind {
                residual::Nuisance::Gain => "gain",
                residual::Nuisance::Delay => "delay",
                residual::Nuisance::Drift => "clock drift",
            };
            format!(
                "{word} of capture {}",
                comparison.series[series].response + 1
            )
        }
    };
    let mut list = Vec::new();
    for (n, &index) in settled.active.iter().enumerate() {
        let u = &unknowns[index];
        if u.role != Role::Free && !faults.iter().any(|f| f.unknown == index) {
            continue;
        }
        let sd = settled.covariance[(n, n)].sqrt();
        let ends = interval::interval_95(settled.theta[n], sd, None);
        let prior = u.stated_sd.filter(|_| !settled.released.contains(&index));
        // Told apart: the data narrow a prior by a fifth at least, or a flat one to less than a factor of two.
        let identifiable = match prior {
            Some(prior) => sd < 0.8 * prior,
            None => {
                sd < if u.log {
                    std::f64::consts::LN_2
                } else {
                    2.0 * u.fault_sd
                }
            }
        };
        let partner = (0..settled.theta.len())
            .filter(|&m| m != n)
            .map(|m| {
                let scale = (settled.covariance[(n, n)] * settled.covariance[(m, m)]).sqrt();
                (m, settled.covariance[(n, m)] / scale)
            })
            .max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()));
        list.push(Estimate {
            unknown: index,
            designed: u.designed,
            fitted: u.value(0, settled.theta[n]),
            low95: u.value(0, ends[0]),
            high95: u.value(0, ends[1]),
            identifiable,
            confounded_with: partner
                .filter(|&(_, r)| r.abs() > 0.9 || !identifiable && r.abs() > 0.5)
                .map(|(m, r)| (name(m), r)),
        });
    }
    list
}
