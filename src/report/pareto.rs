//! Causes of failed units as a table and as a picture.

use super::number::{percent, probability};
use super::plot::bars::{Bar, Bars};
use super::text::{plain, wrapped};
use crate::production::pareto::{CauseCount, Pareto};

/// The cause in words.
#[must_use]
pub fn name(cause: &CauseCount) -> String {
    cause
        .path
        .as_deref()
        .map_or("no cause was named".to_owned(), super::inspection::name_of)
}

/// Share with its interval, percent.
#[must_use]
pub fn share(cause: &CauseCount) -> String {
    format!(
        "{} ({} to {})",
        percent(cause.share),
        percent(cause.low95),
        percent(cause.high95)
    )
}

/// In how many units it stands beside another cause.
#[must_use]
pub fn beside(cause: &CauseCount) -> Option<String> {
    match cause.beside {
        0 => None,
        1 => Some("and beside another cause in 1 unit".to_owned()),
        n => Some(format!("and beside another cause in {n} units")),
    }
}

/// Batches with a cause: the three with most units.
#[must_use]
pub fn batches(cause: &CauseCount) -> String {
    let list: Vec<String> = cause
        .batches
        .iter()
        .take(3)
        .map(|(batch, n)| format!("{} ({n})", plain(batch)))
        .collect();
    let more = cause.batches.len().saturating_sub(3);
    match more {
        0 => list.join(", "),
        n => format!("{}, {n} more", list.join(", ")),
    }
}

/// The table, at most 80 columns.
#[must_use]
pub fn text(pareto: &Pareto) -> String {
    let mut out = String::new();
    wrapped(
        &mut out,
        &format!(
            "Causes of {} failed units of {} tested; each counts once, by its first test",
            pareto.failed, pareto.tested
        ),
        0,
    );
    if pareto.causes.is_empty() {
        wrapped(&mut out, "No unit failed.", 2);
        return out;
    }
    out.push_str(&format!(
        "\n  {:<30}{:>6}  {:<18}{:>7}{:>13}\n",
        "cause", "units", "share, % (95 %)", "sum, %", "probability"
    ));
    for cause in &pareto.causes {
        let short: String = name(cause).chars().take(29).collect();
        out.push_str(&format!(
            "  {short:<30}{:>6}  {:<18}{:>7}{:>13}\n",
            cause.units,
            share(cause),
            percent(cause.cumulative),
            cause.probability.map_or("–".to_owned(), probability)
        ));
        if let Some(beside) = beside(cause) {
            wrapped(&mut out, &beside, 6);
        }
        let batches = batches(cause);
        if !batches.is_empty() {
            wrapped(&mut out, &format!("batches {batches}"), 6);
        }
    }
    out
}

/// The picture.
#[must_use]
pub fn bars(pareto: &Pareto) -> Bars {
    Bars {
        title: format!("Causes of {} failed units", pareto.failed),
        key: "units, their share of all failed units, in brackets the sum from the top".to_owned(),
        bars: pareto
            .causes
            .iter()
            .map(|cause| Bar {
                label: name(cause),
                count: cause.units,
                note: format!(
                    "{}, {} % ({} %)",
                    cause.units,
                    percent(cause.share),
                    percent(cause.cumulative)
                ),
            })
            .collect(),
    }
}
