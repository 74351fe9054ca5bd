//! Yields as a table and as a picture.

use super::number::percent;
use super::plot::intervals::{Interval, Panel, Sheet};
use super::text::plain;
use crate::production::yields::{Group, Share, Yields};

/// Groups of the newest so many batches and weeks are shown; all are in the JSON document.
const SHOWN: usize = 30;

/// Share with its interval, percent.
#[must_use]
pub fn share(share: &Share) -> String {
    format!(
        "{} ({} to {})",
        percent(share.share),
        percent(share.low95),
        percent(share.high95)
    )
}

/// Name of a group.
#[must_use]
pub fn name(group: &Group) -> String {
    group.name.as_deref().map_or("(none)".to_owned(), plain)
}

/// The three kinds of groups with their headings; the newest ones of each.
#[must_use]
pub fn kinds(yields: &Yields) -> [(&'static str, &[Group]); 3] {
    let newest = |list: &'_ [Group]| list.len().saturating_sub(SHOWN);
    [
        ("batch", &yields.batches[newest(&yields.batches)..]),
        ("station", &yields.stations),
        ("week", &yields.weeks[newest(&yields.weeks)..]),
    ]
}

/// The table, at most 80 columns.
#[must_use]
pub fn text(yields: &Yields) -> String {
    let Some(all) = &yields.all else {
        return "No unit was tested.\n".to_owned();
    };
    let line = |name: &str, g: &Group| {
        let short: String = name.chars().take(15).collect();
        format!(
            "  {short:<16}{:>6}{:>6}{:>8}  {:<20}{:<20}\n",
            g.tested,
            g.failed,
            g.unresolved,
            share(&g.first),
            share(&g.last)
        )
    };
    let mut out = format!(
        "Units that passed, % with 95 % interval\n\n  {:<16}{:>6}{:>6}{:>8}  {:<20}{:<20}\n",
        "", "tested", "fail", "unclear", "first test", "last test"
    );
    out.push_str(&line("all", all));
    for (kind, groups) in kinds(yields) {
        out.push_str(&format!("\n  by {kind}\n"));
        for group in groups {
            out.push_str(&line(&name(group), group));
        }
    }
    if all.corrected > 0 {
        out.push_str(&format!(
            "\n  {} first tests count as corrections say, not as they were judged\n",
            all.corrected
        ));
    }
    if all.retests > 0 {
        out.push_str(&format!("\n  {} repeated tests\n", all.retests));
    }
    out.lines().map(|l| format!("{}\n", l.trim_end())).collect()
}

/// The picture: units that passed their first test, by batch, station and week.
#[must_use]
pub fn sheet(yields: &Yields) -> Sheet {
    let ends = |s: &Share| [s.low95, s.share, s.high95].map(|v| 100.0 * v);
    let all = yields
        .all
        .as_ref()
        .map_or([f64::NAN; 3], |g| ends(&g.first));
    Sheet {
        title: "Units that passed their first test".to_owned(),
        key: "grey: all units with their 95 % interval",
        none: "no units",
        panels: kinds(yields)
            .into_iter()
            .filter(|(_, groups)| !groups.is_empty())
            .map(|(kind, groups)| Panel {
                title: format!("by {kind}"),
                unit: "%".to_owned(),
                designed: f64::NAN,
                shared: all,
                log: false,
                rows: groups
                    .iter()
                    .map(|g| Interval {
                        label: format!("{}, {} units", name(g), g.tested),
                        ends: ends(&g.first),
                        counts: true,
                    })
                    .collect(),
            })
            .collect(),
    }
}
