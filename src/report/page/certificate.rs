//! The certificate of one unit: one page of A4 with verdict, curves inside limits, conditions and digests.

use super::{parts, pictures, style};
use crate::production::entry::{Entry, Judgement, Kind, Value};
use crate::production::ledger::Stored;
use crate::production::unit::parts as name_parts;
use crate::report::inspection::{limits, measured, name, verdict, word};
use crate::report::number::{fixed, probability, signed};
use crate::report::plot::{Chart, CurveLine, CurveStyle, PointMark, RangeBand, Scale};
use crate::report::words;
use crate::signal::bands::third_octaves;
use maud::{DOCTYPE, Markup, PreEscaped, html};

/// Size of a picture, user units.
const SIZE: (u32, u32) = (440, 230);
/// Pictures, rows of a table and files that one page holds.
const PICTURES: usize = 4;
const ROWS: usize = 12;
const FILES: usize = 6;

/// What sets the certificate's sheet apart from the report's.
const SHEET: &str = r"
body.sheet{max-width:190mm;padding:8mm 6mm}
.sheet .pair{display:grid;grid-template-columns:1fr 1fr;gap:.2rem 1.2rem}
.sheet figure{margin:.1rem 0;min-width:0}.sheet svg.plot{min-width:0}
.sheet h2{margin:.8rem 0 .2rem;font-size:1.02rem}
.sheet .verdict{margin:.6rem 0}.sheet table{font-size:.82rem}
.sheet th,.sheet td{padding:.08rem .4rem}
.sheet .sign{display:grid;grid-template-columns:1fr 1fr;gap:2rem;margin-top:1.4rem}
.sheet .sign p{border-top:1px solid var(--ink);padding-top:.15rem;color:var(--soft);font-size:.82rem}
@page{size:A4;margin:11mm 12mm}
@media print{html{font-size:8.6pt}body.sheet{padding:0}.sheet svg.plot{max-height:none}.sheet h2{margin-top:.7rem}
.sheet footer{margin-top:.6rem}}
";

/// What a certificate says.
#[derive(Debug, Clone, Copy)]
pub struct Certificate<'a> {
    /// The test.
    pub entry: &'a Entry,
    /// Name of the design, where it is known.
    pub design_name: Option<&'a str>,
    /// Name and signature of the limits, where they are known.
    pub limits: Option<(&'a str, &'a str)>,
    /// Station, number and digest in the log, where it is logged.
    pub place: Option<(&'a str, u64, &'a str)>,
    /// The earlier test of this serial whose recordings were judged again here.
    pub judged_before: Option<u32>,
    /// What the log says of it later, oldest first.
    pub later: &'a [&'a Stored],
}

impl Certificate<'_> {
    /// The verdict that counts: the newest that a correction states, else that of the test.
    fn counts(&self) -> Judgement {
        self.corrections()
            .map(|c| c.entry.verdict)
            .rfind(|v| *v != Judgement::None)
            .unwrap_or(self.entry.verdict)
    }

    fn corrections(&self) -> impl DoubleEndedIterator<Item = &Stored> {
        let later = self.later.iter().copied();
        later.filter(|s| s.entry.kind == Kind::Correction)
    }

    /// The head: what the page is about.
    fn title(&self) -> String {
        let unit = &self.entry.unit;
        match self.entry.kind {
            Kind::Reference => format!("Reference unit {unit}"),
            _ => format!("Test certificate: unit {unit}"),
        }
    }
}

/// The verdict in words that a customer reads, against the limits or, where an entry has none, the spec's tolerance.
fn sentence(verdict: Judgement, of: &str) -> String {
    match verdict {
        Judgement::Pass => format!("Inside {of}."),
        Judgement::Fail => format!("Outside {of}."),
        Judgement::Unresolved => format!("Neither inside nor outside {of} can be said."),
        Judgement::None => "Nothing was judged.".to_string(),
    }
}

/// The page.
#[must_use]
pub fn certificate(c: &Certificate<'_>) -> String {
    let e = c.entry;
    let limited = || {
        e.values
            .iter()
            .filter(|v| v.low.is_some() || v.high.is_some())
    };
    let inside = limited().filter(|v| v.verdict == Judgement::Pass).count();
    let counts = c.counts();
    let head = format!("Unit {}: {}", e.unit, word(counts).to_lowercase());
    let sign = verdict(counts);
    let corrected = counts != e.verdict;
    let of = match (e.kind, e.limits.is_empty()) {
        (Kind::Reference, true) => "the spec's tolerance",
        _ => "the limits",
    };
    let numbers = format!(
        "{inside} of {} limited numbers are inside.",
        limited().count()
    );
    let charts = charts(&e.values);
    let document: Markup = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (head) }
                style { (PreEscaped(style::SHEET)) (PreEscaped(SHEET)) }
            }
            body class="sheet" {
                header {
                    h1 { (c.title()) }
                    p {
                        @if let Some(name) = c.design_name { (name) " · " }
                        @if e.kind == Kind::Reference { "entered " } @else { "tested " }
                        (parts::moment(&e.at))
                        @if let Some(taken) = &e.taken { ", recorded " (parts::moment(taken)) }
                        " · operator " (e.operator)
                        @if let Some(batch) = &e.batch { " · batch " (batch) }
                        @if let Some(before) = c.judged_before {
                            " · the recordings of test " (before) ", judged again; no new test"
                        } @else if e.attempt > 1 { " · test " (e.attempt) " of this serial" }
                    }
                }
                main {
                    section class={ "verdict " (words::short(sign)) } aria-label="Verdict" {
                        p class="word" { span aria-hidden="true" { (words::sign(sign)) " " } (word(counts)) }
                        @if corrected {
                            p { strong {
                                "Corrected after the test, which said " (word(e.verdict)) ": "
                                (sentence(e.verdict, of)) " " (numbers)
                            } }
                        } @else {
                            p { (sentence(e.verdict, of)) " " (numbers) }
                        }
                        @for s in c.later { p { (later(s, e)) } }
                        @if let Some(cause) = &e.cause {
                            p { "Most probable cause: " (cause.text) " (" (probability(cause.probability)) ")." }
                        }
                        @for other in &e.also {
                            p { "And: " (other.text) " (" (probability(other.probability)) ")." }
                        }
                        @if let Some(remark) = &e.remark { p { "Remark: " (remark) } }
                    }
                    section {
                        h2 { "Level over the simulation as designed, by one-third octave, inside its limits" }
                        div class="pair" {
                            @for (stem, chart) in charts.iter().take(PICTURES) { (pictures::figure(stem, chart, SIZE, "")) }
                        }
                        @if charts.len() > PICTURES {
                            p class="note" { (charts.len() - PICTURES) " more observations are in the log." }
                        }
                    }
                    (table(e))
                    div class="pair" {
                        (conditions(c))
                        (digests(c))
                    }
                    div class="sign" { p { "Date" } p { "Signature" } }
                }
                footer { p { (e.software) ". Whiskers and ± are expanded uncertainties, k\u{a0}=\u{a0}2." } }
            }
        }
    };
    document.into_string()
}

/// One thing that the log says of this entry later.
fn later(s: &Stored, of: &Entry) -> Markup {
    let e = &s.entry;
    let entry = format!("{}, entry {}", s.station, s.number);
    let said = match e.verdict {
        Judgement::None => String::new(),
        verdict => format!(": {}", word(verdict)),
    };
    html! {
        @if e.kind == Kind::Correction {
            "Correction of " (parts::moment(&e.at)) " by " (e.operator) (said)
            @if let Some(remark) = &e.remark { ". «" (remark) "»" }
        } @else if e.at_us().ok() < of.at_us().ok() {
            "Not finished " (parts::moment(&e.at)) ", before all was stated beside the same recordings" (said)
        } @else {
            "Judged again " (parts::moment(&e.at)) " by "
            @if e.limits == of.limits { "the same" } @else { "other" }
            " limits, without a new recording" (said)
        }
        " (" (entry) ")"
    }
}

/// The numbers that are no bands, the failed ones first.
fn table(e: &Entry) -> Markup {
    let mut list: Vec<&Value> = e
        .values
        .iter()
        .filter(|v| v.low.is_some() || v.high.is_some())
        .filter(|v| !v.name.starts_with("band:"))
        .collect();
    // Of the residue the band nearest to its limit stands for all.
    let margin = |v: &Value| v.high.unwrap_or(f64::NAN) - v.value.unwrap_or(f64::INFINITY);
    let mut nearest: Vec<&Value> = Vec::new();
    for v in list.iter().filter(|v| v.name.starts_with("residue:")) {
        let of = |v: &Value| name_parts(&v.name).map(|p| p.1.to_string());
        match nearest.iter_mut().find(|n| of(n) == of(v)) {
            Some(n) if margin(v) < margin(n) => *n = v,
            Some(_) => {}
            None => nearest.push(v),
        }
    }
    list.retain(|v| !v.name.starts_with("residue:"));
    list.extend(nearest);
    let rank = |v: &Value| match v.verdict {
        Judgement::Fail => 0,
        Judgement::Unresolved => 1,
        _ => 2,
    };
    list.sort_by_key(|v| rank(v));
    let more = list.len().saturating_sub(ROWS);
    html! {
        @if !list.is_empty() {
            section {
                h2 { "Fitted parameters, noise, polarity" }
                table {
                    thead { tr {
                        th scope="col" class="name" { "What" } th scope="col" { "Measured" }
                        th scope="col" { "Limits" } th scope="col" class="name" { "Verdict" }
                    } }
                    tbody { @for v in list.iter().take(ROWS) {
                        @let sign = verdict(v.verdict);
                        tr {
                            th scope="row" class="name" { (name(v)) }
                            td { @if polar(v) { (signed(v.value.unwrap_or(f64::NAN), 0)) } @else { (measured(v)) } }
                            td { @if polar(v) { (expected(v)) } @else { (limits(v)) } }
                            td class="name" { span class={ "judged " (words::short(sign)) } {
                                (words::sign(sign)) " " (word(v.verdict).to_lowercase())
                            } }
                        }
                    } }
                }
                @if more > 0 { p class="note" { (more) " more are in the log." } }
            }
        }
    }
}

fn polar(v: &Value) -> bool {
    v.name.starts_with("polarity:")
}

/// The polarity that limits expect: they enclose it evenly.
fn expected(v: &Value) -> String {
    match (v.low, v.high) {
        (Some(low), Some(high)) => signed(0.5 * (low + high), 0),
        _ => limits(v),
    }
}

fn conditions(c: &Certificate<'_>) -> Markup {
    let e = c.entry;
    html! {
        section {
            h2 { "Conditions" }
            dl class="pairs" {
                @if let Some(air) = e.conditions {
                    dt { "Air" }
                    dd { (fixed(air.temperature_c, 1)) " °C, " (fixed(air.pressure_kpa, 1)) " kPa, " (fixed(air.humidity_pct, 0)) " %" }
                }
                @if let Some((name, signature)) = c.limits {
                    dt { "Limits" } dd { (name) ", " (signature) }
                }
                @if let Some((station, number, _)) = c.place {
                    dt { "Log" } dd { (station) ", entry " (number) }
                }
                @if let Some(bench) = &e.bench {
                    dt { "Station" } dd { "oldest calibration " (fixed(bench.oldest_days, 0)) " days" }
                }
            }
        }
    }
}

fn digests(c: &Certificate<'_>) -> Markup {
    let e = c.entry;
    let short = |d: &str| d.chars().take(24).collect::<String>();
    html! {
        section {
            h2 { "Digests (BLAKE3, first 24 digits)" }
            table { tbody {
                @if let Some((_, _, digest)) = c.place { tr { th class="name" { "entry" } td class="digest" { (short(digest)) } } }
                @if !e.limits.is_empty() { tr { th class="name" { "limits" } td class="digest" { (short(&e.limits)) } } }
                tr { th class="name" { "design" } td class="digest" { (short(&e.design)) } }
                @for f in e.files.iter().take(FILES) {
                    tr { th class="name" { (f.name) } td class="digest" { (short(&f.digest)) } }
                }
            } }
            @if e.files.len() > FILES { p class="note" { (e.files.len() - FILES) " more files are in the log." } }
        }
    }
}

/// A picture per observation that has bands.
fn charts(values: &[Value]) -> Vec<(String, Chart)> {
    let mut list: Vec<(&str, Vec<(f64, &Value)>)> = Vec::new();
    for v in values {
        let Some(("band", observation, Some(center))) = name_parts(&v.name) else {
            continue;
        };
        match list.iter_mut().find(|(name, _)| *name == observation) {
            Some((_, bands)) => bands.push((center, v)),
            None => list.push((observation, vec![(center, v)])),
        }
    }
    list.iter_mut()
        .enumerate()
        .map(|(n, (observation, bands))| {
            bands.sort_by(|a, b| a.0.total_cmp(&b.0));
            (format!("limits-{n}"), chart(observation, bands))
        })
        .collect()
}

fn chart(observation: &str, bands: &[(f64, &Value)]) -> Chart {
    let edges = |center: f64| {
        let band = third_octaves(center * 0.99, center * 1.01);
        band.first()
            .map_or([center; 2], |b| [b.low_hz * 1.0001, b.high_hz * 0.9999])
    };
    let ends = [bands.first(), bands.last()].map(|b| b.map_or([10.0, 100.0], |b| edges(b.0)));
    let mut chart = Chart::over_frequency(
        observation,
        "dB over the design",
        Scale::Linear,
        [ends[0][0], ends[1][1]],
    );
    let mut corridor = RangeBand {
        label: "limits".to_string(),
        x: Vec::new(),
        low: Vec::new(),
        high: Vec::new(),
    };
    for (center, v) in bands {
        if let (Some(low), Some(high)) = (v.low, v.high) {
            for edge in edges(*center) {
                corridor.x.push(edge);
                corridor.low.push(low);
                corridor.high.push(high);
            }
        }
    }
    if !corridor.x.is_empty() {
        chart.bands.push(corridor);
    }
    chart.curves.push(CurveLine {
        label: "measured".to_string(),
        x: bands.iter().map(|b| b.0).collect(),
        y: bands
            .iter()
            .map(|b| b.1.value.unwrap_or(f64::NAN))
            .collect(),
        style: CurveStyle::Measured,
    });
    chart.points = bands
        .iter()
        .filter_map(|(center, v)| {
            Some(PointMark {
                x: *center,
                y: v.value?,
                reach: v.uncertainty().unwrap_or(f64::NAN),
                verdict: verdict(v.verdict),
            })
        })
        .collect();
    let words: Vec<String> = bands
        .iter()
        .map(|(center, v)| format!("{center} Hz {} ({})", measured(v), limits(v)))
        .collect();
    chart.description = format!("{observation}: {}.", words.join("; "));
    chart
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::production::inspect::Logged;
    use crate::report::inspection::tests::example;

    fn page(verdict: Judgement) -> String {
        page_of(&entry(verdict), None, &[])
    }

    fn page_of(entry: &Entry, judged_before: Option<u32>, later: &[&Stored]) -> String {
        certificate(&Certificate {
            entry,
            design_name: Some("Dome bass unit"),
            limits: Some(("Dome bass unit, 2026", "signed by QA-7 on 2026-03-14")),
            place: Some(("station-1", 17, &"ef".repeat(32))),
            judged_before,
            later,
        })
    }

    fn entry(verdict: Judgement) -> Entry {
        let mut inspection = example(verdict);
        inspection.unit = "<b>&\"DB-1".to_string();
        inspection.entry(&Logged {
            at: "2026-03-14T10:20:00Z",
            operator: "OP-3",
            batch: Some("B7"),
            attempt: 2,
            kind: Kind::Inspection,
            bench: None,
            remark: None,
            rehearsed: None,
        })
    }

    fn stored(kind: Kind, verdict: Judgement, remark: &str) -> Stored {
        Stored {
            station: "office".to_string(),
            number: 3,
            previous: String::new(),
            digest: "cd".repeat(32),
            entry: Entry {
                verdict,
                remark: Some(remark.to_string()),
                ..Entry::blank(kind, "2026-03-15T08:00:00.25Z", "OP-9")
            },
        }
    }

    /// The verdict in big letters is the one that counts, and what the test said stands beside it.
    #[test]
    fn a_correction_counts_and_a_second_judgement_is_no_test() {
        let test = entry(Judgement::Pass);
        let wrong = stored(Kind::Correction, Judgement::Fail, "the seam <was> open");
        let mute = stored(Kind::Correction, Judgement::None, "batch is B8");
        let mut again = stored(Kind::Inspection, Judgement::Unresolved, "");
        let mut same = again.clone();
        same.entry.limits.clone_from(&test.limits);
        again.entry.limits = "99".repeat(32);
        let page = page_of(&test, None, &[&wrong, &mute, &again, &same]);
        assert!(page.contains("</span>FAIL"), "{page}");
        for wanted in [
            "Corrected after the test, which said PASS",
            "Correction of 2026-03-15 08:00 UTC by OP-9: FAIL. «the seam &lt;was&gt; open» (office, entry 3)",
            "by OP-9. «batch is B8»",
            "by other limits, without a new recording: CANNOT TELL",
            "by the same limits, without a new recording: CANNOT TELL",
        ] {
            assert!(page.contains(wanted), "«{wanted}» is missing");
        }
        let page = page_of(&test, Some(1), &[]);
        assert!(page.contains("the recordings of test 1, judged again; no new test"));
        assert!(!page.contains("test 2 of this serial") && page.contains("</span>PASS"));
    }

    /// A unit that was entered without a test here is not said to have been tested here.
    #[test]
    fn a_reference_is_no_test() {
        let reference = Entry {
            kind: Kind::Reference,
            limits: String::new(),
            ..entry(Judgement::Pass)
        };
        let page = page_of(&reference, None, &[]);
        assert!(page.contains("Reference unit ") && page.contains("entered 2026-03-14"));
        assert!(
            page.contains("Inside the spec's tolerance.")
                || page.contains("Inside the spec&#39;s tolerance.")
        );
        assert!(!page.contains("Test certificate") && !page.contains("tested "));
    }

    #[test]
    fn everything_stands_on_it() {
        let page = page(Judgement::Fail);
        for wanted in [
            "FAIL",
            "batch B7",
            "test 2 of this serial",
            "2026-03-14 10:20 UTC",
            "entry 17",
            "OP-3",
            "signed by QA-7",
            "0.42 mm wide",
            "17.5 °C",
            "efefefefefef",
            "up to −48.00",
            "size:A4",
        ] {
            assert!(page.contains(wanted), "«{wanted}» is missing");
        }
        assert!(page.contains("&lt;b&gt;") && !page.contains("<b>"));
        let bare = page.replace("http://www.w3.org/2000/svg", "");
        for outside in ["http://", "https://", "<script", "src=", "url("] {
            assert!(!bare.contains(outside), "{outside}");
        }
        assert!(!page.contains("NaN"));
        assert!(page_of_nothing().contains("CANNOT TELL"));
    }

    fn page_of_nothing() -> String {
        let entry: Entry = serde_json::from_str(
            r#"{"format":"bassay-entry/1","kind":"inspection","at":"x","operator":"","unit":"","attempt":1,"verdict":"none","limits":"","design":"","software":"","values":[]}"#,
        )
        .unwrap();
        certificate(&Certificate {
            entry: &entry,
            design_name: None,
            limits: None,
            place: None,
            judged_before: None,
            later: &[],
        })
    }
}
