//! A plan as a table of 80 columns and as a picture.

use super::plot::intervals::{Interval, Panel, Sheet};
use super::text::{bulleted, labelled};
use super::{number, words};
use crate::align::plan::{Expected, Plan, Smallest};
use crate::align::possible_leaks::slot_gap_mm;

/// The plan in words.
#[must_use]
pub fn table(plan: &Plan) -> String {
    let mut out = labelled("Captures", &plan.captures.join(", "));
    out.push_str(&format!(
        "\n\n{:<30}{:>22}{:>14}{:>14}\n",
        "Expected 95 % interval", "designed", "before", "after"
    ));
    for p in &plan.parameters {
        let name: String = words::path(&p.path).chars().take(29).collect();
        let row = number::row(p.unit, p.designed, p.designed, p.designed, p.designed);
        let value = number::with_unit(&row.designed, &row.unit);
        out.push_str(&format!(
            "{name:<30}{:>22}{:>14}{:>14}\n",
            value,
            p.before_sd
                .map_or("not stated".to_string(), |sd| half(p, sd)),
            p.after_sd
                .map_or("not limited".to_string(), |sd| half(p, sd)),
        ));
        if !p.identifiable {
            let text = match &p.confounded_with {
                Some(other) => format!("cannot be told from {}", words::path(other)),
                None => "these captures say next to nothing about it".to_string(),
            };
            out.push_str(&format!("    {text}\n"));
        }
    }
    for group in &plan.confounded {
        let list: Vec<String> = group.iter().map(|p| words::path(p)).collect();
        out.push('\n');
        out.push_str(&bulleted(&format!(
            "Only a combination is seen of: {}.",
            list.join("; ")
        )));
    }
    out.push_str("\nWhat would help most\n");
    if plan.further.is_empty() {
        out.push_str("  No further capture of this design tells more.\n");
    }
    for f in plan.further.iter().take(4) {
        let mut text = f.capture.clone();
        if !f.planned {
            text.push_str(" (a hole for a microphone, sealed; not a probe of the design yet)");
        }
        if f.separates.is_empty() {
            text.push_str(&format!(
                ": narrows the intervals to {:.0} % on average",
                100.0 * (-f.gain / plan.parameters.len().max(1) as f64).exp()
            ));
        } else {
            let list: Vec<String> = f.separates.iter().map(|p| words::path(p)).collect();
            text.push_str(&format!(": separates {}", list.join("; ")));
        }
        out.push_str(&bulleted(&text));
        out.push('\n');
    }
    out.push_str("\nSmallest change that would be seen, and called a fault, in 95 of 100 units\n");
    for s in &plan.smallest {
        let name: String = words::path(&s.path).chars().take(44).collect();
        out.push_str(&format!("  {name:<46}{}\n", smallest(s)));
    }
    out.trim_end().to_string()
}

/// Half of a 95 % interval in words.
fn half(p: &Expected, sd: f64) -> String {
    if p.designed > 0.0 && p.unit != "°C" && p.low95.is_none_or(|low| low > 0.0) {
        let factor = (1.96 * sd).exp();
        if factor > 1.5 {
            return format!("× or ÷ {}", number::significant(factor, 2));
        }
        let percent = 100.0 * (factor - 1.0);
        return format!("±{} %", number::significant(percent, 2));
    }
    let row = number::row(p.unit, 1.96 * sd, 1.96 * sd, 1.96 * sd, 1.96 * sd);
    format!("±{}", number::with_unit(&row.designed, &row.unit))
}

fn smallest(s: &Smallest) -> String {
    let slot = |r: f64| format!("a slot of 300 mm × {:.2} mm", slot_gap_mm(r));
    match (s.designed, s.below, s.above) {
        (None, Some(r), _) => slot(r),
        (Some(designed), Some(low), _) if s.path.starts_with("leak.") => {
            if s.path.ends_with("gap") {
                format!("a gap of {:.2} mm", designed * (designed / low) * 1e3)
            } else {
                let gap = slot_gap_mm(low);
                let times = number::significant(designed / low, 2);
                format!("{times} times it: 300 mm × {gap:.2} mm")
            }
        }
        (Some(designed), Some(low), Some(high)) => format!(
            "±{} %; a fault: −{:.0} or +{:.0} %",
            s.seen
                .map_or("?".to_string(), |v| number::significant(100.0 * v, 2)),
            100.0 * (1.0 - low / designed),
            100.0 * (high / designed - 1.0)
        ),
        _ => "would not be seen".to_string(),
    }
}

/// Expected intervals before and after, and with the most helpful further capture: one panel per parameter.
#[must_use]
pub fn picture(plan: &Plan, title: String) -> Sheet {
    let further = plan.further.first().map(|f| format!("and {}", f.capture));
    let panels = plan
        .parameters
        .iter()
        .map(|p| {
            let (factor, unit) = number::workshop(p.unit, p.designed);
            let positive = p.designed > 0.0 && p.low95.is_none_or(|low| low > 0.0);
            // A factor of a hundred stands for «next to nothing is known» and would flatten everything else.
            let ends = |sd: Option<f64>| match sd {
                Some(sd) if positive && 1.96 * sd < 100_f64.ln() => {
                    [-1.96, 0.0, 1.96].map(|z| p.designed * (z * sd).exp() * factor)
                }
                Some(sd) if !positive => [-1.96, 0.0, 1.96].map(|z| (p.designed + z * sd) * factor),
                _ => [f64::NAN; 3],
            };
            let mut rows = vec![
                ("before".to_string(), p.before_sd),
                ("after these captures".to_string(), p.after_sd),
            ];
            rows.extend(further.clone().map(|label| (label, p.with_further_sd)));
            Panel {
                title: words::path(&p.path),
                unit,
                designed: p.designed * factor,
                shared: [f64::NAN; 3],
                log: positive,
                rows: rows
                    .into_iter()
                    .map(|(label, sd)| Interval {
                        label,
                        ends: ends(sd),
                        counts: true,
                    })
                    .collect(),
            }
        })
        .collect();
    Sheet {
        title,
        key: "lines: expected 95 % about the design's value, which is dashed",
        none: "not limited, or to no better than a factor of a hundred",
        panels,
    }
}
