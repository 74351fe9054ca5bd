//! Reads delimited text: commas, semicolons, tabs or blanks; a decimal point, or a decimal comma where commas do
//! not separate; comment lines; with a header or, for corrections, without.

use super::{Column, ColumnKind, CurveError, CurveTable, header};
use crate::files;
use std::path::Path;

/// Most columns beside the frequency.
const LARGEST_COLUMNS: usize = 1000;

/// What separates the fields of a line.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Separator {
    Mark(char),
    Blanks,
}

impl Separator {
    fn split(self, line: &str) -> Vec<String> {
        match self {
            Self::Mark(mark) => {
                let mut fields: Vec<String> = Vec::new();
                let mut quoted = false;
                let mut field = String::new();
                for c in line.chars() {
                    if c == '"' {
                        quoted = !quoted;
                    } else if c == mark && !quoted {
                        fields.push(field.trim().to_string());
                        field.clear();
                    } else {
                        field.push(c);
                    }
                }
                fields.push(field.trim().to_string());
                // Some programs end every line with the separator.
                if fields.len() > 1 && fields.last().is_some_and(String::is_empty) {
                    fields.pop();
                }
                fields
            }
            Self::Blanks => line.split_whitespace().map(str::to_string).collect(),
        }
    }

    /// The fields of a header line. Units in brackets belong to the word before them.
    fn split_header(self, line: &str) -> Vec<String> {
        let fields = self.split(line);
        if self != Self::Blanks {
            return fields;
        }
        let mut joined: Vec<String> = Vec::new();
        for field in fields {
            match joined.last_mut() {
                Some(last) if field.starts_with(['(', '[']) => last.push_str(&field),
                _ => joined.push(field),
            }
        }
        joined
    }

    fn decimal_comma(self) -> bool {
        self != Self::Mark(',')
    }
}

/// A number with a decimal point or, where allowed, a comma. `nan` and `inf` are numbers here; they are refused
/// with their own words later.
fn number(field: &str, decimal_comma: bool) -> Option<f64> {
    if decimal_comma && field.contains(',') && !field.contains('.') {
        return field.replacen(',', ".", 1).parse().ok();
    }
    field.parse().ok()
}

/// The separator by which a line of data falls into two or more numbers.
fn separator_of(line: &str) -> Option<Separator> {
    let marks = ['\t', ';', ','].map(Separator::Mark);
    marks.into_iter().chain([Separator::Blanks]).find(|&s| {
        let fields = s.split(line);
        fields.len() >= 2
            && fields
                .iter()
                .all(|field| number(field, s.decimal_comma()).is_some())
    })
}

struct Reader<'a> {
    file: &'a Path,
}

impl Reader<'_> {
    fn wrong(
        &self,
        line: usize,
        column: usize,
        found: impl Into<String>,
        expected: impl Into<String>,
    ) -> CurveError {
        CurveError::Text {
            file: self.file.to_path_buf(),
            line,
            column,
            found: found.into(),
            expected: expected.into(),
        }
    }
}

/// Reads a curve file, which must have a header.
///
/// # Errors
/// [`CurveError`] with file, line, column, what was found and what was expected.
pub fn read(path: &Path) -> Result<CurveTable, CurveError> {
    let bytes = files::read_whole(path)?;
    table(&text_of(&bytes, path)?, path, false)
}

/// Reads a curve from text; `file` names it in messages.
///
/// # Errors
/// As [`read`].
pub fn read_text(text: &str, file: &Path) -> Result<CurveTable, CurveError> {
    table(text, file, false)
}

/// Reads a microphone correction: frequency, dB and optionally degrees; a header is not needed.
///
/// # Errors
/// As [`read`].
pub fn read_correction(path: &Path) -> Result<CurveTable, CurveError> {
    let bytes = files::read_whole(path)?;
    table(&text_of(&bytes, path)?, path, true)
}

/// Reads a microphone correction from text; `file` names it in messages.
///
/// # Errors
/// As [`read`].
pub fn read_correction_text(text: &str, file: &Path) -> Result<CurveTable, CurveError> {
    table(text, file, true)
}

pub(super) fn text_of(bytes: &[u8], path: &Path) -> Result<String, CurveError> {
    match std::str::from_utf8(bytes) {
        Ok(text) => Ok(text.to_string()),
        Err(error) => {
            let line = 1 + bytes[..error.valid_up_to()]
                .iter()
                .filter(|&&b| b == b'\n')
                .count();
            Err(Reader { file: path }.wrong(
                line,
                0,
                "bytes that are not UTF-8",
                "delimited text in UTF-8",
            ))
        }
    }
}

fn is_comment(line: &str) -> bool {
    line.starts_with(['#', ';', '*']) || line.starts_with("//")
}

fn table(text: &str, file: &Path, headless: bool) -> Result<CurveTable, CurveError> {
    let reader = Reader { file };
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let mut comment: Option<&str> = None;
    let mut rows: Vec<(usize, &str)> = Vec::new();
    for (i, line) in text.lines().enumerate() {
        // A tab at either end may be an empty field.
        let line = line.trim_matches([' ', '\r']);
        if line.trim().is_empty() {
            continue;
        }
        if is_comment(line) {
            if rows.is_empty() {
                comment = Some(line.trim_start_matches(['#', ';', '*', '/', ' ']));
            }
            continue;
        }
        rows.push((i + 1, line));
    }
    let Some(&(first_line, first)) = rows.first() else {
        return Err(reader.wrong(1, 0, "no data", "a header and at least two rows of numbers"));
    };
    let first_is_data = separator_of(first).is_some();
    let data_row = if first_is_data { 0 } else { 1 };
    let Some(&(line, data)) = rows.get(data_row) else {
        return Err(reader.wrong(first_line, 0, "no row of numbers", "at least two of them"));
    };
    let separator = separator_of(data).ok_or_else(|| {
        reader.wrong(
            line,
            0,
            shown(data),
            "at least two numbers with commas, semicolons, tabs or blanks between",
        )
    })?;
    // A comment line that names the columns serves as a header.
    let named = comment
        .map(|c| separator.split_header(c))
        .filter(|names| names.first().is_some_and(|n| header::is_frequency(n)));
    let header = if first_is_data {
        named.filter(|names| names.len() == separator.split(data).len())
    } else {
        Some(separator.split_header(first))
    };
    let has_header = header.is_some();
    let mut columns = match header {
        Some(names) => with_header(&reader, first_line, &names)?,
        None => without_header(&reader, line, separator.split(data).len(), headless)?,
    };
    let mut frequency_hz = Vec::with_capacity(rows.len());
    for &(line, row) in &rows[data_row..] {
        let fields = separator.split(row);
        if fields.len() != columns.len() + 1 {
            return Err(reader.wrong(
                line,
                0,
                format!("{} fields", fields.len()),
                format!("{}, as in the header", columns.len() + 1),
            ));
        }
        for (i, field) in fields.iter().enumerate() {
            let value = number(field, separator.decimal_comma());
            let value = value
                .filter(|v| v.is_finite())
                .ok_or_else(|| reader.wrong(line, i + 1, shown(field), "a finite number"))?;
            match i.checked_sub(1) {
                None => {
                    check_frequency(&reader, line, frequency_hz.last().copied(), value)?;
                    frequency_hz.push(value);
                }
                Some(column) => {
                    let column = &mut columns[column];
                    if column.kind == ColumnKind::Magnitude && value < 0.0 {
                        return Err(reader.wrong(
                            line,
                            i + 1,
                            shown(field),
                            "a magnitude of at least 0 (a level in dB has the header level_db)",
                        ));
                    }
                    column.value.push(value);
                }
            }
        }
    }
    if frequency_hz.len() < 2 {
        return Err(reader.wrong(line, 0, "one row of numbers", "at least two of them"));
    }
    Ok(CurveTable {
        file: file.to_path_buf(),
        has_header,
        frequency_hz,
        columns,
    })
}

fn check_frequency(
    reader: &Reader<'_>,
    line: usize,
    before_hz: Option<f64>,
    value_hz: f64,
) -> Result<(), CurveError> {
    if value_hz <= 0.0 {
        return Err(reader.wrong(
            line,
            1,
            format!("the frequency {value_hz}"),
            "more than 0 Hz",
        ));
    }
    match before_hz {
        Some(before) if value_hz == before => Err(reader.wrong(
            line,
            1,
            format!("the frequency {value_hz} a second time"),
            "each frequency once",
        )),
        Some(before) if value_hz < before => Err(reader.wrong(
            line,
            1,
            format!("the frequency {value_hz} after {before}"),
            "ascending frequencies",
        )),
        _ => Ok(()),
    }
}

fn with_header(
    reader: &Reader<'_>,
    line: usize,
    names: &[String],
) -> Result<Vec<Column>, CurveError> {
    let Some((first, rest)) = names.split_first() else {
        return Err(reader.wrong(line, 0, "no header", "frequency_hz and more columns"));
    };
    if !header::is_frequency(first) {
        return Err(reader.wrong(
            line,
            1,
            format!("the header {}", shown(first)),
            "frequency_hz (or frequency, freq, f, Hz) over the first column",
        ));
    }
    if rest.is_empty() || rest.len() > LARGEST_COLUMNS {
        return Err(reader.wrong(
            line,
            0,
            format!("{} columns beside the frequency", rest.len()),
            format!("1 to {LARGEST_COLUMNS}"),
        ));
    }
    let mut columns: Vec<Column> = Vec::with_capacity(rest.len());
    for (i, name) in rest.iter().enumerate() {
        let (curve, kind) = header::classify(name);
        let twice = columns.iter().any(|c| c.kind == kind && c.curve == curve);
        if twice || name.is_empty() {
            return Err(reader.wrong(
                line,
                i + 2,
                format!(
                    "the header {}{}",
                    shown(name),
                    if twice { " a second time" } else { "" }
                ),
                "a header of its own for each column, such as \"unit-1 level_db\"",
            ));
        }
        columns.push(Column {
            header: name.clone(),
            curve,
            kind,
            value: Vec::new(),
        });
    }
    check_pairs(reader, line, &columns)?;
    Ok(columns)
}

/// A real part needs its imaginary part, a phase its magnitude.
fn check_pairs(reader: &Reader<'_>, line: usize, columns: &[Column]) -> Result<(), CurveError> {
    let has = |curve: &str, kind| columns.iter().any(|c| c.curve == curve && c.kind == kind);
    for (i, column) in columns.iter().enumerate() {
        let name = column.curve.as_str();
        let expected = match column.kind {
            ColumnKind::Real if !has(name, ColumnKind::Imaginary) => "a column im beside it",
            ColumnKind::Imaginary if !has(name, ColumnKind::Real) => "a column re beside it",
            ColumnKind::PhaseDeg
                if !has(name, ColumnKind::Magnitude)
                    && !has(name, ColumnKind::LevelDb)
                    && !has(name, ColumnKind::Real) =>
            {
                "a column magnitude or level_db beside it"
            }
            _ => continue,
        };
        return Err(reader.wrong(
            line,
            i + 2,
            format!("the header {} alone", shown(&column.header)),
            expected,
        ));
    }
    if columns.iter().all(|c| c.kind == ColumnKind::Other) {
        return Err(reader.wrong(
            line,
            2,
            format!(
                "the header {}",
                columns
                    .first()
                    .map_or_else(String::new, |c| shown(&c.header))
            ),
            "a header that ends with magnitude, level_db, phase_deg, re or im",
        ));
    }
    Ok(())
}

fn without_header(
    reader: &Reader<'_>,
    line: usize,
    fields: usize,
    headless: bool,
) -> Result<Vec<Column>, CurveError> {
    if !headless {
        return Err(reader.wrong(
            line,
            0,
            "numbers without a header",
            "a header such as frequency_hz,magnitude,phase_deg ahead of them",
        ));
    }
    let kinds = [ColumnKind::LevelDb, ColumnKind::PhaseDeg];
    if !(2..=3).contains(&fields) {
        return Err(reader.wrong(
            line,
            0,
            format!("{fields} columns without a header"),
            "frequency, dB and optionally degrees",
        ));
    }
    let columns = ["level_db", "phase_deg"].into_iter().zip(kinds);
    Ok(columns
        .take(fields - 1)
        .map(|(header, kind)| Column {
            header: header.into(),
            curve: String::new(),
            kind,
            value: Vec::new(),
        })
        .collect())
}

/// A field as it may be printed.
fn shown(field: &str) -> String {
    crate::design::problem::quoted(field)
}
