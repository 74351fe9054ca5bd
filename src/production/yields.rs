//! How many units pass: at the first test and after all tests, by batch, station and week.
//!
//! A unit belongs to the batch, the station and the ISO 8601 week of its first test (the week of its own clock, as the time is
//! written). What could not be decided has not passed. Intervals are exact binomial ones
//! ([`crate::special::beta::share_interval`]).

use super::entry::Judgement;
use super::lookback::UnitOutcome;
use crate::special::beta::share_interval;
use serde::Serialize;
use std::collections::BTreeMap;

/// A share with its 95 % interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Share {
    /// Units that passed.
    pub passed: usize,
    /// Their share.
    pub share: f64,
    /// Lower end.
    pub low95: f64,
    /// Upper end.
    pub high95: f64,
}

fn share(passed: usize, tested: usize) -> Share {
    let [low95, high95] = share_interval(passed, tested, 0.95);
    Share {
        passed,
        share: passed as f64 / tested as f64,
        low95,
        high95,
    }
}

/// Yield of one group of units.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Group {
    /// Batch, station or week; `None`: units without.
    pub name: Option<String>,
    /// Units tested.
    pub tested: usize,
    /// Units whose first test failed.
    pub failed: usize,
    /// Units whose first test could not decide.
    pub unresolved: usize,
    /// Passed at the first test.
    pub first: Share,
    /// Passed at the last test.
    pub last: Share,
    /// Tests beyond the first.
    pub retests: usize,
    /// Units whose first test counts as a correction says.
    pub corrected: usize,
}

/// By what units are grouped.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum By {
    /// Batch.
    Batch,
    /// Station.
    Station,
    /// ISO 8601 week.
    Week,
}

/// Yields of all units and of groups.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Yields {
    /// All units; `None` where there are none.
    pub all: Option<Group>,
    /// By batch, in the order of their first units.
    pub batches: Vec<Group>,
    /// By station, by name.
    pub stations: Vec<Group>,
    /// By week, oldest first.
    pub weeks: Vec<Group>,
}

/// The ISO week of a time, `2026-W07`; `None` for a time that cannot be read.
#[must_use]
pub fn week(at: &str) -> Option<String> {
    // The date as written is that of the place where the unit was tested.
    let date: jiff::civil::Date = at.get(..10)?.parse().ok()?;
    let week = date.iso_week_date();
    Some(format!("{}-W{:02}", week.year(), week.week()))
}

fn group(name: Option<String>, units: &[&UnitOutcome]) -> Group {
    let count = |of: &dyn Fn(&UnitOutcome) -> bool| units.iter().filter(|u| of(u)).count();
    let tested = units.len();
    Group {
        name,
        tested,
        failed: count(&|u| u.first == Judgement::Fail),
        unresolved: count(&|u| matches!(u.first, Judgement::Unresolved | Judgement::None)),
        first: share(count(&|u| u.first == Judgement::Pass), tested),
        last: share(count(&|u| u.last == Judgement::Pass), tested),
        retests: units.iter().map(|u| u.tests - 1).sum(),
        corrected: count(&|u| u.corrected),
    }
}

/// Yields of units, oldest first.
#[must_use]
pub fn yields(units: &[UnitOutcome]) -> Yields {
    let by = |of: By| -> Vec<Group> {
        let mut groups: BTreeMap<(usize, Option<String>), Vec<&UnitOutcome>> = BTreeMap::new();
        let mut seen: BTreeMap<Option<String>, usize> = BTreeMap::new();
        for unit in units {
            let name = match of {
                By::Batch => unit.batch.clone(),
                By::Station => Some(unit.station.clone()),
                By::Week => week(&unit.at),
            };
            let next = seen.len();
            let order = match of {
                By::Batch => *seen.entry(name.clone()).or_insert(next),
                _ => 0,
            };
            groups.entry((order, name)).or_default().push(unit);
        }
        groups
            .into_iter()
            .map(|((_, name), list)| group(name, &list))
            .collect()
    };
    let all: Vec<&UnitOutcome> = units.iter().collect();
    Yields {
        all: (!units.is_empty()).then(|| group(None, &all)),
        batches: by(By::Batch),
        stations: by(By::Station),
        weeks: by(By::Week),
    }
}
