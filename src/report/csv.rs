//! Tables as comma-separated text (RFC 4180 quoting, decimal point, one header line, `\n`).
//!
//! A number that does not exist is an empty field.

use super::ObservationCurves;

/// One column of a table.
#[derive(Debug, Clone, Copy)]
pub enum Column<'a> {
    /// Numbers, shortest form that reads back as the same number.
    Numbers(&'a [f64]),
    /// Words.
    Words(&'a [String]),
}

impl Column<'_> {
    fn len(&self) -> usize {
        match self {
            Self::Numbers(list) => list.len(),
            Self::Words(list) => list.len(),
        }
    }

    fn field(&self, row: usize) -> String {
        match self {
            Self::Numbers(list) => number(list.get(row).copied().unwrap_or(f64::NAN)),
            Self::Words(list) => list.get(row).map_or_else(String::new, |text| quoted(text)),
        }
    }
}

fn number(value: f64) -> String {
    if value.is_finite() {
        format!("{value}")
    } else {
        String::new()
    }
}

fn rounded(value: Option<&f64>, digits: usize) -> String {
    match value {
        Some(value) if value.is_finite() => format!("{value:.digits$}"),
        _ => String::new(),
    }
}

fn quoted(text: &str) -> String {
    if text.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.to_owned()
    }
}

/// A table; a column that is shorter than the longest ends in empty fields.
#[must_use]
pub fn table(header: &[&str], columns: &[Column<'_>]) -> String {
    let names: Vec<String> = header.iter().map(|name| quoted(name)).collect();
    let mut out = names.join(",");
    out.push('\n');
    let rows = columns.iter().map(Column::len).max().unwrap_or(0);
    for row in 0..rows {
        let fields: Vec<String> = columns.iter().map(|column| column.field(row)).collect();
        out.push_str(&fields.join(","));
        out.push('\n');
    }
    out
}

/// Every observation's curves, one row per frequency: levels to 0.0001 dB, phases to 0.001°.
#[must_use]
pub fn curves(observations: &[ObservationCurves]) -> String {
    let mut out = String::from(
        "observation,frequency_hz,measured_db,measured_deg,designed_db,designed_deg,aligned_db,aligned_deg,\
         expanded_uncertainty_db\n",
    );
    for seen in observations {
        let name = quoted(&seen.label);
        for (i, &frequency_hz) in seen.frequency_hz.iter().enumerate() {
            let fields = [
                name.clone(),
                rounded(Some(&frequency_hz), 5),
                rounded(seen.measured_db.get(i), 4),
                rounded(seen.measured_deg.get(i), 3),
                rounded(seen.designed_db.get(i), 4),
                rounded(seen.designed_deg.get(i), 3),
                rounded(seen.aligned_db.get(i), 4),
                rounded(seen.aligned_deg.get(i), 3),
                rounded(seen.uncertainty_db.get(i), 4),
            ];
            out.push_str(&fields.join(","));
            out.push('\n');
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::Quantity;

    #[test]
    fn quoting_and_missing_numbers() {
        let words = ["a,b".to_owned(), "say \"x\"".to_owned()];
        let text = table(
            &["name", "value_db"],
            &[
                Column::Words(&words),
                Column::Numbers(&[1.5, f64::NAN, -3.0]),
            ],
        );
        assert_eq!(
            text,
            "name,value_db\n\"a,b\",1.5\n\"say \"\"x\"\"\",\n,-3\n"
        );
    }

    #[test]
    fn rows_of_curves() {
        let mut seen = ObservationCurves::new("mouth, near", Quantity::Pressure);
        seen.frequency_hz = vec![10.0, 20.0];
        seen.measured_db = vec![90.123_45, f64::NAN];
        seen.measured_deg = vec![-45.0];
        let text = curves(&[seen]);
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(lines.len(), 3);
        assert_eq!(lines[0].split(',').count(), 9);
        assert_eq!(lines[1], "\"mouth, near\",10.00000,90.1235,-45.000,,,,,");
        assert_eq!(lines[2], "\"mouth, near\",20.00000,,,,,,,");
    }
}
