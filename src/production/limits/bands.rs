//! Limits of the one-third octaves.

use super::offset::around;
use super::{Accepted, Basis, LimitsError, Wanted, places};
use crate::air::Air;
use crate::design::Design;
use crate::design::limits::{BandLimit, Method, same_band};
use crate::measure::Observation;
use crate::measure::take::CALIBRATOR;
use crate::model::monte_carlo::DrawnBand;
use crate::production::tolerance::{two_sided_factor, two_sided_factor_pooled};
use crate::production::unit::band_name;
use crate::signal::impedance::RESISTOR;
use crate::special::deviates::Deviates;
use crate::special::probability::{gamma_tail, normal_quantile};
use crate::verify::bands::DB;
use crate::verify::form;

/// Significance from which the units scatter more than the tolerances, over all bands together (Bonferroni).
const SIGNIFICANT: f64 = 0.05;
/// Fewest units whose own scatter makes a limit instead of the tolerances': k is 5.8 for six of them and 38 for two.
const LEAST_OWN: usize = 6;
/// Makes another stream of the seed, for errors of measurement.
const ERRORS: u64 = 0x9e37_79b9_7f4a_7c15;
/// Most units that are worth asking for.
const MOST_UNITS: usize = 2000;

/// Mean and standard deviation (n − 1).
pub(super) fn moments(x: &[f64]) -> (f64, f64) {
    let n = x.len() as f64;
    let mean = x.iter().sum::<f64>() / n;
    let squares: f64 = x.iter().map(|v| (v - mean).powi(2)).sum();
    (mean, (squares / (n - 1.0)).sqrt())
}

/// One band's numbers, dB.
struct Numbers<'a> {
    units: Vec<f64>,
    /// Standard uncertainty of one measurement.
    standard: f64,
    /// The part of it that a station's level is: the same in all units that it measures.
    level: f64,
    drawn: Option<&'a [f64]>,
    tolerance: f64,
    simulation: f64,
}

pub(super) fn make(
    design: &Design,
    accepted: &[Accepted],
    drawn: &[DrawnBand],
    wanted: &Wanted,
    remarks: &mut Vec<String>,
) -> Result<(Vec<BandLimit>, Vec<Basis>), LimitsError> {
    let speed = Air::at(&design.air).speed_m_per_s;
    let (mut limits, mut basis) = (Vec::new(), Vec::new());
    let mut scattering = Vec::new();
    let places = places(design);
    let significant = SIGNIFICANT / places.len().max(1) as f64;
    for (observation, center_hz, tolerance) in places {
        let name = band_name(&observation, center_hz);
        let units: Vec<f64> = accepted.iter().filter_map(|a| a.value(&name)).collect();
        let standards: Vec<f64> = accepted.iter().filter_map(|a| a.standard(&name)).collect();
        let whole = units.len() == accepted.len();
        let measured = if observation == "impedance" {
            Observation::Impedance
        } else {
            Observation::Pressure {
                probe: observation.clone(),
            }
        };
        let level = DB
            * if observation == "impedance" {
                RESISTOR
            } else {
                CALIBRATOR
            };
        let numbers = Numbers {
            level,
            standard: if standards.is_empty() {
                level
            } else {
                standards.iter().sum::<f64>() / standards.len() as f64
            },
            units,
            drawn: drawn
                .iter()
                .find(|d| d.observation == observation && same_band(d.center_hz, center_hz))
                .map(|d| d.difference_db.as_slice()),
            tolerance,
            simulation: form::uncertainty_db(
                design,
                form::kind(design, &measured),
                center_hz,
                speed,
            ),
        };
        // A band that not all accepted units have would leave tests undecided.
        let missing = match wanted.method {
            Method::Units | Method::Both => !whole || accepted.is_empty(),
            Method::Model | Method::Hand => !accepted.is_empty() && !whole,
        };
        if missing {
            continue;
        }
        let Ends {
            mut low,
            mut high,
            mean,
            sd,
            offset,
            scatters,
        } = ends(&numbers, &observation, significant, wanted)?;
        if scatters {
            scattering.push(format!("{observation} at {center_hz} Hz"));
        }
        if wanted.within_tolerance {
            low = low.clamp(-tolerance, 0.99 * tolerance);
            high = high
                .clamp(0.99 * low.max(-tolerance), tolerance)
                .max(low + 1e-3);
        }
        let about_simulation = matches!(wanted.method, Method::Model | Method::Hand);
        limits.push(BandLimit {
            observation: observation.clone(),
            center_hz,
            low_db: low,
            high_db: high,
            tolerance_db: Some(tolerance),
            mean_db: mean.is_finite().then_some(mean),
            sd_db: sd.is_finite().then_some(sd),
            measurement_sd_db: Some(numbers.standard),
            simulation_sd_db: about_simulation.then_some(numbers.simulation),
            offset_db: offset,
        });
        basis.push(Basis {
            observation,
            center_hz,
            mean_db: mean,
            sd_db: sd,
            standard_db: numbers.standard,
            units_needed: units_needed(&numbers, wanted),
        });
    }
    if accepted.len() == 1 && wanted.method == Method::Both {
        remarks.push(
            "one accepted unit tells where the line stands, and nothing of its scatter".to_string(),
        );
    }
    if !scattering.is_empty() {
        let taken = if accepted.len() < LEAST_OWN {
            format!(
                "too few of them, under {LEAST_OWN}, to make limits of their own, so that these limits are doubtful"
            )
        } else {
            "there the limits are the units' own".to_string()
        };
        remarks.push(format!(
            "the accepted units scatter more than the design's tolerances say ({}): {taken}; look whether the tolerances are true",
            scattering.join(", ")
        ));
    }
    Ok((limits, basis))
}

/// Limits of one band and what they rest on, dB.
struct Ends {
    low: f64,
    high: f64,
    mean: f64,
    sd: f64,
    /// By how much all units may lie off alike, where the limits are that much wider.
    offset: Option<f64>,
    /// Whether the units scatter more than the tolerances.
    scatters: bool,
}

impl Ends {
    fn of(low: f64, high: f64, mean: f64, sd: f64) -> Self {
        Self {
            low,
            high,
            mean,
            sd,
            offset: None,
            scatters: false,
        }
    }
}

fn ends(
    n: &Numbers<'_>,
    observation: &str,
    significant: f64,
    wanted: &Wanted,
) -> Result<Ends, LimitsError> {
    let (p, confidence) = (wanted.content, wanted.confidence);
    let nothing = || LimitsError::NothingDrawn {
        method: if wanted.method == Method::Both {
            "both"
        } else {
            "model"
        },
    };
    // What the units scatter by without the measurement.
    let own = |sd: f64| (sd * sd - n.standard * n.standard).max(0.0).sqrt();
    let of_units = || -> Result<Ends, LimitsError> {
        let k = two_sided_factor(n.units.len(), p, confidence)?;
        let (mean, sd) = moments(&n.units);
        Ok(Ends::of(mean - k * sd, mean + k * sd, mean, own(sd)))
    };
    match wanted.method {
        Method::Units => of_units(),
        Method::Model => {
            let drawn = n.drawn.ok_or_else(nothing)?;
            // Every drawn unit is measured; what all of them share moves the limits and is no scatter.
            let level = n.level.min(n.standard);
            let repeats = (n.standard * n.standard - level * level).max(0.0).sqrt();
            let measured = drawn.iter().enumerate().map(|(i, d)| {
                let mut stream = Deviates::new(u64::from(wanted.seed) ^ ERRORS, i as u64);
                d + repeats * stream.normal()
            });
            let half = n.simulation * 3f64.sqrt();
            let found = around(measured.collect(), half, level, p, confidence)?;
            let found = found.ok_or(LimitsError::FewDrawn {
                units: drawn.len(),
                content: p,
                confidence,
            })?;
            let (mean, sd) = moments(drawn);
            Ok(Ends {
                offset: Some(found.reach),
                ..Ends::of(found.low, found.high, mean, sd)
            })
        }
        Method::Both => {
            let drawn = n.drawn.ok_or_else(nothing)?;
            let sigma = moments(drawn).1;
            let count = n.units.len();
            let mut scatters = false;
            if count > 1 {
                let (_, sd) = moments(&n.units);
                let degrees = count as f64 - 1.0;
                // The units' scatter holds that of the measurement too.
                let expected = sigma * sigma + n.standard * n.standard;
                let chance = gamma_tail(0.5 * degrees, 0.5 * degrees * sd * sd / expected);
                scatters = chance < significant;
                if scatters && count >= LEAST_OWN {
                    return of_units().map(|e| Ends { scatters, ..e });
                }
            }
            let k = two_sided_factor_pooled(count, drawn.len() - 1, p, confidence)?;
            let mean = n.units.iter().sum::<f64>() / count as f64;
            let half = k * sigma.hypot(n.standard);
            Ok(Ends {
                scatters,
                ..Ends::of(mean - half, mean + half, mean, sigma)
            })
        }
        Method::Hand => {
            let half = match observation {
                "impedance" => wanted.hand_impedance_db,
                _ => wanted.hand_db,
            }
            .unwrap_or(n.tolerance);
            let (mean, sd) = match (n.drawn, n.units.len()) {
                (_, 2..) => {
                    let (mean, sd) = moments(&n.units);
                    (mean, own(sd))
                }
                (Some(drawn), _) => moments(drawn),
                _ => (f64::NAN, f64::NAN),
            };
            Ok(Ends::of(-half, half, mean, sd))
        }
    }
}

/// Fewest units whose tolerance interval lies inside the spec's tolerance, mean and scatter being what they are.
fn units_needed(n: &Numbers<'_>, wanted: &Wanted) -> Option<usize> {
    if n.units.len() < 2 {
        return None;
    }
    let (mean, sd) = moments(&n.units);
    let room = n.tolerance - mean.abs();
    let wanted_factor = room / sd.max(1e-12);
    if wanted_factor <= normal_quantile(0.5 + 0.5 * wanted.content) {
        return None;
    }
    let enough = |units: usize| {
        two_sided_factor(units, wanted.content, wanted.confidence).is_ok_and(|k| k <= wanted_factor)
    };
    if !enough(MOST_UNITS) {
        return None;
    }
    let (mut low, mut high) = (1, MOST_UNITS);
    while high - low > 1 {
        let middle = low + (high - low) / 2;
        if enough(middle) {
            high = middle;
        } else {
            low = middle;
        }
    }
    Some(high)
}
