//! Reads the values of a TOML table by key and reports every one that is missing, unknown, of a wrong type or
//! out of range, with its line. A reader goes on after a problem, so that one run shows all of them.

use super::problem::{self, Problem, Problems, did_you_mean, number, quoted};

use crate::files::FileError;
use std::cell::{Cell, RefCell};
use std::path::Path;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// Problems that are kept; a file with more is not worth listing further.
const LARGEST_PROBLEMS: usize = 1000;
/// Nearest-name searches per file: each looks at every known name.
const LARGEST_SEARCHES: usize = 100;
/// Largest text of a design or captures file, bytes; ten thousand elements need about two million.
const LARGEST_BYTES: usize = 8 << 20;

/// What a moment looks like, for messages.
pub(super) const MOMENT: &str = "a date and time with its offset, such as 2026-03-14T10:20:00Z";

/// The text of one file, and what was found wrong in it so far.
pub(super) struct Source<'t> {
    file: &'t Path,
    text: &'t str,
    line_starts: Vec<usize>,
    found: RefCell<Vec<Problem>>,
    searches: Cell<usize>,
}

/// A range of numbers, both ends included.
#[derive(Debug, Clone, Copy)]
pub(super) struct Range {
    pub low: f64,
    pub high: f64,
    pub unit: &'static str,
}

impl Range {
    /// From the lowest to the highest value, both allowed, in a unit.
    pub const fn new(low: f64, high: f64, unit: &'static str) -> Self {
        Self { low, high, unit }
    }

    fn holds(self, value: f64) -> bool {
        (self.low..=self.high).contains(&value)
    }

    /// `0 to 100 %`.
    pub fn text(self) -> String {
        let gap = if self.unit.is_empty() { "" } else { " " };
        format!(
            "{} to {}{gap}{}",
            number(self.low),
            number(self.high),
            self.unit
        )
    }
}

impl<'t> Source<'t> {
    /// A text without problems so far; `file` names it in messages.
    pub fn new(text: &'t str, file: &'t Path) -> Self {
        let line_starts = std::iter::once(0)
            .chain(text.match_indices('\n').map(|(i, _)| i + 1))
            .collect();
        Self {
            file,
            text,
            line_starts,
            found: RefCell::new(Vec::new()),
            searches: Cell::new(0),
        }
    }

    /// Line and column (characters) of a byte offset, both from 1.
    fn place(&self, offset: usize) -> (usize, usize) {
        let offset = offset.min(self.text.len());
        let line = self.line_starts.partition_point(|&start| start <= offset);
        let start = self.line_starts[line - 1];
        let before = self.text.get(start..offset).unwrap_or("");
        (line, before.chars().count() + 1)
    }

    /// Notes a problem at a byte offset.
    pub fn report(&self, at: usize, key: impl Into<String>, text: impl Into<String>) {
        let (line, column) = self.place(at);
        let mut found = self.found.borrow_mut();
        if found.len() < LARGEST_PROBLEMS {
            found.push(Problem {
                file: self.file.to_path_buf(),
                line,
                column,
                key: key.into(),
                text: text.into(),
            });
        }
    }

    /// Line, from 1, of a place in the text.
    pub fn line(&self, at: usize) -> usize {
        self.place(at).0
    }

    /// How many problems were noted.
    pub fn count(&self) -> usize {
        self.found.borrow().len()
    }

    /// ` (did you mean 'x'?)`, or nothing; nothing either after very many searches.
    pub fn hint<'n>(&self, word: &str, candidates: impl IntoIterator<Item = &'n str>) -> String {
        did_you_mean(self.nearest(word, candidates))
    }

    fn nearest<'n>(
        &self,
        word: &str,
        candidates: impl IntoIterator<Item = &'n str>,
    ) -> Option<&'n str> {
        if self.searches.replace(self.searches.get() + 1) >= LARGEST_SEARCHES {
            return None;
        }
        problem::nearest(word, candidates)
    }

    /// `value`, or the problems in the order of their lines.
    pub fn finish<T>(self, value: Option<T>) -> Result<T, Problems> {
        let mut found = self.found.into_inner();
        found.sort_by_key(|p| (p.line, p.column));
        match value {
            Some(value) if found.is_empty() => Ok(value),
            _ if found.is_empty() => Err(Problems::whole_file(self.file, "nothing could be read")),
            _ => Err(Problems(found)),
        }
    }
}

/// The bytes of a file.
pub(super) fn bytes_of(path: &Path) -> Result<Vec<u8>, Problems> {
    crate::files::read_whole(path).map_err(|error| match error {
        FileError::Read { path, cause } | FileError::Write { path, cause } => {
            Problems::whole_file(&path, format!("cannot be read: {cause}"))
        }
        other @ (FileError::Other { .. } | FileError::There { .. }) => {
            Problems::whole_file(path, other.to_string())
        }
    })
}

/// The text of a file, without a byte-order mark.
pub(super) fn text_of<'b>(bytes: &'b [u8], file: &Path) -> Result<&'b str, Problems> {
    if bytes.len() > LARGEST_BYTES {
        return Err(Problems::whole_file(
            file,
            format!(
                "it has {} bytes; expected a text file of at most 8 MiB",
                bytes.len()
            ),
        ));
    }
    match std::str::from_utf8(bytes) {
        Ok(text) => Ok(text.strip_prefix('\u{feff}').unwrap_or(text)),
        Err(error) => {
            let line = 1 + bytes[..error.valid_up_to()]
                .iter()
                .filter(|&&b| b == b'\n')
                .count();
            Err(Problems(vec![Problem {
                file: file.to_path_buf(),
                line,
                column: 1,
                key: String::new(),
                text: "the bytes are not UTF-8 text; expected a TOML file".into(),
            }]))
        }
    }
}

/// Parses the text; the first syntax error only, because what follows one is seldom real.
pub(super) fn parse<'t>(
    text: &'t str,
    file: &Path,
    format: &str,
) -> Result<Spanned<DeTable<'t>>, Problems> {
    if text.trim().is_empty() {
        return Err(Problems::whole_file(
            file,
            format!(
                "the file is empty; expected a TOML file that starts with format = \"{format}\""
            ),
        ));
    }
    DeTable::parse(text).map_err(|error| {
        let source = Source::new(text, file);
        let (line, column) = source.place(error.span().map_or(0, |span| span.start));
        let mut message = error.message().trim_end().replace('\n', ", ");
        let unexpected = error.span().and_then(|span| text.get(span));
        if let Some(piece) = unexpected.filter(|piece| !piece.trim().is_empty()) {
            message += &format!(" at {}", quoted(piece));
        }
        Problems(vec![Problem {
            file: file.to_path_buf(),
            line,
            column,
            key: String::new(),
            text: format!("this is not valid TOML here: {message}"),
        }])
    })
}

/// A table that is being read.
pub(super) struct Table<'s, 't> {
    pub source: &'s Source<'t>,
    table: &'s DeTable<'t>,
    /// Byte offset of the table.
    pub at: usize,
    /// `duct.d1`; empty at the top.
    pub path: String,
    /// Keys that are there under a mistyped name, so that they are not missing as well.
    mistyped: Vec<String>,
}

/// What a value is, in words.
pub(super) fn in_words(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(text) => format!("the text {}", quoted(text)),
        DeValue::Integer(i) => {
            let sign_and_digits = i.to_string();
            quoted(&sign_and_digits).trim_matches('\'').to_string()
        }
        DeValue::Float(f) => quoted(f.as_str()).trim_matches('\'').to_string(),
        DeValue::Boolean(b) => b.to_string(),
        DeValue::Datetime(d) => format!("the date {d}"),
        DeValue::Array(list) => {
            let tables = !list.is_empty() && list.iter().all(|v| v.get_ref().as_table().is_some());
            if tables {
                "a list of tables".into()
            } else {
                format!("a list of {}", list.len())
            }
        }
        DeValue::Table(_) => "a table".into(),
    }
}

/// The number that a value is, if it is one.
pub(super) fn number_of(value: &DeValue<'_>) -> Option<f64> {
    match value {
        #[allow(clippy::cast_precision_loss)] // Physical values have far fewer digits.
        DeValue::Integer(i) => i64::from_str_radix(i.as_str(), i.radix())
            .ok()
            .map(|i| i as f64),
        DeValue::Float(f) => f.as_str().parse().ok(),
        _ => None,
    }
}

impl<'s, 't> Table<'s, 't> {
    /// Starts reading; a key that is not `known` is a problem.
    pub fn open(
        source: &'s Source<'t>,
        table: &'s DeTable<'t>,
        at: usize,
        path: impl Into<String>,
        known: &[&str],
    ) -> Self {
        let mut this = Self {
            source,
            table,
            at,
            path: path.into(),
            mistyped: Vec::new(),
        };
        for key in table.keys() {
            let word: &str = key.get_ref();
            if !known.contains(&word) {
                let nearest = source.nearest(word, known.iter().copied());
                let text = if let Some(meant) = nearest {
                    this.mistyped.push(meant.to_string());
                    format!(
                        "this key is not known; expected a key of this table{}",
                        did_you_mean(nearest)
                    )
                } else {
                    format!("this key is not known; known here: {}", known.join(", "))
                };
                source.report(key.span().start, this.key(word), text);
            }
        }
        this
    }

    /// Full name of a key.
    pub fn key(&self, key: &str) -> String {
        if self.path.is_empty() {
            key.to_string()
        } else {
            format!("{}.{key}", self.path)
        }
    }

    /// The value of a key as it stands.
    pub fn raw(&self, key: &str) -> Option<&'s Spanned<DeValue<'t>>> {
        self.table.get(key)
    }

    /// Whether the key is there.
    pub fn has(&self, key: &str) -> bool {
        self.table.contains_key(key)
    }

    /// Where a key's value is; the table where the key is missing.
    pub fn at_key(&self, key: &str) -> usize {
        self.raw(key).map_or(self.at, |v| v.span().start)
    }

    /// Notes a problem with a key.
    pub fn problem(&self, key: &str, text: impl Into<String>) {
        self.source.report(self.at_key(key), self.key(key), text);
    }

    /// Reports a value of the wrong kind.
    pub fn wrong(&self, key: &str, value: &DeValue<'_>, expected: &str) {
        self.problem(
            key,
            format!("found {}; expected {expected}", in_words(value)),
        );
    }

    /// Reports a key that is not there.
    pub fn missing(&self, key: &str, expected: &str) {
        if self.mistyped.iter().any(|meant| meant == key) {
            return;
        }
        self.source.report(
            self.at,
            self.key(key),
            format!("this key is missing; expected {expected}"),
        );
    }

    /// An optional number.
    pub fn optional(&self, key: &str, range: Range) -> Option<f64> {
        let value = self.raw(key)?.get_ref();
        match number_of(value) {
            Some(v) if range.holds(v) => Some(v),
            Some(_) => {
                self.wrong(key, value, &range.text());
                None
            }
            None => {
                self.wrong(key, value, &format!("a number, {}", range.text()));
                None
            }
        }
    }

    /// A number that must be there; NaN after a problem.
    pub fn number(&self, key: &str, range: Range) -> f64 {
        if !self.has(key) {
            self.missing(key, &format!("a number, {}", range.text()));
        }
        self.optional(key, range).unwrap_or(f64::NAN)
    }

    /// A number with a default.
    pub fn number_or(&self, key: &str, range: Range, default: f64) -> f64 {
        self.optional(key, range).unwrap_or(default)
    }

    /// An optional list of `N` numbers.
    pub fn numbers<const N: usize>(&self, key: &str, range: Range) -> Option<[f64; N]> {
        let value = self.raw(key)?.get_ref();
        let expected = format!("a list of {N} numbers, {}", range.text());
        let Some(list) = value.as_array() else {
            self.wrong(key, value, &expected);
            return None;
        };
        if list.len() != N {
            self.wrong(key, value, &expected);
            return None;
        }
        let mut numbers = [f64::NAN; N];
        for (number, item) in numbers.iter_mut().zip(list.iter()) {
            match number_of(item.get_ref()) {
                Some(v) if range.holds(v) => *number = v,
                _ => {
                    let found = in_words(item.get_ref());
                    self.source.report(
                        item.span().start,
                        self.key(key),
                        format!("found {found}; expected {expected}"),
                    );
                    return None;
                }
            }
        }
        Some(numbers)
    }

    /// An optional whole number.
    pub fn whole(&self, key: &str, low: u32, high: u32) -> Option<u32> {
        let value = self.raw(key)?.get_ref();
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // Checked to fit.
        match number_of(value) {
            Some(v) if v.fract() == 0.0 && (f64::from(low)..=f64::from(high)).contains(&v) => {
                Some(v as u32)
            }
            _ => {
                self.wrong(key, value, &format!("a whole number, {low} to {high}"));
                None
            }
        }
    }

    /// An optional text; an empty one is a problem.
    pub fn text(&self, key: &str, expected: &str) -> Option<&'s str> {
        let value = self.raw(key)?.get_ref();
        match value.as_str() {
            Some(text) if !text.trim().is_empty() => Some(text),
            _ => {
                self.wrong(key, value, expected);
                None
            }
        }
    }

    /// A date and time with its offset, as TOML writes it or as RFC 3339 text.
    pub fn moment(&self, key: &str) -> Option<String> {
        let value = self.raw(key)?.get_ref();
        let text = match value {
            DeValue::Datetime(date) => date.to_string(),
            DeValue::String(text) => text.to_string(),
            _ => String::new(),
        };
        if text.parse::<jiff::Timestamp>().is_err() {
            self.wrong(key, value, MOMENT);
            return None;
        }
        Some(text)
    }

    /// A text that must be there.
    pub fn required_text(&self, key: &str, expected: &str) -> Option<&'s str> {
        if !self.has(key) {
            self.missing(key, expected);
        }
        self.text(key, expected)
    }

    /// An optional word out of a few.
    pub fn choice<T: Copy>(&self, key: &str, words: &[(&str, T)]) -> Option<T> {
        let value = self.raw(key)?.get_ref();
        let found = value.as_str().unwrap_or("");
        if let Some((_, meaning)) = words.iter().find(|(word, _)| *word == found) {
            return Some(*meaning);
        }
        let list: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
        let hint = if found.is_empty() {
            String::new()
        } else {
            self.source.hint(found, list.iter().copied())
        };
        self.wrong(key, value, &format!("one of {}{hint}", list.join(", ")));
        None
    }

    /// An optional true or false.
    pub fn flag(&self, key: &str) -> Option<bool> {
        let value = self.raw(key)?.get_ref();
        if value.as_bool().is_none() {
            self.wrong(key, value, "true or false");
        }
        value.as_bool()
    }

    /// An optional table inside this one.
    pub fn sub(&self, key: &str, known: &[&str]) -> Option<Table<'s, 't>> {
        let value = self.raw(key)?;
        match value.get_ref().as_table() {
            Some(table) => Some(Table::open(
                self.source,
                table,
                value.span().start,
                self.key(key),
                known,
            )),
            None => {
                let expected = if value.get_ref().as_array().is_some() {
                    format!("one table [{key}]")
                } else {
                    format!("a table with {}", known.join(", "))
                };
                self.wrong(key, value.get_ref(), &expected);
                None
            }
        }
    }

    /// The tables of a list `[[key]]`; none if there is no such key.
    pub fn list(&self, key: &str) -> Vec<(&'s DeTable<'t>, usize)> {
        let Some(value) = self.raw(key) else {
            return Vec::new();
        };
        let Some(list) = value.get_ref().as_array() else {
            self.wrong(key, value.get_ref(), &format!("tables headed [[{key}]]"));
            return Vec::new();
        };
        let mut tables = Vec::with_capacity(list.len());
        for item in list.iter() {
            match item.get_ref().as_table() {
                Some(table) => tables.push((table, item.span().start)),
                None => self.source.report(
                    item.span().start,
                    self.key(key),
                    format!(
                        "found {}; expected tables headed [[{key}]]",
                        in_words(item.get_ref())
                    ),
                ),
            }
        }
        tables
    }
}

/// Checks the `format` key ahead of everything else: of a file of another kind every key would be unknown, so
/// that the kind alone is worth a line. `None` after a wrong one; a missing one is reported and reading goes on.
pub(super) fn check_format(source: &Source<'_>, top: &DeTable<'_>, wanted: &str) -> Option<()> {
    match top.get("format") {
        None => source.report(
            0,
            "format",
            format!("this key is missing; expected \"{wanted}\""),
        ),
        Some(value) if value.get_ref().as_str() == Some(wanted) => {}
        Some(value) => {
            source.report(
                value.span().start,
                "format",
                format!("found {}; expected \"{wanted}\"", in_words(value.get_ref())),
            );
            return None;
        }
    }
    Some(())
}
