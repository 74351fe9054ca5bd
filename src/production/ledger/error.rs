//! Why a production log cannot be used, and what to do about it.

use crate::production::entry::EntryError;
use std::path::PathBuf;

/// A log that cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum LedgerError {
    /// There is no file.
    #[error("{path}: there is no ledger; name an existing one, or let the first inspection or import make it", path = .path.display())]
    Missing {
        /// The file.
        path: PathBuf,
    },
    /// The file is something else.
    #[error("{path}: is no ledger of bassay: {found}; name another file, nothing was changed in this one", path = .path.display())]
    NotALedger {
        /// The file.
        path: PathBuf,
        /// What it is.
        found: String,
    },
    /// Written by a later version of the program.
    #[error(
        "{place}: has the schema {found}, this program knows up to {known}; use the version of bassay that wrote it, or a later one"
    )]
    Newer {
        /// File or server.
        place: String,
        /// Schema of the file.
        found: i64,
        /// Newest schema that is known.
        known: i64,
    },
    /// Written by an earlier version, and it may not be brought up to date.
    #[error(
        "{place}: has the schema {found} and must be brought to {known} first, but it is opened for reading only; run any command that writes to it, or make it writable"
    )]
    Older {
        /// File or server.
        place: String,
        /// Schema of the file.
        found: i64,
        /// Newest schema that is known.
        known: i64,
    },
    /// The database itself is damaged.
    #[error("{path}: is damaged: {what}; stop writing to it, copy it with its -wal file, and take the last backup or the stations' spools", path = .path.display())]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What was found.
        what: String,
    },
    /// Another process holds the file.
    #[error("{path}: is locked by another program for more than {seconds} s; end what holds it (a backup, another tool), then try again; nothing was written", path = .path.display())]
    Locked {
        /// The file.
        path: PathBuf,
        /// How long was waited, s.
        seconds: u64,
    },
    /// No room.
    #[error("{path}: the disk is full or a size limit is reached; make room, then repeat; nothing was written", path = .path.display())]
    Full {
        /// The file.
        path: PathBuf,
    },
    /// The file may not be written.
    #[error("{path}: is read-only; check the rights of the file and of its folder; nothing was written", path = .path.display())]
    ReadOnly {
        /// The file.
        path: PathBuf,
    },
    /// Anything else that the file or the database says.
    #[error("{place}: {cause}")]
    System {
        /// File or server.
        place: String,
        /// Why.
        cause: String,
    },
    /// An entry that must not be written.
    #[error(transparent)]
    Entry(#[from] EntryError),
    /// A name that cannot stand in a chain.
    #[error("station «{found}»: expected 1 to 64 bytes, no line end, no space at the ends")]
    Station {
        /// Found.
        found: String,
    },
    /// A time that is none.
    #[error("{what}: found «{found}»; expected a time with offset as in 2026-03-14T10:20:00Z")]
    Time {
        /// Which.
        what: &'static str,
        /// Found.
        found: String,
    },
    /// Not the address of a ledger.
    #[error("--ledger {found}: {why}; expected a file, or postgres://USER@HOST/DATABASE")]
    Address {
        /// As typed, without a password.
        found: String,
        /// What is wrong.
        why: String,
    },
    /// The server cannot be reached.
    #[error(
        "{place}: cannot be reached: {cause}; check network, address and rights; a station that has a file of its own (--spool FILE) inspects on without it"
    )]
    Connection {
        /// The server, without a password.
        place: String,
        /// Why.
        cause: String,
    },
    /// Two histories of one station.
    #[error(
        "{place}: entry {number} of station «{station}» is {there}, and {here} was delivered for the same place: one station's name was used by two chains; give each bench its own name, then keep both files for whoever audits them"
    )]
    Fork {
        /// Where.
        place: String,
        /// The station.
        station: String,
        /// Place in its chain.
        number: u64,
        /// Digest that is there.
        there: String,
        /// Digest that was delivered.
        here: String,
    },
    /// An entry does not follow the last one.
    #[error(
        "{place}: entry {number} of station «{station}» does not follow entry {head}, the last there; deliver what lies between first"
    )]
    Gap {
        /// Where.
        place: String,
        /// The station.
        station: String,
        /// Place that was delivered.
        number: u64,
        /// Last place that is there.
        head: u64,
    },
    /// A delivered entry does not have the digest that it states.
    #[error(
        "entry {number} of station «{station}»: its digest does not follow from what it says; it was changed after it was written, so it was not taken"
    )]
    Digest {
        /// The station.
        station: String,
        /// Place in the chain.
        number: u64,
    },
    /// An entry in the store is not what was written.
    #[error(
        "entry {number} of station «{station}» was changed after it was written: {what}; nothing that needs it is told from this log; run «bassay ledger audit»"
    )]
    Edited {
        /// The station.
        station: String,
        /// Place in the chain.
        number: u64,
        /// What does not fit.
        what: &'static str,
    },
    /// The body of an entry cannot be read.
    #[error(
        "entry {number} of station «{station}» cannot be read: {cause}; run «bassay ledger audit»"
    )]
    Body {
        /// The station.
        station: String,
        /// Place in the chain.
        number: u64,
        /// Why.
        cause: String,
    },
    /// A digest that begins like this belongs to more than one entry.
    #[error("digest {found}: several entries begin like this; give more digits")]
    Ambiguous {
        /// As typed.
        found: String,
    },
}
