//! A log of a million entries: appending with full durability, the last 500 for a trend, the audit.
//!
//! `cargo bench --bench ledger -- --records 1000000`; without the argument 100,000. The file lies in cargo's folder for
//! temporary files, or where `BASSAY_BENCH_DIR` says, and takes about 8 kB per entry. The disk's own time for a sync is
//! measured in the same run, between the appends.

#![allow(clippy::unwrap_used)]

#[allow(dead_code)]
#[path = "../tests/ledger/entries.rs"]
mod entries;

use bassay::production::entry::{Entry, Judgement, Kind};
use bassay::production::ledger::audit::audit;
use bassay::production::ledger::sqlite::{Purpose, SqliteLedger};
use bassay::production::ledger::{Filter, Head, Ledger, Record, Store};
use std::io::Write;
use std::time::{Duration, Instant};

/// Entries of one transaction while the file is filled.
const BLOCK: u64 = 1000;

/// Stations.
const STATIONS: u64 = 4;

/// Appends that are timed.
const APPENDS: usize = 200;

fn entry(n: u64) -> Entry {
    let at = jiff::Timestamp::from_second(1_773_446_400 + 40 * n as i64).unwrap();
    Entry {
        at: at.to_string(),
        verdict: if n.is_multiple_of(20) {
            Judgement::Fail
        } else {
            Judgement::Pass
        },
        ..entries::inspection(&format!("D-{n:07}"), n as u32)
    }
}

fn station(n: u64) -> String {
    format!("bench-{}", n % STATIONS + 1)
}

fn median(mut times: Vec<Duration>) -> f64 {
    times.sort_unstable();
    1e3 * times[times.len() / 2].as_secs_f64()
}

fn mean(times: &[Duration]) -> f64 {
    1e3 * times.iter().sum::<Duration>().as_secs_f64() / times.len() as f64
}

/// Processor time of this process so far, s; where the system tells (Linux, in ticks of 10 ms). On a machine that others
/// use too it says more than the clock.
fn processor_s() -> Option<f64> {
    let stat = std::fs::read_to_string("/proc/self/stat").ok()?;
    let behind_name = stat.rsplit(')').next()?;
    let mut fields = behind_name.split_whitespace().skip(11);
    let ticks: f64 = fields.next()?.parse::<f64>().ok()? + fields.next()?.parse::<f64>().ok()?;
    Some(ticks / 100.0)
}

fn fill(ledger: &mut SqliteLedger, records: u64) {
    let begun = Instant::now();
    let mut heads: Vec<Head> = (0..STATIONS).map(|s| Head::begin(&station(s))).collect();
    let mut block = Vec::new();
    for n in 0..records {
        let head = &mut heads[(n % STATIONS) as usize];
        let record = Record::after(head, &entry(n)).unwrap();
        head.number = record.number;
        head.digest.clone_from(&record.digest);
        block.push(record);
        if block.len() as u64 == BLOCK || n + 1 == records {
            ledger.deliver(&block).unwrap();
            block.clear();
        }
        if (n + 1) % 100_000 == 0 {
            eprintln!("{} entries, {:.0} s", n + 1, begun.elapsed().as_secs_f64());
        }
    }
}

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    let at = arguments.iter().position(|a| a == "--records");
    let records: u64 = at.map_or(100_000, |i| arguments[i + 1].parse().unwrap());
    let place = std::env::var("BASSAY_BENCH_DIR")
        .unwrap_or_else(|_| env!("CARGO_TARGET_TMPDIR").to_string());
    let folder = tempfile::tempdir_in(place).unwrap();
    let path = folder.path().join("line.db");
    let mut ledger = SqliteLedger::open(&path, Purpose::Write).unwrap();
    fill(&mut ledger, records);
    let size = std::fs::metadata(&path).unwrap().len();
    println!(
        "{records} entries of {} bytes, file {:.2} GB",
        entry(7).body().unwrap().len(),
        size as f64 / 1e9
    );

    // The disk alone: as many bytes as an append brings to the write-ahead log, and a sync.
    let mut plain = std::fs::File::create(folder.path().join("plain")).unwrap();
    let (mut appends, mut syncs) = (Vec::new(), Vec::new());
    for i in 0..APPENDS as u64 {
        let n = records + i;
        let new = entry(n);
        let begun = Instant::now();
        ledger.append(&station(n), &new).unwrap();
        appends.push(begun.elapsed());
        let begun = Instant::now();
        plain.write_all(&[0x5A; 12 * 4096]).unwrap();
        plain.sync_data().unwrap();
        syncs.push(begun.elapsed());
    }
    let (a, s) = (mean(&appends), mean(&syncs));
    println!("append   mean {a:.2} ms, median {:.2} ms", median(appends));
    println!("sync     mean {s:.2} ms, median {:.2} ms", median(syncs));
    println!(
        "ratio    {:.2} (goal: below 5 ms, or at most 1.5)  {}",
        a / s,
        if a < 5.0 || a / s <= 1.5 {
            "met"
        } else {
            "MISSED"
        }
    );

    let begun = Instant::now();
    let opened = SqliteLedger::open(&path, Purpose::Write).unwrap();
    println!("open     {:.1} ms", 1e3 * begun.elapsed().as_secs_f64());
    drop(opened);
    let questions = [
        ("last 500", Filter::default()),
        (
            "of a station",
            Filter {
                kind: Some(Kind::Inspection),
                station: Some(station(2)),
                ..Filter::default()
            },
        ),
        (
            "that failed",
            Filter {
                kind: Some(Kind::Inspection),
                verdict: Some(Judgement::Fail),
                ..Filter::default()
            },
        ),
    ];
    for (name, filter) in questions {
        let filter = Filter {
            latest: Some(500),
            ..filter
        };
        let mut times = Vec::new();
        for _ in 0..5 {
            let begun = Instant::now();
            assert_eq!(ledger.select(&filter).unwrap().len(), 500);
            times.push(begun.elapsed());
        }
        let t = median(times);
        let met = if t < 100.0 { "met" } else { "MISSED" };
        println!("select   {name}: {t:.1} ms (goal 100 ms)  {met}");
    }

    for round in 1..=3 {
        let (begun, used) = (Instant::now(), processor_s());
        let found = audit(&mut ledger, &[], &|_| ()).unwrap();
        let seconds = begun.elapsed().as_secs_f64();
        assert!(found.whole());
        let rate = found.records as f64 / seconds;
        let met = if rate > 200_000.0 { "met" } else { "MISSED" };
        println!("audit {round}  {rate:.0} entries/s, {seconds:.2} s (goal 200,000)  {met}");
        if let (Some(before), Some(after)) = (used, processor_s()) {
            let each = 1e6 * (after - before) / found.records as f64;
            println!("         {each:.1} µs of processor time per entry");
        }
    }
}
