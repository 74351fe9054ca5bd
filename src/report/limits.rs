//! Production limits for people: table, pictures, and history by other limits.

use super::inspection::word;
use super::number::{fixed, percent, signed};
use super::plot::{Chart, CurveLine, CurveStyle, PointMark, RangeBand, Scale};
use super::text::{labelled, plain};
use crate::design::limits::{BandLimit, Limits, METHODS, Method, RULES, same_band};
use crate::design::limits_write::as_written;
use crate::production::entry::Judgement;
use crate::production::limits::Basis;
use crate::production::limits::odds::{BandOdds, WholeOdds};
use crate::production::rejudge::History;
use crate::signal::bands::third_octaves;
use crate::special::beta::share_interval;
use serde::Serialize;

/// One band with all that is known about its limits.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Row<'a> {
    /// `impedance` or the probe's name.
    pub observation: &'a str,
    /// Nominal midband frequency, Hz.
    pub center_hz: f64,
    /// Lower limit, dB.
    pub low_db: f64,
    /// Upper limit, dB.
    pub high_db: f64,
    /// The spec's tolerance, dB.
    pub tolerance_db: Option<f64>,
    /// Mean of the process, dB.
    pub mean_db: Option<f64>,
    /// Its standard deviation, dB.
    pub sd_db: Option<f64>,
    /// Units that would bring the limits inside the tolerance.
    pub units_needed: Option<usize>,
    /// P(fail | good).
    pub good_fails: Option<f64>,
    /// P(pass | bad).
    pub bad_passes: Option<f64>,
    /// P(neither).
    pub unresolved: Option<f64>,
}

/// The rows of a limits file.
#[must_use]
pub fn rows<'a>(limits: &'a Limits, basis: &[Basis], odds: &[BandOdds]) -> Vec<Row<'a>> {
    let finite = |v: f64| Some(v).filter(|v| v.is_finite());
    limits
        .bands
        .iter()
        .map(|b| {
            let is = |o: &str, c: f64| o == b.observation && same_band(c, b.center_hz);
            let base = basis.iter().find(|x| is(&x.observation, x.center_hz));
            let risks = odds
                .iter()
                .find(|x| is(&x.observation, x.center_hz))
                .map(|x| x.risks);
            Row {
                observation: &b.observation,
                center_hz: b.center_hz,
                low_db: b.low_db,
                high_db: b.high_db,
                tolerance_db: b.tolerance_db,
                mean_db: base.and_then(|x| finite(x.mean_db)),
                sd_db: base.and_then(|x| finite(x.sd_db)),
                units_needed: base.and_then(|x| x.units_needed),
                good_fails: risks.and_then(|r| finite(r.good_fails())),
                bad_passes: risks.and_then(|r| finite(r.bad_passes())),
                unresolved: risks.and_then(|r| finite(r.unresolved)),
            }
        })
        .collect()
}

/// A share that may be very small.
/// Whether a limit lies beyond the spec's tolerance, both as the limits file holds them: rounding alone is no difference.
fn reaches_beyond(row: &Row<'_>) -> bool {
    row.tolerance_db.is_some_and(|tolerance| {
        let most = as_written(tolerance);
        as_written(row.low_db) < -most || as_written(row.high_db) > most
    })
}

fn share(value: Option<f64>) -> String {
    match value {
        None => "–".to_string(),
        Some(v) if v < 5e-5 => "<0.01 %".to_string(),
        Some(v) if v < 0.01 => format!("{} %", fixed(v * 100.0, 2)),
        Some(v) => format!("{} %", fixed(v * 100.0, 1)),
    }
}

fn meaning<T: PartialEq>(words: &[(&'static str, T)], wanted: &T) -> &'static str {
    let found = words.iter().find(|(_, m)| m == wanted);
    found.map_or("", |(w, _)| w)
}

/// Origin, rule, signature, one line per band, and what the limits cost; 80 columns. `at_hand`: whether the accepted units
/// are, so that it is known how many would do.
#[must_use]
pub fn text(
    limits: &Limits,
    units: usize,
    rows: &[Row<'_>],
    whole: Option<WholeOdds>,
    at_hand: bool,
) -> String {
    let o = &limits.origin;
    let mut origin = format!("method {}", meaning(&METHODS, &o.method));
    if units > 0 {
        origin.push_str(&format!(
            ", {units} accepted unit{}",
            if units == 1 { "" } else { "s" }
        ));
    }
    if let Some(drawn) = o.drawn {
        origin.push_str(&format!(", {drawn} drawn units"));
    }
    if let (Some(p), Some(g)) = (o.content, o.confidence) {
        origin.push_str(&format!(
            "; each limit holds {} % of the units with confidence {} %",
            percent(p),
            percent(g)
        ));
    }
    let rule = format!(
        "{}, guard band {} times the standard uncertainty",
        meaning(&RULES, &limits.decision.rule),
        limits.decision.guard_factor
    );
    let mut lines = vec![
        format!("Limits of «{}»", plain(&limits.name)),
        labelled("From", &origin),
        labelled("Means", o.method.rests_on()),
        labelled("Rule", &rule),
        labelled("Signed", &plain(&limits.signature_words())),
        String::new(),
        "Level over the simulation as designed, dB, by one-third octave".to_string(),
        format!(
            "  {:<20} {:>7} {:>15} {:>6} {:>8} {:>8} {:>8}",
            "", "Hz", "limits", "spec", "good", "bad", "not"
        ),
        format!(
            "  {:<20} {:>7} {:>15} {:>6} {:>8} {:>8} {:>8}",
            "", "", "", "±", "fails", "passes", "told"
        ),
    ];
    for r in rows {
        let name: String = plain(r.observation).chars().take(20).collect();
        let beyond = reaches_beyond(r);
        let range = format!("{} … {}", signed(r.low_db, 2), signed(r.high_db, 2));
        lines.push(format!(
            "{} {name:<20} {:>7} {range:>15} {:>6} {:>8} {:>8} {:>8}",
            if beyond { '!' } else { ' ' },
            format!("{}", r.center_hz),
            r.tolerance_db.map_or("–".to_string(), |t| fixed(t, 2)),
            share(r.good_fails),
            share(r.bad_passes),
            share(r.unresolved)
        ));
    }
    let beyond = rows.iter().filter(|r| reaches_beyond(r)).count();
    if beyond > 0 {
        lines.push(labelled(
            "!",
            &format!(
                "{beyond} of {} bands reach beyond the spec's tolerance; --within-tolerance cuts them there",
                rows.len()
            ),
        ));
    }
    let needed = at_hand.then(|| needed(rows, units)).flatten();
    lines.extend(needed.map(|text| labelled("Units", &text)));
    if let Some(w) = whole {
        lines.push(labelled("Overall", &overall_words(&w, rows, o.method)));
    }
    for p in &limits.parameters {
        let lead = p.low.or(p.high).unwrap_or(1.0);
        let scale = super::number::Scale::of(&p.unit, lead);
        let number = |v: f64| scale.show(v);
        let range = match (p.low, p.high) {
            (Some(l), Some(h)) => format!("{} … {}", number(l), number(h)),
            (Some(l), None) => format!("from {} on", number(l)),
            (None, Some(h)) => format!("up to {}", number(h)),
            (None, None) => continue,
        };
        let name: String = super::words::path(&plain(&p.path))
            .chars()
            .take(40)
            .collect();
        lines.push(
            format!("  {name:<40} {range} {}", scale.unit())
                .trim_end()
                .to_string(),
        );
    }
    for r in &limits.residue {
        let at = r.center_hz.map_or(String::new(), |c| format!(" at {c} Hz"));
        let name: String = plain(&r.observation).chars().take(30).collect();
        lines.push(format!(
            "  {:<40} up to {} dB",
            format!("{name} noise{at}"),
            fixed(r.high_db, 1)
        ));
    }
    lines.join("\n")
}

/// How many units would do.
fn needed(rows: &[Row<'_>], units: usize) -> Option<String> {
    if units < 2 || rows.iter().all(|r| r.tolerance_db.is_none()) {
        return None;
    }
    let most = rows
        .iter()
        .filter_map(|r| Some((r.units_needed?, r)))
        .max_by_key(|m| m.0);
    let never: Vec<String> = rows
        .iter()
        .filter(|r| r.units_needed.is_none())
        .map(|r| format!("{} at {} Hz", plain(r.observation), r.center_hz))
        .collect();
    let mut text = match most {
        Some((n, r)) => format!(
            "from units alone, {n} would bring the limits inside the spec's tolerance, if the line stays as it is ({} at {} Hz needs most)",
            plain(r.observation),
            r.center_hz
        ),
        None => "from units alone, no number of units would bring the limits inside the spec's tolerance".to_string(),
    };
    if most.is_some() && !never.is_empty() {
        text.push_str(&format!(
            "; no number of units would in {} bands ({}{}): there the line itself lies too far off or scatters too much",
            never.len(),
            never.iter().take(3).cloned().collect::<Vec<_>>().join(", "),
            if never.len() > 3 { ", …" } else { "" }
        ));
    }
    Some(text)
}

/// Over which bands units were counted.
fn counted_over(rows: &[Row<'_>]) -> String {
    let mut names: Vec<String> = Vec::new();
    for r in rows {
        let name = plain(r.observation);
        if !names.contains(&name) {
            names.push(name);
        }
    }
    let low = rows
        .iter()
        .map(|r| r.center_hz)
        .fold(f64::INFINITY, f64::min);
    let high = rows.iter().map(|r| r.center_hz).fold(0.0, f64::max);
    format!(" from {low} to {high} Hz ({})", names.join(", "))
}

fn overall_words(w: &WholeOdds, rows: &[Row<'_>], method: Method) -> String {
    let of = |part: usize, all: usize| {
        if all == 0 {
            "none to count".to_string()
        } else {
            let [low, high] = share_interval(part, all, 0.95);
            let text = share(Some(part as f64 / all as f64));
            format!("{text} ({} to {})", share(Some(low)), share(Some(high)))
        }
    };
    format!(
        "of {} drawn units{} {} are good in all bands{}; of the good ones {} fail, of the bad ones {} pass; of all {} pass and of {} nothing can be said. In brackets what so few drawn units leave open (95 %); mean and scatter are taken as they stand, a common error of level or simulation as drawn anew, and parameters do not count",
        w.units,
        match method {
            Method::Units | Method::Both => ", moved to where the accepted units stand,",
            Method::Model | Method::Hand => "",
        },
        of(w.good, w.units),
        counted_over(rows),
        of(w.good_fail, w.good),
        of(w.bad_pass, w.units - w.good),
        of(w.pass, w.units),
        of(w.unresolved, w.units)
    )
}

/// Edges of a band as the chart draws them.
fn edges(b: &BandLimit) -> [f64; 2] {
    let band = third_octaves(b.center_hz * 0.99, b.center_hz * 1.01);
    band.first().map_or([b.center_hz; 2], |b| {
        [b.low_hz * 1.0001, b.high_hz * 0.9999]
    })
}

/// A picture per observation, with the stem of its file name; `marks` are measured values by observation.
#[must_use]
pub fn charts(limits: &Limits, marks: &[(&str, Vec<PointMark>)]) -> Vec<(String, Chart)> {
    let mut names: Vec<&str> = Vec::new();
    for b in &limits.bands {
        if !names.contains(&b.observation.as_str()) {
            names.push(&b.observation);
        }
    }
    names
        .into_iter()
        .map(|name| {
            let mut bands: Vec<&BandLimit> = limits
                .bands
                .iter()
                .filter(|b| b.observation == name)
                .collect();
            bands.sort_by(|a, b| a.center_hz.total_cmp(&b.center_hz));
            let low = bands.first().map_or(10.0, |b| edges(b)[0]);
            let high = bands.last().map_or(100.0, |b| edges(b)[1]);
            let mut chart = Chart::over_frequency(
                &format!("Limits: {name}"),
                "level over the design in dB",
                Scale::Linear,
                [low, high],
            );
            let steps = |value: &dyn Fn(&BandLimit) -> f64| -> (Vec<f64>, Vec<f64>) {
                let pairs = bands.iter().flat_map(|b| edges(b).map(|x| (x, value(b))));
                pairs.unzip()
            };
            let (x, lows) = steps(&|b| b.low_db);
            let (_, highs) = steps(&|b| b.high_db);
            chart.bands.push(RangeBand {
                label: "limits".to_string(),
                x: x.clone(),
                low: lows,
                high: highs,
            });
            for sign in [-1.0, 1.0] {
                let (x, y) = steps(&|b| b.tolerance_db.map_or(f64::NAN, |t| sign * t));
                if y.iter().any(|v| v.is_finite()) {
                    chart.curves.push(CurveLine {
                        label: if sign < 0.0 {
                            String::new()
                        } else {
                            "spec's tolerance".to_string()
                        },
                        x,
                        y,
                        style: CurveStyle::Designed,
                    });
                }
            }
            let (x, mean) = steps(&|b| b.mean_db.unwrap_or(f64::NAN));
            if mean.iter().any(|v| v.is_finite()) {
                chart.curves.push(CurveLine {
                    label: "mean of the units".to_string(),
                    x,
                    y: mean,
                    style: CurveStyle::Aligned,
                });
            }
            if let Some((_, points)) = marks.iter().find(|m| m.0 == name) {
                chart.points.clone_from(points);
            }
            // A name may hold what no file name can.
            let stem: String = name
                .chars()
                .map(|c| {
                    if c.is_alphanumeric() || c == '-' {
                        c
                    } else {
                        '_'
                    }
                })
                .collect();
            (format!("limits-{stem}"), chart)
        })
        .collect()
}

/// What would change by other limits.
#[must_use]
pub fn history(history: &History, limits: &Limits, all: bool) -> String {
    let mut lines = vec![
        format!("Tests judged by «{}»", plain(&limits.name)),
        format!("  {:<16} {:>8} {:>8}", "", "old", "new"),
    ];
    let total = history.tests.len();
    for verdict in [Judgement::Pass, Judgement::Fail, Judgement::Unresolved] {
        let [old, new] = history.count(verdict);
        lines.push(format!("  {:<16} {old:>8} {new:>8}", word(verdict)));
    }
    let rate = |n: usize| {
        if total == 0 {
            "–".to_string()
        } else {
            let [low, high] = share_interval(n, total, 0.95).map(percent);
            let share = percent(n as f64 / total as f64);
            format!("{share} % (95 % {low} to {high})")
        }
    };
    let [old, new] = history.count(Judgement::Pass);
    lines.push(format!("  yield            old {}", rate(old)));
    lines.push(format!("                   new {}", rate(new)));
    let changed = history.tests.iter().filter(|t| t.old != t.new).count();
    lines.push(format!(
        "\n{changed} of {total} tests would come out otherwise."
    ));
    let corrected = history.tests.iter().filter(|t| t.corrected).count();
    if corrected > 0 {
        lines.push(format!(
            "{corrected} of them count as a correction says, by whatever limits."
        ));
    }
    if history.other_design > 0 {
        lines.push(format!(
            "{} tests of another design are not judged.",
            history.other_design
        ));
    }
    let shown: Vec<_> = history
        .tests
        .iter()
        .filter(|t| all || t.old != t.new)
        .collect();
    if !shown.is_empty() {
        lines.push(format!(
            "\n  {:<20} {:>4}  {:<11} {:<11} why",
            "unit", "test", "old", "new"
        ));
    }
    for t in shown {
        let unit: String = plain(&t.unit).chars().take(20).collect();
        let mut why = plain(&t.because.join(", "));
        if why.chars().count() > 27 {
            why = format!("{}…", why.chars().take(26).collect::<String>());
        }
        let line = format!(
            "  {unit:<20} {:>4}  {:<11} {:<11} {why}",
            t.attempt,
            word(t.old),
            word(t.new)
        );
        lines.push(line.trim_end().to_string());
    }
    lines.join("\n")
}
