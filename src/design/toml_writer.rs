//! Puts keys into the text of a TOML file and leaves comments, order and layout as they are.

use super::problem::Problems;
use std::path::Path;
use toml_edit::{Array, DocumentMut, InlineTable, Item, TableLike, Value};

/// A key and what it shall say; `None` takes the key out.
pub(super) type Field = (&'static str, Option<Value>);

/// The document of a text; a byte-order mark goes.
pub(super) fn document(text: &str, file: &Path) -> Result<DocumentMut, Problems> {
    text.trim_start_matches('\u{feff}')
        .parse()
        .map_err(|error: toml_edit::TomlError| Problems::whole_file(file, error.to_string()))
}

/// Writes the fields into a table; spaces and comments around a value stay.
pub(super) fn put(table: &mut dyn TableLike, fields: Vec<Field>) {
    for (key, value) in fields {
        let Some(mut value) = value else {
            table.remove(key);
            continue;
        };
        if let Some(old) = table.get_mut(key).and_then(Item::as_value_mut) {
            *value.decor_mut() = old.decor().clone();
            *old = value;
        } else {
            table.insert(key, Item::Value(value));
        }
    }
}

/// A number with seven significant digits at most, so that nobody reads noise.
pub(super) fn float(value: f64) -> Option<Value> {
    let rounded: f64 = format!("{value:.6e}").parse().ok()?;
    value.is_finite().then(|| rounded.into())
}

/// A whole number.
pub(super) fn whole(value: usize) -> Option<Value> {
    i64::try_from(value).ok().map(Value::from)
}

/// A text.
pub(super) fn text(value: &str) -> Option<Value> {
    (!value.is_empty()).then(|| value.into())
}

/// A date and time, bare where TOML knows its form.
pub(super) fn moment(value: &str) -> Option<Value> {
    match value.parse::<toml_edit::Datetime>() {
        Ok(date) => Some(date.into()),
        Err(_) => text(value),
    }
}

/// A list of texts; none if it is empty.
pub(super) fn texts(values: &[String]) -> Option<Value> {
    let list: Array = values.iter().map(String::as_str).collect();
    (!values.is_empty()).then_some(Value::Array(list))
}

/// `{ … }`; none if nothing is in it.
pub(super) fn inline(fields: Vec<Field>) -> Option<Value> {
    let mut table = InlineTable::new();
    for (key, value) in fields {
        if let Some(value) = value {
            table.insert(key, value);
        }
    }
    (!table.is_empty()).then_some(Value::InlineTable(table))
}

/// Ends lines as the old text did.
pub(super) fn line_ends(new: String, old: &str) -> String {
    if old.contains("\r\n") {
        new.replace("\r\n", "\n").replace('\n', "\r\n")
    } else {
        new
    }
}

/// A path as a file beside it writes it: relative where it lies in the file's folder or below.
pub(super) fn beside(target: &Path, file: &Path) -> Option<Value> {
    let folder = file.parent().unwrap_or(Path::new(""));
    text(
        &target
            .strip_prefix(folder)
            .unwrap_or(target)
            .to_string_lossy(),
    )
}
