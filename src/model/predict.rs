//! What a design is expected to do: curves against frequency at the drive voltage, and figures of merit.
//!
//! ```text
//! level      L = 20·lg(|p|/20 µPa), p RMS
//! displacement  x = √2·|v|/ω (peak)
//! maximum output = level + 20·lg(min over limits of allowed/actual)
//! group delay   τ = −dφ/dω
//! ```
//!
//! Limits: [`super::limits`]. The level
//! at 1 m is that of the openings as point sources 1 m in front of their area-weighted centre.

use super::limits::{Limit, at_limit, displacement_m, stated};
use super::network::{Network, Solution};
use super::{ModelError, Observed};
use crate::design::{AirConditions, Design};
use num_complex::Complex64;
use serde::Serialize;
use std::f64::consts::TAU;

/// Reference sound pressure, Pa.
pub const REFERENCE_PA: f64 = 20e-6;

/// Curves over frequency at the design's drive voltage.
#[derive(Debug, Clone, Serialize)]
pub struct Prediction {
    /// Frequencies, Hz.
    pub frequency_hz: Vec<f64>,
    /// Level at 1 m, dB.
    pub level_1m_db: Vec<f64>,
    /// Phase of the pressure at 1 m without the delay of that metre, degrees, unwrapped.
    pub phase_1m_deg: Vec<f64>,
    /// Group delay of the same, ms.
    pub group_delay_ms: Vec<f64>,
    /// Level at each probe, dB: (name, curve).
    pub probe_db: Vec<(String, Vec<f64>)>,
    /// |Z| at the terminals, Ω.
    pub impedance_ohm: Vec<f64>,
    /// Phase of Z, degrees.
    pub impedance_deg: Vec<f64>,
    /// Cone displacement, peak, mm.
    pub displacement_mm: Vec<f64>,
    /// RMS pressure in each chamber, Pa: (name, curve).
    pub chamber_pa: Vec<(String, Vec<f64>)>,
    /// RMS volume velocity of each opening, m³/s: (name, curve).
    pub opening_m3_per_s: Vec<(String, Vec<f64>)>,
    /// RMS particle velocity in each resistor with an area, m/s: (name, curve).
    pub resistor_m_per_s: Vec<(String, Vec<f64>)>,
    /// Maximum level at 1 m, dB; NaN where the design states no limit.
    pub maximum_db: Vec<f64>,
    /// Which limit holds at each frequency.
    pub maximum_by: Vec<Limit>,
    /// Level at 1 m at which each stated limit would hold alone, dB.
    pub limit_db: Vec<(Limit, Vec<f64>)>,
    /// What a cold day does to the tuning.
    pub weather: super::weather::Weather,
    /// Figures of merit.
    pub figures: Figures,
}

/// Figures of merit; `None` where the curves do not hold them.
#[derive(Debug, Clone, Serialize)]
pub struct Figures {
    /// Band over which the mean is taken, Hz.
    pub band_hz: [f64; 2],
    /// Mean level at 1 m in the band, dB.
    pub mean_db: f64,
    /// Lower frequency 3 dB under the mean, Hz.
    pub cutoff_3db_hz: Option<f64>,
    /// Lower frequency 6 dB under the mean, Hz.
    pub cutoff_6db_hz: Option<f64>,
    /// Lower frequency 10 dB under the mean, Hz.
    pub cutoff_10db_hz: Option<f64>,
    /// Slope over the octave below the −10 dB frequency, dB per octave.
    pub slope_db_per_octave: Option<f64>,
    /// Frequency at which the next two figures are taken (the target's cut-off, else the −6 dB frequency), Hz.
    pub at_hz: Option<f64>,
    /// Level there at the drive voltage, dB.
    pub level_at_cutoff_db: Option<f64>,
    /// Maximum level there, dB.
    pub maximum_at_cutoff_db: Option<f64>,
    /// What limits it there.
    pub maximum_at_cutoff_by: Limit,
    /// Lowest maximum level in the band, dB, where, and what limits it.
    pub weakest: Option<(f64, f64, Limit)>,
    /// Ripple in the band (highest minus lowest level), dB.
    pub ripple_db: f64,
    /// Largest displacement in the band at the drive voltage, mm peak.
    pub largest_displacement_mm: f64,
}

/// Computes everything on the given frequencies (ascending, Hz).
///
/// # Errors
/// [`ModelError`] if the design cannot be simulated.
pub fn predict(
    design: &Design,
    air: &AirConditions,
    frequency_hz: &[f64],
) -> Result<Prediction, ModelError> {
    let network = Network::new(design, air)?;
    let drive = design.drive.voltage_v;
    let solutions: Vec<Solution> = frequency_hz
        .iter()
        .map(|&f| network.solve(f, drive))
        .collect();
    let lost = solutions
        .iter()
        .zip(frequency_hz)
        .find(|(s, _)| !(s.impedance.is_finite() && s.pressure.iter().all(|p| p.is_finite())));
    if let Some((_, &frequency_hz)) = lost {
        return Err(ModelError::NotFinite { frequency_hz });
    }
    let listener = listening_point(design);
    let distance = Complex64::new(0.0, TAU / network.air().speed_m_per_s);
    let far: Vec<Complex64> = solutions
        .iter()
        .zip(frequency_hz)
        .map(|(s, &f)| network.pressure_at(listener, s) * drive * (distance * f).exp())
        .collect();
    let probes: Vec<Observed> = (0..design.probes.len()).map(Observed::Probe).collect();
    let heard = network.respond(frequency_hz, &probes, drive);
    let curve =
        |value: &dyn Fn(&Solution) -> f64| solutions.iter().map(value).collect::<Vec<f64>>();
    let level_1m_db: Vec<f64> = far.iter().map(|p| level_db(p.norm())).collect();
    let phase = unwrap_rad(&far);
    let limit_db: Vec<(Limit, Vec<f64>)> = stated(design)
        .into_iter()
        .map(|limit| {
            let level = solutions
                .iter()
                .zip(frequency_hz)
                .map(|(s, &f)| {
                    let (at, volts) = at_limit(&network, s, drive, f, &limit);
                    level_db(network.pressure_at(listener, &at).norm() * volts)
                })
                .collect();
            (limit, level)
        })
        .collect();
    let (maximum_db, maximum_by) = (0..frequency_hz.len())
        .map(|i| weakest(&limit_db, i))
        .unzip();
    let junction = |name: &str| network.junctions().iter().position(|j| j == name);
    let mut prediction = Prediction {
        group_delay_ms: group_delay_ms(frequency_hz, &phase),
        phase_1m_deg: phase.iter().map(|p| p.to_degrees()).collect(),
        probe_db: design
            .probes
            .iter()
            .zip(heard)
            .map(|(probe, p)| {
                (
                    probe.name.clone(),
                    p.iter().map(|p| level_db(p.norm() * drive)).collect(),
                )
            })
            .collect(),
        impedance_ohm: curve(&|s| s.impedance.norm()),
        impedance_deg: curve(&|s| s.impedance.arg().to_degrees()),
        displacement_mm: curve(&|s| displacement_m(s, drive) * 1e3),
        chamber_pa: design
            .chambers
            .iter()
            .filter_map(|c| {
                junction(&c.at).map(|n| (c.name.clone(), curve(&|s| s.pressure[n].norm() * drive)))
            })
            .collect(),
        opening_m3_per_s: design
            .openings
            .iter()
            .enumerate()
            .map(|(i, o)| (o.name.clone(), curve(&|s| s.opening_flow[i].norm() * drive)))
            .collect(),
        resistor_m_per_s: design
            .resistors
            .iter()
            .enumerate()
            .filter_map(|(i, r)| {
                r.area_m2.map(|area| {
                    (
                        r.name.clone(),
                        curve(&|s| s.resistor_flow[i].norm() * drive / area),
                    )
                })
            })
            .collect(),
        frequency_hz: frequency_hz.to_vec(),
        level_1m_db,
        maximum_db,
        maximum_by,
        limit_db,
        weather: super::weather::cold_day(design, air)?,
        figures: Figures {
            band_hz: [0.0; 2],
            mean_db: f64::NAN,
            cutoff_3db_hz: None,
            cutoff_6db_hz: None,
            cutoff_10db_hz: None,
            slope_db_per_octave: None,
            at_hz: None,
            level_at_cutoff_db: None,
            maximum_at_cutoff_db: None,
            maximum_at_cutoff_by: Limit::Unstated,
            weakest: None,
            ripple_db: f64::NAN,
            largest_displacement_mm: f64::NAN,
        },
    };
    prediction.figures = figures(design, &prediction);
    Ok(prediction)
}

/// 1 m in front of the area-weighted centre of the openings.
#[must_use]
pub fn listening_point(design: &Design) -> [f64; 3] {
    let total: f64 = design.openings.iter().map(|o| o.area_m2).sum();
    let mut at = [1.0, 0.0, 0.0];
    if total > 0.0 {
        for (axis, value) in at.iter_mut().enumerate() {
            *value += design
                .openings
                .iter()
                .map(|o| o.area_m2 * o.position_m[axis])
                .sum::<f64>()
                / total;
        }
    }
    at
}

/// Sound pressure level of an RMS pressure, dB re 20 µPa.
#[must_use]
pub fn level_db(pressure_pa: f64) -> f64 {
    20.0 * (pressure_pa / REFERENCE_PA).log10()
}

/// The lowest of the limits at one frequency.
fn weakest(limits: &[(Limit, Vec<f64>)], i: usize) -> (f64, Limit) {
    limits
        .iter()
        .filter(|(_, level)| !level[i].is_nan())
        .min_by(|a, b| a.1[i].total_cmp(&b.1[i]))
        .map_or((f64::NAN, Limit::Unstated), |(limit, level)| {
            (level[i], limit.clone())
        })
}

fn unwrap_rad(value: &[Complex64]) -> Vec<f64> {
    let mut out: Vec<f64> = Vec::with_capacity(value.len());
    for v in value {
        let raw = v.arg();
        let phase = match out.last() {
            Some(&last) => raw - TAU * ((raw - last) / TAU).round(),
            None => raw,
        };
        out.push(phase);
    }
    out
}

fn group_delay_ms(frequency_hz: &[f64], phase_rad: &[f64]) -> Vec<f64> {
    let n = frequency_hz.len();
    (0..n)
        .map(|i| {
            let (a, b) = (i.saturating_sub(1), (i + 1).min(n - 1));
            if a == b {
                return f64::NAN;
            }
            -(phase_rad[b] - phase_rad[a]) / (TAU * (frequency_hz[b] - frequency_hz[a])) * 1e3
        })
        .collect()
}

/// Highest frequency below the band's level maximum at which the level falls through `wanted_db`.
fn lower_crossing(
    frequency_hz: &[f64],
    level_db: &[f64],
    from: usize,
    wanted_db: f64,
) -> Option<f64> {
    let mut i = from;
    while i > 0 {
        if level_db[i] >= wanted_db && level_db[i - 1] < wanted_db {
            let t = (wanted_db - level_db[i - 1]) / (level_db[i] - level_db[i - 1]);
            let (a, b) = (frequency_hz[i - 1].ln(), frequency_hz[i].ln());
            return Some((a + t * (b - a)).exp());
        }
        i -= 1;
    }
    None
}

fn at(frequency_hz: &[f64], value: &[f64], wanted_hz: f64) -> Option<f64> {
    let i = frequency_hz
        .windows(2)
        .position(|w| w[0] <= wanted_hz && wanted_hz <= w[1])?;
    let t = (wanted_hz / frequency_hz[i]).ln() / (frequency_hz[i + 1] / frequency_hz[i]).ln();
    Some(value[i] + t * (value[i + 1] - value[i]))
}

fn figures(design: &Design, p: &Prediction) -> Figures {
    let f = &p.frequency_hz;
    let band = design.target.map_or([20.0, 100.0], |t| t.band_hz);
    let inside: Vec<usize> = (0..f.len())
        .filter(|&i| band[0] <= f[i] && f[i] <= band[1])
        .collect();
    let level = &p.level_1m_db;
    let mean = inside.iter().map(|&i| level[i]).sum::<f64>() / inside.len() as f64;
    // The cut-off is looked for downwards from the loudest point of the lower half of the band, so that a dip
    // inside the band is not taken for it.
    let start = inside
        .iter()
        .copied()
        .take(inside.len().div_ceil(2))
        .max_by(|&a, &b| level[a].total_cmp(&level[b]))
        .unwrap_or(0);
    let cut = |db: f64| lower_crossing(f, level, start, mean - db);
    let (cut3, cut6, cut10) = (cut(3.0), cut(6.0), cut(10.0));
    let slope = cut10.and_then(|high| Some(at(f, level, high)? - at(f, level, high / 2.0)?));
    let at_hz = design.target.and_then(|t| t.cutoff_hz).or(cut6);
    let nearest =
        |hz: f64| (0..f.len()).min_by(|&a, &b| (f[a] - hz).abs().total_cmp(&(f[b] - hz).abs()));
    let weakest = inside
        .iter()
        .copied()
        .filter(|&i| p.maximum_db[i].is_finite())
        .min_by(|&a, &b| p.maximum_db[a].total_cmp(&p.maximum_db[b]))
        .map(|i| (p.maximum_db[i], f[i], p.maximum_by[i].clone()));
    let extreme = |sign: f64| {
        inside
            .iter()
            .map(|&i| sign * level[i])
            .fold(f64::NEG_INFINITY, f64::max)
            * sign
    };
    Figures {
        band_hz: band,
        mean_db: mean,
        cutoff_3db_hz: cut3,
        cutoff_6db_hz: cut6,
        cutoff_10db_hz: cut10,
        slope_db_per_octave: slope,
        at_hz,
        level_at_cutoff_db: at_hz.and_then(|hz| at(f, level, hz)),
        maximum_at_cutoff_db: at_hz
            .and_then(|hz| at(f, &p.maximum_db, hz))
            .filter(|v| v.is_finite()),
        maximum_at_cutoff_by: at_hz
            .and_then(nearest)
            .map_or(Limit::Unstated, |i| p.maximum_by[i].clone()),
        weakest,
        ripple_db: extreme(1.0) - extreme(-1.0),
        largest_displacement_mm: inside
            .iter()
            .map(|&i| p.displacement_mm[i])
            .fold(0.0, f64::max),
    }
}
