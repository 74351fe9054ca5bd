//! A plan as a table of 80 columns and as a picture.

use super::plot::Scale;
use super::plot::bars::{Bar, Bars};
use super::text::{bulleted, labelled};
use super::{number, words};
use crate::align::plan::{Expected, Plan, Smallest};

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
    let slot = |r: f64| {
        let gap = (12.0 * 1.82e-5 * 0.018 / (0.3 * r)).cbrt() * 1e3;
        format!("a slot of 300 mm × {gap:.2} mm")
    };
    match (s.designed, s.below, s.above) {
        (None, Some(r), _) => slot(r),
        (Some(designed), Some(low), _) if s.path.starts_with("leak.") => {
            if s.path.ends_with("gap") {
                format!("a gap of {:.2} mm", designed * (designed / low) * 1e3)
            } else {
                let gap = (12.0 * 1.82e-5 * 0.018 / (0.3 * low)).cbrt() * 1e3;
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

/// Expected intervals over the design's value, before and after, and with the most helpful further capture.
#[must_use]
pub fn picture(plan: &Plan) -> Bars {
    let further = plan.further.first().map(|f| format!("and {}", f.capture));
    let mut series = vec!["tolerance".to_string(), "after these captures".to_string()];
    series.extend(further.clone());
    let rows = plan
        .parameters
        .iter()
        .map(|p| {
            let range = |sd: Option<f64>| {
                sd.map(|sd| {
                    if p.low95.is_some_and(|low| low <= 0.0) {
                        let relative = 1.96 * sd / p.designed.abs();
                        [(1.0 - relative).max(0.01), 1.0 + relative]
                    } else {
                        [(-1.96 * sd).exp(), (1.96 * sd).exp()]
                    }
                })
                .map(|r| [r[0].max(0.1), r[1].min(10.0)])
            };
            let mut ranges = vec![range(p.before_sd), range(p.after_sd)];
            if further.is_some() {
                ranges.push(range(p.with_further_sd));
            }
            Bar {
                label: words::path(&p.path),
                points: Vec::new(),
                ranges,
            }
        })
        .collect();
    Bars {
        title: "Expected 95 % intervals".to_string(),
        axis: "value over the design's".to_string(),
        scale: Scale::Log,
        zero: Some(1.0),
        series,
        rows,
    }
}
