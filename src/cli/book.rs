//! Opening the production log that an option names.

use super::failure::Failure;
use crate::production::ledger::Store;
use crate::production::ledger::address::Address;
use crate::production::ledger::sqlite::Purpose;

/// Opens a log, a file or a server; with [`Purpose::Write`] a file is made if there is none.
///
/// # Errors
/// [`Failure`] names why it cannot be used.
pub fn open(place: &str, purpose: Purpose) -> Result<Box<dyn Store>, Failure> {
    Ok(Address::read(place)?.open(None, purpose)?)
}
