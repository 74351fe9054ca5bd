//! Reads the curve tables that this program writes itself: `curves.csv` of `verify`, one row per observation and frequency, and
//! `prediction.csv` of `predict`, one column per curve. A foreign file is read by its headers as it is.
//!
//! Levels of `curves.csv` are those at 1 V, impedances dB re 1 Ω; levels of `prediction.csv` are those at the design's drive
//! voltage. A field without a number ends a curve: its longest unbroken stretch is taken.

use super::{Column, ColumnKind, CurveError, CurveTable, parse};
use crate::files;
use std::path::Path;

/// First columns of `curves.csv`.
const VERIFIED: &str = "observation,frequency_hz,measured_db";
/// First columns of `prediction.csv`.
const PREDICTED: &str = "frequency_hz,level_1m_db,phase_1m_deg";

/// At what drive the levels of a file are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Drive {
    /// The file does not say.
    Unknown,
    /// 1 V.
    OneVolt,
    /// The drive voltage of the design.
    Design,
}

/// Every curve of a file, each table with its own frequencies.
#[derive(Debug, Clone, PartialEq)]
pub struct Curves {
    /// The tables; one for a foreign file.
    pub tables: Vec<CurveTable>,
    /// At what drive levels are.
    pub drive: Drive,
}

/// Reads a curve file, one of our own or a foreign one.
///
/// # Errors
/// [`CurveError`] with file, line, column, what was found and what was expected.
pub fn read_any(path: &Path) -> Result<Curves, CurveError> {
    let bytes = files::read_whole(path)?;
    let text = parse::text_of(&bytes, path)?;
    any(&text, path)
}

/// The same from text; `file` names it in messages.
///
/// # Errors
/// As [`read_any`].
pub fn any(text: &str, file: &Path) -> Result<Curves, CurveError> {
    let (tables, drive) = if text.starts_with(VERIFIED) {
        (verified(text, file)?, Drive::OneVolt)
    } else if text.starts_with(PREDICTED) {
        (predicted(text, file)?, Drive::Design)
    } else {
        (vec![parse::read_text(text, file)?], Drive::Unknown)
    };
    Ok(Curves { tables, drive })
}

/// One column of numbers over frequencies, with holes.
#[derive(Debug)]
struct Raw {
    name: String,
    kind: ColumnKind,
    points: Vec<(f64, Option<f64>)>,
}

impl Raw {
    /// As a table, of the longest stretch without a hole; nothing where that is no curve.
    fn table(self, file: &Path) -> Option<CurveTable> {
        let stretches = self.points.split(|(_, value)| value.is_none());
        let longest = stretches.max_by_key(|s| s.len()).filter(|s| s.len() > 1)?;
        let numbers = longest.iter().filter_map(|(f, v)| Some((*f, (*v)?)));
        let (frequency_hz, value): (Vec<f64>, Vec<f64>) = numbers.unzip();
        Some(CurveTable {
            file: file.to_path_buf(),
            has_header: true,
            frequency_hz,
            columns: vec![Column {
                header: self.name.clone(),
                curve: self.name,
                kind: self.kind,
                value,
            }],
        })
    }
}

fn wrong(file: &Path, line: usize, column: usize, found: &str, expected: &str) -> CurveError {
    CurveError::Text {
        file: file.to_path_buf(),
        line,
        column,
        found: found.to_string(),
        expected: expected.to_string(),
    }
}

/// Header and rows with their lines.
type Rows = (Vec<String>, Vec<(usize, Vec<String>)>);

fn rows(text: &str, file: &Path) -> Result<Rows, CurveError> {
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let odd = |e: &csv::Error| {
        let line = e.position().map_or(1, |p| p.line() as usize);
        let found = match e.kind() {
            csv::ErrorKind::UnequalLengths { len, .. } => format!("{len} fields"),
            _ => e.to_string(),
        };
        wrong(file, line, 0, &found, "as many fields as in line 1")
    };
    let owned = |r: &csv::StringRecord| r.iter().map(str::to_string).collect::<Vec<String>>();
    let header = owned(reader.headers().map_err(|e| odd(&e))?);
    let mut list = Vec::new();
    for row in reader.records() {
        let row = row.map_err(|e| odd(&e))?;
        let line = row.position().map_or(0, |p| p.line() as usize);
        list.push((line, owned(&row)));
    }
    if list.is_empty() {
        return Err(wrong(
            file,
            1,
            0,
            "no row of numbers",
            "at least two of them",
        ));
    }
    Ok((header, list))
}

/// A number, or a hole where the field is empty.
fn field(
    file: &Path,
    line: usize,
    column: usize,
    row: &[String],
) -> Result<Option<f64>, CurveError> {
    let text = row.get(column).map_or("", |t| t.trim());
    if text.is_empty() {
        return Ok(None);
    }
    let number = text.parse().ok().filter(|v: &f64| v.is_finite());
    number.map(Some).ok_or_else(|| {
        let found = crate::design::problem::quoted(text);
        wrong(
            file,
            line,
            column + 1,
            &found,
            "a finite number, or nothing",
        )
    })
}

/// A frequency, which rises from row to row of a curve.
fn frequency(
    file: &Path,
    (line, column): (usize, usize),
    row: &[String],
    before: Option<f64>,
) -> Result<f64, CurveError> {
    let found = field(file, line, column, row)?;
    found
        .filter(|f| *f > 0.0 && before.is_none_or(|b| *f > b))
        .ok_or_else(|| {
            let text = row.get(column).map_or("", String::as_str);
            let found = format!("the frequency {}", crate::design::problem::quoted(text));
            wrong(
                file,
                line,
                column + 1,
                &found,
                "rising frequencies above 0 Hz",
            )
        })
}

fn finished(raw: Vec<Raw>, file: &Path) -> Result<Vec<CurveTable>, CurveError> {
    let list: Vec<CurveTable> = raw.into_iter().filter_map(|r| r.table(file)).collect();
    if list.is_empty() {
        return Err(wrong(file, 2, 0, "no curve", "two rows of numbers or more"));
    }
    Ok(list)
}

/// `curves.csv`: what was measured, designed and aligned, of each observation.
fn verified(text: &str, file: &Path) -> Result<Vec<CurveTable>, CurveError> {
    let (header, rows) = rows(text, file)?;
    let wanted: Vec<(usize, &str)> = header
        .iter()
        .enumerate()
        .filter_map(|(i, name)| {
            let of = name.strip_suffix("_db")?;
            ["measured", "designed", "aligned"]
                .contains(&of)
                .then_some((i, of))
        })
        .collect();
    let mut list: Vec<Raw> = Vec::new();
    for (line, row) in &rows {
        let observation = row.first().map_or("", String::as_str);
        for &(column, what) in &wanted {
            let name = format!("{observation} {what}");
            let at = match list.iter().position(|r| r.name == name) {
                Some(at) => at,
                None => {
                    list.push(Raw {
                        name,
                        kind: match observation {
                            "impedance" => ColumnKind::Magnitude,
                            _ => ColumnKind::LevelDb,
                        },
                        points: Vec::new(),
                    });
                    list.len() - 1
                }
            };
            let before = list[at].points.last().map(|p| p.0);
            let hz = frequency(file, (*line, 1), row, before)?;
            let level = field(file, *line, column, row)?;
            let value = match list[at].kind {
                ColumnKind::Magnitude => level.map(|db| 10f64.powf(db / 20.0)),
                _ => level,
            };
            list[at].points.push((hz, value));
        }
    }
    finished(list, file)
}

/// Name and kind of a column of `prediction.csv` that is a curve.
fn predicted_curve(header: &str) -> Option<(String, ColumnKind)> {
    match header {
        "level_1m_db" => return Some(("at 1 m".to_string(), ColumnKind::LevelDb)),
        "impedance_ohm" => return Some(("impedance".to_string(), ColumnKind::Magnitude)),
        "maximum_db" => return Some(("maximum at 1 m".to_string(), ColumnKind::LevelDb)),
        _ => {}
    }
    let (kind, rest) = header.split_once('.')?;
    let (unit, column) = match kind {
        "probe" => ("_db", ColumnKind::LevelDb),
        "chamber" => ("_pa", ColumnKind::Magnitude),
        "opening" => ("_m3_per_s", ColumnKind::Magnitude),
        "resistor" => ("_m_per_s", ColumnKind::Magnitude),
        _ => return None,
    };
    let name = rest.strip_suffix(unit)?;
    Some(match kind {
        "probe" => (name.to_string(), column),
        _ => (format!("{kind} {name}"), column),
    })
}

/// `prediction.csv`: levels, impedance, pressures and velocities.
fn predicted(text: &str, file: &Path) -> Result<Vec<CurveTable>, CurveError> {
    let (header, rows) = rows(text, file)?;
    let mut list: Vec<(usize, Raw)> = header
        .iter()
        .enumerate()
        .filter_map(|(column, name)| {
            let (name, kind) = predicted_curve(name)?;
            let points = Vec::with_capacity(rows.len());
            Some((column, Raw { name, kind, points }))
        })
        .collect();
    let mut before = None;
    for (line, row) in &rows {
        let hz = frequency(file, (*line, 0), row, before)?;
        before = Some(hz);
        for (column, raw) in &mut list {
            let value = field(file, *line, *column, row)?;
            raw.points.push((hz, value));
        }
    }
    finished(list.into_iter().map(|r| r.1).collect(), file)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(text: &str) -> Vec<String> {
        let found = any(text, Path::new("a.csv")).unwrap();
        let tables = found.tables.iter();
        tables.map(|t| t.columns[0].curve.clone()).collect()
    }

    const HEAD: &str = "observation,frequency_hz,measured_db,measured_deg,designed_db,designed_deg,aligned_db,aligned_deg,\
                        expanded_uncertainty_db\n";

    /// DERIVED: 20 dB re 1 Ω are 10 Ω; a hole ends a curve, and the longer part stays.
    #[test]
    fn the_curves_of_a_verification() {
        let rows = "impedance,10,20,1,20,1,,,0.1\nimpedance,20,20,1,40,1,,,0.1\n\
                    \"mouth, near\",10,80,1,81,1,,,0.1\n\"mouth, near\",20,,,82,1,,,0.1\n\"mouth, near\",30,83,1,82,1,,,0.1\n\
                    \"mouth, near\",40,84,1,82,1,,,0.1\n";
        let text = format!("{HEAD}{rows}");
        assert_eq!(
            names(&text),
            [
                "impedance measured",
                "impedance designed",
                "mouth, near measured",
                "mouth, near designed"
            ]
        );
        let found = any(&text, Path::new("a.csv")).unwrap();
        assert_eq!(found.drive, Drive::OneVolt);
        let ohm = &found.tables[0].columns[0];
        assert!(ohm.kind == ColumnKind::Magnitude && (ohm.value[1] - 10.0).abs() < 1e-12);
        assert_eq!(found.tables[2].frequency_hz, [30.0, 40.0]);
        assert_eq!(found.tables[2].columns[0].value, [83.0, 84.0]);
    }

    #[test]
    fn the_curves_of_a_prediction() {
        let text = "frequency_hz,level_1m_db,phase_1m_deg,group_delay_ms,impedance_ohm,maximum_db,probe.mouth-near_db,\
                    chamber.box_pa,limited_by\n10,70,1,2,5,,80,1.5,power\n20,71,1,2,6,,81,1.6,voltage\n";
        let wanted = ["at 1 m", "impedance", "mouth-near", "chamber box"];
        assert_eq!(names(text), wanted, "a maximum without numbers is no curve");
        let found = any(text, Path::new("a.csv")).unwrap();
        assert_eq!(found.drive, Drive::Design);
        assert_eq!(found.tables[3].columns[0].value, [1.5, 1.6]);
    }

    #[test]
    fn what_is_odd_is_told_with_its_place() {
        for (rows, wanted) in [
            ("impedance,10,x,1,2,3,4,5,6\n", "a.csv:2: column 3"),
            ("impedance,10,1\n", "a.csv:2: line: found 3 fields"),
            ("", "no row of numbers"),
            (
                "impedance,10,1,1,2,3,4,5,6\nimpedance,10,1,1,2,3,4,5,6\n",
                "a.csv:3: column 2",
            ),
            ("impedance,10,1,1,2,3,4,5,6\n", "no curve"),
        ] {
            let told = any(&format!("{HEAD}{rows}"), Path::new("a.csv")).unwrap_err();
            assert!(told.to_string().contains(wanted), "{told}");
        }
    }
}
