//! The production log: append-only, in one file or in a database that several stations share.
//!
//! Both hold the same entries ([`super::entry`]) in the same chains and answer the same questions, so that the commands and
//! the tests know only [`Ledger`].

pub mod address;
pub mod audit;
pub mod captures;
pub mod error;
pub mod export;
pub mod heads;
pub mod postgres;
mod question;
pub mod record;
pub mod reference;
pub mod spool;
pub mod sqlite;
mod sqlite_schema;

pub use error::LedgerError;
pub use record::{Head, Marks, Record};

use super::entry::{Entry, Judgement, Kind};

/// An entry in its place in its station's chain.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
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

    /// Entries that a filter asks for, oldest first (by time, then station and number); each is proven ([`Row::proven`]).
    ///
    /// # Errors
    /// [`LedgerError`]; [`LedgerError::Edited`] for one that is not what was written.
    fn select(&mut self, filter: &Filter) -> Result<Vec<Stored>, LedgerError>;

    /// The entry with this digest, or with a digest that begins like this, if there is exactly one; it is proven.
    ///
    /// # Errors
    /// [`LedgerError`]; [`LedgerError::Edited`] for one that is not what was written.
    fn find(&mut self, digest: &str) -> Result<Option<Stored>, LedgerError>;

    /// How often this serial has been inspected.
    ///
    /// # Errors
    /// [`LedgerError`].
    fn attempts(&mut self, unit: &str) -> Result<u32, LedgerError>;

    /// What a person should know: entries that wait for the server, answers that come from this station only.
    fn notice(&mut self) -> Option<String> {
        None
    }
}

/// What the log's own upkeep needs beyond [`Ledger`]: audit, delivery, export.
pub trait Store: Ledger {
    /// The file or the server, as messages name it; without a password.
    fn place(&self) -> String;

    /// The last entry of every chain, by station.
    ///
    /// # Errors
    /// [`LedgerError`].
    fn heads(&mut self) -> Result<Vec<Head>, LedgerError>;

    /// Records of a station behind number `after`, in order, at most `most`, as they lie there, sound or not.
    ///
    /// # Errors
    /// [`LedgerError`].
    fn records(
        &mut self,
        station: &str,
        after: u64,
        most: usize,
    ) -> Result<Vec<Record>, LedgerError>;

    /// Takes records that were written elsewhere, each at its place in its chain, all or none; one that is there already is
    /// passed over. Gives back how many are new.
    ///
    /// # Errors
    /// [`LedgerError::Fork`], [`LedgerError::Gap`], [`LedgerError::Digest`] and what the store says.
    fn deliver(&mut self, records: &[Record]) -> Result<usize, LedgerError>;

    /// Position of the newest entry in the store; positions grow in the order of writing, with gaps.
    ///
    /// # Errors
    /// [`LedgerError`].
    fn last_position(&mut self) -> Result<i64, LedgerError>;

    /// A connection of its own that reads what lies in the store, so that several can read at once.
    ///
    /// # Errors
    /// [`LedgerError`].
    fn reader(&self) -> Result<Box<dyn Reader + Send>, LedgerError>;

    /// The database's own check of its pages and indexes; what it found, or nothing.
    ///
    /// # Errors
    /// [`LedgerError`] if it cannot be asked.
    fn integrity(&mut self) -> Result<Option<String>, LedgerError>;
}

/// Reads entries as they lie in the store, sound or not.
pub trait Reader {
    /// All rows with `from` ≤ position < `to`, by position.
    ///
    /// # Errors
    /// [`LedgerError`].
    fn read(
        &mut self,
        from: i64,
        to: i64,
        each: &mut dyn FnMut(&Row<'_>) -> Result<(), LedgerError>,
    ) -> Result<(), LedgerError>;
}

/// A row of the store: the record and the columns that it is searched by. A column that does not hold what it should is
/// empty here.
#[derive(Debug, Clone, Copy)]
pub struct Row<'a> {
    /// Position in the store.
    pub position: i64,
    /// Station.
    pub station: &'a str,
    /// Place in its chain.
    pub number: u64,
    /// Digest of the record before it.
    pub previous: &'a str,
    /// Its own digest.
    pub digest: &'a str,
    /// Column `kind`.
    pub kind: &'a str,
    /// Column `at_us`.
    pub at_us: i64,
    /// Column `unit`.
    pub unit: &'a str,
    /// Column `batch`.
    pub batch: Option<&'a str>,
    /// Column `refers_to`.
    pub refers_to: Option<&'a str>,
    /// Column `verdict`.
    pub verdict: &'a str,
    /// The body.
    pub body: &'a str,
}

impl Row<'_> {
    /// As a record of its own.
    #[must_use]
    pub fn record(&self) -> Record {
        Record {
            station: self.station.to_string(),
            number: self.number,
            previous: self.previous.to_string(),
            digest: self.digest.to_string(),
            body: self.body.to_string(),
        }
    }

    /// What it says, if that is what was written: its digest follows from it, and its columns are those of its body.
    ///
    /// # Errors
    /// [`LedgerError::Edited`], [`LedgerError::Body`], [`LedgerError::Station`].
    pub fn proven(&self) -> Result<Stored, LedgerError> {
        self.prove()?;
        self.record().read()
    }

    /// Whether it is what was written, without reading its values.
    ///
    /// # Errors
    /// As [`Row::proven`].
    pub fn prove(&self) -> Result<(), LedgerError> {
        let edited = |what| LedgerError::Edited {
            station: self.station.to_string(),
            number: self.number,
            what,
        };
        let record = self.record();
        match record.prove() {
            Err(LedgerError::Digest { .. }) => {
                return Err(edited("its digest does not follow from what it says"));
            }
            other => other?,
        }
        if self.agrees(&record.marks()?) {
            Ok(())
        } else {
            Err(edited("the columns beside it do not say what it says"))
        }
    }

    /// Whether the columns say what the body says.
    #[must_use]
    pub fn agrees(&self, marks: &Marks<'_>) -> bool {
        self.kind == marks.kind
            && self.at_us == marks.at_us
            && self.unit == marks.unit
            && self.batch == marks.batch.as_deref()
            && self.refers_to == marks.refers_to.as_deref()
            && self.verdict == marks.verdict
    }
}

/// The one entry of a search by digest.
fn only(mut found: Vec<Stored>, digest: &str) -> Result<Option<Stored>, LedgerError> {
    if found.len() > 1 {
        return Err(LedgerError::Ambiguous {
            found: digest.to_string(),
        });
    }
    Ok(found.pop())
}

/// Looks at a record that came from elsewhere: its digest must follow, its whole body must be one that we can read.
fn delivered(record: &Record) -> Result<Marks<'_>, LedgerError> {
    record.prove()?;
    record.clone().read()?;
    record.marks()
}

/// Whether a delivered record is the next of its chain; false if it is there already. `there` is the digest at its place.
fn follows(
    place: &str,
    record: &Record,
    head: &Head,
    there: Option<String>,
) -> Result<bool, LedgerError> {
    if there.as_ref() == Some(&record.digest) {
        return Ok(false);
    }
    let fork = |number: u64, here: &str, there: String| LedgerError::Fork {
        place: place.to_string(),
        station: record.station.clone(),
        number,
        there,
        here: here.to_string(),
    };
    if record.number > head.number + 1 {
        return Err(LedgerError::Gap {
            place: place.to_string(),
            station: record.station.clone(),
            number: record.number,
            head: head.number,
        });
    }
    if record.number <= head.number {
        let there = there.unwrap_or_else(|| "missing".to_string());
        return Err(fork(record.number, &record.digest, there));
    }
    if record.previous != head.digest {
        return Err(fork(head.number, &record.previous, head.digest.clone()));
    }
    Ok(true)
}
