//! Opening the production log that an option names.

use super::failure::Failure;
use crate::production::ledger::Ledger;
use crate::production::ledger::sqlite::{Purpose, SqliteLedger};
use std::path::Path;

/// Opens a log; with [`Purpose::Write`] a file is made if there is none.
///
/// # Errors
/// [`Failure`] (exit status 4) names why it cannot be used.
pub fn open(place: &str, purpose: Purpose) -> Result<Box<dyn Ledger>, Failure> {
    let ledger = SqliteLedger::open(Path::new(place), purpose).map_err(Failure::system)?;
    Ok(Box::new(ledger))
}
