//! What captures would tell, before anything is built or measured.
//!
//! The same algebra as after a measurement (`identify`), with the Jacobian of the design and the noise and discrepancy that a good
//! capture is expected to leave: [`NOISE`] of each value, and a discrepancy of 1 % over a third of ln f, the medians of the
//! priors of `discrepancy`. Levels and temperature are known as a calibrated bench knows them.

use super::dense::{Cholesky, Matrix, dot};
use super::identify::{Criteria, Identification, identify};
use super::possible_leaks::{self, ABSENT_PA_S_PER_M3};
use super::problem::whiteners;
use super::residual::{Bench, Comparison, Evaluated, STATED_TEMPERATURE_SD_K};
use super::search::MATERIAL;
use super::suspicion::{leak_log_odds, log_odds};
use super::unknowns::{Role, Unknown, unknowns};
use super::whiten::Kernel;
use crate::design::path::{Element, Key};
use crate::design::{Design, Probe, ProbePlace};
use crate::measure::{Observation, Response};
use crate::model::network::Network;
use crate::model::{ModelError, Observed};
use serde::Serialize;

/// Noise of a good capture over its value: 60 dB.
pub const NOISE: f64 = 1e-3;
/// Discrepancy that a good model leaves: standard deviation (nepers) and correlation length (ln f).
pub const OPEN: (f64, f64) = (0.01, 0.3);
/// One-sided 95 % point of the normal distribution: what is that far above the threshold is seen in 95 of 100 units.
const POWER_95: f64 = 1.645;
/// A further capture that gains less than this over all free parameters together, nats, is not worth its time.
const WORTH: f64 = 0.1;

/// What a plan says.
#[derive(Debug, Clone, Serialize)]
pub struct Plan {
    /// Intended captures.
    pub captures: Vec<String>,
    /// Free parameters.
    pub parameters: Vec<Expected>,
    /// Parameters of which the captures see only a combination.
    pub confounded: Vec<Vec<String>>,
    /// Singular values of the whitened Jacobian in scaled coordinates, descending: how sharply each direction is seen.
    pub singular_values: Vec<f64>,
    /// Further captures, the most helpful first.
    pub further: Vec<Further>,
    /// Smallest changes that would be seen.
    pub smallest: Vec<Smallest>,
}

/// What is expected of one parameter.
#[derive(Debug, Clone, Serialize)]
pub struct Expected {
    /// Path.
    pub path: String,
    /// SI unit, empty for a ratio.
    pub unit: &'static str,
    /// Value of the design, SI.
    pub designed: f64,
    /// Expected 95 % interval about the design's value, SI; `None` where nothing limits it.
    pub low95: Option<f64>,
    /// See `low95`.
    pub high95: Option<f64>,
    /// Standard deviation before measuring, of the logarithm (or of the value, SI, where it is not positive).
    pub before_sd: Option<f64>,
    /// Standard deviation after measuring, in the same terms.
    pub after_sd: Option<f64>,
    /// Whether the captures tell it from the others.
    pub identifiable: bool,
    /// What it cannot be told from.
    pub confounded_with: Option<String>,
    /// With the most helpful further capture: standard deviation.
    pub with_further_sd: Option<f64>,
    /// Whether that capture separates it.
    pub with_further_identifiable: bool,
}

/// A further capture.
#[derive(Debug, Clone, Serialize)]
pub struct Further {
    /// What to capture: `impedance`, a probe, or the inside of a chamber.
    pub capture: String,
    /// Whether the design has it as a probe.
    pub planned: bool,
    /// Gain of all free parameters together, nats: the sum of the logarithms by which their standard deviations shrink.
    pub gain: f64,
    /// Parameters that it separates.
    pub separates: Vec<String>,
}

/// The smallest change of a part that would be called a fault in 95 of 100 units: it stands out of the tolerance.
#[derive(Debug, Clone, Serialize)]
pub struct Smallest {
    /// Path.
    pub path: String,
    /// Value that it would have, SI: below the design's.
    pub below: Option<f64>,
    /// The same above the design's; `None` for a leak: tighter than drawn is no fault.
    pub above: Option<f64>,
    /// Value of the design, SI; `None` for a leak that the design has not.
    pub designed: Option<f64>,
    /// Smallest change that would be told from the design's value, within its tolerance or not, as a fraction: the 95 % interval
    /// excludes it in 95 of 100 units.
    pub seen: Option<f64>,
}

/// A set of captures that cannot be planned.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PlanError {
    /// There is no such capture.
    #[error("the design has no capture '{name}'; it has: {}", known.join(", "))]
    Capture {
        /// As typed.
        name: String,
        /// What there is.
        known: Vec<String>,
    },
    /// Nothing is free.
    #[error(
        "the design frees no parameter and states no tolerance: list what is to be fitted under [align] free"
    )]
    NothingFree,
    /// The design cannot be simulated.
    #[error(transparent)]
    Model(#[from] ModelError),
}

/// Plans captures of a design; `intended` holds `impedance` and probe names, and stands for all of them where it is
/// empty.
///
/// # Errors
/// [`PlanError`].
pub fn plan(design: &Design, intended: &[String]) -> Result<Plan, PlanError> {
    let extended = with_inside_probes(&possible_leaks::with_possible_leaks(design));
    let known: Vec<String> = std::iter::once("impedance".to_string())
        .chain(design.probes.iter().map(|p| p.name.clone()))
        .collect();
    if let Some(name) = intended.iter().find(|n| !known.contains(n)) {
        return Err(PlanError::Capture {
            name: name.clone(),
            known,
        });
    }
    let chosen: Vec<String> = if intended.is_empty() {
        known
    } else {
        intended.to_vec()
    };
    let sight = Sight::new(&extended)?;
    if sight.free().next().is_none() {
        return Err(PlanError::NothingFree);
    }
    let labels: Vec<String> = sight.labels.clone();
    let series: Vec<usize> = (0..labels.len())
        .filter(|&n| chosen.contains(&labels[n]))
        .collect();
    let now = sight.identify(&series);
    let mut further: Vec<(Further, Identification)> = (0..labels.len())
        .filter(|n| !series.contains(n))
        .map(|n| {
            let mut more = series.clone();
            more.push(n);
            let then = sight.identify(&more);
            let gain = sight
                .free()
                .map(|j| {
                    gain(
                        now.parameters[j].posterior_sd,
                        then.parameters[j].posterior_sd,
                    )
                })
                .sum();
            let separates = sight
                .free()
                .filter(|&j| !now.parameters[j].identifiable() && then.parameters[j].identifiable())
                .map(|j| sight.path(j))
                .collect();
            (
                Further {
                    capture: labels[n].clone(),
                    planned: n <= design.probes.len(),
                    gain,
                    separates,
                },
                then,
            )
        })
        .collect();
    // What separates most comes first, then what sharpens most; what the design has as a probe wins a tie.
    further.sort_by(|(a, _), (b, _)| {
        (b.separates.len(), b.planned as u8)
            .cmp(&(a.separates.len(), a.planned as u8))
            .then(b.gain.total_cmp(&a.gain))
    });
    let helpful = further
        .iter()
        .find(|(f, _)| f.gain > WORTH)
        .map(|(_, then)| then.clone());
    Ok(Plan {
        parameters: sight
            .free()
            .map(|j| sight.expected(j, &now, helpful.as_ref()))
            .collect(),
        confounded: now
            .groups
            .iter()
            .map(|g| g.iter().map(|&j| sight.path(j)).collect())
            .collect(),
        singular_values: now.singular_values.clone(),
        smallest: sight.smallest(&series),
        further: further
            .into_iter()
            .map(|(f, _)| f)
            .filter(|f| f.gain > WORTH)
            .collect(),
        captures: series.iter().map(|&n| labels[n].clone()).collect(),
    })
}

fn gain(before: f64, after: f64) -> f64 {
    // Nothing fixes it before: it counts as known to a factor of a million.
    let [before, after] = [before, after].map(|sd| sd.min(1e6).ln());
    before - after
}

/// A microphone can be put into every chamber.
fn with_inside_probes(design: &Design) -> Design {
    let mut extended = design.clone();
    for c in &design.chambers {
        let there = design
            .probes
            .iter()
            .any(|p| matches!(&p.place, ProbePlace::Inside { junction } if *junction == c.at));
        if !there {
            extended.probes.push(Probe {
                name: format!("inside of {}", c.name),
                place: ProbePlace::Inside {
                    junction: c.at.clone(),
                },
            });
        }
    }
    extended
}

/// The whitened sight of every number through every capture.
struct Sight {
    labels: Vec<String>,
    unknowns: Vec<Unknown>,
    comparison: Comparison,
    evaluated: Evaluated,
    /// Per series: columns of all unknowns, then of all nuisances; whitened, not scaled.
    blocks: Vec<Matrix>,
}

impl Sight {
    fn new(design: &Design) -> Result<Self, ModelError> {
        let band = design
            .target
            .map_or([12.0, 150.0], |t| t.band_hz)
            .map(|f| f.clamp(5.0, 1000.0));
        let frequency_hz = Response::grid((0.5 * band[0]).max(4.0), 3.0 * band[1]);
        let network = Network::new(design, &design.air)?;
        let observed: Vec<Observed> = std::iter::once(Observed::Impedance)
            .chain((0..design.probes.len()).map(Observed::Probe))
            .collect();
        let values = network.respond(&frequency_hz, &observed, design.drive.voltage_v);
        let responses: Vec<Response> = observed
            .iter()
            .zip(values)
            .map(|(o, value)| response(design, *o, &frequency_hz, value))
            .collect();
        let bench = Bench {
            air: design.air,
            temperature_sd_k: STATED_TEMPERATURE_SD_K,
            sweep: None,
        };
        let unknowns = unknowns(design, &[]);
        let comparison = Comparison::new(design, bench, &responses);
        let all: Vec<&Unknown> = unknowns.iter().collect();
        let theta: Vec<f64> = unknowns.iter().map(Unknown::resting_theta).collect();
        let none = vec![0.0; comparison.nuisances()];
        let evaluated = comparison.evaluate(&all, &theta, &none, true)?;
        let kernels = vec![Kernel::exponential(OPEN.0, OPEN.1); comparison.series.len()];
        let blocks = whiteners(&comparison, &kernels)
            .iter()
            .zip(&evaluated.jacobian)
            .map(|(whitener, parts)| {
                let rows = parts[0].first().map_or(0, Vec::len);
                let mut block = Matrix::zeros(2 * rows, parts[0].len());
                for (part, columns) in parts.iter().enumerate() {
                    for (j, column) in columns.iter().enumerate() {
                        let target = &mut block.column_mut(j)[part * rows..(part + 1) * rows];
                        target.copy_from_slice(column);
                        if column.iter().any(|v| *v != 0.0) {
                            whitener.apply(target);
                        }
                    }
                }
                block
            })
            .collect();
        Ok(Self {
            labels: responses
                .iter()
                .map(|r| r.observation.label().to_string())
                .collect(),
            unknowns,
            comparison,
            evaluated,
            blocks,
        })
    }

    /// Indices of what is fitted or uncertain; the free ones come first.
    fn active(&self) -> usize {
        self.unknowns
            .iter()
            .filter(|u| u.role != Role::Exact)
            .count()
    }

    fn free(&self) -> impl Iterator<Item = usize> + '_ {
        (0..self.unknowns.len()).filter(|&i| self.unknowns[i].role == Role::Free)
    }

    fn path(&self, j: usize) -> String {
        match self.unknowns.get(j).filter(|_| j < self.active()) {
            Some(u) => u.path.clone(),
            None => "the bench (level, position, air)".to_string(),
        }
    }

    /// A change by 1 in the scaled coordinate.
    fn scale(&self, i: usize) -> f64 {
        let u = &self.unknowns[i];
        if u.log { 1.0 } else { u.fault_sd }
    }

    fn prior_sd(&self, i: usize) -> Option<f64> {
        let u = &self.unknowns[i];
        match (u.role, u.stated_sd) {
            (_, Some(sd)) => Some(sd),
            (Role::Free, None) => None,
            _ => Some(u.sound_sd),
        }
    }

    /// Columns of the active unknowns (scaled) and of the nuisances that these series have.
    fn identify(&self, series: &[usize]) -> Identification {
        let active = self.active();
        let rows: usize = series.iter().map(|&s| self.blocks[s].rows()).sum();
        let nuisances = self.comparison.nuisances();
        let mut jacobian = Matrix::zeros(rows, active + nuisances);
        let mut first = 0;
        for &s in series {
            let block = &self.blocks[s];
            let last = first + block.rows();
            for j in 0..active + nuisances {
                let (from, scale) = if j < active {
                    (j, self.scale(j))
                } else {
                    (self.unknowns.len() + j - active, 1.0)
                };
                for (t, v) in jacobian.column_mut(j)[first..last]
                    .iter_mut()
                    .zip(block.column(from))
                {
                    *t = v * scale;
                }
            }
            first = last;
        }
        let mut precision: Vec<f64> = (0..active)
            .map(|i| {
                self.prior_sd(i)
                    .map_or(0.0, |sd| (self.scale(i) / sd).powi(2))
            })
            .collect();
        precision.extend(self.comparison.nuisance_sd.iter().map(|sd| sd.powi(-2)));
        let known: Vec<bool> = (0..active + nuisances)
            .map(|j| j >= active || self.unknowns[j].role == Role::Toleranced)
            .collect();
        identify(&jacobian, &precision, &known, &Criteria::default())
    }

    fn expected(
        &self,
        j: usize,
        now: &Identification,
        helpful: Option<&Identification>,
    ) -> Expected {
        let u = &self.unknowns[j];
        let knowledge = &now.parameters[j];
        let finite = |sd: f64| Some(sd * self.scale(j)).filter(|v| v.is_finite() && *v < 1e3);
        let after = finite(knowledge.posterior_sd);
        let end = |side: f64| after.map(|sd| u.value(0, side * super::interval::NORMAL_95 * sd));
        Expected {
            path: u.path.clone(),
            unit: u.unit,
            designed: u.designed,
            low95: end(-1.0),
            high95: end(1.0),
            before_sd: self.prior_sd(j),
            after_sd: after,
            identifiable: knowledge.identifiable(),
            confounded_with: knowledge.partner.map(|p| self.path(p.index)),
            with_further_sd: helpful.and_then(|h| finite(h.parameters[j].posterior_sd)),
            with_further_identifiable: helpful.is_some_and(|h| h.parameters[j].identifiable()),
        }
    }

    /// Standard deviation of one number from the data, all others following with their priors.
    fn data_sd(&self, series: &[usize], of: usize) -> Option<f64> {
        let active = self.active();
        let others: Vec<usize> = (0..active)
            .filter(|&i| i != of)
            .chain((0..self.comparison.nuisances()).map(|n| self.unknowns.len() + n))
            .collect();
        let product = |a: usize, b: usize| -> f64 {
            series
                .iter()
                .map(|&s| dot(self.blocks[s].column(a), self.blocks[s].column(b)))
                .sum()
        };
        let hessian = Matrix::from_fn(others.len(), others.len(), |i, j| {
            let data = product(others[i], others[j]);
            if i != j {
                return data;
            }
            let sd = match others[i].checked_sub(self.unknowns.len()) {
                Some(n) => Some(self.comparison.nuisance_sd[n]),
                None => self.prior_sd(others[i]),
            };
            data + sd.map_or(1e-9, |sd| sd.powi(-2))
        });
        let cross: Vec<f64> = others.iter().map(|&i| product(i, of)).collect();
        let through = Cholesky::new(&hessian)?.solve(&cross);
        let own = product(of, of);
        let precision = own - dot(&cross, &through);
        (precision > 1e-9 * own && precision > 0.0).then(|| precision.sqrt().recip())
    }

    fn smallest(&self, series: &[usize]) -> Vec<Smallest> {
        let mut list = Vec::new();
        for (i, u) in self.unknowns.iter().enumerate() {
            let first = u.members[0];
            let wanted = match first.element {
                Element::Resistor(_) => first.key == Key::Resistance,
                Element::Leak(_) => matches!(first.key, Key::Resistance | Key::Gap),
                _ => false,
            };
            if !wanted || u.members.len() > 1 {
                continue;
            }
            let sd = self.data_sd(series, i);
            let per_unit = self.comparison.level_change(&self.evaluated, i, 1.0);
            if u.absent {
                let below = sd.and_then(|sd| self.smallest_leak(u, sd, per_unit));
                list.push(Smallest {
                    path: u.path.clone(),
                    below,
                    above: None,
                    designed: None,
                    seen: None,
                });
                continue;
            }
            if first.key == Key::Resistance && matches!(first.element, Element::Leak(_)) {
                let more = sd.and_then(|sd| smallest_more_leak(u, sd, per_unit));
                list.push(Smallest {
                    path: u.path.clone(),
                    below: more.map(|x| u.value(0, -x)),
                    above: None,
                    designed: Some(u.designed),
                    seen: sd.map(seen),
                });
                continue;
            }
            let size = sd.and_then(|sd| smallest_change(u, sd, per_unit));
            list.push(Smallest {
                path: u.path.clone(),
                below: size.map(|x| u.value(0, -x)),
                above: size.map(|x| u.value(0, x)),
                designed: Some(u.designed),
                seen: sd.map(seen),
            });
        }
        list
    }

    /// Resistance of the smallest leak that would be seen where the design has none.
    fn smallest_leak(&self, u: &Unknown, sd: f64, per_unit: f64) -> Option<f64> {
        let spread = sd / ABSENT_PA_S_PER_M3;
        let mut z = 1.0;
        while leak_log_odds(u, z * spread, spread) < 0.0 {
            z += 0.02;
            if z > 60.0 {
                return None;
            }
        }
        // Levels change in proportion to the conductance as long as it is small.
        let material = MATERIAL / (per_unit * ABSENT_PA_S_PER_M3);
        Some(1.0 / (((z + POWER_95) * spread).max(material)))
    }
}

/// Smallest fraction that is told from nothing, from the standard deviation of the logarithm.
fn seen(sd: f64) -> f64 {
    ((super::interval::NORMAL_95 + POWER_95) * sd).exp_m1()
}

/// The smallest growth of a leak, −Δln R. Levels follow the conductance G, of which the standard deviation stays what it is at the
/// design's value, while that of ln R shrinks as the leak grows.
fn smallest_more_leak(u: &Unknown, sd: f64, per_unit: f64) -> Option<f64> {
    let mut x = u.sound_sd;
    while log_odds(u, x, sd * (-x).exp()) < 0.0 {
        x *= 1.02;
        if x > 12.0 {
            return None;
        }
    }
    let growth = (x.exp_m1() + POWER_95 * sd).max(MATERIAL / per_unit.max(1e-12));
    Some(growth.ln_1p())
}

/// The smallest change of a coordinate that would be seen, from its standard deviation by the data alone.
fn smallest_change(u: &Unknown, sd: f64, per_unit: f64) -> Option<f64> {
    let mut x = u.sound_sd;
    while log_odds(u, x, sd) < 0.0 {
        x *= 1.02;
        if x > 12.0 {
            return None;
        }
    }
    Some((x + POWER_95 * sd).max(MATERIAL / per_unit.max(1e-12)))
}

/// A capture as a good bench would make it.
fn response(
    design: &Design,
    observed: Observed,
    frequency_hz: &[f64],
    value: Vec<num_complex::Complex64>,
) -> Response {
    let observation = match observed {
        Observed::Impedance => Observation::Impedance,
        Observed::Probe(i) => Observation::Pressure {
            probe: design.probes[i].name.clone(),
        },
    };
    Response {
        drive_v: Some(design.drive.voltage_v),
        ..Response::made(observation, frequency_hz, value, NOISE)
    }
}
