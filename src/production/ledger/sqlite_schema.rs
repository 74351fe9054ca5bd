//! How the log lies in an SQLite file, and how a file of an earlier schema is brought up to date.
//!
//! One table: the record (station, number, previous, digest, body) and the columns that it is searched by, which an audit
//! compares with the body. Triggers refuse to change or to delete an entry; that keeps honest hands off, the proof is the
//! chain.

use rusqlite::{Connection, Transaction};

/// `application_id` of our files: «BSLG» in ASCII.
pub const APPLICATION: i64 = 0x4253_4C47;

/// The newest schema.
pub const VERSION: i64 = 2;

const FIRST: &str = "
CREATE TABLE entry (
  position INTEGER PRIMARY KEY,
  station TEXT NOT NULL,
  number INTEGER NOT NULL CHECK (number > 0),
  previous TEXT NOT NULL,
  digest TEXT NOT NULL UNIQUE,
  kind TEXT NOT NULL,
  at_us INTEGER NOT NULL,
  unit TEXT NOT NULL,
  batch TEXT,
  verdict TEXT NOT NULL,
  body TEXT NOT NULL,
  UNIQUE (station, number)
);
CREATE INDEX entry_by_time ON entry (at_us, station, number);
CREATE INDEX entry_by_kind ON entry (kind, at_us, station, number);
CREATE INDEX entry_by_unit ON entry (unit, at_us);
";

const GUARDS: &str = "
CREATE TRIGGER entry_stays BEFORE UPDATE ON entry
  BEGIN SELECT RAISE(ABORT, 'an entry is never changed; write a correction'); END;
CREATE TRIGGER entry_remains BEFORE DELETE ON entry
  BEGIN SELECT RAISE(ABORT, 'an entry is never deleted; write a correction'); END;
";

/// Corrections are found from what they correct, batches and stations from their names.
const SECOND: &str = "
DROP TRIGGER entry_stays;
DROP TRIGGER entry_remains;
ALTER TABLE entry ADD COLUMN refers_to TEXT;
UPDATE entry SET refers_to = json_extract(body, '$.refers_to')
  WHERE json_extract(body, '$.refers_to') IS NOT NULL;
CREATE INDEX entry_by_reference ON entry (refers_to) WHERE refers_to IS NOT NULL;
CREATE INDEX entry_by_batch ON entry (batch, at_us) WHERE batch IS NOT NULL;
CREATE INDEX entry_by_station ON entry (station, at_us);
";

/// Schema of a file: `None` for one that is empty.
pub fn version(connection: &Connection) -> rusqlite::Result<Option<i64>> {
    let found = pragma(connection, "user_version")?;
    if found == 0 {
        let things: i64 =
            connection.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))?;
        if things == 0 && pragma(connection, "application_id")? == 0 {
            return Ok(None);
        }
    }
    Ok(Some(found))
}

/// A number that the file's header holds.
pub fn pragma(connection: &Connection, name: &str) -> rusqlite::Result<i64> {
    connection.query_row(&format!("PRAGMA {name}"), [], |row| row.get(0))
}

/// Brings an empty file or one of an earlier schema up to date, inside a transaction of the caller.
pub fn migrate(transaction: &Transaction<'_>) -> rusqlite::Result<()> {
    let found = version(transaction)?.unwrap_or(0);
    if found < 1 {
        transaction.execute_batch(FIRST)?;
        transaction.execute_batch(GUARDS)?;
    }
    if found < 2 {
        transaction.execute_batch(SECOND)?;
        transaction.execute_batch(GUARDS)?;
    }
    if found < VERSION {
        transaction.execute_batch(&format!(
            "PRAGMA application_id = {APPLICATION}; PRAGMA user_version = {VERSION};"
        ))?;
    }
    Ok(())
}
