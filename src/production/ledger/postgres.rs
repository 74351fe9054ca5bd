//! The log on a PostgreSQL server, which several stations share.
//!
//! The same entries and chains as in a file. An append holds a lock on its station's name until it is committed, so that two
//! processes of one station cannot fork the chain. A connection that breaks during an append leaves open whether the entry
//! was written: after connecting anew, under the same lock, the digest tells.

use super::question::{Asked, COLUMNS, question, signed, unsigned};
use super::{Filter, Head, Ledger, LedgerError, Marks, Reader, Record, Row, Store, Stored};
use crate::production::entry::Entry;
use postgres::types::ToSql;
use postgres::{Client, Config, NoTls, Transaction};
use std::time::{Duration, Instant};

/// The newest schema.
const VERSION: i64 = 1;

/// Lock under which the tables are made: any number that nothing else uses on that database.
const MAKING: i64 = 0x4253_4C47;

/// How long a connection may take, s.
const CONNECT_S: u64 = 5;

const TABLES: &str = r#"
CREATE TABLE bassay_schema (version BIGINT NOT NULL);
CREATE TABLE bassay_entry (
  position BIGINT GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
  station TEXT COLLATE "C" NOT NULL,
  number BIGINT NOT NULL CHECK (number > 0),
  previous TEXT NOT NULL,
  digest TEXT COLLATE "C" NOT NULL UNIQUE,
  kind TEXT NOT NULL,
  at_us BIGINT NOT NULL,
  unit TEXT NOT NULL,
  batch TEXT,
  refers_to TEXT,
  verdict TEXT NOT NULL,
  body TEXT NOT NULL,
  UNIQUE (station, number)
);
CREATE INDEX bassay_entry_by_time ON bassay_entry (at_us, station, number);
CREATE INDEX bassay_entry_by_kind ON bassay_entry (kind, at_us, station, number);
CREATE INDEX bassay_entry_by_unit ON bassay_entry (unit, at_us);
CREATE INDEX bassay_entry_by_batch ON bassay_entry (batch, at_us);
CREATE INDEX bassay_entry_by_station ON bassay_entry (station, at_us);
CREATE FUNCTION bassay_entry_stays() RETURNS trigger LANGUAGE plpgsql AS
  $$ BEGIN RAISE EXCEPTION 'an entry is never changed or deleted; write a correction'; END $$;
CREATE TRIGGER bassay_entry_stays BEFORE UPDATE OR DELETE ON bassay_entry
  FOR EACH ROW EXECUTE FUNCTION bassay_entry_stays();
CREATE TRIGGER bassay_entry_remains BEFORE TRUNCATE ON bassay_entry
  FOR EACH STATEMENT EXECUTE FUNCTION bassay_entry_stays();
"#;

/// A log on a server.
pub struct PostgresLedger {
    config: Config,
    place: String,
    client: Client,
    patience: Duration,
}

impl std::fmt::Debug for PostgresLedger {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("PostgresLedger")
            .field("place", &self.place)
            .finish_non_exhaustive()
    }
}

impl PostgresLedger {
    /// Connects, and makes the tables if there are none. `patience`: how long a lost connection is tried again.
    ///
    /// # Errors
    /// [`LedgerError::Address`], [`LedgerError::Connection`], [`LedgerError::Newer`].
    pub fn connect(address: &str, patience: Duration) -> Result<Self, LedgerError> {
        let mut config: Config = address.parse().map_err(|cause: postgres::Error| {
            let chain = std::error::Error::source(&cause).map(ToString::to_string);
            LedgerError::Address {
                found: "postgres://…".to_string(),
                why: chain.unwrap_or_else(|| cause.to_string()),
            }
        })?;
        if config.get_connect_timeout().is_none() {
            config.connect_timeout(Duration::from_secs(CONNECT_S));
        }
        config.application_name("bassay");
        let place = named(&config);
        let mut client = connected(&config, &place)?;
        make(&mut client, &place)?;
        Ok(Self {
            config,
            place,
            client,
            patience,
        })
    }

    /// Runs `work` in the connection; connects anew, for as long as patience lasts, if it breaks.
    fn again<T>(
        &mut self,
        mut work: impl FnMut(&mut Client, &str) -> Result<T, LedgerError>,
    ) -> Result<T, LedgerError> {
        let begun = Instant::now();
        let mut pause = Duration::from_millis(20);
        loop {
            let error = match work(&mut self.client, &self.place) {
                Err(error @ LedgerError::Connection { .. }) => error,
                other => return other,
            };
            loop {
                if begun.elapsed() >= self.patience {
                    return Err(error);
                }
                std::thread::sleep(pause);
                pause = (pause * 2).min(Duration::from_secs(1));
                if let Ok(client) = connected(&self.config, &self.place) {
                    self.client = client;
                    break;
                }
            }
        }
    }

    fn query<T>(
        &mut self,
        sql: &str,
        values: &[Asked],
        take: impl Fn(&Row<'_>) -> Result<T, LedgerError>,
    ) -> Result<Vec<T>, LedgerError> {
        self.again(|client, place| {
            let values: Vec<&(dyn ToSql + Sync)> = values
                .iter()
                .map(|value| match value {
                    Asked::Text(text) => text as &(dyn ToSql + Sync),
                    Asked::Number(number) => number,
                })
                .collect();
            let rows = client.query(sql, &values).map_err(|e| told(place, &e))?;
            rows.iter()
                .map(|row| take(&see(row).map_err(|e| told(place, &e))?))
                .collect()
        })
    }
}

/// Host, port and database, without user and password.
fn named(config: &Config) -> String {
    use postgres::config::Host;
    let host = match config.get_hosts().first() {
        Some(Host::Tcp(host)) => host.clone(),
        #[cfg(unix)]
        Some(Host::Unix(path)) => path.display().to_string(),
        #[allow(unreachable_patterns)]
        _ => "localhost".to_string(),
    };
    let port = config.get_ports().first().copied().unwrap_or(5432);
    let database = config.get_dbname().unwrap_or_default();
    format!("postgres://{host}:{port}/{database}")
}

fn connected(config: &Config, place: &str) -> Result<Client, LedgerError> {
    let fail = |cause: postgres::Error| LedgerError::Connection {
        place: place.to_string(),
        cause: whole(&cause),
    };
    let mut client = config.connect(NoTls).map_err(fail)?;
    client
        .batch_execute("SET synchronous_commit = on; SET lock_timeout = '20s'")
        .map_err(fail)?;
    Ok(client)
}

fn make(client: &mut Client, place: &str) -> Result<(), LedgerError> {
    let say = |cause: postgres::Error| told(place, &cause);
    let mut transaction = client.transaction().map_err(say)?;
    transaction
        .execute("SELECT pg_advisory_xact_lock($1)", &[&MAKING])
        .map_err(say)?;
    let there: bool = transaction
        .query_one("SELECT to_regclass('bassay_schema') IS NOT NULL", &[])
        .map_err(say)?
        .get(0);
    if there {
        let found: Option<i64> = transaction
            .query_one("SELECT max(version) FROM bassay_schema", &[])
            .map_err(say)?
            .get(0);
        if let Some(found) = found.filter(|&v| v > VERSION) {
            return Err(LedgerError::Newer {
                place: place.to_string(),
                found,
                known: VERSION,
            });
        }
    } else {
        transaction.batch_execute(TABLES).map_err(say)?;
        transaction
            .execute("INSERT INTO bassay_schema VALUES ($1)", &[&VERSION])
            .map_err(say)?;
    }
    transaction.commit().map_err(say)
}

/// What the server says, with what lies behind it.
fn whole(error: &postgres::Error) -> String {
    if let Some(db) = error.as_db_error() {
        return format!("{} ({})", db.message(), db.code().code());
    }
    let mut text = error.to_string();
    let mut cause = std::error::Error::source(error);
    while let Some(deeper) = cause {
        text += &format!(": {deeper}");
        cause = deeper.source();
    }
    text
}

fn told(place: &str, error: &postgres::Error) -> LedgerError {
    let place = place.to_string();
    let cause = whole(error);
    // Class 08: connection; 57P01 to 57P03: the server goes down or starts.
    let lost = match error.code() {
        Some(code) => code.code().starts_with("08") || code.code().starts_with("57P0"),
        None => error.is_closed() || by_system(error),
    };
    if lost {
        LedgerError::Connection { place, cause }
    } else {
        LedgerError::System { place, cause }
    }
}

fn by_system(error: &postgres::Error) -> bool {
    let mut cause = std::error::Error::source(error);
    while let Some(deeper) = cause {
        if deeper.is::<std::io::Error>() {
            return true;
        }
        cause = deeper.source();
    }
    false
}

/// Waits until no other transaction writes to this station's chain, and keeps it so.
fn hold(transaction: &mut Transaction<'_>, station: &str) -> Result<(), postgres::Error> {
    let name = blake3::hash(format!("bassay station {station}").as_bytes());
    let mut first = [0; 8];
    first.copy_from_slice(&name.as_bytes()[..8]);
    transaction.execute(
        "SELECT pg_advisory_xact_lock($1)",
        &[&i64::from_le_bytes(first)],
    )?;
    Ok(())
}

fn head_of(transaction: &mut Transaction<'_>, station: &str) -> Result<Head, postgres::Error> {
    let row = transaction.query_opt(
        "SELECT number, digest FROM bassay_entry WHERE station = $1 ORDER BY number DESC LIMIT 1",
        &[&station],
    )?;
    Ok(row.map_or_else(
        || Head::begin(station),
        |row| Head {
            station: station.to_string(),
            number: unsigned(row.get(0)),
            digest: row.get(1),
        },
    ))
}

fn insert(
    transaction: &mut Transaction<'_>,
    record: &Record,
    marks: &Marks<'_>,
) -> Result<(), postgres::Error> {
    transaction.execute(
        "INSERT INTO bassay_entry (station, number, previous, digest, kind, at_us, unit, batch, refers_to, verdict, body)
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)",
        &[
            &record.station,
            &signed(record.number),
            &record.previous,
            &record.digest,
            &marks.kind.as_ref(),
            &marks.at_us,
            &marks.unit.as_ref(),
            &marks.batch.as_deref(),
            &marks.refers_to.as_deref(),
            &marks.verdict.as_ref(),
            &record.body,
        ],
    )?;
    Ok(())
}

fn see(row: &postgres::Row) -> Result<Row<'_>, postgres::Error> {
    Ok(Row {
        position: row.try_get(0)?,
        station: row.try_get(1)?,
        number: unsigned(row.try_get(2)?),
        previous: row.try_get(3)?,
        digest: row.try_get(4)?,
        kind: row.try_get(5)?,
        at_us: row.try_get(6)?,
        unit: row.try_get(7)?,
        batch: row.try_get(8)?,
        refers_to: row.try_get(9)?,
        verdict: row.try_get(10)?,
        body: row.try_get(11)?,
    })
}

fn digest_at(
    transaction: &mut Transaction<'_>,
    record: &Record,
) -> Result<Option<String>, postgres::Error> {
    let row = transaction.query_opt(
        "SELECT digest FROM bassay_entry WHERE station = $1 AND number = $2",
        &[&record.station, &signed(record.number)],
    )?;
    Ok(row.map(|row| row.get(0)))
}

impl Ledger for PostgresLedger {
    fn append(&mut self, station: &str, entry: &Entry) -> Result<Stored, LedgerError> {
        let mut tried: Option<Record> = None;
        let record = self.again(|client, place| {
            let say = |cause: postgres::Error| told(place, &cause);
            let mut transaction = client.transaction().map_err(say)?;
            hold(&mut transaction, station).map_err(say)?;
            // A commit whose answer was lost may have come through.
            if let Some(record) = &tried
                && digest_at(&mut transaction, record).map_err(say)?.as_ref()
                    == Some(&record.digest)
            {
                return Ok(record.clone());
            }
            let head = head_of(&mut transaction, station).map_err(say)?;
            let record = Record::after(&head, entry)?;
            insert(&mut transaction, &record, &record.marks()?).map_err(say)?;
            tried = Some(record.clone());
            transaction.commit().map_err(say)?;
            Ok(record)
        })?;
        Ok(record.with(entry.clone()))
    }

    fn select(&mut self, filter: &Filter) -> Result<Vec<Stored>, LedgerError> {
        let (sql, values) = question(filter, "bassay_entry", '$')?;
        let mut list = self.query(&sql, &values, |row| row.proven())?;
        list.reverse();
        Ok(list)
    }

    fn find(&mut self, digest: &str) -> Result<Option<Stored>, LedgerError> {
        let found = self.query(
            &format!(
                "SELECT {COLUMNS} FROM bassay_entry WHERE digest >= $1 AND digest < $1 || 'g' LIMIT 2"
            ),
            &[Asked::Text(digest.to_ascii_lowercase())],
            |row| row.proven(),
        )?;
        super::only(found, digest)
    }

    fn attempts(&mut self, unit: &str) -> Result<u32, LedgerError> {
        let count: i64 = self.again(|client, place| {
            client
                .query_one(
                    "SELECT count(*) FROM bassay_entry WHERE unit = $1 AND kind = 'inspection'",
                    &[&unit],
                )
                .map(|row| row.get(0))
                .map_err(|e| told(place, &e))
        })?;
        Ok(u32::try_from(count).unwrap_or(u32::MAX))
    }
}

impl Store for PostgresLedger {
    fn place(&self) -> String {
        self.place.clone()
    }

    fn heads(&mut self) -> Result<Vec<Head>, LedgerError> {
        self.again(|client, place| {
            let rows = client
                .query(
                    "SELECT DISTINCT ON (station) station, number, digest FROM bassay_entry
                     ORDER BY station, number DESC",
                    &[],
                )
                .map_err(|e| told(place, &e))?;
            Ok(rows
                .iter()
                .map(|row| Head {
                    station: row.get(0),
                    number: unsigned(row.get(1)),
                    digest: row.get(2),
                })
                .collect())
        })
    }

    fn records(
        &mut self,
        station: &str,
        after: u64,
        most: usize,
    ) -> Result<Vec<Record>, LedgerError> {
        let values = [
            Asked::Text(station.to_string()),
            Asked::Number(signed(after)),
            Asked::Number(signed(most as u64)),
        ];
        self.query(
            &format!(
                "SELECT {COLUMNS} FROM bassay_entry WHERE station = $1 AND number > $2 ORDER BY number LIMIT $3"
            ),
            &values,
            |row| Ok(row.record()),
        )
    }

    fn deliver(&mut self, records: &[Record]) -> Result<usize, LedgerError> {
        let marks = records
            .iter()
            .map(super::delivered)
            .collect::<Result<Vec<_>, _>>()?;
        // Always in one order, so that two that deliver do not wait for each other.
        let mut stations: Vec<&str> = records.iter().map(|r| r.station.as_str()).collect();
        stations.sort_unstable();
        stations.dedup();
        self.again(|client, place| {
            let say = |cause: postgres::Error| told(place, &cause);
            let mut transaction = client.transaction().map_err(say)?;
            for station in &stations {
                hold(&mut transaction, station).map_err(say)?;
            }
            let mut new = 0;
            for (record, marks) in records.iter().zip(&marks) {
                let head = head_of(&mut transaction, &record.station).map_err(say)?;
                let there = if record.number <= head.number {
                    digest_at(&mut transaction, record).map_err(say)?
                } else {
                    None
                };
                if super::follows(place, record, &head, there)? {
                    insert(&mut transaction, record, marks).map_err(say)?;
                    new += 1;
                }
            }
            transaction.commit().map_err(say)?;
            Ok(new)
        })
    }

    fn last_position(&mut self) -> Result<i64, LedgerError> {
        self.again(|client, place| {
            client
                .query_one("SELECT coalesce(max(position), 0) FROM bassay_entry", &[])
                .map(|row| row.get(0))
                .map_err(|e| told(place, &e))
        })
    }

    fn reader(&self) -> Result<Box<dyn Reader + Send>, LedgerError> {
        Ok(Box::new(PostgresReader {
            place: self.place.clone(),
            client: connected(&self.config, &self.place)?,
        }))
    }

    fn integrity(&mut self) -> Result<Option<String>, LedgerError> {
        // The server checks its pages itself (initdb --data-checksums); nothing of it can be asked for from here.
        Ok(None)
    }
}

struct PostgresReader {
    place: String,
    client: Client,
}

impl Reader for PostgresReader {
    fn read(
        &mut self,
        from: i64,
        to: i64,
        each: &mut dyn FnMut(&Row<'_>) -> Result<(), LedgerError>,
    ) -> Result<(), LedgerError> {
        let say = |cause: postgres::Error| told(&self.place, &cause);
        let rows = self
            .client
            .query(
                &format!(
                    "SELECT {COLUMNS} FROM bassay_entry WHERE position >= $1 AND position < $2 ORDER BY position"
                ),
                &[&from, &to],
            )
            .map_err(say)?;
        for row in &rows {
            each(&see(row).map_err(say)?)?;
        }
        Ok(())
    }
}
