//! Pictures and band tables of the observations.

use crate::report::plot::{
    self, Chart, CurveLine, CurveStyle, PointMark, RangeBand, Scale, Shaded,
};
use crate::report::{Figure, ObservationCurves, Quantity, ReportInput, number, words};
use crate::verify::result::{Band, Judged, Result as Outcome};
use maud::{Markup, PreEscaped, html};

/// Size of a picture of curves, user units.
const CURVES: (u32, u32) = (820, 400);
/// Size of a picture of bands, user units.
const BANDS: (u32, u32) = (820, 270);
/// Air at the ends of the frequency axis: one step of the grid of 1/48 octave.
const EDGE: f64 = 1.015;

/// Every observation: curves, bands as picture and table. Further figures follow.
pub(super) fn observations(input: &ReportInput<'_>) -> Markup {
    let result = input.result;
    let mut labels: Vec<&str> = input.curves.iter().map(|c| c.label.as_str()).collect();
    for band in &result.bands {
        if !labels.contains(&band.observation.as_str()) {
            labels.push(&band.observation);
        }
    }
    html! {
        @if !labels.is_empty() {
            section {
                h2 id="curves" { "Measured against simulated" }
                p class="lead" { (compared(result.judged)) " The numbers of each picture stand below it." }
                @for (i, label) in labels.iter().enumerate() {
                    section class="observation" {
                        h3 { (heading(label)) }
                        @if let Some(seen) = input.curves.iter().find(|c| c.label == *label) {
                            (figure(&format!("curve-{i}"), &levels(seen), CURVES, ""))
                            (numbers(seen))
                        }
                        @if result.bands.iter().any(|b| b.observation == *label) {
                            (figure(&format!("bands-{i}"), &mismatch(label, result), BANDS, ""))
                            (table(label, result))
                        }
                    }
                }
            }
        }
        @if !input.figures.is_empty() {
            section {
                h2 { "Further pictures" }
                @for (i, Figure { caption, chart }) in input.figures.iter().enumerate() {
                    (figure(&format!("more-{i}"), chart, CURVES, caption))
                }
            }
        }
    }
}

fn compared(judged: Judged) -> &'static str {
    match judged {
        Judged::Designed => {
            "The bands are judged against the simulation as designed; the aligned curve is the same simulation \
             after the fit."
        }
        Judged::Aligned => {
            "The bands are judged against the aligned simulation, that is, after the fit; the designed curve is \
             the simulation before it."
        }
    }
}

fn heading(label: &str) -> String {
    if label == "impedance" {
        "Impedance".to_owned()
    } else {
        format!("Microphone position {label}")
    }
}

pub(super) fn figure(id: &str, chart: &Chart, size: (u32, u32), caption: &str) -> Markup {
    let described = format!("role=\"img\" aria-describedby=\"{id}-words\"");
    let svg = plot::svg(chart, size.0, size.1).replacen("role=\"img\"", &described, 1);
    html! {
        figure {
            div class="scroll" { (PreEscaped(svg)) }
            p class="unseen" id=(format!("{id}-words")) { (chart.in_words()) }
            @if !caption.is_empty() { figcaption { (caption) } }
        }
    }
}

/// Measured, designed and aligned curve with the uncertainty of the measured one.
pub(super) fn levels(seen: &ObservationCurves) -> Chart {
    let impedance = seen.quantity == Quantity::Impedance;
    let shown = |level_db: f64| {
        if impedance {
            10f64.powf(level_db / 20.0)
        } else {
            level_db
        }
    };
    let (title, y_label, y_scale) = match (seen.quantity, seen.absolute) {
        (Quantity::Impedance, _) => ("Impedance magnitude".to_owned(), "|Z| in Ω", Scale::Log),
        (Quantity::Pressure, true) => (
            format!("Sound pressure level, {}", seen.label),
            "level in dB re 20 µPa",
            Scale::Linear,
        ),
        (Quantity::Pressure, false) => (
            format!("Level, {} (gain fitted)", seen.label),
            "level in dB",
            Scale::Linear,
        ),
    };
    let first = seen.frequency_hz.first().copied().unwrap_or(f64::NAN);
    let last = seen.frequency_hz.last().copied().unwrap_or(f64::NAN);
    let mut chart = Chart::over_frequency(&title, y_label, y_scale, [first / EDGE, last * EDGE]);
    let mut add = |label: &str, level_db: &[f64], style| {
        if !level_db.is_empty() {
            chart.curves.push(CurveLine {
                label: label.to_owned(),
                x: seen.frequency_hz.clone(),
                y: level_db.iter().map(|&l| shown(l)).collect(),
                style,
            });
        }
    };
    add("measured", &seen.measured_db, CurveStyle::Measured);
    add("designed", &seen.designed_db, CurveStyle::Designed);
    add("aligned", &seen.aligned_db, CurveStyle::Aligned);
    if !seen.uncertainty_db.is_empty() && !seen.measured_db.is_empty() {
        let edge = |sign: f64| -> Vec<f64> {
            let pairs = seen.measured_db.iter().zip(&seen.uncertainty_db);
            pairs
                .map(|(&level, &reach)| shown(level + sign * reach))
                .collect()
        };
        chart.bands.push(RangeBand {
            label: "uncertainty of the difference (k = 2)".to_owned(),
            x: seen.frequency_hz.clone(),
            low: edge(-1.0),
            high: edge(1.0),
        });
    }
    let mut shade = |from: f64, to: f64, label: &str| {
        if from < to {
            chart.shaded.push(Shaded {
                from,
                to,
                label: label.to_owned(),
            });
        }
    };
    shade(first / EDGE, seen.usable_hz[0], "not usable");
    shade(seen.usable_hz[1], last * EDGE, "not usable");
    if let Some(near) = seen.near_to_hz {
        let to = last.min(seen.usable_hz[1]) * EDGE;
        shade(near, to, "above the near field: the reading falls behind");
    }
    chart
}

/// Judged difference by band with its uncertainty, and the tolerance as a corridor.
pub(super) fn mismatch(label: &str, result: &Outcome) -> Chart {
    let bands: Vec<&Band> = result
        .bands
        .iter()
        .filter(|b| b.observation == label)
        .collect();
    let low = bands.iter().map(|b| b.low_hz).fold(f64::INFINITY, f64::min);
    let high = bands
        .iter()
        .map(|b| b.high_hz)
        .fold(f64::NEG_INFINITY, f64::max);
    let mut chart = Chart::over_frequency(
        &format!("Measured minus simulated by one-third octave, {label}"),
        "difference in dB",
        Scale::Linear,
        [low, high],
    );
    if bands.iter().any(|b| b.tolerance_db.is_finite()) {
        let mut corridor = RangeBand {
            label: "tolerance".to_owned(),
            x: Vec::new(),
            low: Vec::new(),
            high: Vec::new(),
        };
        for band in &bands {
            for edge in [band.low_hz, band.high_hz] {
                corridor.x.push(edge);
                corridor.low.push(-band.tolerance_db);
                corridor.high.push(band.tolerance_db);
            }
        }
        chart.bands.push(corridor);
    }
    chart.points = bands
        .iter()
        .map(|b| PointMark {
            x: b.center_hz,
            y: b.difference_db(result.judged),
            reach: b.expanded_uncertainty_db,
            verdict: b.verdict,
        })
        .collect();
    let list: Vec<String> = bands
        .iter()
        .map(|b| {
            format!(
                "{} Hz {} ±{} dB {}",
                number::band(b.center_hz),
                number::signed(b.difference_db(result.judged), 1),
                number::fixed(b.expanded_uncertainty_db, 1),
                words::mark(b).1
            )
        })
        .collect();
    chart.description = format!("Difference by band: {}.", list.join("; "));
    chart
}

fn table(label: &str, result: &Outcome) -> Markup {
    let bands = || result.bands.iter().filter(|b| b.observation == label);
    html! {
        div class="scroll" {
            table {
                caption { "Mismatch by one-third octave, " (label) ": measured minus simulated, in dB" }
                thead { tr {
                    th scope="col" { "Band, Hz" }
                    th scope="col" { "Designed" }
                    th scope="col" { "Aligned" }
                    th scope="col" { "RMS" }
                    th scope="col" { "Largest" }
                    th scope="col" { "Uncertainty (k\u{a0}=\u{a0}2)" }
                    th scope="col" { "Allowed" }
                    th scope="col" { "SNR" }
                    th scope="col" class="name" { "Verdict" }
                } }
                tbody { @for b in bands() { @let u = b.expanded_uncertainty_db; tr {
                    th scope="row" { (number::band(b.center_hz)) }
                    td { (number::db(b.designed_difference_db, u)) }
                    td { (number::db(b.aligned_difference_db, u)) }
                    td { (number::fixed(b.rms_difference_db, if u < 0.095 { 2 } else { 1 })) }
                    td { (number::db(b.largest_difference_db, u)) }
                    td { "±" (number::fixed(u, if u < 0.095 { 2 } else { 1 })) }
                    td { @if b.tolerance_db.is_finite() { "±" (number::fixed(b.tolerance_db, 1)) } @else { (number::NONE) } }
                    td { (number::fixed(b.snr_db, 0)) }
                    td class="name" { span class={ "judged " (words::short(b.verdict)) } {
                        (words::mark(b).0) " " (words::mark(b).1)
                    } }
                } } }
            }
        }
    }
}

/// The curves at one-third octaves, for readers of numbers.
fn numbers(seen: &ObservationCurves) -> Markup {
    let impedance = seen.quantity == Quantity::Impedance;
    let mut rows: Vec<usize> = Vec::new();
    let mut next_hz = 0.0;
    for (i, &f) in seen.frequency_hz.iter().enumerate() {
        if f.is_finite() && f >= next_hz {
            rows.push(i);
            next_hz = f * 2f64.powf(1.0 / 3.0) * 0.999;
        }
    }
    let show = |list: &[f64], i: usize| {
        let level_db = list.get(i).copied().unwrap_or(f64::NAN);
        if impedance {
            number::significant(10f64.powf(level_db / 20.0), 3)
        } else {
            number::fixed(level_db, 1)
        }
    };
    let unit = if impedance { "Ω" } else { "dB" };
    html! {
        @if !rows.is_empty() {
            details {
                summary { "Numbers of this picture" }
                div class="scroll" { table {
                    caption { (seen.label) ": every third of an octave, in " (unit) }
                    thead { tr {
                        th scope="col" { "Hz" }
                        th scope="col" { "Measured" }
                        th scope="col" { "Uncertainty (k\u{a0}=\u{a0}2), dB" }
                        th scope="col" { "Designed" }
                        th scope="col" { "Aligned" }
                    } }
                    tbody { @for &i in &rows { tr {
                        th scope="row" { (number::hz(seen.frequency_hz[i])) }
                        td { (show(&seen.measured_db, i)) }
                        td { (number::fixed(seen.uncertainty_db.get(i).copied().unwrap_or(f64::NAN), 2)) }
                        td { (show(&seen.designed_db, i)) }
                        td { (show(&seen.aligned_db, i)) }
                    } } }
                } }
            }
        }
    }
}
