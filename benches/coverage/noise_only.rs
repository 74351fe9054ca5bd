//! Where noise dominates: how much more the estimates scatter than the Cramér–Rao bound allows.
//!
//! Responses of the model itself with white noise of a tenth of the signal; every unit draws its tolerances, its levels and
//! its microphone positions. The bound counts the same priors (van Trees 1968, from memory): the inverse of JᵀN⁻¹J + P at
//! the truth, N the noise alone.

use bassay::align::align;
use bassay::align::dense::{Cholesky, Matrix, dot};
use bassay::align::problem::{whitened, whiteners};
use bassay::align::residual::{Bench, DELAY_UNIT_S, Nuisance};
use bassay::align::unknowns::{Role, Unknown};
use bassay::align::whiten::Kernel;
use bassay::design::Design;
use bassay::design::path::{Element, Key};
use bassay::measure::{Observation, Response};
use bassay::model::Observed;
use bassay::model::network::Network;
use bassay::rehearse::random::Random;
use bassay::rehearse::settings;
use num_complex::Complex64;
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::fmt::Write as _;

/// Noise over signal.
const NOISE: f64 = 0.1;
/// Relative standard deviation of a level.
const LEVEL: f64 = 0.0145;

/// Scatter over bound, per parameter.
pub struct NoiseOnly {
    units: usize,
    /// (parameter, scatter over bound, inside, of)
    rows: Vec<(String, f64, usize, usize)>,
}

impl NoiseOnly {
    /// The parameter that scatters most.
    pub fn worst(&self) -> (&str, f64) {
        self.rows
            .iter()
            .map(|r| (r.0.as_str(), r.1))
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .unwrap_or(("none", f64::NAN))
    }

    /// Mean over the parameters.
    pub fn mean(&self) -> f64 {
        self.rows.iter().map(|r| r.1).sum::<f64>() / self.rows.len() as f64
    }

    /// Part of the page.
    pub fn section(&self) -> String {
        let mut text = format!(
            "\n## Where noise dominates\n\n{} units, responses of the model itself, noise a tenth of the signal. The bound counts \
             the priors, too.\n\n| parameter | scatter over bound | inside the 95 % interval |\n| --- | --- | --- |\n",
            self.units
        );
        for (path, ratio, inside, of) in &self.rows {
            let _ = writeln!(text, "| {path} | {ratio:.2} | {inside} of {of} |");
        }
        text
    }
}

/// Draws, aligns and compares.
pub fn run(design: &Design, units: usize, seed: u64) -> Result<NoiseOnly, String> {
    type Row = (String, f64, f64, bool);
    let all: Vec<Vec<Row>> = (0..units)
        .into_par_iter()
        .map(|n| one(design, seed.wrapping_mul(7_368_787).wrapping_add(n as u64)))
        .collect::<Result<_, _>>()?;
    let mut sums: BTreeMap<String, (f64, f64, usize, usize)> = BTreeMap::new();
    for (path, error, bound, inside) in all.into_iter().flatten() {
        let entry = sums.entry(path).or_default();
        entry.0 += error * error;
        entry.1 += bound;
        entry.2 += usize::from(inside);
        entry.3 += 1;
    }
    Ok(NoiseOnly {
        units,
        rows: sums
            .into_iter()
            .filter(|(_, s)| 2 * s.3 >= units)
            .map(|(path, s)| (path, (s.0 / s.1).sqrt(), s.2, s.3))
            .collect(),
    })
}

/// Error, variance of the bound and whether the interval held, for each estimate of one unit; all in coordinates.
fn one(design: &Design, seed: u64) -> Result<Vec<(String, f64, f64, bool)>, String> {
    let mut random = Random::new(seed, 0x6e6f_6973);
    let mut unit = settings::build(design, &[], Some(seed))
        .map_err(|e| e.to_string())?
        .design;
    let loss = (0.2 * random.normal()).exp();
    let own: Vec<f64> = unit
        .ducts
        .iter()
        .zip(&design.ducts)
        .map(|(drawn, d)| (drawn.loss_factor / d.loss_factor).ln())
        .collect();
    for drawn in &mut unit.ducts {
        drawn.loss_factor *= loss;
    }
    let (mut responses, nuisance) = responses(&unit, &mut random)?;
    let bench = Bench {
        air: design.air,
        temperature_sd_k: 0.0,
        sweep: None,
    };
    let fit = align(design, &[], bench, &mut responses, &mut |_| {}).map_err(|e| e.to_string())?;
    let chosen: Vec<&Unknown> = fit
        .unknowns
        .iter()
        .filter(|u| u.role != Role::Exact)
        .collect();
    let truth: Vec<f64> = chosen
        .iter()
        .map(|u| {
            let value = unit.value(u.members[0]);
            if let (Element::Duct(i), Key::Loss) = (u.members[0].element, u.members[0].key) {
                return if u.own { own[i] } else { loss.ln() };
            }
            if u.log {
                (value / u.centre[0]).ln()
            } else {
                value - u.centre[0]
            }
        })
        .collect();
    let given: Vec<f64> = fit
        .comparison
        .nuisance_of
        .iter()
        .map(|&(s, kind)| nuisance(s, kind))
        .collect();
    let at = fit
        .comparison
        .evaluate(&chosen, &truth, &given, true)
        .map_err(|e| e.to_string())?;
    let size = chosen.len() + given.len();
    let none = vec![Kernel::none(); fit.comparison.series.len()];
    let (_, jacobian): (Vec<f64>, Matrix) = whitened(&whiteners(&fit.comparison, &none), &at, size);
    let prior: Vec<f64> = chosen
        .iter()
        .map(|u| match (u.role, u.stated_sd) {
            (_, Some(sd)) => sd,
            (Role::Free, None) => u.flat_sd(),
            _ => u.sound_sd,
        })
        .chain(fit.comparison.nuisance_sd.iter().copied())
        .map(|sd| sd.powi(-2))
        .collect();
    let information = Matrix::from_fn(size, size, |i, j| {
        dot(jacobian.column(i), jacobian.column(j)) + if i == j { prior[i] } else { 0.0 }
    });
    let bound = Cholesky::new(&information)
        .ok_or("the bound does not exist")?
        .inverse();
    Ok(fit
        .estimates
        .iter()
        .filter_map(|e| {
            let u = &fit.unknowns[e.unknown];
            let n = chosen.iter().position(|c| c.path == u.path)?;
            let here = fit.settled.active.iter().position(|&i| i == e.unknown)?;
            let value = u.value(0, truth[n]);
            Some((
                u.path.clone(),
                fit.settled.theta[here] - truth[n],
                bound[(n, n)],
                e.low95 <= value && value <= e.high95,
            ))
        })
        .collect())
}

type Nuisances = Box<dyn Fn(usize, Nuisance) -> f64>;

/// Responses of a unit with white noise, a wrong level and a microphone that stands a little off.
fn responses(unit: &Design, random: &mut Random) -> Result<(Vec<Response>, Nuisances), String> {
    let frequency_hz = Response::grid(6.0, 400.0);
    let network = Network::new(unit, &unit.air).map_err(|e| e.to_string())?;
    let observed: Vec<Observed> = std::iter::once(Observed::Impedance)
        .chain((0..unit.probes.len()).map(Observed::Probe))
        .collect();
    let mut list = Vec::new();
    let mut drawn = Vec::new();
    for (o, value) in observed
        .iter()
        .zip(network.respond(&frequency_hz, &observed, 2.83))
    {
        let gain = LEVEL * random.normal();
        let (observation, delay_s) = match o {
            Observed::Impedance => (Observation::Impedance, 0.0),
            Observed::Probe(i) => (
                Observation::Pressure {
                    probe: unit.probes[*i].name.clone(),
                },
                2e-5 * random.normal(),
            ),
        };
        drawn.push((gain, delay_s / DELAY_UNIT_S));
        let measured = frequency_hz
            .iter()
            .zip(&value)
            .map(|(f, v)| {
                let part = NOISE / std::f64::consts::SQRT_2;
                let noise = Complex64::new(part * random.normal(), part * random.normal());
                v * (gain - Complex64::i() * std::f64::consts::TAU * f * delay_s).exp()
                    * (1.0 + noise)
            })
            .collect();
        list.push(Response {
            // What the alignment assumes of the noise is that of the value without it.
            noise_rms: value.iter().map(|v| v.norm() * NOISE).collect(),
            drive_v: Some(2.83),
            ..Response::made(observation, &frequency_hz, measured, NOISE)
        });
    }
    let nuisance: Nuisances = Box::new(move |series, kind| match kind {
        Nuisance::Gain => drawn[series].0,
        Nuisance::Delay => drawn[series].1,
        Nuisance::Drift | Nuisance::Temperature => 0.0,
    });
    Ok((list, nuisance))
}
