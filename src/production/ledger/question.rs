//! A [`Filter`] as a question in SQL, the same for both databases.

use super::record::time;
use super::{Filter, LedgerError};

/// The columns in the order in which rows are read.
pub const COLUMNS: &str = "position, station, number, previous, digest, kind, at_us, unit, batch, refers_to, verdict, body";

/// A value of a condition.
#[derive(Debug, Clone)]
pub enum Asked {
    /// A text.
    Text(String),
    /// A number.
    Number(i64),
}

/// The question and its values, newest first. `mark` stands ahead of the number of a value.
pub fn question(
    filter: &Filter,
    table: &str,
    mark: char,
) -> Result<(String, Vec<Asked>), LedgerError> {
    let text = |value: &Option<String>| value.clone().map(Asked::Text);
    let number = |value: Option<i64>| value.map(Asked::Number);
    let word = |value: &str| Asked::Text(value.to_string());
    let asked = [
        ("kind =", filter.kind.map(|kind| word(kind.word()))),
        ("unit =", text(&filter.unit)),
        ("batch =", text(&filter.batch)),
        ("station =", text(&filter.station)),
        ("verdict =", filter.verdict.map(|v| word(v.word()))),
        ("at_us >=", number(time("from", filter.from.as_ref())?)),
        ("at_us <", number(time("to", filter.to.as_ref())?)),
    ];
    let (mut conditions, mut values) = (Vec::new(), Vec::new());
    for (condition, value) in asked {
        if let Some(value) = value {
            values.push(value);
            conditions.push(format!("{condition} {mark}{}", values.len()));
        }
    }
    let mut sql = format!("SELECT {COLUMNS} FROM {table}");
    if !conditions.is_empty() {
        sql += " WHERE ";
        sql += &conditions.join(" AND ");
    }
    sql += " ORDER BY at_us DESC, station DESC, number DESC";
    if let Some(latest) = filter.latest {
        sql += &format!(" LIMIT {latest}");
    }
    Ok((sql, values))
}

/// Integers of databases are signed; no chain gets that long.
pub fn signed(number: u64) -> i64 {
    i64::try_from(number).unwrap_or(i64::MAX)
}

/// Back; what is negative was no number of an entry.
pub fn unsigned(number: i64) -> u64 {
    u64::try_from(number).unwrap_or(0)
}
