//! What `--ledger` names: a file, or a server.

use super::postgres::PostgresLedger;
use super::spool::SpooledLedger;
use super::sqlite::{Purpose, SqliteLedger};
use super::{LedgerError, Store};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// How long a lost connection to a server is tried again where no spool takes its place.
const PATIENCE: Duration = Duration::from_secs(20);

/// The place of a log.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Address {
    /// A file.
    File(PathBuf),
    /// A server, as typed.
    Server(String),
}

impl Address {
    /// Reads an address.
    ///
    /// # Errors
    /// [`LedgerError::Address`].
    pub fn read(text: &str) -> Result<Self, LedgerError> {
        if text.starts_with("postgres://") || text.starts_with("postgresql://") {
            return Ok(Self::Server(text.to_string()));
        }
        let wrong = |why: &str| {
            Err(LedgerError::Address {
                // What stands ahead of an @ may hold a password.
                found: text.rsplit('@').next().unwrap_or(text).to_string(),
                why: why.to_string(),
            })
        };
        if text.is_empty() {
            return wrong("names nothing");
        }
        if text.contains("://") {
            return wrong("is no kind of server that is known");
        }
        Ok(Self::File(PathBuf::from(text)))
    }

    /// Opens the log; with a `spool`, a server may be away.
    ///
    /// # Errors
    /// [`LedgerError`].
    pub fn open(
        &self,
        spool: Option<&Path>,
        purpose: Purpose,
    ) -> Result<Box<dyn Store>, LedgerError> {
        match (self, spool) {
            (Self::File(path), None) => Ok(Box::new(SqliteLedger::open(path, purpose)?)),
            (Self::File(path), Some(_)) => Err(LedgerError::Address {
                found: path.display().to_string(),
                why: "is a file, and --spool goes with a server only".to_string(),
            }),
            (Self::Server(address), Some(spool)) => {
                Ok(Box::new(SpooledLedger::open(spool, address)?))
            }
            (Self::Server(address), None) => {
                Ok(Box::new(PostgresLedger::connect(address, PATIENCE)?))
            }
        }
    }

    /// The file that lies at hand: the log itself, or the spool; raw captures and heads are kept beside it.
    #[must_use]
    pub fn at_hand<'a>(&'a self, spool: Option<&'a Path>) -> Option<&'a Path> {
        match self {
            Self::File(path) => Some(path),
            Self::Server(_) => spool,
        }
    }
}
