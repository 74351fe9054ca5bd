//! Limits of the fitted parameters.

use super::bands::moments;
use super::{Accepted, LimitsError, Wanted};
use crate::align::possible_leaks::with_possible_leaks;
use crate::align::unknowns::{Role, Unknown, unknowns};
use crate::design::Design;
use crate::design::limits::{Method, ParameterLimit};
use crate::production::tolerance::{
    Sides, normal_interval, one_sided_factor_pooled, two_sided_factor_pooled,
};
use crate::special::probability::normal_quantile;

/// Which ends a parameter's limits have: a leak may be as tight as it likes.
fn sides(path: &str) -> Sides {
    let key = path.rsplit('.').next().unwrap_or("");
    match (path.starts_with("leak."), key) {
        (true, "resistance") => Sides::Lower,
        (true, "gap") => Sides::Upper,
        _ => Sides::Both,
    }
}

/// Values of a parameter in all accepted units, if all have one.
fn values(accepted: &[Accepted], path: &str) -> Option<Vec<f64>> {
    let list: Vec<f64> = accepted.iter().filter_map(|a| a.value(path)).collect();
    (list.len() == accepted.len() && !list.is_empty()).then_some(list)
}

/// What the fit of a parameter scatters by, mean over the units (of the logarithm, if `log`); 0 without units.
fn fit(accepted: &[Accepted], path: &str, log: bool) -> f64 {
    let each = accepted.iter().filter_map(|a| {
        let standard = a.standard(path)?;
        Some(if log {
            standard / a.value(path)?.abs()
        } else {
            standard
        })
    });
    each.sum::<f64>() / accepted.len().max(1) as f64
}

pub(super) fn make(
    accepted: &[Accepted],
    unknowns: &[Unknown],
    wanted: &Wanted,
    remarks: &mut Vec<String>,
) -> Result<Vec<ParameterLimit>, LimitsError> {
    let mut list = Vec::new();
    let mut untold = Vec::new();
    if wanted.method == Method::Hand {
        remarks.push(
            "no limits for parameters by hand: write [[parameter]] tables into the file"
                .to_string(),
        );
        return Ok(list);
    }
    let mut unfitted = false;
    for u in unknowns.iter().filter(|u| u.role == Role::Free) {
        let sides = sides(&u.path);
        let of_units = values(accepted, &u.path);
        if of_units.is_none() && !accepted.is_empty() {
            untold.push(u.path.clone());
            continue;
        }
        let log = u.log && of_units.iter().flatten().all(|v| *v > 0.0);
        let to = |v: f64| if log { v.ln() } else { v };
        let back = |v: f64| if log { v.exp() } else { v };
        let transformed: Vec<f64> = of_units.iter().flatten().map(|v| to(*v)).collect();
        let sd = u.stated_sd.filter(|_| log == u.log);
        let (low, high) = match (wanted.method, sd) {
            (Method::Model, Some(sd)) => {
                let z = match sides {
                    Sides::Both => normal_quantile(0.5 + 0.5 * wanted.content),
                    _ => normal_quantile(wanted.content),
                };
                let centre = to(u.value(0, 0.0));
                unfitted |= accepted.is_empty();
                let sd = sd.hypot(fit(accepted, &u.path, log));
                (centre - z * sd, centre + z * sd)
            }
            (Method::Both, Some(sd)) if !transformed.is_empty() => {
                let sd = sd.hypot(fit(accepted, &u.path, log));
                let count = transformed.len();
                let many = 10_000;
                let k = match sides {
                    Sides::Both => {
                        two_sided_factor_pooled(count, many, wanted.content, wanted.confidence)
                    }
                    _ => one_sided_factor_pooled(count, many, wanted.content, wanted.confidence),
                }?;
                let mean = transformed.iter().sum::<f64>() / count as f64;
                (mean - k * sd, mean + k * sd)
            }
            (Method::Units | Method::Both, _) if transformed.len() > 1 => {
                let i = normal_interval(&transformed, sides, wanted.content, wanted.confidence)?;
                let (mean, sd) = moments(&transformed);
                (
                    i.low.unwrap_or(mean - i.factor * sd),
                    i.high.unwrap_or(mean + i.factor * sd),
                )
            }
            _ => {
                untold.push(u.path.clone());
                continue;
            }
        };
        list.push(ParameterLimit {
            path: u.path.clone(),
            unit: u.unit.to_string(),
            low: (sides != Sides::Upper).then(|| back(low)),
            high: (sides != Sides::Lower).then(|| back(high)),
        });
    }
    if unfitted {
        remarks.push(
            "limits of parameters hold what is built, and not what the fit scatters by: no unit was fitted yet"
                .to_string(),
        );
    }
    if !untold.is_empty() {
        remarks.push(format!(
            "no limits for {}: no spread is known, or not every accepted unit tells it",
            untold.join(", ")
        ));
    }
    Ok(list)
}

/// What a limit of a parameter has that the design has not: a path that no parameter has, or another unit. A limit that no
/// number can meet would leave every unit undecided, and one in another unit would judge nonsense.
#[must_use]
pub fn misfit(design: &Design, limits: &[ParameterLimit]) -> Option<String> {
    if limits.is_empty() {
        return None;
    }
    let fitted = with_possible_leaks(design);
    let mut known: Vec<(String, &str)> = unknowns(&fitted, &[])
        .into_iter()
        .map(|u| (u.path, u.unit))
        .collect();
    let all = fitted.parameters().into_iter();
    known.extend(all.map(|p| (fitted.path_of(p), p.key.unit(p.element))));
    limits.iter().find_map(|limit| {
        let Some((path, unit)) = known.iter().find(|k| k.0 == limit.path) else {
            let same = |k: &&(String, &str)| k.0.rsplit('.').next() == limit.path.rsplit('.').next();
            let mut near: Vec<&str> = known.iter().filter(same).map(|k| k.0.as_str()).collect();
            near.dedup();
            near.truncate(5);
            let near = if near.is_empty() {
                String::new()
            } else {
                format!(" such as {}", near.join(", "))
            };
            return Some(format!(
                "[[parameter]] path: found «{}»; the design «{}» has no such number, and no unit could be judged by it; expected the path of one{near}",
                limit.path, design.name
            ));
        };
        (!limit.unit.is_empty() && limit.unit != *unit).then(|| {
            let unit = if unit.is_empty() { "no unit" } else { unit };
            format!(
                "[[parameter]] {path}: found unit = «{}»; expected {unit}, in which low and high stand",
                limit.unit
            )
        })
    })
}
