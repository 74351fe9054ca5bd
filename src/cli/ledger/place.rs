//! Where the log and its captures are, as every action takes it.

use crate::cli::failure::Failure;
use crate::cli::output::Output;
use crate::production::archive::{Archive, ArchiveError};
use crate::production::ledger::address::Address;
use crate::production::ledger::heads::HeadsError;
use crate::production::ledger::sqlite::Purpose;
use crate::production::ledger::{LedgerError, Store};
use crate::report::text::wrapped;
use std::path::PathBuf;

/// The log.
#[derive(Debug, Clone, clap::Args)]
pub struct Place {
    /// The log: a file, or postgres://USER@HOST/DATABASE
    #[arg(long, value_name = "FILE|URL")]
    pub ledger: String,
    /// With a server: file of this station, which goes on without it
    #[arg(long, value_name = "FILE")]
    pub spool: Option<PathBuf>,
}

impl Place {
    /// Opens it; says on standard error what a person should know.
    ///
    /// # Errors
    /// [`Failure`].
    pub fn open(&self, purpose: Purpose, out: &Output) -> Result<Box<dyn Store>, Failure> {
        let address = Address::read(&self.ledger)?;
        let begun = match &address {
            Address::File(path) if purpose == Purpose::Write => !path.exists(),
            _ => false,
        };
        let mut store = address.open(self.spool.as_deref(), purpose)?;
        if begun {
            out.remark(format!("note: {}: a new log is begun", self.ledger));
        }
        if let Some(notice) = store.notice() {
            out.remark(format!("note: {notice}"));
        }
        Ok(store)
    }

    /// As [`Place::open`] for writing, and never makes a log.
    ///
    /// # Errors
    /// [`Failure`].
    pub fn open_existing(&self, out: &Output) -> Result<Box<dyn Store>, Failure> {
        if let Address::File(path) = Address::read(&self.ledger)?
            && !path.exists()
        {
            return Err(LedgerError::Missing { path }.into());
        }
        self.open(Purpose::Write, out)
    }

    /// The archive of raw captures: as named, or beside the file.
    ///
    /// # Errors
    /// [`Failure`] if the log is on a server and no folder is named.
    pub fn archive(&self, named: Option<&PathBuf>) -> Result<Archive, Failure> {
        if let Some(folder) = named {
            return Ok(Archive::new(folder));
        }
        let address = Address::read(&self.ledger)?;
        address
            .at_hand(self.spool.as_deref())
            .map(Archive::beside)
            .ok_or_else(|| {
                Failure::input(
                    "the log is on a server, so it is not known where its captures are; name the folder with --archive",
                )
            })
    }
}

impl From<LedgerError> for Failure {
    fn from(error: LedgerError) -> Self {
        match error {
            LedgerError::Locked { .. }
            | LedgerError::Full { .. }
            | LedgerError::ReadOnly { .. }
            | LedgerError::System { .. }
            | LedgerError::Connection { .. }
            | LedgerError::Damaged { .. } => Self::system(error),
            _ => Self::input(error),
        }
    }
}

impl From<ArchiveError> for Failure {
    fn from(error: ArchiveError) -> Self {
        match error {
            ArchiveError::File(error) => error.into(),
            _ => Self::input(error),
        }
    }
}

impl From<HeadsError> for Failure {
    fn from(error: HeadsError) -> Self {
        match error {
            HeadsError::File(error) => error.into(),
            HeadsError::Line { .. } => Self::input(error),
        }
    }
}

/// Now, RFC 3339, to the second.
#[must_use]
pub fn now() -> String {
    let now = jiff::Timestamp::now();
    jiff::Timestamp::from_second(now.as_second())
        .unwrap_or(now)
        .to_string()
}

/// How a digest is shown.
#[must_use]
pub fn short(digest: &str) -> &str {
    digest.get(..12).unwrap_or(digest)
}

/// Text for people, broken at 80 columns, without the last line end.
#[must_use]
pub fn paragraph(text: &str, indent: usize) -> String {
    let mut lines = String::new();
    let text: String = text
        .chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect();
    wrapped(&mut lines, &text, indent);
    lines.truncate(lines.trim_end().len());
    lines
}
