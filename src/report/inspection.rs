//! The result of a production test in the terminal: the verdict in letters that are read across a hall, then the reasons.

use super::number::{Scale, fixed, probability, with_unit};
use super::text::{labelled, painted, plain};
use super::words;
use crate::production::entry::{Judgement, Value};
use crate::production::inspect::Inspection;
use crate::production::unit::{Told, hidden_below, parts};
use crate::verify::result::Verdict;

/// Rows of numbers that are shown at most; the rest is in the log.
const MOST_ROWS: usize = 12;

/// Letters of five rows and six columns.
const LETTERS: [(char, [&str; 5]); 11] = [
    ('A', [" ████ ", "██  ██", "██████", "██  ██", "██  ██"]),
    ('C', [" █████", "██    ", "██    ", "██    ", " █████"]),
    ('E', ["██████", "██    ", "████  ", "██    ", "██████"]),
    ('F', ["██████", "██    ", "████  ", "██    ", "██    "]),
    ('I', ["██████", "  ██  ", "  ██  ", "  ██  ", "██████"]),
    ('L', ["██    ", "██    ", "██    ", "██    ", "██████"]),
    ('N', ["██  ██", "███ ██", "██████", "██ ███", "██  ██"]),
    ('O', [" ████ ", "██  ██", "██  ██", "██  ██", " ████ "]),
    ('P', ["█████ ", "██  ██", "█████ ", "██    ", "██    "]),
    ('S', [" █████", "██    ", " ████ ", "    ██", "█████ "]),
    ('T', ["██████", "  ██  ", "  ██  ", "  ██  ", "  ██  "]),
];

/// A judgement in capitals.
#[must_use]
pub fn word(verdict: Judgement) -> &'static str {
    match verdict {
        Judgement::Pass => "PASS",
        Judgement::Fail => "FAIL",
        Judgement::Unresolved | Judgement::None => "CANNOT TELL",
    }
}

/// The verdict of a judgement, where something has to look like one of a verification.
#[must_use]
pub fn verdict(judgement: Judgement) -> Verdict {
    match judgement {
        Judgement::Pass => Verdict::Within,
        Judgement::Fail => Verdict::Outside,
        Judgement::Unresolved | Judgement::None => Verdict::Unresolved,
    }
}

/// A judgement in five rows of big letters, at most 76 columns.
#[must_use]
pub fn banner(judgement: Judgement, colour: bool) -> String {
    let rows: Vec<String> = (0..5)
        .map(|row| {
            let cells = word(judgement).chars().map(|c| {
                let letter = LETTERS.iter().find(|(l, _)| *l == c);
                letter.map_or("   ", |(_, rows)| rows[row])
            });
            let line: Vec<&str> = cells.collect();
            let line = format!(" {}", line.join(" "));
            let line = line.trim_end();
            if colour {
                painted(line, verdict(judgement), true)
            } else {
                line.to_string()
            }
        })
        .collect();
    rows.join("\n")
}

/// What a value is called: «mouth-near at 31.5 Hz», «leak seam: resistance».
#[must_use]
pub fn name(value: &Value) -> String {
    name_of(&value.name)
}

/// The name of a value in words, from the name that the log has.
#[must_use]
pub fn name_of(name: &str) -> String {
    match parts(name) {
        Some(("band", observation, Some(hz))) => format!("{} at {hz} Hz", plain(observation)),
        Some(("residue", observation, Some(hz))) => {
            format!("{} noise at {hz} Hz", plain(observation))
        }
        Some((_, observation, _)) => format!("{} polarity", plain(observation)),
        None => words::path(&plain(name)),
    }
}

/// The unit and the digits in which a value, its uncertainty and its limits are shown.
#[must_use]
pub fn scale(value: &Value) -> Scale {
    let lead = value.value.or(value.low).or(value.high).unwrap_or(1.0);
    Scale::of(&value.unit, lead).known_to(lead, value.uncertainty().unwrap_or(f64::NAN))
}

/// The limits of a value: «−0.80 … 0.91», «up to −48.00», «from 1.1·10⁶ on».
#[must_use]
pub fn limits(value: &Value) -> String {
    let scale = scale(value);
    let show = |v| scale.with_power(v);
    match (value.low, value.high) {
        (Some(low), Some(high)) => format!("{} … {}", show(low), show(high)),
        (Some(low), None) => format!("from {} on", show(low)),
        (None, Some(high)) => format!("up to {}", show(high)),
        (None, None) => "–".to_string(),
    }
}

/// A value with its expanded uncertainty and unit.
#[must_use]
pub fn measured(value: &Value) -> String {
    let Some(v) = value.value else {
        return "not told".to_string();
    };
    if let Some(noise_db) = hidden_below(value) {
        return format!("below the noise, {} dB", fixed(noise_db, 1));
    }
    let scale = scale(value);
    match value.uncertainty() {
        Some(u) if u > 0.0 => scale.pair(v, u),
        _ => with_unit(&scale.show(v), &scale.unit()),
    }
}

/// What was measured of a unit whose failure nothing explains, so that it is seen that no parameter stands out.
fn told(parameters: &[Told]) -> Vec<String> {
    if parameters.is_empty() {
        let text = "no parameter can be told from these captures";
        return vec![labelled("Measured", text)];
    }
    let inside = |p: &Told| p.allowed() != Some(false);
    let head = if parameters.iter().all(inside) {
        "Measured, and allowed by its tolerance (each 95 %)"
    } else {
        "Measured, beside the tolerance (each 95 %)"
    };
    let mut lines = vec![format!("\n{head}")];
    for p in parameters {
        let ends = [p.low95, p.high95].into_iter().flatten();
        let half = ends.map(|e| (e - p.fitted).abs()).fold(0.0, f64::max);
        let scale = Scale::of(&p.unit, p.fitted).known_to(p.fitted, half);
        let interval = match (p.low95, p.high95) {
            (Some(low), Some(high)) => format!("{} … {}", scale.show(low), scale.show(high)),
            (Some(low), None) => format!("from {} on", scale.show(low)),
            (None, high) => format!("up to {}", high.map_or(String::new(), |h| scale.show(h))),
        };
        let allowed = match p.tolerance {
            None => "none is stated".to_string(),
            Some([low, high]) => format!("{} … {}", scale.show(low), scale.show(high)),
        };
        let sign = if inside(p) { ' ' } else { '▲' };
        let name: String = words::path(&plain(&p.path)).chars().take(29).collect();
        let line = format!(
            "{sign} {name:<29} {:<11} {interval:<18} {allowed}",
            scale.unit()
        );
        lines.push(line.trim_end().to_string());
    }
    lines.insert(
        1,
        format!("  {:<29} {:<11} {:<18} tolerance", "", "", "measured"),
    );
    lines.push(String::new());
    lines
}

/// Everything about one test, in 80 columns; `below` are further lines about the log.
#[must_use]
pub fn text(inspection: &Inspection, attempt: u32, colour: bool, below: &[String]) -> String {
    let mut lines = vec![banner(inspection.verdict, colour), String::new()];
    let undecided = inspection
        .limited()
        .any(|v| v.verdict == Judgement::Unresolved);
    // What keeps a test from counting is no number near its limit.
    let counts = inspection.verdict != Judgement::Unresolved || undecided;
    if inspection.verdict == Judgement::Unresolved {
        lines.push(
            if undecided {
                "CANNOT TELL: neither inside nor outside the limits"
            } else {
                "CANNOT TELL: this test does not count"
            }
            .to_string(),
        );
    }
    let again = if attempt > 1 {
        format!(", test {attempt} of this serial")
    } else {
        String::new()
    };
    let head = format!(
        "{}, «{}»{again}",
        plain(&inspection.unit),
        plain(&inspection.design_name)
    );
    lines.push(labelled("Unit", &head));
    if let Some(cause) = &inspection.cause {
        let text = format!(
            "{} ({})",
            plain(&cause.text),
            probability(cause.probability)
        );
        lines.push(labelled("Cause", &text));
        for other in &inspection.also {
            let text = format!(
                "{} ({})",
                plain(&other.text),
                probability(other.probability)
            );
            lines.push(labelled("And", &text));
        }
    } else if inspection.verdict == Judgement::Fail {
        lines.push(labelled(
            "Cause",
            "no single change to the build explains it better than the design does",
        ));
        lines.extend(told(&inspection.parameters));
    }
    for doubt in &inspection.doubts {
        lines.push(labelled("Doubt", &plain(doubt)));
    }
    let count = inspection.limited().count();
    let mut odd: Vec<&Value> = Vec::new();
    for wanted in [Judgement::Fail, Judgement::Unresolved] {
        odd.extend(inspection.limited().filter(|v| v.verdict == wanted));
    }
    if odd.is_empty() {
        lines.push(labelled(
            "Limits",
            &format!(
                "all {count} numbers are inside{}",
                if counts {
                    ""
                } else {
                    ", for what that is worth"
                }
            ),
        ));
    } else {
        let of = |wanted| odd.iter().filter(|v| v.verdict == wanted).count();
        let text = format!(
            "{count} numbers: {} outside, {} cannot be told",
            of(Judgement::Fail),
            of(Judgement::Unresolved)
        );
        lines.push(labelled("Limits", &text));
        lines.push(format!(
            "\n  {:<28} {:<27} {}",
            "", "measured (k = 2)", "limits"
        ));
        for v in odd.iter().take(MOST_ROWS) {
            let sign = words::sign(verdict(v.verdict));
            let name: String = name(v).chars().take(28).collect();
            let line = format!("{sign} {name:<28} {:<27} {}", measured(v), limits(v));
            lines.push(if colour {
                painted(line.trim_end(), verdict(v.verdict), false)
            } else {
                line.trim_end().to_string()
            });
        }
        if odd.len() > MOST_ROWS {
            lines.push(format!("  and {} more", odd.len() - MOST_ROWS));
        }
        lines.push(String::new());
    }
    for warning in &inspection.warnings {
        lines.push(labelled("Warning", &plain(warning)));
    }
    let by = format!(
        "«{}», {}",
        plain(&inspection.limits_name),
        plain(&inspection.limits_signature)
    );
    lines.push(labelled("By", &by));
    lines.extend(below.iter().cloned());
    lines.join("\n")
}

#[cfg(test)]
#[path = "inspection_tests.rs"]
pub(in crate::report) mod tests;
