//! Which raw captures a log names, whether they are kept, and which may go.
//!
//! A file may be named by several entries (a retest may share a take). It may go when none of them wants it any longer,
//! and it may be missing when an entry of kind `retention`, not older than any that names it, says that it was removed.

use super::audit::{Break, Damage};
use super::{LedgerError, Store};
use crate::production::archive::{Archive, ArchiveError, Kept};
use crate::production::entry::{Judgement, Kind, RawFile, microseconds};
use rayon::prelude::*;
use serde::Deserialize;
use std::collections::{BTreeMap, HashMap};
use std::sync::atomic::{AtomicU64, Ordering};

/// Microseconds of a day.
const DAY_US: f64 = 86_400e6;

/// How long the captures of a unit are kept, days after the test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rules {
    /// Of units that failed or could not be judged.
    pub failed_days: f64,
    /// Of units that passed, of station checks and of gauge studies. What belongs to a reference unit is always kept.
    pub passed_days: f64,
}

/// A raw capture that a log names.
#[derive(Debug, Clone, PartialEq)]
pub struct Capture {
    /// Station of the first entry that names it.
    pub station: String,
    /// Number of that entry.
    pub number: u64,
    /// Name of the WAV.
    pub file: RawFile,
    /// The newest entry that names it, microseconds since 1970.
    pub last_us: i64,
    /// Until when it is wanted; `None`: always.
    pub wanted_until_us: Option<i64>,
    /// When it was removed.
    pub removed_us: Option<i64>,
}

impl Capture {
    /// Whether its absence is in order.
    #[must_use]
    pub fn removed(&self) -> bool {
        self.removed_us.is_some_and(|at| at >= self.last_us)
    }
}

#[derive(Deserialize)]
struct Body {
    kind: Kind,
    at: String,
    verdict: Judgement,
    #[serde(default)]
    files: Vec<RawFile>,
}

/// All captures that a log names, by digest. Entries that cannot be read are passed over: the audit names them.
///
/// # Errors
/// [`LedgerError`].
pub fn captures(
    store: &mut dyn Store,
    rules: Rules,
) -> Result<BTreeMap<String, Capture>, LedgerError> {
    let end = store.last_position()? + 1;
    let mut all: BTreeMap<String, Capture> = BTreeMap::new();
    let mut removed: HashMap<String, i64> = HashMap::new();
    let mut reader = store.reader()?;
    reader.read(0, end, &mut |row| {
        // Most of the time is JSON; an entry without files does not need it.
        if !row.body.contains("\"files\":[") {
            return Ok(());
        }
        let Ok(body) = serde_json::from_str::<Body>(row.body) else {
            return Ok(());
        };
        let Some(at_us) = microseconds(&body.at) else {
            return Ok(());
        };
        for file in body.files {
            if body.kind == Kind::Retention {
                let at = removed.entry(file.digest).or_insert(at_us);
                *at = at_us.max(*at);
                continue;
            }
            let until = until(rules, body.kind, body.verdict, at_us);
            let one = all.entry(file.digest.clone()).or_insert_with(|| Capture {
                station: row.station.to_string(),
                number: row.number,
                file,
                last_us: at_us,
                wanted_until_us: until,
                removed_us: None,
            });
            one.last_us = one.last_us.max(at_us);
            one.wanted_until_us = match (one.wanted_until_us, until) {
                (Some(a), Some(b)) => Some(a.max(b)),
                _ => None,
            };
        }
        Ok(())
    })?;
    for (digest, at) in removed {
        if let Some(one) = all.get_mut(&digest) {
            one.removed_us = Some(at);
        }
    }
    Ok(all)
}

fn until(rules: Rules, kind: Kind, verdict: Judgement, at_us: i64) -> Option<i64> {
    let days = match (kind, verdict) {
        (Kind::Reference, _) => return None,
        (_, Judgement::Fail | Judgement::Unresolved) => rules.failed_days,
        _ => rules.passed_days,
    };
    Some(at_us.saturating_add((days * DAY_US) as i64))
}

/// Captures that are kept and that no entry wants at `now_us`.
#[must_use]
pub fn expired<'a>(
    all: &'a BTreeMap<String, Capture>,
    archive: &Archive,
    now_us: i64,
) -> Vec<&'a Capture> {
    all.values()
        .filter(|one| one.wanted_until_us.is_some_and(|until| until < now_us))
        .filter(|one| archive.size(&one.file.digest).is_some())
        .collect()
}

/// What an audit found of the captures.
#[derive(Debug, Clone, Default, PartialEq, serde::Serialize)]
pub struct Proof {
    /// Captures that the log names.
    pub named: u64,
    /// Kept, and their bytes are the right ones.
    pub sound: u64,
    /// Removed by the rules of retention.
    pub removed: u64,
    /// Kept with other bytes.
    pub wrong: u64,
    /// Missing without an entry that says so.
    pub missing: u64,
    /// The first of each station that is wrong or missing.
    pub breaks: BTreeMap<String, Break>,
}

/// Unpacks every capture and compares its digest. `step` hears how many are done, from several threads.
///
/// # Errors
/// [`ArchiveError`] if the archive cannot be read.
pub fn prove(
    all: &BTreeMap<String, Capture>,
    archive: &Archive,
    step: &(dyn Fn(u64) + Sync),
) -> Result<Proof, ArchiveError> {
    let done = AtomicU64::new(0);
    let states = all
        .par_iter()
        .map(|(digest, one)| {
            let state = archive.state(digest)?;
            step(done.fetch_add(1, Ordering::Relaxed) + 1);
            Ok((one, state))
        })
        .collect::<Result<Vec<_>, ArchiveError>>()?;
    let mut proof = Proof {
        named: all.len() as u64,
        ..Proof::default()
    };
    for (one, state) in states {
        let (damage, text) = match state {
            Kept::Sound => {
                proof.sound += 1;
                continue;
            }
            Kept::Missing if one.removed() => {
                proof.removed += 1;
                continue;
            }
            Kept::Missing => {
                proof.missing += 1;
                let text = format!(
                    "the capture {} is not in {}, and no entry says that it was removed",
                    one.file.name,
                    archive.folder().display()
                );
                (Damage::MissingFile, text)
            }
            Kept::Wrong { path, what } => {
                proof.wrong += 1;
                let text = format!("the capture {}: {} {what}", one.file.name, path.display());
                (Damage::WrongFile, text)
            }
        };
        let found = Break {
            number: one.number,
            damage,
            text,
        };
        let first = proof
            .breaks
            .entry(one.station.clone())
            .or_insert(found.clone());
        if found.number < first.number {
            *first = found;
        }
    }
    Ok(proof)
}
