//! Runs of one number out of the log, and what became of each unit: what charts, causes and yields start from.
//!
//! A correction never changes an entry. Where one refers to an inspection and states a judgement, the newest such judgement
//! (with its cause) counts instead of the one that the entry has; a value of the same name in it counts instead of the entry's.

use super::entry::{Cause, Entry, Judgement, Kind, Value, microseconds};
use super::ledger::Stored;
use super::unit::hidden_below;
use serde::Serialize;
use std::collections::{HashMap, HashSet};

/// One value in its place.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Point {
    /// When, RFC 3339.
    pub at: String,
    /// Station.
    pub station: String,
    /// Unit; empty for a station check.
    pub unit: String,
    /// Batch.
    pub batch: Option<String>,
    /// Which test of this unit.
    pub attempt: u32,
    /// Value.
    pub value: f64,
    /// The level that it lies below, where the noise hides it: then `value` is no measurement.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub hidden_below: Option<f64>,
    /// Expanded uncertainty (k = 2).
    pub expanded: Option<f64>,
    /// Lower limit of that day.
    pub low: Option<f64>,
    /// Upper limit of that day.
    pub high: Option<f64>,
    /// Digest of the entry.
    pub digest: String,
}

/// A run of one number.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Series {
    /// Name of the value.
    pub name: String,
    /// Its unit.
    pub unit: String,
    /// Values, oldest first.
    pub points: Vec<Point>,
    /// Entries in which the number could not be told.
    pub untold: usize,
    /// Entries that do not have it.
    pub missing: usize,
    /// Repeated tests that were left out.
    pub retests: usize,
    /// Entries whose value has another unit, which were left out.
    pub other_unit: usize,
}

impl Series {
    /// How many of the values the noise hides.
    #[must_use]
    pub fn hidden(&self) -> usize {
        let points = self.points.iter();
        points.filter(|p| p.hidden_below.is_some()).count()
    }
}

/// Corrections by the digest that they refer to, newest last.
#[derive(Debug, Default)]
pub struct Corrections<'a> {
    of: HashMap<&'a str, Vec<&'a Entry>>,
}

impl<'a> Corrections<'a> {
    /// From entries of kind correction, oldest first; others are passed over.
    #[must_use]
    pub fn new(entries: &'a [Stored]) -> Self {
        let mut of: HashMap<&str, Vec<&Entry>> = HashMap::new();
        for stored in entries.iter().filter(|s| s.entry.kind == Kind::Correction) {
            if let Some(digest) = &stored.entry.refers_to {
                of.entry(digest).or_default().push(&stored.entry);
            }
        }
        Self { of }
    }

    fn list(&self, digest: &str) -> &[&'a Entry] {
        self.of.get(digest).map_or(&[], Vec::as_slice)
    }

    /// The value of this name that counts for an entry.
    #[must_use]
    pub fn value<'b>(&self, stored: &'b Stored, name: &str) -> Option<&'b Value>
    where
        'a: 'b,
    {
        let named = |entry: &'b Entry| entry.values.iter().find(|v| v.name == name);
        self.list(&stored.digest)
            .iter()
            .rev()
            .find_map(|entry| named(entry))
            .or_else(|| named(&stored.entry))
    }

    /// Whether a correction states a judgement for an entry.
    #[must_use]
    pub fn states(&self, stored: &Stored) -> bool {
        let mut list = self.list(&stored.digest).iter();
        list.any(|entry| entry.verdict != Judgement::None)
    }

    /// Judgement, cause and what else is wrong, as they count for an entry.
    #[must_use]
    pub fn judgement<'b>(&self, stored: &'b Stored) -> (Judgement, Option<&'b Cause>, &'b [Cause])
    where
        'a: 'b,
    {
        let newest = self
            .list(&stored.digest)
            .iter()
            .rev()
            .find(|entry| entry.verdict != Judgement::None);
        match newest {
            // A judgement that names no cause leaves the one that was found.
            Some(entry) if entry.verdict == Judgement::Fail && entry.cause.is_none() => (
                entry.verdict,
                stored.entry.cause.as_ref(),
                &stored.entry.also,
            ),
            Some(entry) => (entry.verdict, entry.cause.as_ref(), &entry.also),
            None => (
                stored.entry.verdict,
                stored.entry.cause.as_ref(),
                &stored.entry.also,
            ),
        }
    }
}

/// Entries of real units, and of virtual ones only where they are all there is, or where they are wanted too; with how many were
/// left out. Training beside production would count as units that nobody built.
#[must_use]
pub fn real_units(mut entries: Vec<Stored>, virtual_too: bool) -> (Vec<Stored>, usize) {
    let all = entries.len();
    let unreal = entries.iter().filter(|s| s.entry.is_virtual()).count();
    if virtual_too || unreal == all {
        return (entries, 0);
    }
    entries.retain(|s| !s.entry.is_virtual());
    (entries, unreal)
}

/// Inspections that are no further test, because they judge recordings anew that another one stands for: the first of these
/// recordings. A first one that only wanted something stated beside the recordings is finished by the next one by the same limits,
/// which then stands for them.
#[derive(Debug, Default)]
pub struct Again<'a>(HashSet<&'a str>);

impl<'a> Again<'a> {
    /// Looks for them among these entries, in whatever order.
    #[must_use]
    pub fn new(entries: &'a [Stored], corrections: &Corrections<'_>) -> Self {
        let mut counted: HashMap<(&str, Vec<&str>), &Stored> = HashMap::new();
        let mut again = HashSet::new();
        for stored in written(entries) {
            let own = stored.entry.recordings();
            if stored.entry.kind != Kind::Inspection || own.is_empty() {
                continue;
            }
            let place = counted.entry((&stored.entry.unit, own));
            let old = *place.or_insert(stored);
            if old.digest == stored.digest {
                continue;
            }
            if finishes(&stored.entry.limits, old, corrections) {
                again.insert(old.digest.as_str());
                counted.insert((&stored.entry.unit, stored.entry.recordings()), stored);
            } else {
                again.insert(stored.digest.as_str());
            }
        }
        Self(again)
    }

    /// Whether an entry is such a one.
    #[must_use]
    pub fn has(&self, stored: &Stored) -> bool {
        self.0.contains(stored.digest.as_str())
    }
}

/// Entries in the order in which they were written.
fn written(entries: &[Stored]) -> Vec<&Stored> {
    let mut list: Vec<&Stored> = entries.iter().collect();
    list.sort_by_key(|s| (s.entry.at_us().unwrap_or(i64::MIN), &s.station, s.number));
    list
}

/// Whether judging the recordings of this test again by these limits finishes it.
#[must_use]
pub fn finishes(limits: &str, earlier: &Stored, corrections: &Corrections<'_>) -> bool {
    let known = earlier.entry.measurement.as_ref();
    known.is_some_and(|m| m.unfinished)
        && earlier.entry.limits == limits
        && !corrections.states(earlier)
}

/// The inspection among these, all of one unit, that stands for the same recordings (digests, sorted).
#[must_use]
pub fn stands_for<'a>(
    recordings: &[&str],
    tests: &'a [Stored],
    corrections: &Corrections<'_>,
) -> Option<&'a Stored> {
    let again = Again::new(tests, corrections);
    let same = |s: &&Stored| {
        s.entry.kind == Kind::Inspection && s.entry.recordings() == recordings && !again.has(s)
    };
    tests.iter().find(same).filter(|_| !recordings.is_empty())
}

/// The run of the number `name` in entries of one kind, oldest first. Without `retests` only the first test of a unit counts:
/// a unit that was mended and tested again says nothing about the process that made it.
#[must_use]
pub fn series(
    entries: &[Stored],
    corrections: &Corrections<'_>,
    name: &str,
    retests: bool,
) -> Series {
    let mut run = Series {
        name: name.to_owned(),
        unit: String::new(),
        points: Vec::new(),
        untold: 0,
        missing: 0,
        retests: 0,
        other_unit: 0,
    };
    let again = Again::new(entries, corrections);
    for stored in entries {
        let entry = &stored.entry;
        if entry.kind == Kind::Correction || again.has(stored) {
            continue;
        }
        if !retests && entry.kind == Kind::Inspection && entry.attempt > 1 {
            run.retests += 1;
            continue;
        }
        let Some(value) = corrections.value(stored, name) else {
            run.missing += 1;
            continue;
        };
        let Some(number) = value.value.filter(|v| v.is_finite()) else {
            run.untold += 1;
            continue;
        };
        if run.points.is_empty() {
            run.unit.clone_from(&value.unit);
        } else if run.unit != value.unit {
            run.other_unit += 1;
            continue;
        }
        run.points.push(Point {
            at: entry.measured().to_owned(),
            station: stored.station.clone(),
            unit: entry.unit.clone(),
            batch: entry.batch.clone(),
            attempt: entry.attempt,
            value: number,
            hidden_below: hidden_below(value),
            expanded: value.expanded,
            low: value.low,
            high: value.high,
            digest: stored.digest.clone(),
        });
    }
    run
}

/// Names of all values in entries, with how many entries have each, most frequent first, then by name.
#[must_use]
pub fn names(entries: &[Stored]) -> Vec<(String, usize)> {
    let mut count: HashMap<&str, usize> = HashMap::new();
    for value in entries.iter().flat_map(|s| &s.entry.values) {
        *count.entry(&value.name).or_default() += 1;
    }
    let mut list: Vec<(String, usize)> =
        count.into_iter().map(|(n, c)| (n.to_owned(), c)).collect();
    list.sort_by(|a, b| b.1.cmp(&a.1).then_with(|| a.0.cmp(&b.0)));
    list
}

/// What became of one unit.
#[derive(Debug, Clone, PartialEq)]
pub struct UnitOutcome {
    /// Serial number.
    pub unit: String,
    /// Batch of its first test.
    pub batch: Option<String>,
    /// Station of its first test.
    pub station: String,
    /// When its first test was recorded, RFC 3339.
    pub at: String,
    /// Judgement of its first test.
    pub first: Judgement,
    /// Cause that its first test named.
    pub cause: Option<Cause>,
    /// What else its first test named.
    pub also: Vec<Cause>,
    /// Judgement of its last test.
    pub last: Judgement,
    /// Tests: judging recordings again that were judged before is none.
    pub tests: usize,
    /// The first test counts as a correction says, not as it was judged.
    pub corrected: bool,
}

/// Outcome of every unit in inspections, oldest first. A unit's tests count in the order in which they were logged: a time that
/// the captures state moves none of them ahead of another.
#[must_use]
pub fn outcomes(entries: &[Stored], corrections: &Corrections<'_>) -> Vec<UnitOutcome> {
    let mut list: Vec<UnitOutcome> = Vec::new();
    let mut place: HashMap<&str, usize> = HashMap::new();
    let again = Again::new(entries, corrections);
    let inspections = written(entries)
        .into_iter()
        .filter(|s| s.entry.kind == Kind::Inspection && !s.entry.unit.is_empty());
    for stored in inspections {
        let entry = &stored.entry;
        if again.has(stored) {
            continue;
        }
        let (verdict, cause, also) = corrections.judgement(stored);
        if let Some(&i) = place.get(entry.unit.as_str()) {
            list[i].last = verdict;
            list[i].tests += 1;
            continue;
        }
        place.insert(&entry.unit, list.len());
        list.push(UnitOutcome {
            unit: entry.unit.clone(),
            batch: entry.batch.clone(),
            station: stored.station.clone(),
            at: entry.measured().to_owned(),
            first: verdict,
            cause: cause.cloned(),
            also: also.to_vec(),
            last: verdict,
            tests: 1,
            corrected: verdict != entry.verdict,
        });
    }
    list.sort_by_key(|u| microseconds(&u.at));
    list
}
