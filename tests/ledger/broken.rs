//! What goes wrong around a log: an older schema, a lock, a disk that is full.

use crate::entries::inspection;
use bassay::production::ledger::audit::audit;
use bassay::production::ledger::sqlite::{Purpose, SqliteLedger};
use bassay::production::ledger::{Filter, Ledger, LedgerError};

/// A file of schema 1, as its text in `tests/reference/ledger/schema-1.sql` makes it.
#[test]
fn a_file_of_an_older_schema_is_brought_up_to_date() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("old.db");
    let sql = include_str!("../reference/ledger/schema-1.sql");
    rusqlite::Connection::open(&path)
        .unwrap()
        .execute_batch(sql)
        .unwrap();
    let error = SqliteLedger::open(&path, Purpose::Read).unwrap_err();
    assert!(
        matches!(
            error,
            LedgerError::Older {
                found: 1,
                known: 2,
                ..
            }
        ),
        "{error}"
    );
    let mut ledger = SqliteLedger::open(&path, Purpose::Write).unwrap();
    let entries = ledger.select(&Filter::default()).unwrap();
    assert_eq!(entries.len(), 4);
    let found = audit(&mut ledger, &[], &|_| ()).unwrap();
    assert!(found.whole(), "{found:?}");
    ledger.append("bench-1", &inspection("D-9", 50)).unwrap();
    drop(ledger);
    let raw = rusqlite::Connection::open(&path).unwrap();
    let version: i64 = raw
        .query_row("PRAGMA user_version", [], |r| r.get(0))
        .unwrap();
    assert_eq!(version, 2);
    let referring: i64 = raw
        .query_row(
            "SELECT count(*) FROM entry WHERE refers_to IS NOT NULL",
            [],
            |r| r.get(0),
        )
        .unwrap();
    assert_eq!(referring, 1);
    // The guards are back.
    assert!(raw.execute("DELETE FROM entry", []).is_err());
    assert!(raw.execute("UPDATE entry SET unit = ''", []).is_err());
}

/// Waits as long as the program does: ten seconds.
#[test]
fn a_lock_is_named_after_waiting() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("line.db");
    let mut ledger = SqliteLedger::open(&path, Purpose::Write).unwrap();
    let other = rusqlite::Connection::open(&path).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    let error = ledger.append("b", &inspection("D-1", 1)).unwrap_err();
    assert!(matches!(error, LedgerError::Locked { .. }), "{error}");
    assert!(error.to_string().contains("another program"), "{error}");
    // Reading goes on meanwhile.
    assert_eq!(ledger.select(&Filter::default()).unwrap(), []);
    other.execute_batch("ROLLBACK").unwrap();
    ledger.append("b", &inspection("D-1", 1)).unwrap();
}

/// A limit on the size of files is to a process what a full disk is: the write is refused. The shell sets it and ignores
/// the signal, which the program then inherits.
#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_is_named_and_what_was_written_stays() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("line.db");
    SqliteLedger::open(&path, Purpose::Write).unwrap();
    let done = std::process::Command::new("/bin/sh")
        .args([
            "-c",
            "trap '' XFSZ; ulimit -f 4000; exec \"$0\" --exact crash::writer --nocapture",
        ])
        .arg(std::env::current_exe().unwrap())
        .env("BASSAY_WRITER", &path)
        .env("BASSAY_STATION", "bench-1")
        .output()
        .unwrap();
    assert!(!done.status.success());
    let said = String::from_utf8_lossy(&done.stdout) + String::from_utf8_lossy(&done.stderr);
    assert!(said.contains("Full {"), "{said}");
    let kept = said.matches("\nkept ").count();
    let mut ledger = SqliteLedger::open(&path, Purpose::Write).unwrap();
    let found = audit(&mut ledger, &[], &|_| ()).unwrap();
    assert!(found.whole(), "{found:?}");
    assert!(kept > 5, "{kept}");
    assert_eq!(found.records, kept as u64);
    ledger.append("bench-1", &inspection("D-1", 1)).unwrap();
}
