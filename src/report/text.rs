//! The summary of a result in the terminal: at most 80 columns, verdict first, readable without colour.

use super::{number, words};
use crate::signal::bands::third_octaves;
use crate::verify::far_field::FarField;
use crate::verify::result::{Band, Result as Outcome, Verdict};
use std::path::Path;

/// Columns.
pub const WIDTH: usize = 80;

/// Verdict, reason, findings, mismatch by band, warnings and where the report is. Only file names may be
/// longer than 80 columns. `colour` adds ANSI colours.
#[must_use]
pub fn summary(result: &Outcome, report: Option<&Path>, colour: bool) -> String {
    let mut out = String::new();
    let head = headed(result.verdict, words::long(result.verdict), colour);
    out.push_str(&head);
    out.push('\n');
    wrapped(
        &mut out,
        &format!(
            "unit {}, design «{}»",
            plain(&result.unit),
            plain(&result.design.name)
        ),
        2,
    );
    wrapped(&mut out, &words::reason(result), 2);

    out.push_str("\nFindings\n");
    if result.findings.is_empty() {
        wrapped(
            &mut out,
            "None: no change to the build explains the data better than the design does.",
            2,
        );
    }
    for (i, finding) in result.findings.iter().enumerate() {
        let first = format!(
            "{}. {} ({})",
            i + 1,
            words::path(&plain(&finding.path)),
            number::probability(finding.probability)
        );
        wrapped(&mut out, &first, 2);
        wrapped(&mut out, &plain(&finding.text), 5);
        if let Some(remedy) = &finding.remedy {
            wrapped(&mut out, &format!("To do: {}", plain(remedy)), 5);
        }
        for other in &finding.instead {
            let chance = number::probability(other.probability);
            wrapped(
                &mut out,
                &format!("Or: {} ({chance})", plain(&other.text)),
                5,
            );
        }
        if let Some(next) = &finding.next {
            wrapped(&mut out, &format!("To tell them apart: {}", plain(next)), 5);
        }
    }
    for text in words::apart(result) {
        wrapped(
            &mut out,
            &format!("Measured, and allowed by its tolerance: {}", plain(&text)),
            2,
        );
    }
    for other in &result.not_excluded {
        let chance = number::probability(other.probability);
        wrapped(
            &mut out,
            &format!("Not excluded: {} ({chance})", plain(&other.text)),
            2,
        );
    }
    if let Some(next) = &result.next {
        wrapped(&mut out, &format!("To decide: {}", plain(next)), 2);
    }
    bands(&mut out, result, colour);
    if let Some(far) = &result.far_field {
        far_field(&mut out, far, result);
    }
    push_warnings(&mut out, &result.warnings);
    if !result.fit.converged {
        out.push('\n');
        wrapped(
            &mut out,
            "! The fit did not converge: do not rely on the parameters and findings.",
            2,
        );
    }
    if let Some(report) = report {
        out.push_str(&format!("\nReport: {}\n", report.display()));
    }
    out
}

/// What is doubtful but usable.
fn push_warnings(out: &mut String, warnings: &[String]) {
    if !warnings.is_empty() {
        out.push_str("\nWarnings\n");
        for warning in warnings {
            wrapped(out, &format!("! {}", plain(warning)), 2);
        }
    }
}

/// The fitted parameters with their 95 % intervals, what cannot be told apart, and the findings.
#[must_use]
pub fn parameters(result: &Outcome) -> String {
    let mut out = String::new();
    wrapped(
        &mut out,
        &format!(
            "unit {}, design «{}»",
            plain(&result.unit),
            plain(&result.design.name)
        ),
        0,
    );
    let header = format!(
        "{:<30}{:<13}{:>9}{:>9}{:>19}",
        "", "", "designed", "fitted", "95 % interval"
    );
    out.push_str(&format!("\n{header}\n"));
    for p in &result.parameters {
        let row = number::row(&p.unit, p.designed, p.fitted, p.low95, p.high95);
        let name = words::path(&plain(&p.path));
        let label: String = name.chars().take(29).collect();
        let interval = match (p.open_low, p.open_high) {
            (false, false) => format!("{} … {}", row.low, row.high),
            (true, false) => format!("up to {}", row.high),
            (false, true) => format!("from {} on", row.low),
            (true, true) => "not limited".to_string(),
        };
        let line = format!(
            "{label:<30}{:<13}{:>9}{:>9}{interval:>19}",
            row.unit, row.designed, row.fitted
        );
        out.push_str(line.trim_end());
        out.push('\n');
        if p.among.len() > 2 {
            let list: Vec<String> = p.among.iter().map(|m| words::path(&plain(m))).collect();
            wrapped(
                &mut out,
                &format!("only a combination is seen of {}", list.join("; ")),
                4,
            );
        } else if let Some(partner) = &p.confounded_with {
            let verb = if p.identifiable {
                "hangs together with"
            } else {
                "cannot be told from"
            };
            wrapped(
                &mut out,
                &format!("{verb} {}", words::path(&plain(partner))),
                4,
            );
        } else if !p.identifiable {
            wrapped(&mut out, "cannot be told from these captures", 4);
        }
    }
    out.push_str("\nFindings\n");
    if result.findings.is_empty() {
        wrapped(&mut out, "None.", 2);
    }
    for finding in &result.findings {
        wrapped(
            &mut out,
            &format!(
                "{} ({})",
                plain(&finding.text),
                number::probability(finding.probability)
            ),
            2,
        );
    }
    push_warnings(&mut out, &result.warnings);
    out
}

/// A sentence behind a label of up to 8 columns, in lines of 80.
#[must_use]
pub fn labelled(label: &str, text: &str) -> String {
    let mut out = String::new();
    wrapped(&mut out, text, 9);
    let head: String = label.chars().take(8).collect();
    format!("{head:<9}{}", out.trim_start())
        .trim_end()
        .to_string()
}

/// A sentence behind a dash, in lines of 80.
#[must_use]
pub fn bulleted(text: &str) -> String {
    let mut out = String::new();
    wrapped(&mut out, text, 2);
    format!("- {}", out.trim_start()).trim_end().to_string()
}

/// Without control characters, so that a name cannot steer the terminal.
#[must_use]
pub fn plain(text: &str) -> String {
    text.chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect()
}

pub(super) fn painted(text: &str, verdict: Verdict, bold: bool) -> String {
    let code = match verdict {
        Verdict::Within => 32,
        Verdict::Outside => 31,
        Verdict::Unresolved => 36,
    };
    let weight = if bold { "1;" } else { "" };
    format!("\u{1b}[{weight}{code}m{text}\u{1b}[0m")
}

/// A word with the sign of a verdict, in its colour if that is wanted.
#[must_use]
pub(super) fn headed(verdict: Verdict, word: &str, colour: bool) -> String {
    let head = format!("{} {word}", words::sign(verdict));
    if colour {
        painted(&head, verdict, true)
    } else {
        head
    }
}

/// Appends words in lines of at most `WIDTH` columns behind `indent` spaces; a longer word stands alone.
pub fn wrapped(out: &mut String, text: &str, indent: usize) {
    let mut used = 0;
    for word in text.split([' ', '\n']).filter(|word| !word.is_empty()) {
        let long = word.chars().count();
        if used > 0 && used + 1 + long > WIDTH {
            out.push('\n');
            used = 0;
        }
        if used == 0 {
            out.push_str(&" ".repeat(indent));
            used = indent;
        } else {
            out.push(' ');
            used += 1;
        }
        out.push_str(word);
        used += long;
    }
    if used > 0 {
        out.push('\n');
    }
}

/// [`wrapped`], without a line's end behind it.
#[must_use]
pub fn folded(text: &str, indent: usize) -> String {
    let mut out = String::new();
    wrapped(&mut out, text, indent);
    out.trim_end().to_string()
}

/// One row per one-third octave, one column per observation; more than four observations make further tables.
fn bands(out: &mut String, result: &Outcome, colour: bool) {
    let mut observations: Vec<&str> = Vec::new();
    for band in &result.bands {
        if !observations.contains(&band.observation.as_str()) {
            observations.push(&band.observation);
        }
    }
    if observations.is_empty() {
        return;
    }
    out.push_str("\nMeasured minus simulated, with uncertainty (k = 2), in dB\n");
    for group in observations.chunks(4) {
        let mut centers: Vec<f64> = result
            .bands
            .iter()
            .filter(|b| group.contains(&b.observation.as_str()))
            .map(|b| b.center_hz)
            .collect();
        centers.sort_by(f64::total_cmp);
        centers.dedup_by(|a, b| (*a / *b - 1.0).abs() < 1e-3);
        let mut line = format!("{:>8}", "Hz");
        for name in group {
            let name: String = plain(name).chars().take(16).collect();
            line.push_str(&format!("  {name:>16}"));
        }
        out.push_str(line.trim_end());
        out.push('\n');
        for center_hz in centers {
            let mut line = format!("{:>8}", number::band(center_hz));
            for name in group {
                let band = result.bands.iter().find(|b| {
                    b.observation == *name && (b.center_hz / center_hz - 1.0).abs() < 1e-3
                });
                line.push_str(&band.map_or_else(|| " ".repeat(18), |b| cell(b, result, colour)));
            }
            out.push_str(line.trim_end());
            out.push('\n');
        }
    }
    let mut signs: Vec<(char, &str)> = [Verdict::Within, Verdict::Outside, Verdict::Unresolved]
        .map(|v| (words::sign(v), words::short(v)))
        .to_vec();
    if result.bands.iter().any(|b| b.disturbed) {
        signs.push(words::NOT_JUDGED);
    }
    let legend: Vec<String> = signs.iter().map(|(s, w)| format!("{s} {w}")).collect();
    let legend = legend.join("  ");
    out.push_str(&format!("          {legend}\n"));
}

/// The far field at the one-third octaves that are judged.
fn far_field(out: &mut String, far: &FarField, result: &Outcome) {
    out.push_str(&format!(
        "\nFar field at 1 m from the near fields, to {:.0} Hz, in dB\n{:>8}{:>18}{:>12}{:>12}\n",
        far.valid_to_hz, "Hz", "measured", "designed", "aligned"
    ));
    if !far.absolute {
        out.push_str("  its shape only: no sensitivity is stated, so that the fit set the level\n");
    }
    let Some((&low, &high)) = far.frequency_hz.first().zip(far.frequency_hz.last()) else {
        return;
    };
    let judged = |hz: f64| {
        let mut bands = result.bands.iter();
        result.bands.is_empty() || bands.any(|b| (b.center_hz / hz - 1.0).abs() < 1e-3)
    };
    for band in third_octaves(low, high) {
        if !judged(band.nominal_hz) {
            continue;
        }
        let i = far
            .frequency_hz
            .partition_point(|f| *f < band.center_hz)
            .min(far.frequency_hz.len() - 1);
        let measured = format!(
            "{} ±{}",
            number::fixed(far.measured_db[i], 1),
            number::fixed(far.expanded_uncertainty_db[i], 1)
        );
        out.push_str(&format!(
            "{:>8}{measured:>18}{:>12}{:>12}\n",
            number::band(band.nominal_hz),
            number::fixed(far.designed_db[i], 1),
            number::fixed(far.aligned_db[i], 1)
        ));
    }
}

/// 18 columns: difference, uncertainty, sign.
fn cell(band: &Band, result: &Outcome, colour: bool) -> String {
    let text = format!(
        "{} ±{} {}",
        number::signed(band.difference_db(result.judged), 1),
        number::fixed(band.expanded_uncertainty_db, 1),
        words::mark(band).0
    );
    let padded = format!("{text:>18}");
    if colour {
        painted(&padded, band.verdict, false)
    } else {
        padded
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::example;

    #[test]
    fn eighty_columns_and_verdict_first() {
        let result = example::result();
        let text = summary(&result, Some(Path::new("out/report.html")), false);
        assert!(text.starts_with("▲ Outside tolerance\n"), "{text}");
        assert!(text.contains("Report: out/report.html"));
        assert!(text.contains("leak seam: resistance"));
        assert!(!text.contains('\u{1b}'));
        for line in text.lines() {
            assert!(line.chars().count() <= WIDTH, "{line}");
        }
        // Every band of the result is in the table.
        let signs = text.matches("±").count();
        assert!(signs >= result.bands.len(), "{signs}");
    }

    #[test]
    fn colour_only_on_request_and_names_cannot_steer() {
        let mut result = example::result();
        assert!(summary(&result, None, true).contains("\u{1b}[1;31m"));
        result.unit = "a\u{1b}[2Jb".to_owned();
        result.bands.clear();
        result.findings.clear();
        let text = summary(&result, None, false);
        assert!(!text.contains('\u{1b}'));
        assert!(text.contains("None: no change"));
    }
}
