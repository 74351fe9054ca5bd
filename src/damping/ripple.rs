//! The resistances with the flattest response of the aligned model.
//!
//! ```text
//! L(f)     level, dB, on a grid of 1/24 octave in the target band
//! ripple   rms of L − (a + b·ln f), a and b by least squares: a tilt is no ripple
//! optimum  the ln R of the chosen resistors, each within a factor of 30 of the design's, with the least ripple
//! ```
//!
//! The uncertainty follows from the aligned parameters: with L·Lᵀ their covariance, everything is computed again at
//! θ ± each column of L, and the halves of the differences add up in squares (central differences over one standard
//! deviation; the optimum is looked for again each time). Above it stands how far each resistance may move alone before
//! the ripple grows by 0.1 dB, which is what a workshop needs to know.

use super::in_place::parameter;
use super::simplex::lowest;
use crate::align::Fit;
use crate::align::dense::{Cholesky, Matrix};
use crate::align::unknowns::Unknown;
use crate::design::{AirConditions, Design};
use crate::model::network::Network;
use crate::model::predict::{level_db, listening_point};
use crate::model::{ModelError, Observed};
use crate::signal::grid::log_grid;
use rayon::prelude::*;
use serde::Serialize;

/// Widest search around the design's value, as a factor.
const WIDEST: f64 = 30.0;
/// Growth of the ripple that is not heard as a change, dB (common practice, no published source).
const SAME_DB: f64 = 0.1;

/// Where the level is taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    /// 1 m in front of the openings.
    OneMetre,
    /// A probe of the design.
    Probe(usize),
}

/// What is to be flat.
#[derive(Debug, Clone, PartialEq)]
pub struct Goal {
    /// Frequencies, Hz.
    pub frequency_hz: Vec<f64>,
    /// Where.
    pub place: Place,
}

impl Goal {
    /// The target band of a design, 20 to 100 Hz where it states none.
    #[must_use]
    pub fn of(design: &Design, place: Place) -> Self {
        let [low, high] = band_hz(design);
        Self {
            frequency_hz: log_grid(low, high, 24),
            place,
        }
    }

    /// Ripple of a design, dB.
    ///
    /// # Errors
    /// [`ModelError`] if the design cannot be simulated.
    pub fn ripple_db(&self, design: &Design, air: &AirConditions) -> Result<f64, ModelError> {
        let level = levels_db(design, air, &self.frequency_hz, self.place)?;
        Ok(ripple_db(&self.frequency_hz, &level))
    }
}

/// The band that is judged, Hz.
#[must_use]
pub fn band_hz(design: &Design) -> [f64; 2] {
    design.target.map_or([20.0, 100.0], |t| t.band_hz)
}

/// Levels at the drive voltage, dB re 20 µPa.
///
/// # Errors
/// [`ModelError`] if the design cannot be simulated.
pub fn levels_db(
    design: &Design,
    air: &AirConditions,
    frequency_hz: &[f64],
    place: Place,
) -> Result<Vec<f64>, ModelError> {
    let network = Network::new(design, air)?;
    let drive = design.drive.voltage_v;
    Ok(match place {
        Place::OneMetre => {
            let listener = listening_point(design);
            frequency_hz
                .iter()
                .map(|&f| {
                    let solved = network.solve(f, drive);
                    level_db(network.pressure_at(listener, &solved).norm() * drive)
                })
                .collect()
        }
        Place::Probe(n) => network.respond(frequency_hz, &[Observed::Probe(n)], drive)[0]
            .iter()
            .map(|p| level_db(p.norm() * drive))
            .collect(),
    })
}

/// Root mean square deviation of a level from its own straight line over ln f, dB.
#[must_use]
pub fn ripple_db(frequency_hz: &[f64], level_db: &[f64]) -> f64 {
    let n = frequency_hz.len() as f64;
    let x: Vec<f64> = frequency_hz.iter().map(|f| f.ln()).collect();
    let (mx, my) = (x.iter().sum::<f64>() / n, level_db.iter().sum::<f64>() / n);
    let xx: f64 = x.iter().map(|x| (x - mx).powi(2)).sum();
    let xy: f64 = x
        .iter()
        .zip(level_db)
        .map(|(x, y)| (x - mx) * (y - my))
        .sum();
    let slope = if xx > 0.0 { xy / xx } else { 0.0 };
    let rest: f64 = x
        .iter()
        .zip(level_db)
        .map(|(x, y)| (y - my - slope * (x - mx)).powi(2))
        .sum();
    (rest / n).sqrt()
}

/// A ripple with its standard deviation; `None`: the covariance of the fit is not known.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Ripple {
    /// dB.
    pub db: f64,
    /// dB.
    pub sd_db: Option<f64>,
}

/// One resistor at the optimum.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Best {
    /// Index in the design.
    pub resistor: usize,
    /// Acoustic resistance, Pa·s/m³.
    pub resistance_pa_s_per_m3: f64,
    /// 95 % interval from the aligned parameters, Pa·s/m³.
    pub interval95_pa_s_per_m3: Option<[f64; 2]>,
    /// Where the ripple stays within 0.1 dB of the least, this resistor alone moved, Pa·s/m³.
    pub as_good_pa_s_per_m3: [f64; 2],
    /// Whether the search ended at its bound: there is no optimum inside.
    pub at_bound: bool,
}

/// The optimum and what it gains.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Optimum {
    /// Band, Hz.
    pub band_hz: [f64; 2],
    /// Ripple of the aligned model.
    pub now: Ripple,
    /// Ripple with the design's resistances in the aligned model.
    pub design: Ripple,
    /// Ripple at the optimum.
    pub optimum: Ripple,
    /// One per resistor.
    pub best: Vec<Best>,
}

/// A design with given ln R of some resistors.
fn with(design: &Design, resistors: &[usize], x: &[f64]) -> Design {
    let mut out = design.clone();
    for (&i, x) in resistors.iter().zip(x) {
        out.set(parameter(i), x.exp());
    }
    out
}

/// Looks for the least ripple over the chosen resistors.
///
/// # Errors
/// [`ModelError`] if the aligned design cannot be simulated.
pub fn least_ripple(
    fit: &Fit,
    air: &AirConditions,
    goal: &Goal,
    resistors: &[usize],
) -> Result<Optimum, ModelError> {
    let aligned = &fit.aligned;
    let designed: Vec<f64> = resistors
        .iter()
        .map(|&i| fit.designed.value(parameter(i)).ln())
        .collect();
    let now: Vec<f64> = resistors
        .iter()
        .map(|&i| aligned.value(parameter(i)).ln())
        .collect();
    let wide = WIDEST.ln();
    // Coordinates are ln R over the design's, so that one pair of bounds serves all.
    let offset = |x: &[f64]| -> Vec<f64> { x.iter().zip(&designed).map(|(x, d)| x + d).collect() };
    let ripple_of = |base: &Design, x: &[f64]| {
        goal.ripple_db(&with(base, resistors, &offset(x)), air)
            .unwrap_or(f64::NAN)
    };
    let search = |base: &Design, start: &[f64], size: f64, close: f64| {
        lowest(&|x| ripple_of(base, x), start, -wide, wide, size, close)
    };
    let zero = vec![0.0; resistors.len()];
    let starts: Vec<Vec<f64>> = vec![
        zero.clone(),
        now.iter()
            .zip(&designed)
            .map(|(n, d)| (n - d).clamp(-wide, wide))
            .collect(),
        vec![-1.2; resistors.len()],
        vec![1.2; resistors.len()],
    ];
    let mut found: Vec<_> = starts
        .par_iter()
        .map(|s| search(aligned, s, 0.4, 1e-3))
        .collect();
    found.sort_by(|a, b| a.value.total_cmp(&b.value));
    let best = found.swap_remove(0);
    let here = [
        goal.ripple_db(aligned, air)?,
        ripple_of(aligned, &zero),
        best.value,
    ];
    // Everything again at one standard deviation to either side of every direction of the covariance.
    let spread = directions(fit).map(|columns| {
        let again: Vec<Option<Vec<f64>>> = columns
            .par_iter()
            .map(|column| {
                let at = |sign: f64| -> Option<Vec<f64>> {
                    let base = moved(fit, column, sign);
                    let mut out = vec![goal.ripple_db(&base, air).ok()?, ripple_of(&base, &zero)];
                    let refined = search(&base, &best.x, 0.1, 3e-3);
                    out.push(refined.value);
                    out.extend(refined.x);
                    Some(out)
                };
                let (up, down) = (at(1.0)?, at(-1.0)?);
                Some(up.iter().zip(&down).map(|(u, d)| 0.5 * (u - d)).collect())
            })
            .collect();
        let mut variance = vec![0.0; 3 + resistors.len()];
        for row in again.iter().flatten() {
            for (v, r) in variance.iter_mut().zip(row) {
                *v += r * r;
            }
        }
        variance
    });
    let ripple = |n: usize| Ripple {
        db: here[n],
        sd_db: spread.as_ref().map(|v| v[n].sqrt()),
    };
    let list = resistors
        .iter()
        .enumerate()
        .map(|(k, &resistor)| {
            let value = (best.x[k] + designed[k]).exp();
            let edge = |sign: f64| {
                let mut x = best.x.clone();
                // Steps of a fortieth of a decade, to the bound at most.
                while (x[k] * sign) < wide {
                    x[k] = (x[k] + sign * 0.0576).clamp(-wide, wide);
                    if ripple_of(aligned, &x) > best.value + SAME_DB {
                        x[k] -= sign * 0.0576;
                        break;
                    }
                }
                (x[k] + designed[k]).exp()
            };
            let at_bound = best.x[k].abs() > wide - 0.01;
            // At a bound the interval would be that of the bound.
            let sd = spread
                .as_ref()
                .map(|v| v[3 + k].sqrt())
                .filter(|_| !at_bound);
            Best {
                resistor,
                resistance_pa_s_per_m3: value,
                interval95_pa_s_per_m3: sd.map(|sd| {
                    crate::align::interval::interval_95(value.ln(), sd, None).map(f64::exp)
                }),
                as_good_pa_s_per_m3: [edge(-1.0), edge(1.0)],
                at_bound,
            }
        })
        .collect();
    Ok(Optimum {
        band_hz: [
            goal.frequency_hz.first().copied().unwrap_or(f64::NAN),
            goal.frequency_hz.last().copied().unwrap_or(f64::NAN),
        ],
        now: ripple(0),
        design: ripple(1),
        optimum: ripple(2),
        best: list,
    })
}

/// Columns of the Cholesky factor of the fitted numbers' covariance.
fn directions(fit: &Fit) -> Option<Vec<Vec<f64>>> {
    let n = fit.settled.active.len();
    let own = Matrix::from_fn(n, n, |i, j| fit.settled.covariance[(i, j)]);
    if (0..n).any(|i| own[(i, i)].is_nan() || own[(i, i)] <= 0.0) {
        return None;
    }
    let factor = Cholesky::new(&own)?;
    // `half_solve` is L⁻¹·b: the columns of L follow from the matrix itself, L = A·L⁻ᵀ; its rows are L⁻¹ of A's columns.
    let rows: Vec<Vec<f64>> = (0..n).map(|j| factor.half_solve(own.column(j))).collect();
    Some(
        (0..n)
            .map(|k| rows.iter().map(|r| r[k]).collect())
            .collect(),
    )
}

/// The aligned design moved by one column.
fn moved(fit: &Fit, column: &[f64], sign: f64) -> Design {
    let mut design = fit.aligned.clone();
    let chosen: Vec<&Unknown> = fit
        .settled
        .active
        .iter()
        .map(|&i| &fit.unknowns[i])
        .collect();
    for ((u, theta), step) in chosen.iter().zip(&fit.settled.theta).zip(column) {
        // No further than a factor of e: a number that the data leave open would otherwise leave the model's range.
        let step = if u.log { step.clamp(-1.0, 1.0) } else { *step };
        u.apply(&mut design, theta + sign * step);
    }
    design
}

#[cfg(test)]
mod tests {
    use super::*;

    /// DERIVED: 3·sin over whole periods of ln f on a tilt of 6 dB per octave: rms 3/√2, because a whole number of periods
    /// is nearly orthogonal to the line (rest 6/(2π·8)² of the variance, below 0.3 %).
    #[test]
    fn a_tilt_is_no_ripple() {
        let f = log_grid(10.0, 160.0, 96);
        let turns = |f: f64| std::f64::consts::TAU * 8.0 * (f / 10.0).ln() / 16.0_f64.ln();
        let flat: Vec<f64> = f.iter().map(|f| 90.0 + 6.0 * f.log2()).collect();
        assert!(ripple_db(&f, &flat) < 1e-9);
        let wavy: Vec<f64> = f
            .iter()
            .zip(&flat)
            .map(|(f, l)| l + 3.0 * turns(*f).sin())
            .collect();
        let want = 3.0 / std::f64::consts::SQRT_2;
        assert!(
            (ripple_db(&f, &wavy) / want - 1.0).abs() < 5e-3,
            "{}",
            ripple_db(&f, &wavy)
        );
    }
}
