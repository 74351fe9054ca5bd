//! Several units of one design: what they share (the model), what is each unit's own, and how far the units scatter.
//!
//! Each unit is aligned on its own. [`linear`] takes the tolerances out again, so that no unit leans on what the design
//! claims; [`random_effects`] finds shared values and spreads; this module decides which unit counts for which number and says
//! where nothing can be told.
//!
//! - A number at fault in a unit (probability over one half) does not count there. Where more than half of the units have the
//!   same fault in the same direction, it is the design that is off: the number counts in all of them.
//! - A number at the end of its range in a unit does not count there: its distribution is not normal.
//! - The error that all units have in common is added to the interval of a shared value and to that of every unit.
//!
//! Coordinates are those of the alignment: logarithms of positive numbers, from the design's own value.

pub mod chi_squared;
pub mod linear;
pub mod random_effects;
pub mod result;

use crate::align::Fit;
use crate::align::dense::Matrix;
use crate::align::interval::NORMAL_95;
use crate::align::unknowns::{Role, Unknown, unknowns};
use crate::design::Design;
use linear::Linear;
use random_effects::{Shared, Told};

/// A spread is told where the upper end of its interval is at most this many times its estimate and the lower is not 0.
pub const TOLD_WITHIN: f64 = 4.0;
/// Most units that are worth asking for.
const MOST_UNITS: usize = 200;

/// One aligned unit.
#[derive(Debug, Clone, Copy)]
pub struct Unit<'a> {
    /// Serial number.
    pub name: &'a str,
    /// Its alignment.
    pub fit: &'a Fit,
    /// Paths that were measured on this unit with tape or scale (`[built]`).
    pub built: &'a [String],
}

/// Why units cannot be put together.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SeveralError {
    /// Too few.
    #[error("found {0} unit; expected at least two units of one design")]
    TooFew(usize),
    /// Nothing is free.
    #[error(
        "the design frees no number, so that the units share none; list some in [align] free of the design"
    )]
    NothingFree,
    /// A unit's covariance cannot be used.
    #[error(
        "unit {0}: the data leave a free number without any bound; free fewer numbers or add a capture"
    )]
    Singular(String),
    /// The units together do not.
    #[error(
        "the units together leave a free number without any bound; free fewer numbers or add a capture"
    )]
    Unbounded,
}

/// How a unit counts for a number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// It counts.
    Counts,
    /// At fault there.
    AtFault,
    /// At the end of the number's range.
    AtEnd,
    /// Not fitted in this unit.
    NotFitted,
}

/// A unit's own value of a number, in coordinates from the design's.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Own {
    /// How it counts.
    pub standing: Standing,
    /// Value: predicted from the unit and the others where it counts, from the unit alone elsewhere; NaN if not fitted.
    pub value: f64,
    /// Half-width of the 95 % interval.
    pub half_width: f64,
}

/// Scatter of a number over units, in coordinates.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scatter {
    /// Standard deviation.
    pub sd: f64,
    /// Lower end of the 95 % interval.
    pub low95: f64,
    /// Upper end; infinite where there is none.
    pub high95: f64,
    /// Whether the interval says anything ([`TOLD_WITHIN`]).
    pub told: bool,
}

/// A number that the units share.
#[derive(Debug, Clone)]
pub struct Number {
    /// The unknown as the design states it.
    pub unknown: Unknown,
    /// Units that count.
    pub units: usize,
    /// Shared value, in coordinates from the design's; NaN where no unit counts.
    pub shared: f64,
    /// Half-width of its 95 % interval.
    pub half_width: f64,
    /// Whether the shared value is known better than the design states it.
    pub identifiable: bool,
    /// Scatter over the units; `None` where fewer than two units count.
    pub scatter: Option<Scatter>,
    /// Units at which the scatter would be told, if it is not; `None`: told, or more than can be asked for.
    pub units_wanted: Option<usize>,
    /// Whether most units have the same fault, so that the design is off.
    pub design_off: bool,
    /// One per unit.
    pub own: Vec<Own>,
}

impl Number {
    /// SI value at a coordinate from the design's.
    #[must_use]
    pub fn value(&self, coordinate: f64) -> f64 {
        if self.unknown.log {
            self.unknown.designed * coordinate.exp()
        } else {
            self.unknown.designed + coordinate
        }
    }
}

/// Which unit counts for which number.
struct Roll {
    unknown: Unknown,
    design_off: bool,
    /// Place among the active unknowns and standing, by unit.
    of: Vec<(Option<usize>, Standing)>,
}

/// Puts aligned units of `design` together.
///
/// # Errors
/// [`SeveralError`] for fewer than two units, nothing free, or numbers that nothing bounds.
pub fn several(design: &Design, units: &[Unit<'_>]) -> Result<Vec<Number>, SeveralError> {
    if units.len() < 2 {
        return Err(SeveralError::TooFew(units.len()));
    }
    let rolls = rolls(design, units);
    if rolls.is_empty() {
        return Err(SeveralError::NothingFree);
    }
    let mut linears: Vec<Linear> = Vec::new();
    let mut told: Vec<Told> = Vec::new();
    // Numbers that at least one unit counts for, by their place in the statistics.
    let counted: Vec<usize> = (0..rolls.len())
        .filter(|&j| rolls[j].of.iter().any(|o| o.1 == Standing::Counts))
        .collect();
    // Numbers of each unit's linear form, in order.
    let mut present: Vec<Vec<usize>> = Vec::new();
    for (u, unit) in units.iter().enumerate() {
        let here: Vec<usize> = (0..rolls.len())
            .filter(|&j| rolls[j].of[u].0.is_some())
            .collect();
        let chosen: Vec<usize> = here.iter().filter_map(|&j| rolls[j].of[u].0).collect();
        let measured: Vec<usize> = here
            .iter()
            .filter(|&&j| {
                let first = rolls[j].unknown.members.first();
                first.is_some_and(|&p| unit.built.contains(&design.path_of(p)))
            })
            .filter_map(|&j| rolls[j].of[u].0)
            .collect();
        let linear = linear::linear(unit.fit, &chosen, &measured)
            .ok_or_else(|| SeveralError::Singular(unit.name.to_string()))?;
        let keep: Vec<usize> = (0..here.len())
            .filter(|&k| rolls[here[k]].of[u].1 == Standing::Counts)
            .collect();
        told.push(Told {
            numbers: keep
                .iter()
                .filter_map(|&k| counted.iter().position(|&j| j == here[k]))
                .collect(),
            estimate: keep.iter().map(|&k| linear.estimate[k]).collect(),
            covariance: Matrix::from_fn(keep.len(), keep.len(), |a, b| {
                linear.apart[(keep[a], keep[b])]
            }),
        });
        linears.push(linear);
        present.push(here);
    }
    let stated: Vec<f64> = counted
        .iter()
        .map(|&j| rolls[j].unknown.stated_sd.unwrap_or(0.0).powi(2))
        .collect();
    let shared =
        random_effects::restricted(&told, counted.len(), &stated).ok_or(SeveralError::Unbounded)?;
    let mut predicted = Vec::new();
    for (unit, one) in units.iter().zip(&told) {
        predicted.push(
            random_effects::predict(&told, one, &shared)
                .ok_or_else(|| SeveralError::Singular(unit.name.to_string()))?,
        );
    }
    let mut numbers = Vec::new();
    for (j, roll) in rolls.into_iter().enumerate() {
        let place = counted.iter().position(|&c| c == j);
        // The variance of a unit's own number by its part, where it has it.
        let part = |u: usize, of: &dyn Fn(&Linear) -> &Matrix| {
            let k = present[u].iter().position(|&n| n == j)?;
            Some(of(&linears[u])[(k, k)])
        };
        let mean = |of: &dyn Fn(&Linear) -> &Matrix| {
            let list: Vec<f64> = (0..units.len())
                .filter(|&u| roll.of[u].1 == Standing::Counts)
                .filter_map(|u| part(u, of))
                .collect();
            list.iter().sum::<f64>() / list.len().max(1) as f64
        };
        let (apart, common) = (mean(&|l| &l.apart), mean(&|l| &l.common));
        let own = (0..units.len())
            .map(|u| {
                let standing = roll.of[u].1;
                let nothing = Own {
                    standing,
                    value: f64::NAN,
                    half_width: f64::NAN,
                };
                let Some(k) = present[u].iter().position(|&n| n == j) else {
                    return nothing;
                };
                let (value, variance) = match (standing, place) {
                    (Standing::Counts, Some(at)) => {
                        (predicted[u].value[at], predicted[u].sd[at].powi(2))
                    }
                    _ => (linears[u].estimate[k], linears[u].apart[(k, k)]),
                };
                Own {
                    standing,
                    value,
                    half_width: NORMAL_95 * (variance + linears[u].common[(k, k)]).sqrt(),
                }
            })
            .collect();
        numbers.push(number(roll, place, &shared, (apart, common), own));
    }
    Ok(numbers)
}

fn number(
    roll: Roll,
    place: Option<usize>,
    shared: &Shared,
    (apart, common): (f64, f64),
    own: Vec<Own>,
) -> Number {
    let u = roll.unknown;
    let Some(at) = place else {
        return Number {
            unknown: u,
            units: 0,
            shared: f64::NAN,
            half_width: f64::NAN,
            identifiable: false,
            scatter: None,
            units_wanted: None,
            design_off: roll.design_off,
            own,
        };
    };
    let half_width = shared
        .half_width_95(at)
        .hypot(NORMAL_95 * common.max(0.0).sqrt());
    // The shared value replaces the design's where it is known at least about as well as that is stated to be: the
    // same border as in the alignment, where the data narrow a prior by a fifth (4/3 of it from the data alone).
    let sd = half_width / NORMAL_95;
    let identifiable = match u.stated_sd {
        Some(prior) => sd < prior * 4.0 / 3.0,
        None if u.log => sd < std::f64::consts::LN_2,
        None => sd < 2.0 * u.fault_sd,
    };
    let scatter = shared.spread[at].as_ref().map(|interval| {
        let sd = shared.variance[at].sqrt();
        Scatter {
            sd,
            low95: interval.low95,
            high95: interval.high95,
            told: interval.low95 > 0.0 && interval.high95 <= TOLD_WITHIN * sd,
        }
    });
    let units_wanted = if scatter.is_some_and(|s| s.told) {
        None
    } else {
        let assumed = scatter.map(|s| s.sd).filter(|sd| *sd > 0.0).or(u.stated_sd);
        assumed.and_then(|sd| wanted(apart, sd * sd))
    };
    Number {
        units: shared.units[at],
        shared: shared.mean[at],
        half_width,
        identifiable,
        scatter,
        units_wanted,
        design_off: roll.design_off,
        own,
        unknown: u,
    }
}

/// Units at which a variance over units would be told beside a variance of each unit's own error.
///
/// The variance of n estimates is (apart + over)·χ²_{n−1}/(n − 1) in the mean; the ends are where that has 2.5 % on either
/// side.
fn wanted(apart: f64, over: f64) -> Option<usize> {
    (3..=MOST_UNITS).find(|&n| {
        let nu = n as f64 - 1.0;
        let low = (apart + over) * nu / chi_squared::quantile(nu, 0.975) - apart;
        let high = (apart + over) * nu / chi_squared::quantile(nu, 0.025) - apart;
        low > 0.0 && high <= TOLD_WITHIN * TOLD_WITHIN * over
    })
}

/// The numbers that are put together: the free ones, and what most units have at fault.
fn rolls(design: &Design, units: &[Unit<'_>]) -> Vec<Roll> {
    // As the design states them, without what was measured on one unit.
    let stated = unknowns(design, &[]);
    let mut list: Vec<&Unknown> = Vec::new();
    for unit in units {
        let free = unit.fit.unknowns.iter().filter(|u| u.role == Role::Free);
        let faults = unit
            .fit
            .faults
            .iter()
            .map(|f| &unit.fit.unknowns[f.unknown]);
        for u in free.chain(faults).filter(|u| !u.absent) {
            let common = u.role == Role::Free || design_off(units, &u.path);
            if common && !list.iter().any(|known| known.path == u.path) {
                list.push(stated.iter().find(|s| s.path == u.path).unwrap_or(u));
            }
        }
    }
    list.into_iter()
        .map(|u| {
            let off = design_off(units, &u.path);
            let of = units
                .iter()
                .map(|unit| standing(unit.fit, &u.path, off))
                .collect();
            Roll {
                unknown: u.clone(),
                design_off: off,
                of,
            }
        })
        .collect()
}

/// Coordinate of a fault from the design's value, where a unit has it with a probability over one half.
fn fault(fit: &Fit, path: &str) -> Option<f64> {
    let fault = fit
        .faults
        .iter()
        .find(|f| f.probability > 0.5 && fit.unknowns[f.unknown].path == path)?;
    let n = fit
        .settled
        .active
        .iter()
        .position(|&i| i == fault.unknown)?;
    Some(fit.settled.theta[n] - fit.unknowns[fault.unknown].designed_theta())
}

/// Whether more than half of the units have a fault there in one direction.
fn design_off(units: &[Unit<'_>], path: &str) -> bool {
    let found: Vec<f64> = units.iter().filter_map(|u| fault(u.fit, path)).collect();
    let up = found.iter().filter(|v| **v > 0.0).count();
    2 * up.max(found.len() - up) > units.len()
}

fn standing(fit: &Fit, path: &str, off: bool) -> (Option<usize>, Standing) {
    let settled = &fit.settled;
    let Some(n) = settled
        .active
        .iter()
        .position(|&i| fit.unknowns[i].path == path)
    else {
        return (None, Standing::NotFitted);
    };
    let u = &fit.unknowns[settled.active[n]];
    let [low, high] = u.bounds();
    let theta = settled.theta[n];
    let standing = if theta <= low + 1e-6 || theta >= high - 1e-6 {
        Standing::AtEnd
    } else if fault(fit, path).is_some() && !off {
        Standing::AtFault
    } else {
        Standing::Counts
    };
    (Some(n), standing)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn without_noise_four_units_tell_a_spread_and_noise_asks_for_more() {
        // DERIVED: √(ν/χ²_ν(0.025)) is 6.29 for 3 units and 3.73 for 4 (the table of χ²: 0.0506, 0.216; from memory): four times the
        // estimate is first met by 4.
        assert_eq!(wanted(0.0, 1.0), Some(4));
        let noisy = wanted(1.0, 1.0).unwrap();
        assert!(noisy > 4, "{noisy}");
        // The interval must leave zero: the spread of the variance must be below the share of the spread in it.
        assert!(wanted(1.0, 0.25).unwrap() > 2 * noisy);
        assert_eq!(wanted(1.0, 1e-4), None);
    }
}
