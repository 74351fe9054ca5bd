//! `bassay ledger deliver`: brings what a station wrote without its server there, in order.

use super::place::Place;
use crate::cli::Exit;
use crate::cli::failure::Failure;
use crate::cli::output::Output;
use crate::production::ledger::address::Address;
use crate::production::ledger::spool::deliver;
use crate::production::ledger::sqlite::{Purpose, SqliteLedger};

/// Brings entries that a station kept in its own file to the log, in order; what is there already is passed over
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(flatten)]
    place: Place,
}

/// Runs the action.
///
/// # Errors
/// [`Failure`].
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    let Some(spool) = &args.place.spool else {
        return Err(Failure::input(
            "deliver: name the station's file with --spool, and the log with --ledger",
        ));
    };
    let mut from = SqliteLedger::open(spool, Purpose::Read)?;
    // The log itself may be a file too: a bench that was carried away and comes back.
    let mut to = Address::read(&args.place.ledger)?.open(None, Purpose::Write)?;
    let new = deliver(&mut from, to.as_mut(), &mut |n| {
        out.remark(format!("{n} entries delivered"));
    })?;
    if out.json {
        let document = serde_json::json!({ "delivered": new });
        return out
            .named("bassay-delivery/1", &document)
            .map(|()| Exit::Done);
    }
    out.line(match new {
        0 => "Nothing waited: all entries were there already.".to_string(),
        1 => "1 entry delivered.".to_string(),
        n => format!("{n} entries delivered."),
    });
    Ok(Exit::Done)
}
