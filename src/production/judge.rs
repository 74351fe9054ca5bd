//! The judgement of a unit's numbers by limits: what a test says now, and what it would say by other limits.

use super::entry::{Conditions, Judgement, Value};
use super::guard::{Zone, decide};
use super::unit::{band_name, parts, polarity_name};
use crate::design::limits::{Decision, Limits, Rule};
use crate::signal::residue::{BOUND, HIDDEN_DB};

/// The judgement of one unit.
#[derive(Debug, Clone, PartialEq)]
pub struct Judged {
    /// The whole.
    pub verdict: Judgement,
    /// Every number with the limits that it was held against; those that are limited first.
    pub values: Vec<Value>,
    /// Why nothing can be said although all numbers are there.
    pub doubts: Vec<String>,
}

/// Judges numbers by limits. What the limits ask for and the numbers have not is `unresolved`.
#[must_use]
pub fn judge(values: &[Value], limits: &Limits) -> Judged {
    let mut list: Vec<Value> = Vec::new();
    let find = |name: &str| values.iter().find(|v| v.name == name);
    let mut push = |name: String, unit: &str, zone: Zone, extra: f64, decision: Decision| {
        let found = find(&name);
        let y = found.and_then(|v| v.value);
        let expanded = found.and_then(|v| v.expanded);
        let standard = (0.5 * expanded.unwrap_or(0.0)).hypot(extra);
        let verdict = y.map_or(Judgement::Unresolved, |y| {
            decide(y, standard, zone, decision)
        });
        list.push(Value {
            name,
            unit: found.map_or(unit, |v| v.unit.as_str()).to_string(),
            value: y,
            expanded,
            decided: (extra > 0.0).then_some(2.0 * standard),
            low: zone.low,
            high: zone.high,
            verdict,
        });
    };
    for b in &limits.bands {
        let name = band_name(&b.observation, b.center_hz);
        let zone = Zone::between(b.low_db, b.high_db);
        push(
            name,
            "dB",
            zone,
            b.simulation_sd_db.unwrap_or(0.0),
            limits.decision,
        );
    }
    for p in &limits.parameters {
        let zone = Zone {
            low: p.low,
            high: p.high,
        };
        push(p.path.clone(), &p.unit, zone, 0.0, limits.decision);
    }
    for p in &limits.polarity {
        let sign = f64::from(p.sign);
        let zone = Zone::between(sign - 0.5, sign + 0.5);
        let plain = Decision {
            rule: Rule::Simple,
            guard_factor: 0.0,
        };
        push(polarity_name(&p.observation), "", zone, 0.0, plain);
    }
    let mut doubts = Vec::new();
    for r in &limits.residue {
        // Which bands are there is up to the sweep.
        let told = |center: f64| limits.residue_db(&r.observation, center) == Some(r.high_db);
        let names: Vec<&str> = values
            .iter()
            .filter(|v| match parts(&v.name) {
                Some(("residue", observation, Some(center))) => {
                    observation == r.observation
                        && told(center)
                        && r.center_hz
                            .is_none_or(|c| crate::design::limits::same_band(c, center))
                }
                _ => false,
            })
            .map(|v| v.name.as_str())
            .collect();
        if names.is_empty() {
            doubts.push(format!(
                "{}: no residue could be told; expected a capture of its microphone with at least 0.05 s of silence ahead of the sweep",
                r.observation
            ));
        }
        for name in names {
            if list_has(&list, name) {
                continue;
            }
            let zone = Zone {
                low: None,
                high: Some(r.high_db),
            };
            let found = find(name);
            let y = found.and_then(|v| v.value);
            let standard = 0.5 * found.and_then(|v| v.expanded).unwrap_or(0.0);
            list.push(Value {
                name: name.to_string(),
                unit: "dB".to_string(),
                value: y,
                expanded: found.and_then(|v| v.expanded),
                decided: None,
                low: None,
                high: zone.high,
                verdict: match y {
                    None => Judgement::Unresolved,
                    // What is hidden by noise, or was heard once, may be as low as it likes and as high as its bound, by any rule.
                    Some(y) if standard >= HIDDEN_DB => {
                        if y + BOUND * standard <= r.high_db {
                            Judgement::Pass
                        } else {
                            Judgement::Unresolved
                        }
                    }
                    Some(y) => decide(y, standard, zone, limits.decision),
                },
            });
        }
    }
    let has = |verdict: Judgement| list.iter().any(|v| v.verdict == verdict);
    let verdict = if has(Judgement::Fail) {
        Judgement::Fail
    } else if list.is_empty() || has(Judgement::Unresolved) || !doubts.is_empty() {
        Judgement::Unresolved
    } else {
        Judgement::Pass
    };
    let free = values.iter().filter(|v| !list_has(&list, &v.name));
    let free: Vec<Value> = free
        .map(|v| Value {
            decided: None,
            low: None,
            high: None,
            verdict: Judgement::None,
            ..v.clone()
        })
        .collect();
    list.extend(free);
    Judged {
        verdict,
        values: list,
        doubts,
    }
}

fn list_has(list: &[Value], name: &str) -> bool {
    list.iter().any(|v| v.name == name)
}

/// What of the air the limits have a range for and the captures do not state, in words.
#[must_use]
pub fn unstated_environment(stated: [bool; 3], limits: &Limits) -> Vec<String> {
    let list = ranges(limits).into_iter().zip(stated);
    list.filter(|(_, stated)| !stated)
        .filter_map(|((what, unit, key, range), _)| {
            let [low, high] = range?;
            Some(format!(
                "{what}: not stated with the captures, and the limits hold for {low} to {high} {unit} only; write {key} into captures.toml and inspect it again"
            ))
        })
        .collect()
}

/// What of the air that was stated keeps a test from counting, in words.
#[must_use]
pub fn outside_environment(air: &Conditions, stated: [bool; 3], limits: &Limits) -> Vec<String> {
    let values = [air.temperature_c, air.pressure_kpa, air.humidity_pct];
    let list = ranges(limits).into_iter().zip(values).zip(stated);
    list.filter(|(_, stated)| *stated)
        .filter_map(|(((what, unit, _, range), value), _)| {
            let [low, high] = range?;
            let outside = !(low..=high).contains(&value);
            outside.then(|| format!(
                "{what}: {value} {unit}, and the limits hold for {low} to {high} {unit} only; let hall and unit reach it, and test again"
            ))
        })
        .collect()
}

/// Name, unit, key and range of what the limits may ask of the air.
fn ranges(limits: &Limits) -> [(&'static str, &'static str, &'static str, Option<[f64; 2]>); 3] {
    let e = &limits.environment;
    [
        ("temperature", "°C", "temperature_c", e.temperature_c),
        ("pressure", "kPa", "pressure_kpa", e.pressure_kpa),
        ("humidity", "%", "humidity_pct", e.humidity_pct),
    ]
}

#[cfg(test)]
#[path = "judge_tests.rs"]
mod tests;
