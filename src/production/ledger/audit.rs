//! Proves the chains of a log, and names the first break of each.
//!
//! Every digest is computed anew from the text it covers ([`crate::production::entry::digest`]), every entry must name the
//! digest of the one before it, numbers must run from 1 without a gap, and the columns that a database searches by must say
//! what the body says. Connections of their own read the store side by side; per entry only its number and digests are kept
//! (88 bytes).
//!
//! What this proves: nothing ahead of a chain's last entry was changed, put in, taken out or exchanged since that last
//! entry was written. What it cannot prove by itself: that the end was not cut off, or the whole chain written anew. For
//! that somebody must have kept a later digest elsewhere: a [`Witness`].

use super::record::Marks;
use super::{Head, LedgerError, Reader, Row, Store};
use crate::production::entry::{BEGIN, digest};
use blake3::Hash;
use serde::Serialize;
use std::collections::{BTreeMap, HashMap};
use std::sync::atomic::{AtomicI64, AtomicU64, Ordering};

/// Positions that one connection reads at a time.
const BLOCK: i64 = 4096;

/// What an audit found.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Audit {
    /// Entries that were read.
    pub records: u64,
    /// One chain each, by name.
    pub stations: Vec<Chain>,
    /// Witnesses that name no station and are nowhere in the log.
    pub lost: Vec<String>,
}

/// One station's chain.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Chain {
    /// Station.
    pub station: String,
    /// Entries.
    pub records: u64,
    /// The last entry.
    pub head: Head,
    /// Where it breaks first.
    #[serde(rename = "break")]
    pub broken: Option<Break>,
}

/// The first break of a chain.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Break {
    /// Number of the entry.
    pub number: u64,
    /// What was done.
    pub damage: Damage,
    /// In words.
    pub text: String,
}

/// What was done to a chain or to its files.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Damage {
    /// An entry says something else than when it was written.
    Edited,
    /// Entries are missing.
    Deleted,
    /// Entries stand in another order.
    Reordered,
    /// An entry was put in.
    Inserted,
    /// The columns that are searched say something else than the entry.
    Columns,
    /// The chain is whole, and the entry cannot be read.
    Unreadable,
    /// The end of the chain is missing or was written anew: somebody holds a digest that is gone.
    CutOff,
    /// A raw file has other bytes.
    WrongFile,
    /// A raw file is not there, and no entry says that it was removed.
    MissingFile,
}

/// A digest that somebody has seen in this log, and kept elsewhere.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Witness {
    /// Station, if it is known.
    pub station: Option<String>,
    /// Number, if it is known.
    pub number: Option<u64>,
    /// Digest, or how it begins.
    pub digest: String,
    /// Who says so.
    pub source: String,
}

/// What is kept of an entry.
#[derive(Debug, Clone, Copy)]
struct Link {
    number: u64,
    position: i64,
    previous: Hash,
    digest: Hash,
    state: State,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    Sound,
    /// Its digest does not follow.
    Changed,
    Unreadable,
    Columns,
}

/// Reads the whole log. `step` hears how many entries were read so far, from several threads.
///
/// # Errors
/// [`LedgerError`] if the store cannot be read; breaks are no errors.
pub fn audit(
    store: &mut dyn Store,
    witnesses: &[Witness],
    step: &(dyn Fn(u64) + Sync),
) -> Result<Audit, LedgerError> {
    let end = store.last_position()? + 1;
    let threads = std::thread::available_parallelism().map_or(1, |n| n.get().min(8));
    let readers = (0..threads)
        .map(|_| store.reader())
        .collect::<Result<Vec<_>, _>>()?;
    let (next, read) = (AtomicI64::new(0), AtomicU64::new(0));
    let work = |mut reader: Box<dyn Reader + Send>| -> Result<Links, LedgerError> {
        let mut links = Links::default();
        loop {
            let from = next.fetch_add(BLOCK, Ordering::Relaxed);
            if from >= end {
                return Ok(links);
            }
            let mut count = 0;
            reader.read(from, end.min(from + BLOCK), &mut |row| {
                links.add(row);
                count += 1;
                Ok(())
            })?;
            step(read.fetch_add(count, Ordering::Relaxed) + count);
        }
    };
    let parts = std::thread::scope(|scope| {
        let running: Vec<_> = readers
            .into_iter()
            .map(|reader| scope.spawn(|| work(reader)))
            .collect();
        running
            .into_iter()
            .map(|one| {
                one.join()
                    .unwrap_or_else(|panic| std::panic::resume_unwind(panic))
            })
            .collect::<Result<Vec<_>, _>>()
    })?;
    let mut chains: BTreeMap<String, Vec<Link>> = BTreeMap::new();
    for part in parts {
        for (station, links) in part.chains {
            chains.entry(station).or_default().extend(links);
        }
    }
    let mut reader = store.reader()?;
    let mut stations = Vec::new();
    for (station, links) in &mut chains {
        links.sort_unstable_by_key(|link| (link.number, link.position));
        stations.push(chain(station, links, reader.as_mut())?);
    }
    let lost = testify(&chains, &mut stations, witnesses);
    Ok(Audit {
        records: read.into_inner(),
        stations,
        lost,
    })
}

impl Audit {
    /// Whether nothing is broken.
    #[must_use]
    pub fn whole(&self) -> bool {
        self.lost.is_empty() && self.stations.iter().all(|chain| chain.broken.is_none())
    }
}

#[derive(Default)]
struct Links {
    chains: HashMap<String, Vec<Link>>,
    buffer: Vec<u8>,
}

impl Links {
    fn add(&mut self, row: &Row<'_>) {
        let own = digest(
            row.previous,
            row.station,
            row.number,
            row.body,
            &mut self.buffer,
        );
        let hash = |text: &str| Hash::from_hex(text).unwrap_or(Hash::from_bytes([0xFF; 32]));
        let stated = hash(row.digest);
        let state = if own != stated {
            State::Changed
        } else {
            match Marks::of(row.body) {
                Err(_) => State::Unreadable,
                Ok(marks) if row.agrees(&marks) => State::Sound,
                Ok(_) => State::Columns,
            }
        };
        let link = Link {
            number: row.number,
            position: row.position,
            previous: hash(row.previous),
            digest: stated,
            state,
        };
        match self.chains.get_mut(row.station) {
            Some(chain) => chain.push(link),
            None => {
                self.chains.insert(row.station.to_string(), vec![link]);
            }
        }
    }
}

fn chain(
    station: &str,
    links: &[Link],
    reader: &mut (dyn Reader + Send),
) -> Result<Chain, LedgerError> {
    let head = links.last().map_or_else(
        || Head::begin(station),
        |last| Head {
            station: station.to_string(),
            number: last.number,
            digest: last.digest.to_hex().to_string(),
        },
    );
    Ok(Chain {
        station: station.to_string(),
        records: links.len() as u64,
        head,
        broken: first_break(station, links, reader)?,
    })
}

fn first_break(
    station: &str,
    links: &[Link],
    reader: &mut (dyn Reader + Send),
) -> Result<Option<Break>, LedgerError> {
    let found = |number: u64, damage, text: String| {
        Ok(Some(Break {
            number,
            damage,
            text,
        }))
    };
    let mut before = Hash::from_hex(BEGIN).unwrap_or(Hash::from_bytes([0; 32]));
    for (i, link) in links.iter().enumerate() {
        let n = i as u64 + 1;
        if link.number > n {
            let last = link.number - 1;
            let text = if last == n {
                format!("entry {n} is missing; entry {} follows", link.number)
            } else {
                format!(
                    "entries {n} to {last} are missing; entry {} follows",
                    link.number
                )
            };
            return found(n, Damage::Deleted, text);
        }
        if link.number < n {
            let text = format!(
                "two entries have the number {}; one was put in",
                link.number
            );
            return found(link.number, Damage::Inserted, text);
        }
        match link.state {
            State::Changed => return why(station, links, i, reader).map(Some),
            _ if link.previous != before => {
                let n = n.saturating_sub(1).max(1);
                let text = format!(
                    "entry {n} is not the one that the next was written after; it was written anew with a digest of its own"
                );
                return found(n, Damage::Edited, text);
            }
            State::Unreadable => {
                let text = format!(
                    "entry {n} has the digest it was written with, and its body cannot be read by this version"
                );
                return found(n, Damage::Unreadable, text);
            }
            State::Columns => {
                let text = format!(
                    "the entry {n} is whole, and the columns beside it (kind, at_us, unit, batch, refers_to, verdict) say something else: searches do not find it rightly"
                );
                return found(n, Damage::Columns, text);
            }
            State::Sound => before = link.digest,
        }
    }
    Ok(None)
}

/// What became of an entry whose digest does not follow: moved, pushed aside, or changed.
fn why(
    station: &str,
    links: &[Link],
    i: usize,
    reader: &mut (dyn Reader + Send),
) -> Result<Break, LedgerError> {
    let link = &links[i];
    let n = link.number;
    let (mut body, mut previous) = (String::new(), String::new());
    reader.read(link.position, link.position + 1, &mut |row| {
        body = row.body.to_string();
        previous = row.previous.to_string();
        Ok(())
    })?;
    let found = |number, damage, text| {
        Ok(Break {
            number,
            damage,
            text,
        })
    };
    let mut buffer = Vec::new();
    let longest = links.len() as u64 * 2 + 16;
    // The number it was written with, if only that was changed.
    let was =
        (1..=longest).find(|&m| digest(&previous, station, m, &body, &mut buffer) == link.digest);
    if let Some(was) = was {
        let holder = links.iter().position(|l| l.digest == link.previous);
        let start = previous == BEGIN;
        if was < n {
            let pushed = (n - was) as usize;
            let follows = match holder {
                Some(j) => j + 1 + pushed == i,
                None => start && pushed == i,
            };
            if follows {
                let first = n - pushed as u64;
                let text = format!(
                    "entry {first} was put in; what stands at {n} was written as entry {was}"
                );
                return found(first, Damage::Inserted, text);
            }
        } else if holder.is_none() && !start {
            let last = was - 1;
            let text = if last == n {
                format!("the entry {n} is missing, and those behind it were given new numbers")
            } else {
                format!(
                    "the entries {n} to {last} are missing, and those behind them were given new numbers"
                )
            };
            return found(n, Damage::Deleted, text);
        }
        let text = format!("what stands at {n} was written as entry {was}");
        return found(n, Damage::Reordered, text);
    }
    let other = links.iter().find(|l| {
        l.number != n && {
            let previous = l.previous.to_hex();
            digest(&previous, station, l.number, &body, &mut buffer) == l.digest
        }
    });
    if let Some(other) = other {
        let text = format!("entry {n} holds what was written as entry {}", other.number);
        return found(n, Damage::Reordered, text);
    }
    let text = format!(
        "entry {n} was changed after it was written: its digest does not follow from what it says"
    );
    found(n, Damage::Edited, text)
}

/// Holds the chains against what others have seen; gives back what belongs to no chain.
fn testify(
    chains: &BTreeMap<String, Vec<Link>>,
    stations: &mut [Chain],
    witnesses: &[Witness],
) -> Vec<String> {
    if witnesses.is_empty() {
        return Vec::new();
    }
    // Hex digits in order, so that the beginning of a digest finds it.
    let mut known: Vec<(String, &str, u64)> = chains
        .iter()
        .flat_map(|(station, links)| {
            links
                .iter()
                .map(|l| (l.digest.to_hex().to_string(), station.as_str(), l.number))
        })
        .collect();
    known.sort_unstable();
    let mut lost = Vec::new();
    for witness in witnesses {
        let from = known.partition_point(|(digest, ..)| *digest < witness.digest);
        let seen = known[from..]
            .iter()
            .take_while(|(digest, ..)| digest.starts_with(&witness.digest))
            .any(|(_, station, number)| {
                witness.station.as_ref().is_none_or(|s| s == station)
                    && witness.number.is_none_or(|n| n == *number)
            });
        if seen {
            continue;
        }
        let said = format!("digest {} ({})", short(&witness.digest), witness.source);
        let chain = stations
            .iter_mut()
            .find(|chain| witness.station.as_ref() == Some(&chain.station));
        let Some(chain) = chain else {
            lost.push(match &witness.station {
                Some(station) => {
                    format!("no entry of station «{station}» is there, and {said} was")
                }
                None => format!("no entry has the {said}: entries were cut off or written anew"),
            });
            continue;
        };
        let last = chain.head.number;
        let number = witness.number.unwrap_or(last);
        let text = if number > last {
            format!(
                "the chain ends with entry {last}, and entry {number}, {said}, was there: its end was cut off"
            )
        } else {
            format!("entry {number} had the {said} and has another: the chain was written anew")
        };
        let broken = Break {
            number: number.min(last + 1),
            damage: Damage::CutOff,
            text,
        };
        if chain
            .broken
            .as_ref()
            .is_none_or(|b| b.number > broken.number)
        {
            chain.broken = Some(broken);
        }
    }
    lost
}

fn short(digest: &str) -> &str {
    digest.get(..16).unwrap_or(digest)
}
