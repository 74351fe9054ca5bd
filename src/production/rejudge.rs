//! History judged anew by other limits, from the numbers that the entries hold; no entry is touched.

use super::entry::{Entry, Judgement, Kind};
use super::judge::{judge, outside_environment};
use super::ledger::Stored;
use super::lookback::{Corrections, Seen};
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
/// are no further test.
#[must_use]
pub fn rejudge(entries: &[Stored], corrections: &Corrections<'_>, limits: &Limits) -> History {
    let mut seen = Seen::default();
    let tests = entries
        .iter()
        .filter(|s| s.entry.kind == Kind::Inspection && !seen.again(&s.entry));
    let (mine, other): (Vec<&Stored>, Vec<&Stored>) =
        tests.partition(|s| s.entry.design == limits.design_digest);
    History {
        tests: mine
            .into_iter()
            .map(|s| one(s, corrections.judgement(s).0, limits))
            .collect(),
        other_design: other.len(),
    }
}

fn one(stored: &Stored, old: Judgement, limits: &Limits) -> Rejudged {
    let entry: &Entry = &stored.entry;
    let judged = judge(&entry.values, limits);
    let air = entry.conditions.map_or(Vec::new(), |air| {
        outside_environment(&air, [true; 3], limits)
    });
    let new = if air.is_empty() {
        judged.verdict
    } else {
        Judgement::Unresolved
    };
    let mut because = Vec::new();
    if new != old {
        because = air;
        let deciding = judged.values.iter().filter(|v| v.verdict == new);
        because.extend(
            deciding
                .filter(|_| new != Judgement::Pass)
                .map(|v| v.name.clone()),
        );
    }
    Rejudged {
        unit: entry.unit.clone(),
        attempt: entry.attempt,
        at: entry.at.clone(),
        digest: stored.digest.clone(),
        old,
        new,
        because,
    }
}

#[cfg(test)]
#[path = "rejudge_tests.rs"]
mod tests;
