//! The log in one SQLite file: write-ahead log, full synchronous, one chain per station.

use super::question::{Asked, COLUMNS, question, signed, unsigned};
use super::sqlite_schema::{APPLICATION, VERSION, migrate, pragma, version};
use super::{Filter, Head, Ledger, LedgerError, Marks, Reader, Record, Row, Store, Stored};
use crate::production::entry::Entry;
use rusqlite::types::{Value, ValueRef};
use rusqlite::{
    Connection, ErrorCode, OpenFlags, OptionalExtension, Transaction, TransactionBehavior, params,
    params_from_iter,
};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// How long another process may hold the file before we give up, s.
const PATIENCE_S: u64 = 10;

/// Up to this size the whole file is checked when it is opened for writing, bytes: that takes well below 0.1 s. In a
/// larger one only the last entries are, and the audit checks the rest.
const CHECKED_WHOLE: u64 = 16 << 20;

/// So much of the file is mapped while all of it is read, bytes; SQLite takes less where it can take less.
const MAPPED: u64 = 1 << 36;
/// Bytes of a page in a new file: an entry of some 6 kB lies whole in one, so that an audit reads no chain of pages for each.
const PAGE: u32 = 16_384;

/// What a file is opened for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Purpose {
    /// Reading an existing log.
    Read,
    /// Writing; the file is made if there is none.
    Write,
}

/// A log in one file.
#[derive(Debug)]
pub struct SqliteLedger {
    path: PathBuf,
    connection: Connection,
}

impl SqliteLedger {
    /// Opens a log.
    ///
    /// # Errors
    /// [`LedgerError`] names what the file is instead, or why it cannot be used.
    pub fn open(path: &Path, purpose: Purpose) -> Result<Self, LedgerError> {
        let connection = match purpose {
            Purpose::Read => for_reading(path)?,
            Purpose::Write => for_writing(path)?,
        };
        Ok(Self {
            path: path.to_path_buf(),
            connection,
        })
    }

    /// The file.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    fn query<T>(
        &self,
        sql: &str,
        values: impl rusqlite::Params,
        take: impl Fn(&Row<'_>) -> Result<T, LedgerError>,
    ) -> Result<Vec<T>, LedgerError> {
        let say = |cause: rusqlite::Error| told(&self.path, &cause);
        let mut statement = self.connection.prepare_cached(sql).map_err(say)?;
        let mut rows = statement.query(values).map_err(say)?;
        let mut list = Vec::new();
        while let Some(row) = rows.next().map_err(say)? {
            list.push(take(&see(row).map_err(say)?)?);
        }
        Ok(list)
    }
}

fn for_reading(path: &Path) -> Result<Connection, LedgerError> {
    let say = |cause: &rusqlite::Error| told(path, cause);
    let missing = || LedgerError::Missing {
        path: path.to_path_buf(),
    };
    match std::fs::metadata(path) {
        Err(_) => return Err(missing()),
        Ok(about) if about.is_dir() => return Err(folder(path)),
        Ok(_) => {}
    }
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(path, flags).map_err(|e| say(&e))?;
    connection
        .busy_timeout(Duration::from_secs(PATIENCE_S))
        .map_err(|e| say(&e))?;
    let found = match version(&connection) {
        // A write-ahead log needs a file beside it; where none can be made, nobody writes either.
        Err(e) if cannot_open(&e) => {
            let name = path.to_string_lossy();
            let name = name
                .replace('%', "%25")
                .replace('?', "%3f")
                .replace('#', "%23");
            let flags = flags | OpenFlags::SQLITE_OPEN_URI;
            let connection = Connection::open_with_flags(format!("file:{name}?immutable=1"), flags)
                .map_err(|e| say(&e))?;
            let found = version(&connection).map_err(|e| say(&e))?;
            return judged(path, connection, found);
        }
        other => other.map_err(|e| say(&e))?,
    };
    judged(path, connection, found)
}

/// Refuses a file of somebody else and one of another schema.
fn judged(
    path: &Path,
    connection: Connection,
    found: Option<i64>,
) -> Result<Connection, LedgerError> {
    let not = |found: String| {
        Err(LedgerError::NotALedger {
            path: path.to_path_buf(),
            found,
        })
    };
    let Some(found) = found else {
        return not("the file is empty".to_string());
    };
    let application = pragma(&connection, "application_id").map_err(|e| told(path, &e))?;
    if application != APPLICATION {
        return not(format!(
            "an SQLite file of another program (application_id {application})"
        ));
    }
    let place = path.display().to_string();
    match found.cmp(&VERSION) {
        std::cmp::Ordering::Less => Err(LedgerError::Older {
            place,
            found,
            known: VERSION,
        }),
        std::cmp::Ordering::Equal => Ok(connection),
        std::cmp::Ordering::Greater => Err(LedgerError::Newer {
            place,
            found,
            known: VERSION,
        }),
    }
}

fn for_writing(path: &Path) -> Result<Connection, LedgerError> {
    let say = |cause: &rusqlite::Error| told(path, cause);
    let about = std::fs::metadata(path).ok();
    if let Some(about) = &about {
        if about.is_dir() {
            return Err(folder(path));
        }
        // SQLite would notice at the first write; root would not be stopped at all.
        if about.permissions().readonly() {
            return Err(LedgerError::ReadOnly {
                path: path.to_path_buf(),
            });
        }
    } else if let Some(parent) = path.parent().filter(|p| !p.as_os_str().is_empty()) {
        std::fs::create_dir_all(parent).map_err(|cause| system(path, cause))?;
    }
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE
        | OpenFlags::SQLITE_OPEN_CREATE
        | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let mut connection = Connection::open_with_flags(path, flags).map_err(|e| say(&e))?;
    connection
        .busy_timeout(Duration::from_secs(PATIENCE_S))
        .map_err(|e| say(&e))?;
    let found = version(&connection).map_err(|e| say(&e))?;
    if found.is_some() {
        let found_and_ours = judged_for_writing(path, &connection)?;
        if found_and_ours {
            prepare(path, &connection)?;
            soundness(path, &connection, about.map_or(0, |a| a.len()))?;
            return Ok(connection);
        }
    }
    prepare(path, &connection)?;
    let transaction = connection
        .transaction_with_behavior(TransactionBehavior::Immediate)
        .map_err(|e| say(&e))?;
    // Another process may have done it meanwhile: the version is read again inside.
    migrate(&transaction).map_err(|e| say(&e))?;
    transaction.commit().map_err(|e| say(&e))?;
    sync_folder(path);
    Ok(connection)
}

/// Whether the file has our newest schema; false if it must be brought up to date.
fn judged_for_writing(path: &Path, connection: &Connection) -> Result<bool, LedgerError> {
    let say = |cause: &rusqlite::Error| told(path, cause);
    let application = pragma(connection, "application_id").map_err(|e| say(&e))?;
    if application != APPLICATION {
        return Err(LedgerError::NotALedger {
            path: path.to_path_buf(),
            found: format!("an SQLite file of another program (application_id {application})"),
        });
    }
    let found = pragma(connection, "user_version").map_err(|e| say(&e))?;
    if found > VERSION {
        return Err(LedgerError::Newer {
            place: path.display().to_string(),
            found,
            known: VERSION,
        });
    }
    Ok(found == VERSION)
}

fn prepare(path: &Path, connection: &Connection) -> Result<(), LedgerError> {
    // Counts for a new file only.
    connection
        .execute_batch(&format!("PRAGMA page_size = {PAGE}"))
        .map_err(|e| told(path, &e))?;
    let begun = Instant::now();
    loop {
        // Changing the mode does not wait for others by itself.
        let mode = connection.query_row("PRAGMA journal_mode = WAL", [], |row| {
            row.get::<_, String>(0)
        });
        match mode {
            Ok(mode) if mode == "wal" => break,
            Ok(mode) => {
                return Err(system(
                    path,
                    format!(
                        "the file system cannot keep a write-ahead log (mode «{mode}»); use a local disk"
                    ),
                ));
            }
            Err(cause) => {
                let error = told(path, &cause);
                let waited = begun.elapsed() > Duration::from_secs(PATIENCE_S);
                if waited || !matches!(error, LedgerError::Locked { .. }) {
                    return Err(error);
                }
                std::thread::sleep(Duration::from_millis(5));
            }
        }
    }
    connection
        .execute_batch(
            "PRAGMA synchronous = FULL; PRAGMA fullfsync = ON; PRAGMA trusted_schema = OFF;",
        )
        .map_err(|e| told(path, &e))
}

/// The name of a new file must be on the disk too.
fn sync_folder(path: &Path) {
    let folder = match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    // Where a folder cannot be synced (some systems), there is nothing else to do.
    if let Ok(folder) = std::fs::File::open(folder) {
        let _ = folder.sync_all();
    }
}

fn soundness(path: &Path, connection: &Connection, bytes: u64) -> Result<(), LedgerError> {
    if bytes <= CHECKED_WHOLE
        && let Some(what) = checked(connection, "quick_check(1)").map_err(|e| told(path, &e))?
    {
        return Err(LedgerError::Damaged {
            path: path.to_path_buf(),
            what,
        });
    }
    for head in heads(connection).map_err(|e| told(path, &e))? {
        connection
            .query_row(
                &format!("SELECT {COLUMNS} FROM entry WHERE station = ?1 AND number = ?2"),
                params![head.station, signed(head.number)],
                |row| see(row).map(|r| r.prove()),
            )
            .map_err(|e| told(path, &e))??;
    }
    Ok(())
}

fn checked(connection: &Connection, check: &str) -> rusqlite::Result<Option<String>> {
    let found: String = connection.query_row(&format!("PRAGMA {check}"), [], |row| row.get(0))?;
    Ok((found != "ok").then_some(found))
}

/// One look into the index per station, not one per entry.
fn heads(connection: &Connection) -> rusqlite::Result<Vec<Head>> {
    let mut statement = connection.prepare_cached(
        "WITH RECURSIVE name(station) AS (
           SELECT min(station) FROM entry
           UNION ALL
           SELECT (SELECT min(station) FROM entry WHERE station > name.station) FROM name
             WHERE name.station IS NOT NULL)
         SELECT station, number, digest FROM name, entry USING (station)
           WHERE number = (SELECT max(number) FROM entry e WHERE e.station = name.station)",
    )?;
    let rows = statement.query_map([], |row| {
        Ok(Head {
            station: row.get(0)?,
            number: unsigned(row.get(1)?),
            digest: row.get(2)?,
        })
    })?;
    rows.collect()
}

fn head_of(transaction: &Transaction<'_>, station: &str) -> rusqlite::Result<Head> {
    let mut statement = transaction.prepare_cached(
        "SELECT number, digest FROM entry WHERE station = ?1 ORDER BY number DESC LIMIT 1",
    )?;
    let head = statement
        .query_row([station], |row| {
            Ok(Head {
                station: station.to_string(),
                number: unsigned(row.get(0)?),
                digest: row.get(1)?,
            })
        })
        .optional()?;
    Ok(head.unwrap_or_else(|| Head::begin(station)))
}

fn insert(
    transaction: &Transaction<'_>,
    record: &Record,
    marks: &Marks<'_>,
) -> rusqlite::Result<()> {
    let mut statement = transaction.prepare_cached(
        "INSERT INTO entry (station, number, previous, digest, kind, at_us, unit, batch, refers_to, verdict, body)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)",
    )?;
    statement.execute(params![
        record.station,
        signed(record.number),
        record.previous,
        record.digest,
        marks.kind,
        marks.at_us,
        marks.unit,
        marks.batch,
        marks.refers_to,
        marks.verdict,
        record.body,
    ])?;
    Ok(())
}

fn see<'r>(row: &'r rusqlite::Row<'_>) -> rusqlite::Result<Row<'r>> {
    fn text(value: ValueRef<'_>) -> Option<&str> {
        value.as_str().ok()
    }
    let number = |value: ValueRef<'_>| value.as_i64().unwrap_or(0);
    let get = |i: usize| row.get_ref(i);
    Ok(Row {
        position: number(get(0)?),
        station: text(get(1)?).unwrap_or_default(),
        number: unsigned(number(get(2)?)),
        previous: text(get(3)?).unwrap_or_default(),
        digest: text(get(4)?).unwrap_or_default(),
        kind: text(get(5)?).unwrap_or_default(),
        at_us: number(get(6)?),
        unit: text(get(7)?).unwrap_or_default(),
        batch: text(get(8)?),
        refers_to: text(get(9)?),
        verdict: text(get(10)?).unwrap_or_default(),
        body: text(get(11)?).unwrap_or_default(),
    })
}

fn folder(path: &Path) -> LedgerError {
    LedgerError::NotALedger {
        path: path.to_path_buf(),
        found: "it is a folder".to_string(),
    }
}

fn system(path: &Path, cause: impl std::fmt::Display) -> LedgerError {
    LedgerError::System {
        place: path.display().to_string(),
        cause: cause.to_string(),
    }
}

fn cannot_open(error: &rusqlite::Error) -> bool {
    matches!(
        error.sqlite_error_code(),
        Some(ErrorCode::CannotOpen | ErrorCode::ReadOnly)
    )
}

/// What SQLite says, in our words.
fn told(path: &Path, error: &rusqlite::Error) -> LedgerError {
    let path = path.to_path_buf();
    match error.sqlite_error_code() {
        Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => LedgerError::Locked {
            path,
            seconds: PATIENCE_S,
        },
        Some(ErrorCode::DiskFull) => LedgerError::Full { path },
        // A quota or a size limit is not «full» to SQLite, and writing fails all the same.
        Some(ErrorCode::SystemIoFailure) if writing_failed(error) => LedgerError::Full { path },
        // Even reading needs room: the index of the write-ahead log lies in a file beside.
        Some(ErrorCode::SystemIoFailure) => system(
            &path,
            format!(
                "cannot be read or written ({error}); make room on its disk if it is full (reading needs some too), else look at the disk; nothing was written"
            ),
        ),
        Some(ErrorCode::ReadOnly) => LedgerError::ReadOnly { path },
        Some(ErrorCode::NotADatabase) => LedgerError::NotALedger {
            path,
            found: "it is no SQLite file".to_string(),
        },
        Some(ErrorCode::DatabaseCorrupt) => LedgerError::Damaged {
            path,
            what: error.to_string(),
        },
        Some(ErrorCode::CannotOpen) => system(
            &path,
            "cannot be opened; check that the folder exists and may be written",
        ),
        _ => system(&path, error),
    }
}

fn writing_failed(error: &rusqlite::Error) -> bool {
    use rusqlite::ffi::{SQLITE_IOERR_TRUNCATE, SQLITE_IOERR_WRITE};
    error
        .sqlite_error()
        .is_some_and(|e| [SQLITE_IOERR_WRITE, SQLITE_IOERR_TRUNCATE].contains(&e.extended_code))
}

impl Ledger for SqliteLedger {
    fn append(&mut self, station: &str, entry: &Entry) -> Result<Stored, LedgerError> {
        let path = &self.path;
        let say = |cause: rusqlite::Error| told(path, &cause);
        let transaction = self
            .connection
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .map_err(say)?;
        let head = head_of(&transaction, station).map_err(say)?;
        let record = Record::after(&head, entry)?;
        insert(&transaction, &record, &record.marks()?).map_err(say)?;
        transaction.commit().map_err(say)?;
        Ok(record.with(entry.clone()))
    }

    fn select(&mut self, filter: &Filter) -> Result<Vec<Stored>, LedgerError> {
        let (sql, asked) = question(filter, "entry", '?')?;
        let values = asked.into_iter().map(|value| match value {
            Asked::Text(text) => Value::Text(text),
            Asked::Number(number) => Value::Integer(number),
        });
        let mut list = self.query(&sql, params_from_iter(values), |row| row.proven())?;
        list.reverse();
        Ok(list)
    }

    fn find(&mut self, digest: &str) -> Result<Option<Stored>, LedgerError> {
        let found = self.query(
            &format!(
                "SELECT {COLUMNS} FROM entry WHERE digest >= ?1 AND digest < ?1 || 'g' LIMIT 2"
            ),
            [digest.to_ascii_lowercase()],
            |row| row.proven(),
        )?;
        super::only(found, digest)
    }

    fn attempts(&mut self, unit: &str) -> Result<u32, LedgerError> {
        self.connection
            .query_row(
                "SELECT count(*) FROM entry WHERE unit = ?1 AND kind = 'inspection'",
                [unit],
                |row| row.get(0),
            )
            .map_err(|cause| told(&self.path, &cause))
    }
}

impl Store for SqliteLedger {
    fn place(&self) -> String {
        self.path.display().to_string()
    }

    fn heads(&mut self) -> Result<Vec<Head>, LedgerError> {
        heads(&self.connection).map_err(|cause| told(&self.path, &cause))
    }

    fn records(
        &mut self,
        station: &str,
        after: u64,
        most: usize,
    ) -> Result<Vec<Record>, LedgerError> {
        self.query(
            &format!(
                "SELECT {COLUMNS} FROM entry WHERE station = ?1 AND number > ?2 ORDER BY number LIMIT ?3"
            ),
            params![station, signed(after), signed(most as u64)],
            |row| Ok(row.record()),
        )
    }

    fn deliver(&mut self, records: &[Record]) -> Result<usize, LedgerError> {
        let place = self.place();
        let path = &self.path;
        let say = |cause: rusqlite::Error| told(path, &cause);
        let transaction = self
            .connection
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .map_err(say)?;
        let mut new = 0;
        for record in records {
            let marks = super::delivered(record)?;
            let head = head_of(&transaction, &record.station).map_err(say)?;
            let there: Option<String> = if record.number <= head.number {
                transaction
                    .query_row(
                        "SELECT digest FROM entry WHERE station = ?1 AND number = ?2",
                        params![record.station, signed(record.number)],
                        |row| row.get(0),
                    )
                    .optional()
                    .map_err(say)?
            } else {
                None
            };
            if super::follows(&place, record, &head, there)? {
                insert(&transaction, record, &marks).map_err(say)?;
                new += 1;
            }
        }
        transaction.commit().map_err(say)?;
        Ok(new)
    }

    fn last_position(&mut self) -> Result<i64, LedgerError> {
        self.connection
            .query_row("SELECT coalesce(max(position), 0) FROM entry", [], |row| {
                row.get(0)
            })
            .map_err(|cause| told(&self.path, &cause))
    }

    fn reader(&self) -> Result<Box<dyn Reader + Send>, LedgerError> {
        let connection = for_reading(&self.path)?;
        // Reads everything once, in order: pages straight from the system's cache, without a call for each.
        connection
            .execute_batch(&format!("PRAGMA mmap_size = {MAPPED}"))
            .map_err(|cause| told(&self.path, &cause))?;
        Ok(Box::new(SqliteReader {
            path: self.path.clone(),
            connection,
        }))
    }

    fn integrity(&mut self) -> Result<Option<String>, LedgerError> {
        checked(&self.connection, "integrity_check(1)").map_err(|cause| told(&self.path, &cause))
    }
}

struct SqliteReader {
    path: PathBuf,
    connection: Connection,
}

impl Reader for SqliteReader {
    fn read(
        &mut self,
        from: i64,
        to: i64,
        each: &mut dyn FnMut(&Row<'_>) -> Result<(), LedgerError>,
    ) -> Result<(), LedgerError> {
        let say = |cause: rusqlite::Error| told(&self.path, &cause);
        let mut statement = self
            .connection
            .prepare_cached(&format!(
                "SELECT {COLUMNS} FROM entry WHERE position >= ?1 AND position < ?2 ORDER BY position"
            ))
            .map_err(say)?;
        let mut rows = statement.query([from, to]).map_err(say)?;
        while let Some(row) = rows.next().map_err(say)? {
            each(&see(row).map_err(say)?)?;
        }
        Ok(())
    }
}
