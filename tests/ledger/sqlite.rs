//! The log in one file.

use crate::entries::inspection;
use crate::suite;
use bassay::production::ledger::sqlite::{Purpose, SqliteLedger};
use bassay::production::ledger::{Filter, Ledger, LedgerError};
use std::path::Path;

fn write(path: &Path) -> SqliteLedger {
    SqliteLedger::open(path, Purpose::Write).unwrap()
}

#[test]
fn does_what_every_store_does() {
    let folder = tempfile::tempdir().unwrap();
    suite::run(&mut write(&folder.path().join("line.db")));
}

#[test]
fn what_was_written_is_there_after_opening_again() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("new/folder/line.db");
    let stored = write(&path).append("b", &inspection("D-1", 1)).unwrap();
    let found = SqliteLedger::open(&path, Purpose::Read)
        .unwrap()
        .select(&Filter::default())
        .unwrap();
    assert_eq!(found, [stored]);
}

#[test]
fn an_entry_can_be_neither_changed_nor_deleted_by_honest_hands() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("line.db");
    write(&path).append("b", &inspection("D-1", 1)).unwrap();
    let raw = rusqlite::Connection::open(&path).unwrap();
    for sql in ["UPDATE entry SET unit = 'D-2'", "DELETE FROM entry"] {
        let error = raw.execute(sql, []).unwrap_err().to_string();
        assert!(error.contains("write a correction"), "{error}");
    }
    let journal: String = raw
        .query_row("PRAGMA journal_mode", [], |r| r.get(0))
        .unwrap();
    assert_eq!(journal, "wal");
}

#[test]
fn each_wrong_file_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    let open = |name: &str| {
        let read = SqliteLedger::open(&at(name), Purpose::Read).unwrap_err();
        let write = SqliteLedger::open(&at(name), Purpose::Write).unwrap_err();
        (read, write)
    };
    let missing = SqliteLedger::open(&at("none.db"), Purpose::Read).unwrap_err();
    assert!(matches!(missing, LedgerError::Missing { .. }), "{missing}");
    assert!(!at("none.db").exists());

    std::fs::write(at("text.db"), "unit,verdict\n".repeat(500)).unwrap();
    let (a, b) = open("text.db");
    assert!(a.to_string().contains("no SQLite file"), "{a}");
    assert!(b.to_string().contains("no SQLite file"), "{b}");

    let (a, b) = open(".");
    assert!(a.to_string().contains("folder") && b.to_string().contains("folder"));

    let other = rusqlite::Connection::open(at("other.db")).unwrap();
    other
        .execute_batch("CREATE TABLE stock (part TEXT)")
        .unwrap();
    let (a, b) = open("other.db");
    assert!(a.to_string().contains("another program"), "{a}");
    assert!(b.to_string().contains("another program"), "{b}");

    write(&at("newer.db"));
    let newer = rusqlite::Connection::open(at("newer.db")).unwrap();
    newer.execute_batch("PRAGMA user_version = 99").unwrap();
    let (a, b) = open("newer.db");
    for error in [a, b] {
        assert!(
            matches!(error, LedgerError::Newer { found: 99, .. }),
            "{error}"
        );
    }

    std::fs::write(at("empty.db"), "").unwrap();
    let error = SqliteLedger::open(&at("empty.db"), Purpose::Read).unwrap_err();
    assert!(error.to_string().contains("empty"), "{error}");

    write(&at("fixed.db"));
    let mut rights = std::fs::metadata(at("fixed.db")).unwrap().permissions();
    rights.set_readonly(true);
    std::fs::set_permissions(at("fixed.db"), rights).unwrap();
    let error = SqliteLedger::open(&at("fixed.db"), Purpose::Write).unwrap_err();
    assert!(matches!(error, LedgerError::ReadOnly { .. }), "{error}");
    SqliteLedger::open(&at("fixed.db"), Purpose::Read).unwrap();
}

#[test]
fn a_damaged_page_is_seen_when_the_file_is_opened() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("line.db");
    let mut ledger = write(&path);
    for minute in 0..20 {
        ledger.append("b", &inspection("D-1", minute)).unwrap();
    }
    drop(ledger);
    let mut bytes = std::fs::read(&path).unwrap();
    // The file's head says how long a page is. The third one is part of an index or of the table; its head says which kind
    // of page it is.
    let page = usize::from(u16::from_be_bytes([bytes[16], bytes[17]]));
    bytes[2 * page..2 * page + 64].fill(0x5A);
    std::fs::write(&path, bytes).unwrap();
    let error = SqliteLedger::open(&path, Purpose::Write).unwrap_err();
    assert!(matches!(error, LedgerError::Damaged { .. }), "{error}");
}
