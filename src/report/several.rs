//! Several units of one design in the terminal (80 columns) and as a picture.

use super::plot::intervals::{Interval, Panel, Sheet};
use super::text::{plain, wrapped};
use super::{number, words};
use crate::several::result::{Parameter, Several};

/// Shared values, spreads, own values and what is at fault.
#[must_use]
pub fn text(result: &Several) -> String {
    let mut out = String::new();
    let names: Vec<String> = result.units.iter().map(|u| plain(&u.unit)).collect();
    wrapped(
        &mut out,
        &format!(
            "{} units of design «{}»: {}",
            names.len(),
            plain(&result.design.name),
            names.join(", ")
        ),
        0,
    );
    out.push_str(&format!(
        "\n{:<30}{:<13}{:>9}{:>9}{:>19}\n",
        "Shared by the units", "", "designed", "shared", "95 % interval"
    ));
    for p in &result.parameters {
        shared(&mut out, p);
    }
    out.push_str("\nValues of the units, with 95 % intervals\n");
    for p in &result.parameters {
        own(&mut out, p);
    }
    out.push_str("\nFindings\n");
    let mut none = true;
    for unit in &result.units {
        for finding in &unit.findings {
            none = false;
            let line = format!(
                "unit {}: {} ({})",
                plain(&unit.unit),
                plain(&finding.text),
                number::probability(finding.probability)
            );
            wrapped(&mut out, &line, 2);
        }
        if !unit.converged {
            none = false;
            let line = format!(
                "! unit {}: the fit did not converge; do not rely on its values.",
                plain(&unit.unit)
            );
            wrapped(&mut out, &line, 2);
        }
    }
    if none {
        wrapped(&mut out, "None.", 2);
    }
    out
}

fn or_nan(value: Option<f64>) -> f64 {
    value.unwrap_or(f64::NAN)
}

fn shared(out: &mut String, p: &Parameter) {
    let (low, high) = (or_nan(p.low95), or_nan(p.high95));
    let row = number::row(&p.unit, p.designed, or_nan(p.shared), low, high);
    let label: String = words::path(&plain(&p.path)).chars().take(29).collect();
    let interval = format!("{} … {}", row.low, row.high);
    let line = format!(
        "{label:<30}{:<13}{:>9}{:>9}{interval:>19}",
        row.unit, row.designed, row.fitted
    );
    out.push_str(line.trim_end());
    out.push('\n');
    let left: Vec<String> = p
        .values
        .iter()
        .filter(|v| v.standing != "counts")
        .map(|v| format!("{} ({})", plain(&v.unit), v.standing))
        .collect();
    wrapped(out, &spread(p), 4);
    if !left.is_empty() {
        wrapped(out, &format!("without {}", left.join(", ")), 4);
    }
    if p.design_off {
        wrapped(
            out,
            "most units differ from the design in this way: the design is off, not they",
            4,
        );
    }
    if p.units > 0 && !p.identifiable {
        wrapped(
            out,
            "cannot be told from these captures better than the design states it",
            4,
        );
    }
}

/// A spread as people say it: per cent, or in the unit.
fn size(p: &Parameter, value: f64) -> String {
    if p.spread_kind == "relative" {
        return format!("{}\u{202f}%", number::percent(value));
    }
    let (factor, unit) = number::workshop(&p.unit, value);
    number::with_unit(&number::significant(value * factor, 2), &unit)
}

fn spread(p: &Parameter) -> String {
    let more = match p.units_wanted {
        Some(n) => format!("; about {n} units would tell it"),
        None if p.spread_told => String::new(),
        None => String::from("; it is too small beside the error of one unit"),
    };
    let Some(sd) = p.spread else {
        return format!(
            "spread cannot be told: {} unit{} count{}{more}",
            p.units,
            if p.units == 1 { "" } else { "s" },
            if p.units == 1 { "s" } else { "" }
        );
    };
    let stated = match p.spread_designed {
        Some(stated) => format!("; the design states {}", size(p, stated)),
        None => String::new(),
    };
    let units = p.units;
    match (p.spread_told, p.spread_high95) {
        (true, Some(high)) => format!(
            "spread over {units} units {}, 95 % {} to {}{stated}",
            size(p, sd),
            size(p, or_nan(p.spread_low95)),
            size(p, high)
        ),
        (_, Some(high)) => format!(
            "spread cannot be told from {units} units: below {} (95 %){more}{stated}",
            size(p, high)
        ),
        (_, None) => format!("spread cannot be told from {units} units{more}{stated}"),
    }
}

fn own(out: &mut String, p: &Parameter) {
    let (_, unit) = number::workshop(&p.unit, p.shared.unwrap_or(p.designed));
    let label = number::with_unit(
        &format!(
            "{}{}",
            words::path(&plain(&p.path)),
            if unit.is_empty() { "" } else { ", in" }
        ),
        &unit,
    );
    wrapped(out, &label, 2);
    for v in &p.values {
        let (low, high) = (or_nan(v.low95), or_nan(v.high95));
        // The unit and its power of ten are those of the heading.
        let (factor, _) = number::workshop(&p.unit, p.shared.unwrap_or(p.designed));
        let row = number::row(
            "",
            0.0,
            or_nan(v.value) * factor,
            low * factor,
            high * factor,
        );
        let note = if v.standing == "counts" {
            String::new()
        } else {
            format!("  {}", v.standing)
        };
        let name: String = plain(&v.unit).chars().take(18).collect();
        let power = if row.unit.is_empty() {
            String::new()
        } else {
            format!(" {}", row.unit)
        };
        let interval = format!("{} … {}{power}", row.low, row.high);
        let line = format!("    {name:<18}{:>10}   {interval:<24}{note}", row.fitted);
        out.push_str(line.trim_end());
        out.push('\n');
    }
}

/// One panel per number: intervals of the units, the shared value with its interval, the design's value.
#[must_use]
pub fn picture(result: &Several, title: String) -> Sheet {
    let panels = result
        .parameters
        .iter()
        .map(|p| {
            let (factor, unit) = number::workshop(&p.unit, p.shared.unwrap_or(p.designed));
            let interval = |low: Option<f64>, value: Option<f64>, high: Option<f64>| {
                [low, value, high].map(|v| or_nan(v) * factor)
            };
            Panel {
                title: words::path(&p.path),
                unit,
                designed: p.designed * factor,
                shared: interval(p.low95, p.shared, p.high95),
                log: p.spread_kind == "relative",
                rows: p
                    .values
                    .iter()
                    .map(|v| Interval {
                        label: v.unit.clone(),
                        ends: interval(v.low95, v.value, v.high95),
                        counts: v.standing == "counts",
                    })
                    .collect(),
            }
        })
        .collect();
    Sheet {
        title,
        key: "lines: 95 % of each unit; grey: 95 % of what they share; dashed: the design; open mark: does not count",
        none: "not fitted",
        panels,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::several::result::{DesignMark, FORMAT, Finding, UnitMark, UnitValue};

    fn parameter(path: &str, told: bool) -> Parameter {
        let value = |unit: &str, v: f64, standing| UnitValue {
            unit: unit.to_string(),
            standing,
            value: Some(v),
            low95: Some(0.9 * v),
            high95: Some(1.1 * v),
        };
        Parameter {
            path: path.to_string(),
            unit: "Pa·s/m³".to_string(),
            designed: 2.0e6,
            shared: Some(1.7e6),
            low95: Some(1.5e6),
            high95: Some(1.9e6),
            identifiable: told,
            design_off: false,
            units: 3,
            spread_kind: "relative",
            spread: Some(0.12),
            spread_low95: Some(if told { 0.06 } else { 0.0 }),
            spread_high95: told.then_some(0.4),
            spread_told: told,
            spread_designed: Some(0.5),
            units_wanted: (!told).then_some(9),
            values: vec![
                value("dome-1", 1.6e6, "counts"),
                value(
                    "a serial number that is longer than the column",
                    1.8e6,
                    "counts",
                ),
                value("dome-3\u{1b}[2J", 3.1e4, "at fault"),
            ],
        }
    }

    pub(super) fn example() -> Several {
        let unit = |name: &str| UnitMark {
            unit: name.to_string(),
            file: "captures.toml".to_string(),
            digest: "0".repeat(64),
            converged: name != "dome-2",
            findings: vec![Finding {
                path: "leak.seam.resistance".to_string(),
                probability: 0.98,
                text: "leak seam: leaks 60 times more air than designed (95 % 50 to 70)"
                    .to_string(),
            }],
        };
        Several {
            format: FORMAT,
            software: "bassay".to_string(),
            design: DesignMark {
                name: "Dome bass unit".to_string(),
                digest: "0".repeat(64),
            },
            units: vec![unit("dome-1"), unit("dome-2")],
            parameters: vec![
                parameter("leak.seam.resistance", true),
                parameter("resistor.r1.resistance", false),
            ],
            written: None,
        }
    }

    #[test]
    fn eighty_columns_that_say_what_cannot_be_told() {
        let text = text(&example());
        assert!(!text.contains('\u{1b}'));
        for line in text.lines() {
            assert!(line.chars().count() <= 80, "{line}");
        }
        for part in [
            "spread over 3 units 12\u{202f}%, 95 % 6\u{202f}% to 40\u{202f}%",
            "spread cannot be told from 3 units; about 9 units would tell it",
            "without dome-3 [2J (at fault)",
            "did not converge",
        ] {
            assert!(
                text.split_whitespace()
                    .collect::<Vec<_>>()
                    .join(" ")
                    .contains(&part.split_whitespace().collect::<Vec<_>>().join(" ")),
                "{part}\n{text}"
            );
        }
    }

    #[test]
    fn the_picture_shows_every_unit() {
        let svg = picture(&example(), "Units".to_string()).svg();
        assert!(svg.contains("dome-1") && svg.contains("leak seam: resistance"));
        assert!(!svg.contains("NaN") && !svg.contains("inf"), "{svg}");
    }
}
