//! A station that goes on without its server: it writes to a file of its own and delivers later, in order.
//!
//! The file holds the station's whole chain, also what is delivered, so that it can be held against the server, and so that
//! the next entry has its predecessor at hand when there is no connection. Whatever was lost on either side is what the
//! other still has: delivering again what is there already changes nothing.

use super::postgres::PostgresLedger;
use super::sqlite::{Purpose, SqliteLedger};
use super::{Filter, Head, Ledger, LedgerError, Reader, Record, Store, Stored};
use crate::production::entry::Entry;
use std::path::Path;
use std::time::{Duration, Instant};

/// Records that are sent in one transaction.
const BLOCK: usize = 200;

/// How long a server that did not answer is left alone.
const PAUSE: Duration = Duration::from_secs(30);

/// A log on a server with a file of this station in front.
#[derive(Debug)]
pub struct SpooledLedger {
    local: SqliteLedger,
    address: String,
    remote: Option<PostgresLedger>,
    trouble: Option<LedgerError>,
    tried: Instant,
}

impl SpooledLedger {
    /// Opens the file, and the server if it answers; then delivers what waits.
    ///
    /// # Errors
    /// [`LedgerError`] of the file or the address. A server that does not answer is no error: [`Ledger::notice`] tells.
    pub fn open(spool: &Path, address: &str) -> Result<Self, LedgerError> {
        let mut one = Self {
            local: SqliteLedger::open(spool, Purpose::Write)?,
            address: address.to_string(),
            remote: None,
            trouble: None,
            tried: Instant::now(),
        };
        match PostgresLedger::connect(address, Duration::ZERO) {
            Ok(remote) => one.remote = Some(remote),
            Err(error @ LedgerError::Connection { .. }) => one.trouble = Some(error),
            Err(error) => return Err(error),
        }
        one.push();
        Ok(one)
    }

    /// Delivers what waits; whatever hinders it is kept for [`Ledger::notice`].
    fn push(&mut self) {
        if self.remote.is_none() && self.tried.elapsed() > PAUSE {
            self.tried = Instant::now();
            match PostgresLedger::connect(&self.address, Duration::ZERO) {
                Ok(remote) => self.remote = Some(remote),
                Err(error) => self.trouble = Some(error),
            }
        }
        if let Some(remote) = &mut self.remote {
            match deliver(&mut self.local, remote, &mut |_| ()) {
                Ok(_) => self.trouble = None,
                Err(error) => self.failed(error),
            }
        }
    }

    fn failed(&mut self, error: LedgerError) {
        if matches!(error, LedgerError::Connection { .. }) {
            self.remote = None;
            self.tried = Instant::now();
        }
        self.trouble = Some(error);
    }

    /// Takes from the server what this station wrote there from elsewhere or before its file was new.
    fn pull(&mut self, station: &str) -> Result<(), LedgerError> {
        let Some(remote) = &mut self.remote else {
            return Ok(());
        };
        loop {
            let here = head(&mut self.local, station)?;
            match remote.records(station, here.number, BLOCK) {
                Ok(records) if records.is_empty() => return Ok(()),
                Ok(records) => self.local.deliver(&records)?,
                Err(error @ LedgerError::Connection { .. }) => {
                    self.failed(error);
                    return Ok(());
                }
                Err(error) => return Err(error),
            };
        }
    }

    /// Asks the server, or this station's file where it does not answer.
    fn ask<T>(
        &mut self,
        question: impl Fn(&mut dyn Ledger) -> Result<T, LedgerError>,
    ) -> Result<T, LedgerError> {
        self.push();
        if self.trouble.is_none()
            && let Some(remote) = &mut self.remote
        {
            match question(remote) {
                Err(error @ LedgerError::Connection { .. }) => self.failed(error),
                other => return other,
            }
        }
        question(&mut self.local)
    }
}

fn head(store: &mut dyn Store, station: &str) -> Result<Head, LedgerError> {
    let heads = store.heads()?;
    let found = heads.into_iter().find(|head| head.station == station);
    Ok(found.unwrap_or_else(|| Head::begin(station)))
}

/// Delivers from one store what the other does not have, chain by chain, in order; gives back how many entries were new.
/// `step` hears of every block.
///
/// # Errors
/// [`LedgerError::Fork`] where the two have different entries at one place; what was delivered before stays.
pub fn deliver(
    from: &mut dyn Store,
    to: &mut dyn Store,
    step: &mut dyn FnMut(usize),
) -> Result<usize, LedgerError> {
    let there = to.heads()?;
    let mut total = 0;
    for here in from.heads()? {
        let mut after = there
            .iter()
            .find(|head| head.station == here.station)
            .map_or(0, |head| head.number.min(here.number));
        // The last common entry goes along: the other store sees from it whether both have the same history.
        after = after.saturating_sub(1);
        loop {
            let block = from.records(&here.station, after, BLOCK)?;
            let Some(last) = block.last() else { break };
            after = last.number;
            total += to.deliver(&block)?;
            step(total);
        }
    }
    Ok(total)
}

/// A chain of a station's file held against the server's.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct Against {
    /// Whose chain.
    pub station: String,
    /// Entries in the file.
    pub here: u64,
    /// Entries on the server.
    pub there: u64,
    /// The first entry that is another one on the server; `None`: what both have is the same.
    pub differs_at: Option<u64>,
}

impl Against {
    /// Entries that the server does not have yet.
    #[must_use]
    pub fn waiting(&self) -> u64 {
        self.here.saturating_sub(self.there)
    }
}

/// Holds every chain of a station's file against the server's, without writing anything on either side. Both are taken for
/// whole: then two chains that have one digest in common are the same up to there.
///
/// # Errors
/// [`LedgerError`] where either cannot be read.
pub fn against(here: &mut dyn Store, there: &mut dyn Store) -> Result<Vec<Against>, LedgerError> {
    let heads = there.heads()?;
    let mut list = Vec::new();
    for head in here.heads()? {
        let station = head.station;
        let other = heads.iter().find(|h| h.station == station);
        let there_count = other.map_or(0, |h| h.number);
        let common = head.number.min(there_count);
        let mut same = |number: u64| -> Result<bool, LedgerError> {
            let digest = |store: &mut dyn Store| -> Result<Option<String>, LedgerError> {
                let found = store.records(&station, number - 1, 1)?;
                Ok(found.into_iter().next().map(|r| r.digest))
            };
            Ok(digest(here)? == digest(there)?)
        };
        let mut differs_at = None;
        if common > 0 && !same(common)? {
            // Once apart, two chains stay apart.
            let (mut alike, mut apart) = (0, common);
            while apart - alike > 1 {
                let middle = alike + (apart - alike) / 2;
                if same(middle)? {
                    alike = middle;
                } else {
                    apart = middle;
                }
            }
            differs_at = Some(apart);
        }
        list.push(Against {
            here: head.number,
            there: there_count,
            differs_at,
            station,
        });
    }
    Ok(list)
}

impl Ledger for SpooledLedger {
    fn append(&mut self, station: &str, entry: &Entry) -> Result<Stored, LedgerError> {
        self.pull(station)?;
        let stored = self.local.append(station, entry)?;
        self.push();
        Ok(stored)
    }

    fn select(&mut self, filter: &Filter) -> Result<Vec<Stored>, LedgerError> {
        self.ask(|ledger| ledger.select(filter))
    }

    fn find(&mut self, digest: &str) -> Result<Option<Stored>, LedgerError> {
        self.ask(|ledger| ledger.find(digest))
    }

    fn attempts(&mut self, unit: &str) -> Result<u32, LedgerError> {
        self.ask(|ledger| ledger.attempts(unit))
    }

    fn notice(&mut self) -> Option<String> {
        let trouble = self.trouble.as_ref()?;
        Some(format!(
            "entries are kept in {} and not yet on the server; what is listed is this station's own\n  ({trouble})",
            self.local.path().display()
        ))
    }
}

impl Store for SpooledLedger {
    fn place(&self) -> String {
        self.local.place()
    }

    fn heads(&mut self) -> Result<Vec<Head>, LedgerError> {
        self.local.heads()
    }

    fn records(
        &mut self,
        station: &str,
        after: u64,
        most: usize,
    ) -> Result<Vec<Record>, LedgerError> {
        self.local.records(station, after, most)
    }

    fn deliver(&mut self, records: &[Record]) -> Result<usize, LedgerError> {
        let new = self.local.deliver(records)?;
        self.push();
        Ok(new)
    }

    fn last_position(&mut self) -> Result<i64, LedgerError> {
        self.local.last_position()
    }

    fn reader(&self) -> Result<Box<dyn Reader + Send>, LedgerError> {
        self.local.reader()
    }

    fn integrity(&mut self) -> Result<Option<String>, LedgerError> {
        self.local.integrity()
    }
}
