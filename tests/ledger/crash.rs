//! Killed while writing: what was acknowledged is there, nothing is there by half.
//!
//! The writer is this test program itself, started again with `BASSAY_WRITER` set; it prints each digest after the commit.

use crate::entries::inspection;
use bassay::production::ledger::audit::audit;
use bassay::production::ledger::sqlite::{Purpose, SqliteLedger};
use bassay::production::ledger::{Ledger, Store};
use std::collections::HashSet;
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

/// Not a test: the process that is killed.
#[test]
fn writer() {
    let Ok(path) = std::env::var("BASSAY_WRITER") else {
        return;
    };
    let station = std::env::var("BASSAY_STATION").unwrap();
    let mut ledger = SqliteLedger::open(Path::new(&path), Purpose::Write).unwrap();
    let mut out = std::io::stdout().lock();
    for minute in 0.. {
        let stored = ledger.append(&station, &inspection("D-1", minute)).unwrap();
        writeln!(out, "\nkept {}", stored.digest).unwrap();
        out.flush().unwrap();
    }
}

fn start(path: &Path, station: &str) -> Child {
    Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "crash::writer", "--nocapture"])
        .env("BASSAY_WRITER", path)
        .env("BASSAY_STATION", station)
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap()
}

/// A sequence that is the same in every run (multiplier of Knuth's MMIX, from memory), milliseconds below `most`.
fn pause(state: &mut u64, most: u64) -> Duration {
    *state = state
        .wrapping_mul(6_364_136_223_846_793_005)
        .wrapping_add(1_442_695_040_888_963_407);
    Duration::from_millis((*state >> 33) % most)
}

/// 500 kills with `BASSAY_LONG=1`, otherwise 40; two of four processes share a station.
#[test]
fn killed_at_random_moments_nothing_is_lost() {
    let long = std::env::var_os("BASSAY_LONG").is_some();
    let kills = if long { 500 } else { 40 };
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("line.db");
    let mut acknowledged: Vec<String> = Vec::new();
    let mut state = 20_260_314;
    let mut done = 0;
    while done < kills {
        let mut running: Vec<_> = ["bench-1", "bench-1", "bench-2", "bench-3"]
            .map(|station| start(&path, station))
            .into();
        let mut heard = Vec::new();
        for child in &mut running {
            let out = child.stdout.take().unwrap();
            // A line that was cut by the kill is no acknowledgement.
            heard.push(std::thread::spawn(move || {
                let mut list = Vec::new();
                let mut reader = BufReader::new(out);
                let mut line = String::new();
                while reader.read_line(&mut line).is_ok_and(|n| n > 0) {
                    if line.ends_with('\n')
                        && let Some(digest) = line.trim_end().strip_prefix("kept ")
                    {
                        list.push(digest.to_string());
                    }
                    line.clear();
                }
                list
            }));
        }
        // Also while they open the file, so no minimum.
        for child in &mut running {
            std::thread::sleep(pause(&mut state, 120));
            child.kill().unwrap();
            child.wait().unwrap();
            done += 1;
        }
        for one in heard {
            acknowledged.extend(one.join().unwrap());
        }
    }
    let mut store = SqliteLedger::open(&path, Purpose::Write).unwrap();
    assert_eq!(store.integrity().unwrap(), None);
    let found = audit(&mut store, &[], &|_| ()).unwrap();
    assert!(found.whole(), "{found:?}");
    let mut there = HashSet::new();
    for head in store.heads().unwrap() {
        for record in store.records(&head.station, 0, usize::MAX).unwrap() {
            there.insert(record.digest.clone());
            record.read().unwrap();
        }
    }
    let lost: Vec<_> = acknowledged
        .iter()
        .filter(|d| !there.contains(*d))
        .collect();
    assert!(lost.is_empty(), "{} lost", lost.len());
    assert!(
        acknowledged.len() > kills,
        "only {} were written",
        acknowledged.len()
    );
    let unheard = there.len() - acknowledged.len();
    // A process can be killed between its commit and its word, once each.
    assert!(unheard <= done, "{unheard} more than {done}");
    eprintln!(
        "{done} kills, {} kept, {unheard} committed and not acknowledged",
        there.len()
    );
}
