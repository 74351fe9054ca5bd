//! The scatter of units built with the tolerances: table, curves and pictures.

use super::csv::{Column, table as csv_table};
use super::number::{fixed, signed};
use super::plot::{Chart, CurveLine, CurveStyle, RangeBand, Scale};
use super::text::folded;
use crate::model::monte_carlo::{ObservationSpread, Outcome};

/// Observations beside each other in 80 columns.
const ABREAST: usize = 3;

/// By one-third octave the range that holds 95 % of the units, as difference from the design, for a terminal.
#[must_use]
pub fn table(outcome: &Outcome) -> String {
    let mut lines = vec![
        format!(
            "Scatter of {} units built with the tolerances (seed {})",
            outcome.units, outcome.seed
        ),
        "Difference from the design by one-third octave, dB: middle 95 % of the units".to_string(),
    ];
    if outcome.lost > 0 {
        lines.push(format!(
            "{} of them have no finite response and are left out",
            outcome.lost
        ));
    }
    for group in outcome.observations.chunks(ABREAST) {
        let heads: String = group
            .iter()
            .map(|o| format!("  {:>20.20}", o.observation))
            .collect();
        lines.push(format!("\n  band, Hz{heads}"));
        let rows = group.first().map_or(0, |o| o.bands.len());
        for n in 0..rows {
            let cells: String = group
                .iter()
                .map(|o| {
                    let q = o.bands[n].quantiles_db;
                    let range = format!("{} … {}", signed(q[0], 2), signed(q[4], 2));
                    format!("  {range:>20}")
                })
                .collect();
            let center = group[0].bands[n].center_hz;
            lines.push(format!("  {:>8}{cells}", fixed(center, 1)));
        }
    }
    let worst = outcome
        .observations
        .iter()
        .flat_map(|o| &o.bands)
        .flat_map(|b| [b.uncertainty_db[0], b.uncertainty_db[4]])
        .fold(0.0, f64::max);
    lines.push(format!(
        "\nThe ends are known to ±{} dB or better (95 %); more units tell them closer.",
        fixed(worst, 2)
    ));
    if let Some(within) = outcome.within {
        let ends = outcome.judged_hz.first().zip(outcome.judged_hz.last());
        let over = ends.map_or(String::new(), |(low, high)| {
            let names: Vec<&str> = outcome
                .observations
                .iter()
                .map(|o| o.observation.as_str())
                .collect();
            format!(" from {low} to {high} Hz ({})", names.join(", "))
        });
        lines.push(folded(
            &format!(
                "All bands{over} lie within the target in {} % of the units (95 % interval of so many drawn ones: {} to {} %).",
                fixed(within.share * 100.0, 1),
                fixed(within.low95 * 100.0, 1),
                fixed(within.high95 * 100.0, 1)
            ),
            0,
        ));
    }
    lines.join("\n")
}

/// Quantiles per frequency.
#[must_use]
pub fn csv(outcome: &Outcome) -> String {
    let mut header = vec!["frequency_hz".to_string()];
    let mut lists = vec![outcome.frequency_hz.clone()];
    for o in &outcome.observations {
        let name = |what: &str| format!("{}.{what}_{}", o.observation, o.unit);
        header.push(name("designed"));
        lists.push(o.designed.clone());
        for (k, level) in outcome.levels.iter().enumerate() {
            header.push(name(&format!("quantile_{level}")));
            lists.push(o.quantiles.iter().map(|q| q[k]).collect());
        }
    }
    let names: Vec<&str> = header.iter().map(String::as_str).collect();
    let columns: Vec<Column<'_>> = lists.iter().map(|l| Column::Numbers(l)).collect();
    csv_table(&names, &columns)
}

/// A picture per observation, with the stem of its file name.
#[must_use]
pub fn charts(outcome: &Outcome) -> Vec<(String, Chart)> {
    outcome
        .observations
        .iter()
        .map(|o| (format!("spread-{}", o.observation), chart(outcome, o)))
        .collect()
}

fn chart(outcome: &Outcome, o: &ObservationSpread) -> Chart {
    let f = &outcome.frequency_hz;
    let range = [
        f.first().copied().unwrap_or(1.0),
        f.last().copied().unwrap_or(2.0),
    ];
    // A level spans far more decibels than it scatters: only the difference can be seen.
    let (y, scale, difference) = match o.unit {
        "ohm" => ("|Z| in Ω", Scale::Log, false),
        _ => ("difference from the design in dB", Scale::Linear, true),
    };
    let from = |n: usize| if difference { o.designed[n] } else { 0.0 };
    let title = format!(
        "{}: {} units built with the tolerances",
        o.observation, outcome.units
    );
    let mut chart = Chart::over_frequency(&title, y, scale, range);
    let edge = |k: usize| -> Vec<f64> {
        let shown = o.quantiles.iter().enumerate();
        shown.map(|(n, q)| q[k] - from(n)).collect()
    };
    for (label, low, high) in [
        ("95 % of the units", 0, 4),
        ("68 % of the units (darker)", 1, 3),
    ] {
        chart.bands.push(RangeBand {
            label: label.to_string(),
            x: f.clone(),
            low: edge(low),
            high: edge(high),
        });
    }
    let designed = o.designed.iter().enumerate();
    chart.curves.push(CurveLine {
        label: "as designed".to_string(),
        x: f.clone(),
        y: designed.map(|(n, v)| v - from(n)).collect(),
        style: CurveStyle::Designed,
    });
    chart
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::design::read::read;
    use crate::model::monte_carlo::{Drawing, band_frequencies, draw_units};
    use crate::verify::spread::of_design;
    use std::path::Path;

    #[test]
    fn table_fits_the_terminal_and_every_curve_is_there() {
        let design = read(Path::new("tests/designs/dome.toml")).unwrap();
        let spread = of_design(&design, &[]).unwrap();
        let drawing = Drawing {
            units: 100,
            seed: 1,
            frequency_hz: band_frequencies(&design),
        };
        let outcome = draw_units(&design, &design.air, &spread, &drawing).unwrap();
        let text = table(&outcome);
        assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");
        for o in &outcome.observations {
            assert!(text.contains(&o.observation));
        }
        let csv = csv(&outcome);
        assert_eq!(csv.lines().count(), 61);
        assert_eq!(csv.lines().next().unwrap().split(',').count(), 1 + 4 * 6);
        assert_eq!(charts(&outcome).len(), 4);
    }
}
