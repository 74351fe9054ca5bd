//! History judged anew by other limits, from the numbers that the entries hold; no entry is touched.

use super::conclude::conclude;
use super::entry::{AIR, Entry, Judgement, Kind, Measurement};
use super::ledger::Stored;
use super::lookback::{Again, Corrections};
use crate::design::limits::Limits;
use serde::Serialize;

/// One test by its old and the new limits.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Rejudged {
    /// Serial number.
    pub unit: String,
    /// How often it had been tested.
    pub attempt: u32,
    /// When, RFC 3339.
    pub at: String,
    /// Digest of the entry.
    pub digest: String,
    /// As it was, or as a correction says.
    pub old: Judgement,
    /// As it would be.
    pub new: Judgement,
    /// A correction states its judgement, which stays.
    pub corrected: bool,
    /// What decides, where the two differ.
    pub because: Vec<String>,
}

/// All tests by new limits.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct History {
    /// By test, as the log gives them.
    pub tests: Vec<Rejudged>,
    /// Tests of another design, which these limits say nothing about.
    pub other_design: usize,
}

impl History {
    /// How many tests came to a judgement, by the old and the new limits.
    #[must_use]
    pub fn count(&self, verdict: Judgement) -> [usize; 2] {
        [
            self.tests.iter().filter(|t| t.old == verdict).count(),
            self.tests.iter().filter(|t| t.new == verdict).count(),
        ]
    }
}

/// Judges all inspections among the entries by new limits, beside the judgement that counts. The same recordings judged again
/// are no further test. `checks` are the station checks of the log.
///
/// What kept a measurement from being judged keeps it from being judged by other limits too, and the judgement that a correction
/// states stays: a person knew more than the numbers.
#[must_use]
pub fn rejudge(
    entries: &[Stored],
    corrections: &Corrections<'_>,
    checks: &[Stored],
    limits: &Limits,
) -> History {
    let again = Again::new(entries, corrections);
    let tests = entries
        .iter()
        .filter(|s| s.entry.kind == Kind::Inspection && !again.has(s));
    let (mine, other): (Vec<&Stored>, Vec<&Stored>) =
        tests.partition(|s| s.entry.design == limits.design_digest);
    History {
        tests: mine
            .into_iter()
            .map(|s| one(s, corrections, checks, limits))
            .collect(),
        other_design: other.len(),
    }
}

fn one(
    stored: &Stored,
    corrections: &Corrections<'_>,
    checks: &[Stored],
    limits: &Limits,
) -> Rejudged {
    let entry: &Entry = &stored.entry;
    let old = corrections.judgement(stored).0;
    let corrected = corrections.states(stored);
    let (new, because) = if corrected {
        (old, Vec::new())
    } else {
        by_limits(stored, checks, limits)
    };
    Rejudged {
        unit: entry.unit.clone(),
        attempt: entry.attempt,
        at: entry.at.clone(),
        digest: stored.digest.clone(),
        old,
        new,
        corrected,
        because: if new == old { Vec::new() } else { because },
    }
}

/// The judgement by these limits, and what decides it.
fn by_limits(stored: &Stored, checks: &[Stored], limits: &Limits) -> (Judgement, Vec<String>) {
    let entry = &stored.entry;
    let known = match &entry.measurement {
        Some(known) => known.clone(),
        None if unexplained(entry) => {
            let why = "an entry of an older version, which does not say what its doubt was about";
            return (Judgement::Unresolved, vec![why.to_string()]);
        }
        None => supposed(entry, limits),
    };
    let air = entry.conditions.as_ref();
    let concluded = conclude(&entry.values, air, &known, limits);
    let station = station_doubts(stored, checks, limits);
    if !station.is_empty() {
        return (Judgement::Unresolved, station);
    }
    let deciding = concluded
        .judged
        .iter()
        .filter(|v| v.verdict == concluded.verdict && v.verdict != Judgement::Pass)
        .map(|v| v.name.clone());
    let because = concluded.doubts.into_iter().chain(deciding).collect();
    (concluded.verdict, because)
}

/// Whether an entry that does not tell doubts about its measurement may have had one: it could not decide, and either no value says
/// why, or something was said beside the values.
fn unexplained(entry: &Entry) -> bool {
    let has = |verdict: Judgement| entry.values.iter().any(|v| v.verdict == verdict);
    entry.verdict == Judgement::Unresolved
        && (entry.remark.is_some() || has(Judgement::Fail) || !has(Judgement::Unresolved))
}

/// What an older entry's measurement lacked, as far as it shows: these very limits decided it, or nobody knows whether its air was
/// stated.
fn supposed(entry: &Entry, limits: &Limits) -> Measurement {
    let decided = matches!(entry.verdict, Judgement::Pass | Judgement::Fail);
    if decided && entry.limits == limits.digest {
        return Measurement::default();
    }
    Measurement {
        unstated: AIR.map(String::from).to_vec(),
        ..Measurement::default()
    }
}

/// What of the station keeps a test from counting by these limits: calibrations or the last check too old at the time.
fn station_doubts(stored: &Stored, checks: &[Stored], limits: &Limits) -> Vec<String> {
    let mut doubts = Vec::new();
    // A test that these very limits let begin was fit by them.
    if stored.entry.limits == limits.digest {
        return doubts;
    }
    let bench = stored.entry.bench.as_ref();
    if let Some(most) = limits.station.calibrated_within_days {
        match bench.map(|b| b.oldest_days) {
            Some(days) if days <= most => {}
            Some(days) => doubts.push(format!(
                "its oldest calibration was {days:.0} days old, and the limits ask for {most}"
            )),
            None => doubts.push("it names no calibrated station".to_string()),
        }
    }
    if let Some(hours) = limits.station.check_within_h
        && !checked(stored, checks, hours)
    {
        doubts.push(format!(
            "no passed check of its station lies within the {hours} h before it"
        ));
    }
    doubts
}

/// Whether the check that an entry names, or else the last one before it, passed within so many hours.
fn checked(stored: &Stored, checks: &[Stored], hours: f64) -> bool {
    let Ok(then) = stored.entry.at_us() else {
        return false;
    };
    let named = stored.entry.bench.as_ref().and_then(|b| b.check.as_ref());
    let before =
        |c: &&Stored| c.station == stored.station && c.entry.at_us().is_ok_and(|at| at <= then);
    let check = match named {
        Some(digest) => checks.iter().find(|c| c.digest == *digest),
        None => checks
            .iter()
            .filter(before)
            .max_by_key(|c| c.entry.at_us().unwrap_or(i64::MIN)),
    };
    check.is_some_and(|c| {
        let age_us = then.saturating_sub(c.entry.at_us().unwrap_or(i64::MIN));
        c.entry.verdict == Judgement::Pass && age_us as f64 <= hours * 3.6e9
    })
}

#[cfg(test)]
#[path = "rejudge_tests.rs"]
mod tests;
