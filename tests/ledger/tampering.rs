//! What an audit says of a log that somebody changed with a database tool.

use crate::entries::{digest_of, inspection};
use crate::suite;
use bassay::production::entry::digest;
use bassay::production::ledger::audit::{Break, Damage, Witness, audit};
use bassay::production::ledger::spool::SpooledLedger;
use bassay::production::ledger::sqlite::{Purpose, SqliteLedger};
use bassay::production::ledger::{Ledger, Record, Store, heads};
use std::path::{Path, PathBuf};

/// Twelve entries of one bench, and four of another, which stays as it is.
fn written(folder: &Path) -> PathBuf {
    let path = folder.join("line.db");
    let mut ledger = SqliteLedger::open(&path, Purpose::Write).unwrap();
    for minute in 0..12 {
        ledger
            .append("bench-1", &inspection("D-1", minute))
            .unwrap();
        if minute % 3 == 0 {
            ledger
                .append("bench-2", &inspection("D-2", minute))
                .unwrap();
        }
    }
    path
}

/// Takes the guards away and does this.
fn tamper(path: &Path, sql: &str) {
    let raw = rusqlite::Connection::open(path).unwrap();
    raw.execute_batch("DROP TRIGGER entry_stays; DROP TRIGGER entry_remains;")
        .unwrap();
    raw.execute_batch(sql).unwrap();
}

fn first_break(path: &Path) -> Option<Break> {
    let mut store = SqliteLedger::open(path, Purpose::Read).unwrap();
    let found = audit(&mut store, &[], &|_| ()).unwrap();
    assert_eq!(found.stations[1].broken, None);
    assert_eq!(found.whole(), found.stations[0].broken.is_none());
    found.stations[0].broken.clone()
}

fn after(sql: &str) -> (u64, Damage, String) {
    let folder = tempfile::tempdir().unwrap();
    let path = written(folder.path());
    tamper(&path, sql);
    let found = first_break(&path).unwrap();
    (found.number, found.damage, found.text)
}

/// New numbers for all from `from` on, `by` further; the unique index wants them to be moved out of the way first.
fn moved(from: u64, by: i64) -> String {
    format!(
        "UPDATE entry SET number = number + 1000 WHERE station = 'bench-1' AND number >= {from};
         UPDATE entry SET number = number - 1000 + {by} WHERE station = 'bench-1' AND number >= 1000;"
    )
}

#[test]
fn a_log_that_nobody_touched_is_whole() {
    let folder = tempfile::tempdir().unwrap();
    assert_eq!(first_break(&written(folder.path())), None);
}

#[test]
fn each_kind_of_tampering_is_named() {
    let (number, damage, _) = after(
        "UPDATE entry SET body = replace(body, '\"verdict\":\"fail\"', '\"verdict\":\"pass\"'), verdict = 'pass'
         WHERE station = 'bench-1' AND number = 8",
    );
    assert_eq!((number, damage), (8, Damage::Edited));

    let (number, damage, text) =
        after("DELETE FROM entry WHERE station = 'bench-1' AND number IN (5, 6)");
    assert_eq!((number, damage), (5, Damage::Deleted));
    assert!(text.contains("5 to 6"), "{text}");

    let (number, damage, text) = after(&format!(
        "DELETE FROM entry WHERE station = 'bench-1' AND number = 5; {}",
        moved(6, -1)
    ));
    assert_eq!((number, damage), (5, Damage::Deleted), "{text}");

    let (number, damage, text) =
        after("DELETE FROM entry WHERE station = 'bench-1' AND number = 1");
    assert_eq!((number, damage), (1, Damage::Deleted), "{text}");

    // Two exchange their places.
    let (number, damage, text) = after(
        "UPDATE entry SET number = 1000 WHERE station = 'bench-1' AND number = 4;
         UPDATE entry SET number = 4 WHERE station = 'bench-1' AND number = 9;
         UPDATE entry SET number = 9 WHERE number = 1000;",
    );
    assert_eq!((number, damage), (4, Damage::Reordered), "{text}");
    assert!(text.contains("as entry 9"), "{text}");

    // Two exchange what they say.
    let (number, damage, text) = after(
        "CREATE TEMP TABLE kept AS SELECT number, body FROM entry WHERE station = 'bench-1';
         UPDATE entry SET body = (SELECT body FROM kept WHERE kept.number = 13 - entry.number)
           WHERE station = 'bench-1' AND number IN (6, 7);",
    );
    assert_eq!((number, damage), (6, Damage::Reordered), "{text}");

    let (number, damage, _) =
        after("UPDATE entry SET unit = 'D-9' WHERE station = 'bench-1' AND number = 7");
    assert_eq!((number, damage), (7, Damage::Columns));

    let (number, damage, text) = after(
        "UPDATE entry SET digest = '00' || substr(digest, 3) WHERE station = 'bench-1' AND number = 7",
    );
    assert_eq!((number, damage), (7, Damage::Edited), "{text}");
}

/// A pass that was a failure must not reach a certificate, a yield or new limits.
#[test]
fn nothing_is_told_from_an_edited_entry() {
    for (sql, what) in suite::edits("entry") {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("line.db");
        let digest =
            suite::before_the_edit(&mut SqliteLedger::open(&path, Purpose::Write).unwrap());
        tamper(&path, &sql);
        let mut store = SqliteLedger::open(&path, Purpose::Read).unwrap();
        suite::refuses_the_edited(&mut store, &digest, what);
        // The file of a station whose server is away answers for it.
        let away = "postgres://op@127.0.0.1:9/line?connect_timeout=2";
        let mut spooled = SpooledLedger::open(&path, away).unwrap();
        suite::refuses_the_edited(&mut spooled, &digest, what);
        // The commands that an outside person uses, also those that only count.
        for command in [
            &["list"][..],
            &["certificate", "D-7", "--out", "c.html"],
            &["yield"],
            &["pareto"],
            &["export", "--out", "log.csv"],
            &[
                "prune",
                "--operator",
                "op-01",
                "--station",
                "office",
                "--failed-days",
                "1",
                "--passed-days",
                "1",
            ],
        ] {
            let done = assert_cmd::Command::cargo_bin("bassay")
                .unwrap()
                .current_dir(folder.path())
                .arg("ledger")
                .args(command)
                .args(["--ledger", "line.db"])
                .output()
                .unwrap();
            let said = String::from_utf8_lossy(&done.stderr);
            let said = said.split_whitespace().collect::<Vec<_>>().join(" ");
            assert!(!done.status.success(), "{command:?}: {said}");
            assert!(
                said.contains("entry 8 of station «bench-1»") && said.contains("ledger audit"),
                "{command:?}: {said}"
            );
        }
        assert!(!folder.path().join("c.html").exists());
        assert!(!folder.path().join("log.csv").exists());
        assert_eq!(store.heads().unwrap().len(), 1);
    }
}

fn forged(previous: &str, number: u64, minute: u32) -> Record {
    let body = inspection("D-forged", minute).body().unwrap();
    let own = digest(previous, "bench-1", number, &body, &mut Vec::new());
    Record {
        station: "bench-1".to_string(),
        number,
        previous: previous.to_string(),
        digest: own.to_hex().to_string(),
        body,
    }
}

fn put(record: &Record) -> String {
    let marks = record.marks().unwrap();
    format!(
        "INSERT INTO entry (station, number, previous, digest, kind, at_us, unit, batch, verdict, body)
         VALUES ('{}', {}, '{}', '{}', '{}', {}, '{}', '{}', '{}', '{}');",
        record.station,
        record.number,
        record.previous,
        record.digest,
        marks.kind,
        marks.at_us,
        marks.unit,
        marks.batch.clone().unwrap(),
        marks.verdict,
        record.body
    )
}

fn record(path: &Path, number: u64) -> Record {
    let mut store = SqliteLedger::open(path, Purpose::Read).unwrap();
    store.records("bench-1", number - 1, 1).unwrap().remove(0)
}

#[test]
fn a_forged_entry_with_a_digest_of_its_own_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let path = written(folder.path());
    // Put in between: it follows from entry 5, and those behind it are pushed on.
    let new = forged(&record(&path, 5).digest, 6, 6);
    tamper(&path, &format!("{} {}", moved(6, 1), put(&new)));
    let found = first_break(&path).unwrap();
    assert_eq!(
        (found.number, found.damage),
        (6, Damage::Inserted),
        "{}",
        found.text
    );

    // In the place of entry 6.
    let folder = tempfile::tempdir().unwrap();
    let path = written(folder.path());
    let new = forged(&record(&path, 5).digest, 6, 6);
    let sql = format!(
        "DELETE FROM entry WHERE station = 'bench-1' AND number = 6; {}",
        put(&new)
    );
    tamper(&path, &sql);
    let found = first_break(&path).unwrap();
    assert_eq!(
        (found.number, found.damage),
        (6, Damage::Edited),
        "{}",
        found.text
    );
    assert!(found.text.contains("written anew"), "{}", found.text);
}

fn witnessed(path: &Path, witnesses: &[Witness]) -> bassay::production::ledger::audit::Audit {
    let mut store = SqliteLedger::open(path, Purpose::Read).unwrap();
    audit(&mut store, witnesses, &|_| ()).unwrap()
}

#[test]
fn an_end_that_was_cut_off_needs_a_witness() {
    let folder = tempfile::tempdir().unwrap();
    let path = written(folder.path());
    let file = heads::beside(&path);
    let seen = witnessed(&path, &heads::witnesses(&file).unwrap());
    let list: Vec<_> = seen.stations.iter().map(|s| s.head.clone()).collect();
    heads::add(&file, "2026-03-15T00:00:00Z", &list).unwrap();
    // Twice the same head is one line.
    heads::add(&file, "2026-03-16T00:00:00Z", &list).unwrap();
    assert_eq!(std::fs::read_to_string(&file).unwrap().lines().count(), 2);

    let last = record(&path, 12).digest;
    tamper(
        &path,
        "DELETE FROM entry WHERE station = 'bench-1' AND number > 10",
    );
    // The chain alone cannot tell: that is what the heads are for.
    assert_eq!(first_break(&path), None);
    let found = witnessed(&path, &heads::witnesses(&file).unwrap());
    let broken = found.stations[0].broken.clone().unwrap();
    assert_eq!((broken.number, broken.damage), (11, Damage::CutOff));
    assert!(broken.text.contains("2026-03-15"), "{}", broken.text);
    assert_eq!(found.stations[1].broken, None);

    // A digest from a certificate, of which only the beginning is printed.
    let printed = |digest: &str| Witness {
        station: None,
        number: None,
        digest: digest[..16].to_string(),
        source: "certificate".to_string(),
    };
    assert!(!witnessed(&path, &[printed(&last)]).whole());
    assert!(witnessed(&path, &[printed(&record(&path, 10).digest)]).whole());
    assert!(!witnessed(&path, &[printed(&digest_of("nothing"))]).whole());
}

#[test]
fn a_chain_that_was_written_anew_needs_a_witness() {
    let folder = tempfile::tempdir().unwrap();
    let path = written(folder.path());
    let mut store = SqliteLedger::open(&path, Purpose::Read).unwrap();
    let seen = store.heads().unwrap();
    drop(store);
    let mut sql = "DELETE FROM entry WHERE station = 'bench-1' AND number >= 4;".to_string();
    let mut previous = record(&path, 3).digest;
    for number in 4..=20 {
        let new = forged(&previous, number, number as u32);
        sql += &put(&new);
        previous = new.digest;
    }
    tamper(&path, &sql);
    assert_eq!(first_break(&path), None);
    let witness = Witness {
        station: Some("bench-1".to_string()),
        number: Some(seen[0].number),
        digest: seen[0].digest.clone(),
        source: "a copy".to_string(),
    };
    let found = witnessed(&path, &[witness]);
    let broken = found.stations[0].broken.clone().unwrap();
    assert_eq!((broken.number, broken.damage), (12, Damage::CutOff));
    assert!(broken.text.contains("written anew"), "{}", broken.text);
}
