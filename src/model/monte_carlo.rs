//! How much the responses of units differ that are built with the tolerances of a design: a propagation of distributions by
//! drawing units (JCGM 101:2008).
//!
//! ```text
//! θ = L·z,  z ~ N(0, I),  L·Lᵀ = Σ       value = centre·e^θ  or  centre + θ
//! ```
//!
//! Every unit is solved by the network itself, not by its derivatives, so that skewed and bounded distributions come out as they
//! are. Per frequency: quantiles of |Z| and of each probe's level. Per one-third octave: the mean over the frequencies in it of the
//! difference from the design in dB, which is what `verify` judges; its mean, standard deviation and quantiles over the units.
//!
//! A quantile of n drawn units is itself uncertain. The number of units below the true one is binomial, so that the values at the
//! ranks n·q ± 1.96·√(n·q·(1 − q)) enclose it in 95 % of all drawings; half their distance is stated.
//!
//! Unit i draws from a stream of its own, so that the result depends on the seed and on nothing else.
//!
//! | symbol | variable | unit |
//! | --- | --- | --- |
//! | Σ | `covariance` | that of θ, squared |
//! | n | `units` | 1 |
//! | q | [`LEVELS`] | 1 |
//!
//! References: JCGM 101:2008, 7.7 (coverage intervals from drawn values); David & Nagaraja 2003, Order Statistics, ch. 7 (from
//! memory).

mod differences;

pub use differences::{DrawnBand, draw_differences};

use super::network::Network;
use super::network::ensemble::{Ensemble, Varied};
use super::predict::REFERENCE_PA;
use super::{ModelError, Observed};
use crate::design::path::Parameter;
use crate::design::{AirConditions, Design};
use crate::signal::bands::{ThirdOctave, third_octaves};
use crate::signal::grid::log_grid;
use crate::special::beta::share_interval;
use crate::special::deviates::Deviates;
use num_complex::Complex64;
use rayon::prelude::*;
use serde::Serialize;
use thiserror::Error;

/// Quantiles that are reported: the central 95 %, the central 68 %, and the median.
pub const LEVELS: [f64; 5] = [0.025, 0.16, 0.5, 0.84, 0.975];
/// Points of the grid of responses.
const POINTS_PER_OCTAVE: u32 = 48;
/// Units that are computed in one go; the result does not depend on it.
const CHUNK: usize = 64;
/// Most numbers that are kept at a time: 1.6 GB.
const MOST: usize = 200_000_000;

/// Something that varies from unit to unit.
#[derive(Debug, Clone, PartialEq)]
pub struct Coordinate {
    /// Path or pattern for people.
    pub path: String,
    /// The numbers that move together.
    pub members: Vec<Parameter>,
    /// Value of each at θ = 0, SI.
    pub centre: Vec<f64>,
    /// Whether θ is the logarithm of the ratio to the centre.
    pub log: bool,
}

/// A normal distribution of coordinates.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Spread {
    coordinates: Vec<Coordinate>,
    /// Lower triangle of the Cholesky factor, row by row.
    factor: Vec<Vec<f64>>,
}

/// Why no units can be drawn.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum SpreadError {
    /// Nothing varies.
    #[error(
        "no parameter has a spread: give the design a [tolerance], for example \"driver.cms\" = 0.10"
    )]
    Nothing,
    /// A standard deviation without meaning.
    #[error("{path}: the standard deviation is {sd}: expected a finite number of at least 0")]
    Deviation {
        /// Of what.
        path: String,
        /// What was given.
        sd: f64,
    },
    /// A matrix that is no covariance.
    #[error("the covariance is no {size}×{size} symmetric positive matrix: it fails at {path}")]
    Covariance {
        /// Number of coordinates.
        size: usize,
        /// Where.
        path: String,
    },
    /// Too few or too many units.
    #[error(
        "{units} units at {values} values each: expected at least 100 units and at most {most} values in all"
    )]
    Units {
        /// How many units.
        units: usize,
        /// Values per unit.
        values: usize,
        /// Most values.
        most: usize,
    },
    /// Frequencies that are none.
    #[error("frequency {index} is {value} Hz: expected positive frequencies in ascending order")]
    Frequency {
        /// Which, from 0.
        index: usize,
        /// Its value, Hz.
        value: f64,
    },
    /// The design cannot be simulated.
    #[error(transparent)]
    Model(#[from] ModelError),
    /// No unit could be simulated.
    #[error(
        "none of the {units} drawn units has a finite response: the spread reaches where the model has no meaning"
    )]
    Lost {
        /// How many were drawn.
        units: usize,
    },
}

impl Spread {
    /// Independent coordinates, each with the standard deviation of its θ.
    ///
    /// # Errors
    /// [`SpreadError::Deviation`].
    pub fn independent(list: Vec<(Coordinate, f64)>) -> Result<Self, SpreadError> {
        let mut spread = Self::default();
        for (n, (coordinate, sd)) in list.into_iter().enumerate() {
            if !(sd >= 0.0 && sd.is_finite()) {
                let path = coordinate.path;
                return Err(SpreadError::Deviation { path, sd });
            }
            spread.coordinates.push(coordinate);
            let mut row = vec![0.0; n + 1];
            row[n] = sd;
            spread.factor.push(row);
        }
        Ok(spread)
    }

    /// Coordinates with a covariance of their θ, row by row, of which the lower triangle is read.
    ///
    /// # Errors
    /// [`SpreadError::Covariance`] where the matrix has another size or is not positive semidefinite.
    pub fn correlated(
        coordinates: Vec<Coordinate>,
        covariance: &[Vec<f64>],
    ) -> Result<Self, SpreadError> {
        let size = coordinates.len();
        let fails = |n: usize| SpreadError::Covariance {
            size,
            path: coordinates.get(n).map_or(String::new(), |c| c.path.clone()),
        };
        if covariance.len() != size {
            return Err(fails(covariance.len().min(size)));
        }
        let mut factor: Vec<Vec<f64>> = Vec::with_capacity(size);
        for i in 0..size {
            if covariance[i].len() != size {
                return Err(fails(i));
            }
            let mut row = vec![0.0; i + 1];
            for j in 0..=i {
                let above = if i == j { &row } else { &factor[j] };
                let sum: f64 = (0..j).map(|k| row[k] * above[k]).sum();
                let rest = covariance[i][j] - sum;
                // What rounding leaves of a coordinate that follows from the others.
                let nothing = 1e-12 * covariance[i][i].abs();
                if i == j {
                    if rest.is_nan() || rest < -nothing || covariance[i][i].is_infinite() {
                        return Err(fails(i));
                    }
                    row[j] = if rest <= nothing { 0.0 } else { rest.sqrt() };
                } else if factor[j][j] > 0.0 {
                    row[j] = rest / factor[j][j];
                } else if rest.abs() > 1e-6 * (covariance[i][i] * covariance[j][j]).sqrt() {
                    return Err(fails(i));
                }
            }
            factor.push(row);
        }
        Ok(Self {
            coordinates,
            factor,
        })
    }

    /// What varies.
    #[must_use]
    pub fn coordinates(&self) -> &[Coordinate] {
        &self.coordinates
    }

    /// The parameters with five standard deviations to either side, beyond which one in two million lies.
    fn varied(&self) -> Vec<Varied> {
        let mut list = Vec::new();
        for (coordinate, row) in self.coordinates.iter().zip(&self.factor) {
            let reach = 5.0 * row.iter().map(|a| a * a).sum::<f64>().sqrt();
            for (&parameter, &centre) in coordinate.members.iter().zip(&coordinate.centre) {
                let reach = if coordinate.log {
                    [centre * (-reach).exp(), centre * reach.exp()]
                } else {
                    [centre - reach, centre + reach]
                };
                list.push(Varied { parameter, reach });
            }
        }
        list
    }

    /// Values of the parameters of unit `index`.
    fn draw(&self, seed: u64, index: usize, normal: &mut Vec<f64>, value: &mut Vec<f64>) {
        let mut stream = Deviates::new(seed, index as u64);
        normal.clear();
        value.clear();
        for (coordinate, row) in self.coordinates.iter().zip(&self.factor) {
            normal.push(stream.normal());
            let theta: f64 = row.iter().zip(&*normal).map(|(a, z)| a * z).sum();
            let factor = if coordinate.log {
                libm::exp(theta)
            } else {
                1.0
            };
            value.extend(coordinate.centre.iter().map(|&centre| {
                if coordinate.log {
                    centre * factor
                } else {
                    centre + theta
                }
            }));
        }
    }
}

/// What to draw.
#[derive(Debug, Clone, PartialEq)]
pub struct Drawing {
    /// How many units.
    pub units: usize,
    /// Seed of the streams.
    pub seed: u64,
    /// Ascending frequencies, Hz.
    pub frequency_hz: Vec<f64>,
}

/// The range that is judged: the target's band, 20 to 100 Hz without one.
fn judged_range(design: &Design) -> [f64; 2] {
    design.target.map_or([20.0, 100.0], |t| t.band_hz)
}

/// The one-third octaves that are judged: those of the target's band, without one those whose midband was drawn.
fn bands_of(design: &Design, frequency_hz: &[f64]) -> Vec<ThirdOctave> {
    let (Some(first), Some(last)) = (frequency_hz.first(), frequency_hz.last()) else {
        return Vec::new();
    };
    let all = third_octaves(*first, last * (1.0 + 1e-9));
    let range = design.target.map_or([*first, *last], |t| t.band_hz);
    all.into_iter().filter(|b| b.belongs_to(range)).collect()
}

/// The frequencies of the grid of `verify` that cover every judged one-third octave whole, Hz: what units are judged by.
#[must_use]
pub fn judged_frequencies(design: &Design) -> Vec<f64> {
    let [low, high] = judged_range(design);
    // Half a one-third octave and the 2 % by which a midband may lie outside.
    log_grid(low / 1.15, high * 1.15, POINTS_PER_OCTAVE)
}

/// Sixty frequencies that divide the target's band evenly (20 to 100 Hz without a target), each in the middle of its part on a
/// logarithmic axis, Hz.
#[must_use]
pub fn band_frequencies(design: &Design) -> Vec<f64> {
    let [low, high] = judged_range(design);
    (0..60)
        .map(|n| low * (high / low).powf((f64::from(n) + 0.5) / 60.0))
        .collect()
}

/// Units drawn and simulated.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Outcome {
    /// How many were drawn.
    pub units: usize,
    /// How many of them had no finite response and were left out.
    pub lost: usize,
    /// Seed.
    pub seed: u64,
    /// Frequencies, Hz.
    pub frequency_hz: Vec<f64>,
    /// The quantiles' levels.
    pub levels: [f64; 5],
    /// Impedance first, then every probe.
    pub observations: Vec<ObservationSpread>,
    /// Share of units whose bands all lie within the target's tolerances; `None` without a target.
    pub within: Option<Share>,
    /// Nominal midbands over which that is counted, the same for every observation, Hz.
    pub judged_hz: Vec<f64>,
}

/// A share of the units with its exact binomial 95 % interval ([`share_interval`]).
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Share {
    /// Estimate.
    pub share: f64,
    /// Lower end.
    pub low95: f64,
    /// Upper end.
    pub high95: f64,
}

/// The spread of one curve.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ObservationSpread {
    /// `impedance` or the probe's name.
    pub observation: String,
    /// `ohm` or `db`.
    pub unit: &'static str,
    /// Value of the design itself.
    pub designed: Vec<f64>,
    /// Per frequency, at [`LEVELS`].
    pub quantiles: Vec<[f64; 5]>,
    /// Half-width of each one's own 95 % interval.
    pub uncertainty: Vec<[f64; 5]>,
    /// By one-third octave, of the difference from the design.
    pub bands: Vec<BandSpread>,
}

/// The spread of one one-third octave's difference from the design, dB.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct BandSpread {
    /// Nominal midband frequency, Hz.
    pub center_hz: f64,
    /// Lower edge, Hz.
    pub low_hz: f64,
    /// Upper edge, Hz.
    pub high_hz: f64,
    /// Frequencies inside.
    pub points: usize,
    /// Mean, dB.
    pub mean_db: f64,
    /// Its standard error, dB.
    pub mean_error_db: f64,
    /// Standard deviation, dB.
    pub sd_db: f64,
    /// Its standard error, dB.
    pub sd_error_db: f64,
    /// At [`LEVELS`], dB.
    pub quantiles_db: [f64; 5],
    /// Half-width of each one's own 95 % interval, dB.
    pub uncertainty_db: [f64; 5],
}

/// Draws units and simulates them.
///
/// # Errors
/// [`SpreadError`].
pub fn draw_units(
    design: &Design,
    air: &AirConditions,
    spread: &Spread,
    drawing: &Drawing,
) -> Result<Outcome, SpreadError> {
    let (designed, drawn, lost) = draw(design, air, spread, drawing)?;
    Ok(summarise(design, drawing, &designed, &drawn, lost))
}

/// The squared magnitudes of the design, those of all units over them, and how many units are lost.
fn draw(
    design: &Design,
    air: &AirConditions,
    spread: &Spread,
    drawing: &Drawing,
) -> Result<(Vec<f64>, Drawn, usize), SpreadError> {
    let observed: Vec<Observed> = std::iter::once(Observed::Impedance)
        .chain((0..design.probes.len()).map(Observed::Probe))
        .collect();
    let f = &drawing.frequency_hz;
    if spread.coordinates.is_empty() {
        return Err(SpreadError::Nothing);
    }
    let wrong = (0..f.len()).find(|&i| {
        let ascends = i == 0 || f[i] > f[i - 1];
        !(f[i] > 0.0 && f[i].is_finite() && ascends)
    });
    if let Some(index) = wrong {
        let value = f[index];
        return Err(SpreadError::Frequency { index, value });
    }
    let values = observed.len() * f.len();
    let units = drawing.units;
    if units < 100 || values == 0 || units > MOST / values {
        return Err(SpreadError::Units {
            units,
            values,
            most: MOST,
        });
    }
    let network = Network::new(design, air)?;
    let drive_v = design.drive.voltage_v;
    let ensemble = network.ensemble(f, &observed, &spread.varied(), drive_v);
    let designed: Vec<f64> = network
        .respond(f, &observed, drive_v)
        .into_iter()
        .flatten()
        .map(|v| v.norm_sqr())
        .collect();
    if let Some(n) = designed.iter().position(|v| !v.is_finite()) {
        let frequency_hz = f[n % f.len()];
        return Err(ModelError::NotFinite { frequency_hz }.into());
    }
    let drawn = simulate(&ensemble, spread, drawing, &designed)?;
    let lost = drawn.lost.iter().filter(|lost| **lost).count();
    if lost == units {
        return Err(SpreadError::Lost { units });
    }
    Ok((designed, drawn, lost))
}

/// Squared magnitudes over those of the design: [`CHUNK`] units at a time, in each such part column by column.
struct Drawn {
    ratio: Vec<f64>,
    lost: Vec<bool>,
    columns: usize,
}

impl Drawn {
    /// One column of all units that were not lost.
    fn column(&self, column: usize) -> Vec<f64> {
        let mut list = Vec::with_capacity(self.lost.len());
        let parts = self.ratio.chunks(CHUNK * self.columns);
        for (part, lost) in parts.zip(self.lost.chunks(CHUNK)) {
            let run = &part[column * lost.len()..(column + 1) * lost.len()];
            list.extend(run.iter().zip(lost).filter(|(_, l)| !**l).map(|(v, _)| *v));
        }
        list
    }
}

fn simulate(
    ensemble: &Ensemble,
    spread: &Spread,
    drawing: &Drawing,
    designed: &[f64],
) -> Result<Drawn, SpreadError> {
    let columns = designed.len();
    let inverse: Vec<f64> = designed.iter().map(|v| v.recip()).collect();
    let mut ratio = vec![0.0; drawing.units * columns];
    let mut lost = vec![false; drawing.units];
    ratio
        .par_chunks_mut(CHUNK * columns)
        .zip(lost.par_chunks_mut(CHUNK))
        .enumerate()
        .try_for_each_init(
            || {
                let response = vec![Complex64::new(0.0, 0.0); columns];
                (ensemble.unit(), response, Vec::new(), Vec::new())
            },
            |(unit, response, normal, value), (part, (ratio, lost))| {
                let count = lost.len();
                for (n, lost) in lost.iter_mut().enumerate() {
                    spread.draw(drawing.seed, part * CHUNK + n, normal, value);
                    ensemble.respond(unit, value, response)?;
                    let mut sound = true;
                    for (k, (v, inverse)) in response.iter().zip(&inverse).enumerate() {
                        let r = v.norm_sqr() * inverse;
                        ratio[k * count + n] = r;
                        sound &= r > 0.0 && r < f64::INFINITY;
                    }
                    *lost = !sound;
                }
                Ok::<(), ModelError>(())
            },
        )?;
    Ok(Drawn {
        ratio,
        lost,
        columns,
    })
}

/// 10·lg: dB of a ratio of squares.
fn db(square: f64) -> f64 {
    10.0 * square.log10()
}

fn summarise(
    design: &Design,
    drawing: &Drawing,
    designed: &[f64],
    drawn: &Drawn,
    lost: usize,
) -> Outcome {
    let f = &drawing.frequency_hz;
    let count = f.len();
    // Pressures are per volt; levels are those at the drive voltage.
    let reference = (design.drive.voltage_v / REFERENCE_PA).powi(2);
    let absolute = |observation: usize, square: f64| match observation {
        0 => square.sqrt(),
        _ => db(square * reference),
    };
    let columns: Vec<[[f64; 5]; 2]> = (0..designed.len())
        .into_par_iter()
        .map(|column| {
            let mut ratio = drawn.column(column);
            ratio.sort_unstable_by(f64::total_cmp);
            quantiles(&ratio, |r| absolute(column / count, r * designed[column]))
        })
        .collect();
    let edges = bands_of(design, f);
    let bands: Vec<(usize, usize)> = (0..designed.len() / count)
        .flat_map(|k| (0..edges.len()).map(move |b| (k, b)))
        .collect();
    let limit = |observation: usize| {
        design.target.map(|t| match observation {
            0 => 20.0 * (1.0 + t.tolerance_impedance).log10(),
            _ => t.tolerance_db,
        })
    };
    let judged: Vec<Option<(BandSpread, Vec<bool>)>> = bands
        .par_iter()
        .map(|&(k, b)| {
            let band = edges[b];
            let inside: Vec<usize> = (0..count)
                .filter(|&i| f[i] >= band.low_hz && f[i] < band.high_hz)
                .map(|i| k * count + i)
                .collect();
            let difference = band_differences(drawn, &inside)?;
            let within = limit(k).map_or(Vec::new(), |limit| {
                difference.iter().map(|d| d.abs() <= limit).collect()
            });
            let statistics = moments(&difference);
            let mut sorted = difference;
            sorted.sort_unstable_by(f64::total_cmp);
            let [quantiles_db, uncertainty_db] = quantiles(&sorted, |d| d);
            let spread = BandSpread {
                center_hz: band.nominal_hz,
                low_hz: band.low_hz,
                high_hz: band.high_hz,
                points: inside.len(),
                mean_db: statistics[0],
                mean_error_db: statistics[1],
                sd_db: statistics[2],
                sd_error_db: statistics[3],
                quantiles_db,
                uncertainty_db,
            };
            Some((spread, within))
        })
        .collect();
    let kept = drawing.units - lost;
    let within = design.target.map(|_| {
        let sound = (0..kept)
            .filter(|&n| judged.iter().flatten().all(|(_, within)| within[n]))
            .count();
        share(sound, kept)
    });
    let observations = (0..designed.len() / count)
        .map(|k| {
            let part = k * count..(k + 1) * count;
            let name = match k {
                0 => "impedance".to_string(),
                _ => design.probes[k - 1].name.clone(),
            };
            ObservationSpread {
                observation: name,
                unit: if k == 0 { "ohm" } else { "db" },
                designed: designed[part.clone()]
                    .iter()
                    .map(|v| absolute(k, *v))
                    .collect(),
                quantiles: columns[part.clone()].iter().map(|c| c[0]).collect(),
                uncertainty: columns[part].iter().map(|c| c[1]).collect(),
                bands: judged[k * edges.len()..(k + 1) * edges.len()]
                    .iter()
                    .flatten()
                    .map(|(spread, _)| *spread)
                    .collect(),
            }
        })
        .collect();
    Outcome {
        units: drawing.units,
        lost,
        seed: drawing.seed,
        frequency_hz: f.clone(),
        levels: LEVELS,
        observations,
        within,
        judged_hz: edges.iter().map(|b| b.nominal_hz).collect(),
    }
}

/// Mean difference from the design over some columns, dB, per unit; `None` without columns.
fn band_differences(drawn: &Drawn, columns: &[usize]) -> Option<Vec<f64>> {
    if columns.is_empty() {
        return None;
    }
    let mut sum: Vec<f64> = Vec::new();
    // Ratios to the design are near 1, so that a product of sixteen stays a number; one logarithm serves for all of them.
    for some in columns.chunks(16) {
        let mut product = drawn.column(some[0]);
        for &column in &some[1..] {
            for (p, r) in product.iter_mut().zip(drawn.column(column)) {
                *p *= r;
            }
        }
        sum.resize(product.len(), 0.0);
        for (s, p) in sum.iter_mut().zip(product) {
            *s += db(p);
        }
    }
    let each = columns.len() as f64;
    Some(sum.into_iter().map(|s| s / each).collect())
}

/// Mean, its standard error, standard deviation, its standard error (from the fourth moment, so for any distribution).
fn moments(x: &[f64]) -> [f64; 4] {
    let n = x.len() as f64;
    let mean = x.iter().sum::<f64>() / n;
    let central = |power: i32| x.iter().map(|v| (v - mean).powi(power)).sum::<f64>() / n;
    let (second, fourth) = (central(2), central(4));
    let sd = (second * n / (n - 1.0)).sqrt();
    let sd_error = if second > 0.0 {
        ((fourth - second * second).max(0.0) / n).sqrt() / (2.0 * sd)
    } else {
        0.0
    };
    [mean, sd / n.sqrt(), sd, sd_error]
}

/// Quantiles of sorted values at [`LEVELS`] and the half-widths of their own 95 % intervals, after `show`, which rises.
fn quantiles(sorted: &[f64], show: impl Fn(f64) -> f64) -> [[f64; 5]; 2] {
    let n = sorted.len() as f64;
    // Between the values at two ranks, counted from 0; the quantile lies at (n − 1)·q (Hyndman & Fan 1996, type 7).
    let at = |rank: f64| {
        let rank = rank.clamp(0.0, n - 1.0);
        let (below, part) = (rank.floor() as usize, rank.fract());
        let low = show(sorted[below]);
        match sorted.get(below + 1) {
            Some(&next) if part > 0.0 => low + part * (show(next) - low),
            _ => low,
        }
    };
    let half = |q: f64| {
        let reach = 1.959_964 * (n * q * (1.0 - q)).sqrt();
        0.5 * (at((n - 1.0) * q + reach) - at((n - 1.0) * q - reach))
    };
    [LEVELS.map(|q| at((n - 1.0) * q)), LEVELS.map(half)]
}

fn share(count: usize, of: usize) -> Share {
    let [low95, high95] = share_interval(count, of, 0.95);
    Share {
        share: count as f64 / of as f64,
        low95,
        high95,
    }
}

#[cfg(test)]
mod tests;
