//! What may differ between units, from the tolerances of a design and from what an alignment found.
//!
//! ```text
//! built from the file      θ_i ~ N(0, s_i²) about the design's values, independent
//! as this unit was found   θ ~ N(θ̂, C): what is known of the one unit that was measured
//! units like this one      θ ~ N(θ̂, C + diag(s²)): they scatter by the tolerances about a centre that is itself known to C
//! ```
//!
//! s are the standard deviations that the design states, C is the posterior covariance of the alignment. The last is what
//! limits for production stand on: it widens where the measured unit left the centre open.

use crate::align::Fit;
use crate::align::unknowns::{Unknown, unknowns};
use crate::design::Design;
use crate::design::captures::Built;
use crate::design::path::Parameter;
use crate::model::monte_carlo::{Coordinate, Spread, SpreadError};

/// Every number with a stated tolerance, about the design's (or the built) value.
///
/// # Errors
/// [`SpreadError::Nothing`] where the design states none.
pub fn of_design(design: &Design, built: &[Built]) -> Result<Spread, SpreadError> {
    // `[align] free` ties numbers for the fit; built units do not know of that.
    let mut untied = design.clone();
    untied.free.clear();
    let list: Vec<(Coordinate, f64)> = unknowns(&untied, built)
        .iter()
        .filter_map(|u| Some((coordinate(u), u.stated_sd?)))
        .collect();
    if list.is_empty() {
        return Err(SpreadError::Nothing);
    }
    Spread::independent(list)
}

/// What is known of the unit that was measured.
///
/// # Errors
/// [`SpreadError`] where nothing was fitted.
pub fn of_fit(fit: &Fit) -> Result<Spread, SpreadError> {
    posterior(fit, false)
}

/// Units built like the one that was measured.
///
/// # Errors
/// [`SpreadError`] where nothing was fitted.
pub fn of_units_like(fit: &Fit) -> Result<Spread, SpreadError> {
    posterior(fit, true)
}

fn posterior(fit: &Fit, scatter: bool) -> Result<Spread, SpreadError> {
    let active = &fit.settled.active;
    if active.is_empty() {
        return Err(SpreadError::Nothing);
    }
    // One coordinate for each number; what the fit ties and what is each one's own add up in it.
    let mut numbers: Vec<(Parameter, Vec<usize>)> = Vec::new();
    for (n, &i) in active.iter().enumerate() {
        for &p in &fit.unknowns[i].members {
            match numbers.iter_mut().find(|(q, _)| *q == p) {
                Some((_, places)) => places.push(n),
                None => numbers.push((p, vec![n])),
            }
        }
    }
    let coordinates = numbers
        .iter()
        .map(|(p, places)| Coordinate {
            path: fit.designed.path_of(*p),
            members: vec![*p],
            centre: vec![fit.aligned.value(*p)],
            log: fit.unknowns[active[places[0]]].log,
        })
        .collect();
    let covariance: Vec<Vec<f64>> = numbers
        .iter()
        .map(|(p, places)| {
            numbers
                .iter()
                .map(|(q, others)| {
                    let known: f64 = places
                        .iter()
                        .flat_map(|&i| others.iter().map(move |&j| (i, j)))
                        .map(|at| fit.settled.covariance[at])
                        .sum();
                    let last = places[places.len() - 1];
                    match fit.unknowns[active[last]].stated_sd {
                        Some(sd) if scatter && p == q => known + sd * sd,
                        _ => known,
                    }
                })
                .collect()
        })
        .collect();
    Spread::correlated(coordinates, &covariance)
}

fn coordinate(unknown: &Unknown) -> Coordinate {
    Coordinate {
        path: unknown.path.clone(),
        members: unknown.members.clone(),
        centre: (0..unknown.members.len())
            .map(|n| unknown.value(n, 0.0))
            .collect(),
        log: unknown.log,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::design::read::read;
    use std::path::Path;

    /// DERIVED: every number that `[tolerance]` matches varies on its own, whatever `[align]` ties.
    #[test]
    fn tolerances_vary_one_by_one() {
        let design = read(Path::new("tests/designs/dome.toml")).unwrap();
        let spread = of_design(&design, &[]).unwrap();
        // cms, rms, seam, two resistors, five losses, five lengths.
        assert_eq!(spread.coordinates().len(), 15);
        assert!(spread.coordinates().iter().all(|c| c.members.len() == 1));
        let mut exact = design;
        exact.tolerance.clear();
        assert_eq!(of_design(&exact, &[]), Err(SpreadError::Nothing));
    }
}
