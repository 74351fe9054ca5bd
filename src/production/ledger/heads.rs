//! Heads of chains, kept beside the log or on paper: what tells that the end of a chain was cut off.
//!
//! One JSON object per line: `at`, `station`, `number`, `digest`. Every audit that finds nothing broken adds the heads it
//! saw, and every later audit wants to find them again. Who can write the log can write this file too: a copy on another
//! machine, a printed head or a unit's certificate proves more.

use super::Head;
use super::audit::Witness;
use crate::files::{FileError, read_whole};
use serde::{Deserialize, Serialize};
use std::io::Write;
use std::path::{Path, PathBuf};

/// A head that was seen.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Seen {
    /// When, RFC 3339.
    pub at: String,
    /// The head.
    #[serde(flatten)]
    pub head: Head,
}

/// A file of heads that cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum HeadsError {
    /// Not readable or writable.
    #[error(transparent)]
    File(#[from] FileError),
    /// A line that is no head.
    #[error("{path}:{line}: {cause}; expected one JSON object per line with at, station, number and digest", path = .path.display())]
    Line {
        /// The file.
        path: PathBuf,
        /// Line, from 1.
        line: usize,
        /// Why.
        cause: String,
    },
}

/// Where the heads of a log in a file are kept.
#[must_use]
pub fn beside(ledger: &Path) -> PathBuf {
    let mut name = ledger.as_os_str().to_owned();
    name.push(".heads");
    PathBuf::from(name)
}

/// Heads of earlier audits; none if there is no file.
///
/// # Errors
/// [`HeadsError`].
pub fn witnesses(path: &Path) -> Result<Vec<Witness>, HeadsError> {
    if !path.exists() {
        return Ok(Vec::new());
    }
    let bytes = read_whole(path)?;
    let text = String::from_utf8_lossy(&bytes);
    let mut list = Vec::new();
    for (i, line) in text.lines().enumerate() {
        if line.trim().is_empty() {
            continue;
        }
        let seen: Seen = serde_json::from_str(line).map_err(|cause| HeadsError::Line {
            path: path.to_path_buf(),
            line: i + 1,
            cause: cause.to_string(),
        })?;
        list.push(Witness {
            source: format!("seen on {}", seen.at),
            station: Some(seen.head.station),
            number: Some(seen.head.number),
            digest: seen.head.digest,
        });
    }
    Ok(list)
}

/// Adds the heads that an audit saw.
///
/// # Errors
/// [`HeadsError`].
pub fn add(path: &Path, at: &str, heads: &[Head]) -> Result<(), HeadsError> {
    let fail = |cause| FileError::Write {
        path: path.to_path_buf(),
        cause,
    };
    let known = witnesses(path)?;
    let mut lines = String::new();
    for head in heads {
        if known.iter().any(|w| w.digest == head.digest) {
            continue;
        }
        let seen = Seen {
            at: at.to_string(),
            head: head.clone(),
        };
        let line = serde_json::to_string(&seen).map_err(|e| fail(std::io::Error::other(e)))?;
        lines += &line;
        lines.push('\n');
    }
    if lines.is_empty() {
        return Ok(());
    }
    // One write at the end of the file: two audits at once do not mix their lines.
    let mut file = std::fs::OpenOptions::new()
        .create(true)
        .append(true)
        .open(path)
        .map_err(fail)?;
    file.write_all(lines.as_bytes()).map_err(fail)?;
    file.sync_all().map_err(fail)?;
    Ok(())
}
