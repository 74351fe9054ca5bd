//! The production log: append-only, in one file or in a database that several stations share.
//!
//! Both hold the same entries ([`super::entry`]) in the same chains and answer the same questions, so that the commands and
//! the tests know only [`Ledger`].

use super::entry::{Entry, Judgement, Kind};

/// An entry in its place in its station's chain.
#[derive(Debug, Clone, PartialEq)]
pub struct Stored {
    /// Station whose chain it is.
    pub station: String,
    /// Place in the chain, from 1.
    pub number: u64,
    /// Digest of the entry before it; 64 zeros for the first.
    pub previous: String,
    /// Its own digest.
    pub digest: String,
    /// What it says.
    pub entry: Entry,
}

/// Which entries are wanted; everything that is `None` or empty is not asked about.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Filter {
    /// Only of this kind.
    pub kind: Option<Kind>,
    /// Only of this unit.
    pub unit: Option<String>,
    /// Only of this batch.
    pub batch: Option<String>,
    /// Only of this station.
    pub station: Option<String>,
    /// Only with this judgement.
    pub verdict: Option<Judgement>,
    /// Not before, RFC 3339.
    pub from: Option<String>,
    /// Before, RFC 3339.
    pub to: Option<String>,
    /// Only the latest so many.
    pub latest: Option<usize>,
}

/// A production log.
pub trait Ledger {
    /// Writes an entry at the end of the station's chain and gives it back in its place, once it is safe on the disk.
    ///
    /// # Errors
    /// [`LedgerError`]; nothing is then written.
    fn append(&mut self, station: &str, entry: &Entry) -> Result<Stored, LedgerError>;

    /// Entries that a filter asks for, oldest first (by time, then station and number).
    ///
    /// # Errors
    /// [`LedgerError`].
    fn select(&mut self, filter: &Filter) -> Result<Vec<Stored>, LedgerError>;

    /// The entry with this digest, or with a digest that begins like this, if there is exactly one.
    ///
    /// # Errors
    /// [`LedgerError`].
    fn find(&mut self, digest: &str) -> Result<Option<Stored>, LedgerError>;

    /// How often this serial has been inspected.
    ///
    /// # Errors
    /// [`LedgerError`].
    fn attempts(&mut self, unit: &str) -> Result<u32, LedgerError>;
}

/// A log that cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum LedgerError {}
