//! How long a trend takes in a log of a million records. Not in the default run: it fills 800 MB for some minutes.
//!
//! `cargo test --release --test lookback -- --ignored --nocapture million`

use super::commands::{entry, value};
use bassay::production::entry::{Judgement, Kind};
use bassay::production::ledger::sqlite::{Purpose, SqliteLedger};
use bassay::production::ledger::{Filter, Head, Ledger, Record, Store};
use bassay::production::lookback::{Corrections, series};
use bassay::production::trend::{Settings, trend};
use bassay::special::deviates::Deviates;
use std::time::Instant;

#[test]
#[ignore = "a million records"]
fn a_trend_of_a_million_records() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("million.sqlite");
    let mut ledger = SqliteLedger::open(&path, Purpose::Write).unwrap();
    let mut random = Deviates::new(71, 0);
    let mut head = Head::begin("station-1");
    let count = 1_000_000_u64;
    let begun: jiff::Timestamp = "2020-01-01T00:00:00Z".parse().unwrap();
    let mut batch: Vec<Record> = Vec::new();
    for n in 0..count {
        let at = begun + jiff::SignedDuration::from_secs(180 * n as i64);
        let mut e = entry(
            Kind::Inspection,
            &at.to_string(),
            &format!("U{n:07}"),
            Judgement::Pass,
        );
        // The newest are as long as real ones; the older ones only have to be passed by.
        let values = if n + 1000 > count { 40 } else { 2 };
        for v in 0..values {
            e.values.push(value(
                &format!("band:mouth-near:{v}"),
                "dB",
                random.normal(),
            ));
        }
        let record = Record::after(&head, &e).unwrap();
        head.number = record.number;
        head.digest.clone_from(&record.digest);
        batch.push(record);
        if batch.len() == 20_000 || n + 1 == count {
            ledger.deliver(&batch).unwrap();
            batch.clear();
        }
    }
    drop(ledger);
    let mut best = f64::INFINITY;
    for _ in 0..5 {
        let start = Instant::now();
        let mut ledger = SqliteLedger::open(&path, Purpose::Read).unwrap();
        let opened = start.elapsed();
        let entries = ledger
            .select(&Filter {
                kind: Some(Kind::Inspection),
                latest: Some(500),
                ..Filter::default()
            })
            .unwrap();
        let corrections = ledger
            .select(&Filter {
                kind: Some(Kind::Correction),
                ..Filter::default()
            })
            .unwrap();
        let read = start.elapsed();
        let run = series(
            &entries,
            &Corrections::new(&corrections),
            "band:mouth-near:7",
            false,
        );
        assert_eq!(run.points.len(), 500);
        let made = trend(run, &Settings::default());
        let done = start.elapsed();
        println!(
            "{} records: opened {opened:?}, read {read:?}, trend {done:?} ({:?})",
            count, made.state
        );
        best = best.min(done.as_secs_f64());
    }
    assert!(best < 0.1, "{best} s");
}
