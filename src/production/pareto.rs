//! Which causes the failed units have, most frequent first.
//!
//! A unit counts once, with the cause that its first test named as the most probable; in how many units a cause stood beside
//! another one is told, too. The share of each cause has an exact
//! binomial interval ([`crate::special::beta::share_interval`]), which takes the named causes as true: how sure the single
//! names were is told beside it by their mean probability.

use super::entry::Judgement;
use super::lookback::UnitOutcome;
use crate::special::beta::share_interval;
use serde::Serialize;
use std::collections::BTreeMap;

/// One cause.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CauseCount {
    /// Parameter path or name of a check; `None`: no cause was named.
    pub path: Option<String>,
    /// Failed units with it.
    pub units: usize,
    /// Failed units that count with another cause and have this one, too.
    pub beside: usize,
    /// Their share of all failed units.
    pub share: f64,
    /// Lower end of the 95 % interval of that share.
    pub low95: f64,
    /// Upper end.
    pub high95: f64,
    /// Share of this and of all more frequent causes.
    pub cumulative: f64,
    /// Mean probability with which it was named.
    pub probability: Option<f64>,
    /// Serial numbers of the newest units with it, at most five.
    pub newest: Vec<String>,
    /// Batches with it, each with the number of units, most first.
    pub batches: Vec<(String, usize)>,
}

/// Causes of failed units.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Pareto {
    /// Units tested.
    pub tested: usize,
    /// Units whose first test failed.
    pub failed: usize,
    /// Causes, most frequent first.
    pub causes: Vec<CauseCount>,
}

/// Counts causes.
#[must_use]
pub fn pareto(units: &[UnitOutcome]) -> Pareto {
    let mut beside: BTreeMap<&str, usize> = BTreeMap::new();
    let mut by: BTreeMap<Option<&str>, Vec<&UnitOutcome>> = BTreeMap::new();
    for unit in units.iter().filter(|u| u.first == Judgement::Fail) {
        by.entry(unit.cause.as_ref().map(|c| c.path.as_str()))
            .or_default()
            .push(unit);
        for other in &unit.also {
            *beside.entry(&other.path).or_default() += 1;
            by.entry(Some(&other.path)).or_default();
        }
    }
    let failed = by.values().map(Vec::len).sum();
    let mut groups: Vec<(Option<&str>, Vec<&UnitOutcome>)> = by.into_iter().collect();
    // What has no name comes last, whatever its number.
    groups.sort_by(|a, b| (a.0.is_none(), b.1.len(), a.0).cmp(&(b.0.is_none(), a.1.len(), b.0)));
    let mut sum = 0;
    let causes = groups
        .into_iter()
        .map(|(path, list)| {
            sum += list.len();
            let [low95, high95] = share_interval(list.len(), failed, 0.95);
            let certain: f64 = list
                .iter()
                .filter_map(|u| u.cause.as_ref().map(|c| c.probability))
                .sum();
            let mut batches: BTreeMap<&str, usize> = BTreeMap::new();
            for unit in &list {
                if let Some(batch) = &unit.batch {
                    *batches.entry(batch).or_default() += 1;
                }
            }
            let mut batches: Vec<(String, usize)> = batches
                .into_iter()
                .map(|(b, n)| (b.to_owned(), n))
                .collect();
            batches.sort_by_key(|b| std::cmp::Reverse(b.1));
            CauseCount {
                path: path.map(str::to_owned),
                units: list.len(),
                beside: path.and_then(|p| beside.get(p)).copied().unwrap_or(0),
                share: list.len() as f64 / failed as f64,
                low95,
                high95,
                cumulative: sum as f64 / failed as f64,
                probability: path
                    .filter(|_| !list.is_empty())
                    .map(|_| certain / list.len() as f64),
                newest: list.iter().rev().take(5).map(|u| u.unit.clone()).collect(),
                batches,
            }
        })
        .collect();
    Pareto {
        tested: units.len(),
        failed,
        causes,
    }
}
