//! `bassay ledger audit`: proves the chains and the raw captures, and names the first break of each station.

use super::list::fit;
use super::place::{Place, now, paragraph, short};
use super::prune::ALWAYS;
use crate::cli::Exit;
use crate::cli::failure::Failure;
use crate::cli::output::Output;
use crate::production::ledger::address::Address;
use crate::production::ledger::audit::{Audit, Witness, audit};
use crate::production::ledger::captures::{Proof, captures, prove};
use crate::production::ledger::heads;
use crate::production::ledger::postgres::PostgresLedger;
use crate::production::ledger::spool::{Against, against};
use crate::production::ledger::sqlite::{Purpose, SqliteLedger};
use crate::production::ledger::{LedgerError, Store};
use serde::Serialize;
use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

/// Proves the chains and the raw captures; exit status 1 if anything is broken
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(flatten)]
    place: Place,
    /// A digest that must be there, as printed by an earlier audit or on a certificate; may be given several times
    #[arg(long, value_name = "[STATION:NUMBER:]DIGEST", value_parser = witness)]
    expect_head: Vec<Witness>,
    /// Heads of earlier audits; beside the file if left out
    #[arg(long, value_name = "FILE")]
    heads: Option<PathBuf>,
    /// Folder of the raw captures; beside the file if left out
    #[arg(long, value_name = "DIR")]
    archive: Option<PathBuf>,
    /// Only the chains: neither captures nor the database's own pages
    #[arg(long)]
    chains_only: bool,
}

#[derive(Serialize)]
struct Document<'a> {
    format: &'static str,
    whole: bool,
    #[serde(flatten)]
    audit: &'a Audit,
    database: Option<&'a String>,
    captures: Option<&'a Proof>,
    #[serde(skip_serializing_if = "Option::is_none")]
    server: Option<&'a Server>,
}

fn witness(text: &str) -> Result<Witness, String> {
    let expected = "expected a digest of at least 12 hex digits, or STATION:NUMBER:DIGEST";
    let parts: Vec<&str> = text.rsplitn(3, ':').collect();
    let (digest, number, station) = match parts.as_slice() {
        [digest] => (*digest, None, None),
        [digest, number, station] => {
            let number = number.parse().map_err(|_| expected.to_string())?;
            (*digest, Some(number), Some((*station).to_string()))
        }
        _ => return Err(expected.to_string()),
    };
    let digest = digest.to_ascii_lowercase();
    if !(12..=64).contains(&digest.len()) || !digest.bytes().all(|b| b.is_ascii_hexdigit()) {
        return Err(expected.to_string());
    }
    Ok(Witness {
        station,
        number,
        digest,
        source: "--expect-head".to_string(),
    })
}

/// Runs the action.
///
/// # Errors
/// [`Failure`] if the log cannot be read.
pub fn run(args: &Args, out: &Output) -> Result<Exit, Failure> {
    let address = Address::read(&args.place.ledger)?;
    // A station's own file is proved as it lies there: an audit delivers nothing, and needs no server.
    let spool = match (&address, &args.place.spool) {
        (Address::Server(_), Some(spool)) => Some(spool),
        _ => None,
    };
    let mut store: Box<dyn Store> = match spool {
        Some(file) => Box::new(SqliteLedger::open(file, Purpose::Read)?),
        None => args.place.open(Purpose::Read, out)?,
    };
    let at_hand = address.at_hand(args.place.spool.as_deref());
    let file = args.heads.clone().or_else(|| at_hand.map(heads::beside));
    let mut witnesses = args.expect_head.clone();
    if let Some(file) = &file {
        witnesses.extend(heads::witnesses(file)?);
    }
    let progress = Progress::new(out, "entries");
    let found = audit(store.as_mut(), &witnesses, &|n| progress.tell(n))?;
    let (mut database, mut proof) = (None, None);
    if !args.chains_only {
        out.remark("checking the pages of the database");
        database = store.integrity()?;
        let all = captures(store.as_mut(), ALWAYS)?;
        if !all.is_empty() {
            let archive = args.place.archive(args.archive.as_ref())?;
            let progress = Progress::new(out, "captures");
            proof = Some(prove(&all, &archive, &|n| progress.tell(n))?);
        }
    }
    let server = match (&address, spool) {
        (Address::Server(url), Some(_)) => Some(server(url, store.as_mut())?),
        _ => None,
    };
    let files_whole = proof.as_ref().is_none_or(|p| p.breaks.is_empty());
    let same = server
        .iter()
        .flat_map(|s| &s.chains)
        .all(|c| c.differs_at.is_none());
    let whole = found.whole() && database.is_none() && files_whole && same;
    if found.whole()
        && let Some(file) = &file
    {
        let list: Vec<_> = found.stations.iter().map(|s| s.head.clone()).collect();
        if let Err(error) = heads::add(file, &now(), &list) {
            out.remark(format!("the heads could not be kept: {error}"));
        }
    }
    if out.json {
        out.document(&Document {
            format: "bassay-audit/1",
            whole,
            audit: &found,
            database: database.as_ref(),
            captures: proof.as_ref(),
            server: server.as_ref(),
        })?;
    } else {
        print(&found, database.as_ref(), proof.as_ref(), out);
        if let Some(server) = &server {
            server.print(out);
        }
        if whole {
            keep(&found, out);
        }
    }
    Ok(if whole { Exit::Done } else { Exit::Outside })
}

/// What the server says of a station's own file.
#[derive(Serialize)]
struct Server {
    /// Whether it answered.
    reached: bool,
    /// Why it did not.
    trouble: Option<String>,
    chains: Vec<Against>,
}

/// Holds a station's file against the server; one that does not answer is no fault of the file.
fn server(url: &str, here: &mut dyn Store) -> Result<Server, Failure> {
    let mut there = match PostgresLedger::connect(url, Duration::ZERO) {
        Ok(there) => there,
        Err(error @ LedgerError::Connection { .. }) => {
            return Ok(Server {
                reached: false,
                trouble: Some(error.to_string()),
                chains: Vec::new(),
            });
        }
        Err(error) => return Err(error.into()),
    };
    Ok(Server {
        reached: true,
        trouble: None,
        chains: against(here, &mut there)?,
    })
}

impl Server {
    fn print(&self, out: &Output) {
        out.line("");
        if let Some(trouble) = &self.trouble {
            out.line(paragraph(
                &format!(
                    "The server did not answer: this is the proof of this station's own file alone, and how much of it the server has is not known. ({trouble})"
                ),
                0,
            ));
        }
        for c in &self.chains {
            let text = match c.differs_at {
                Some(number) => format!(
                    "BROKEN: station «{}»: from entry {number} on the server has other entries; two benches wrote under one name, or one side was written anew. Keep both for the audit",
                    c.station
                ),
                None if c.waiting() > 0 => format!(
                    "Server: the same up to entry {} of «{}»; {} wait to be delivered.",
                    c.there,
                    c.station,
                    c.waiting()
                ),
                None => format!(
                    "Server: has all {} entries of «{}», the same ones.",
                    c.here, c.station
                ),
            };
            out.line(paragraph(&text, 0));
        }
    }
}

/// What somebody else should keep.
fn keep(found: &Audit, out: &Output) {
    out.line(format!("\nWhole: {} entries.", found.records));
    out.line("Keep these heads elsewhere; they prove later that no end was cut off:");
    for chain in &found.stations {
        let head = &chain.head;
        out.line(format!(
            "  --expect-head '{}:{}:{}'",
            head.station,
            head.number,
            short(&head.digest)
        ));
    }
}

fn print(found: &Audit, database: Option<&String>, proof: Option<&Proof>, out: &Output) {
    out.line("station           entries  chain   last digest");
    for chain in &found.stations {
        let state = if chain.broken.is_some() {
            "BROKEN"
        } else {
            "whole"
        };
        out.line(format!(
            "{} {:>8}  {state:<6}  {}",
            fit(&chain.station, 16),
            chain.records,
            short(&chain.head.digest)
        ));
    }
    for chain in &found.stations {
        if let Some(b) = &chain.broken {
            out.line(format!(
                "\nBROKEN: station «{}», first at entry {}",
                chain.station, b.number
            ));
            out.line(paragraph(&b.text, 2));
        }
    }
    for lost in &found.lost {
        out.line(format!("\n{}", paragraph(&format!("BROKEN: {lost}"), 0)));
    }
    if let Some(what) = database {
        let text = format!("BROKEN: the database's own check says: {what}");
        out.line(format!("\n{}", paragraph(&text, 0)));
    }
    if let Some(proof) = proof {
        out.line(format!(
            "\ncaptures: {} named, {} sound, {} removed by the rules, {} wrong, {} missing",
            proof.named, proof.sound, proof.removed, proof.wrong, proof.missing
        ));
        for (station, b) in &proof.breaks {
            out.line(format!(
                "\nBROKEN: station «{station}», first at entry {}",
                b.number
            ));
            out.line(paragraph(&b.text, 2));
        }
    }
}

/// A line on standard error every so many.
struct Progress<'a> {
    out: &'a Output,
    what: &'static str,
    told: AtomicU64,
}

/// So many between two lines of progress.
const STEP: u64 = 200_000;

impl<'a> Progress<'a> {
    fn new(out: &'a Output, what: &'static str) -> Self {
        Self {
            out,
            what,
            told: AtomicU64::new(0),
        }
    }

    fn tell(&self, count: u64) {
        let step = if self.what == "captures" {
            STEP / 1000
        } else {
            STEP
        };
        let told = self.told.load(Ordering::Relaxed);
        if count >= told + step
            && self
                .told
                .compare_exchange(told, count, Ordering::Relaxed, Ordering::Relaxed)
                .is_ok()
        {
            self.out.remark(format!("{count} {}", self.what));
        }
    }
}
