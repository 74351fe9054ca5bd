//! The parts of the page that are words and tables.

use crate::report::{ReportInput, number, words};
use crate::verify::result::{Effect, Finding, IntervalKind, Judged, Parameter, Result as Outcome};
use maud::{Markup, html};

/// Unit, design, dates.
pub(super) fn heading(input: &ReportInput<'_>) -> Markup {
    let result = input.result;
    html! {
        h1 { "Bass cabinet against its simulation: unit " (result.unit) }
        p { "Design: " (result.design.name) }
        p {
            @if let Some(taken) = &result.taken { "Measured " (moment(taken)) }
            @if result.taken.is_some() && !input.made.is_empty() { " · " }
            @if !input.made.is_empty() { "Report made " (input.made) }
        }
    }
}

/// `2026-03-14T10:20:00.5Z` as «2026-03-14 10:20 UTC»; anything else as it is.
pub(super) fn moment(taken: &str) -> String {
    match taken.split_once('T') {
        Some((day, time)) if time.len() >= 9 && time.is_ascii() && time.ends_with('Z') => {
            format!("{day} {} UTC", &time[..5])
        }
        _ => taken.to_owned(),
    }
}

/// The answer in big words and why.
pub(super) fn verdict(result: &Outcome) -> Markup {
    let v = result.verdict;
    html! {
        section class={ "verdict " (words::short(v)) } aria-label="Verdict" {
            p class="word" { span aria-hidden="true" { (words::sign(v)) " " } (words::long(v)) }
            p { (words::reason(result)) }
            @if let Some(first) = result.findings.first() {
                p { "Most probable cause: " (words::path(&first.path)) " ("
                    (number::probability(first.probability)) "), see " a href="#findings" { "Findings" } "." }
            }
            @if !result.warnings.is_empty() {
                p { a href="#warnings" {
                    (result.warnings.len()) @if result.warnings.len() == 1 { " warning" } @else { " warnings" }
                } " about the captures or the fit." }
            }
            @if !result.fit.converged {
                p { strong { "The fit did not converge." } " Do not rely on the parameters and findings." }
            }
        }
    }
}

/// What is doubtful, with its remedy.
pub(super) fn warnings(result: &Outcome) -> Markup {
    html! {
        @if !result.warnings.is_empty() {
            section {
                h2 id="warnings" { "Warnings" }
                div class="warnings" { ul { @for warning in &result.warnings { li { (warning) } } } }
            }
        }
    }
}

/// What in the build explains the difference.
pub(super) fn findings(result: &Outcome) -> Markup {
    html! {
        section {
            h2 id="findings" { "Findings" }
            @if result.findings.is_empty() {
                p { "No change to the build explains the measurement better than the design does." }
            } @else {
                p { "Changes to the build that explain the difference, the most probable first. The probability "
                    "compares the changes that were examined; look at the cabinet before cutting wood." }
                ol class="findings" { @for finding in &result.findings { (one(finding)) } }
            }
            @let apart = words::apart(result);
            @if !apart.is_empty() {
                p { "Measured apart from the design, and allowed by the tolerance:" }
                ul { @for text in &apart { li { (text) } } }
            }
            @if !result.not_excluded.is_empty() {
                p { "Too weak to be findings, and not excluded:" }
                ul { @for other in &result.not_excluded {
                    li { (other.text) " (" (number::probability(other.probability)) ")" }
                } }
                @if let Some(next) = &result.next { p { "To decide: " (next) "." } }
            }
        }
    }
}

fn one(finding: &Finding) -> Markup {
    html! {
        li {
            p class="what" { (finding.text) }
            dl class="pairs" {
                dt { "Part" } dd { (words::path(&finding.path)) " " code { (finding.path) } }
                dt { "Probability" } dd { (number::probability(finding.probability)) }
                @if let Some(size) = finding.size {
                    dt { "Change against the design" }
                    dd { (change(size)) @if let (Some(low), Some(high)) = (finding.low95, finding.high95) {
                        " (95\u{202f}% interval " (change(low)) " to " (change(high)) ")"
                    } }
                }
                @if !finding.effect_db.is_empty() {
                    dt { "Shows most in" } dd { (effects(&finding.effect_db)) }
                }
                @if let Some(remedy) = &finding.remedy { dt { "To do" } dd { (remedy) } }
                @for other in &finding.instead {
                    dt { "Or" } dd { (other.text) " (" (number::probability(other.probability)) ")" }
                }
                @if let Some(next) = &finding.next { dt { "To tell them apart" } dd { (next) } }
            }
        }
    }
}

/// A relative change: percent, or a factor where percent would be unwieldy.
fn change(fraction: f64) -> String {
    if fraction > 3.0 {
        format!("×\u{202f}{}", number::significant(1.0 + fraction, 2))
    } else {
        let digits = if fraction.abs() < 0.095 { 1 } else { 0 };
        format!("{}\u{202f}%", number::signed(fraction * 100.0, digits))
    }
}

/// The three largest effects.
fn effects(all: &[Effect]) -> String {
    let mut list: Vec<&Effect> = all.iter().filter(|e| e.db.is_finite()).collect();
    list.sort_by(|a, b| b.db.abs().total_cmp(&a.db.abs()));
    let words: Vec<String> = list
        .into_iter()
        .take(3)
        .map(|e| {
            format!(
                "{} at {}\u{202f}Hz ({}\u{202f}dB)",
                e.observation,
                number::band(e.center_hz),
                number::signed(e.db, 1)
            )
        })
        .collect();
    words.join(", ")
}

/// Designed and fitted values with intervals.
pub(super) fn parameters(result: &Outcome) -> Markup {
    html! {
        @if !result.parameters.is_empty() {
            section {
                h2 { "Parameters" }
                p { "Fitted to all captures together. A parameter that the captures cannot tell from another is "
                    "marked so: its value alone means little." }
                div class="scroll" { table {
                    caption { "Free parameters with their 95\u{202f}% intervals" }
                    thead { tr {
                        th scope="col" class="name" { "Parameter" }
                        th scope="col" { "Designed" }
                        th scope="col" { "Fitted" }
                        th scope="col" { "95\u{202f}% interval" }
                        th scope="col" class="name" { "Unit" }
                        th scope="col" { "Change" }
                        th scope="col" class="name" { "Told apart" }
                    } }
                    tbody { @for parameter in &result.parameters { (parameter_row(parameter)) } }
                } }
            }
        }
    }
}

fn parameter_row(p: &Parameter) -> Markup {
    let row = number::row(&p.unit, p.designed, p.fitted, p.low95, p.high95);
    let share = p.fitted / p.designed - 1.0;
    html! {
        tr {
            th scope="row" class="name" { (words::path(&p.path)) br; code { (p.path) } }
            td { (row.designed) }
            td { (row.fitted) }
            td class="whole" {
                @match (p.open_low, p.open_high) {
                    (false, false) => { (row.low) " to " (row.high) }
                    (true, false) => { "up to " (row.high) }
                    (false, true) => { "from " (row.low) " on" }
                    (true, true) => { "not limited" }
                }
                @if p.interval == IntervalKind::Profile { " (profile)" }
            }
            td class="name whole" { (row.unit) }
            td { @if share.is_finite() { (change(share)) } @else { (number::NONE) } }
            td class="name" {
                @if p.identifiable { "yes" } @else {
                    "no"
                    @if let Some(other) = &p.confounded_with { ", moves with " (words::path(other)) }
                    @if let Some(r) = p.correlation { " (correlation " (number::fixed(r, 2)) ")" }
                    @if p.among.len() > 2 {
                        "; only a combination is seen of " (p.among.iter().map(|m| words::path(m)).collect::<Vec<_>>().join(", "))
                    }
                }
            }
        }
    }
}

/// Air, takes, files.
pub(super) fn conditions(result: &Outcome) -> Markup {
    let air = result.conditions;
    let shown = |value: f64, digits: usize, unit: &str| {
        number::with_unit(&number::fixed(value, digits), unit)
    };
    html! {
        section {
            h2 { "Conditions and files" }
            dl class="pairs" {
                dt { "Temperature" } dd { (shown(air.temperature_c, 1, "°C")) }
                dt { "Static pressure" } dd { (shown(air.pressure_kpa, 1, "kPa")) }
                dt { "Relative humidity" } dd { (shown(air.humidity_pct, 0, "%")) }
                dt { "Speed of sound" } dd { (shown(air.speed_of_sound_m_per_s, 1, "m/s")) }
                @if let Some(weather) = &result.weather {
                    dt { "On a cold day" } dd { (weather.words()) }
                }
                @for near in &result.near_fields {
                    dt { "Near field " (near.probe) }
                    dd { "follows its opening within 1\u{a0}dB up to " (number::hz(near.valid_to_hz)) "\u{a0}Hz" }
                }
                @if let Some(why) = &result.no_far_field {
                    dt { "Far field" } dd { "none: " (why) }
                }
            }
            @if !result.captures.is_empty() {
                div class="scroll" { table {
                    caption { "Captures" }
                    thead { tr {
                        th scope="col" class="name" { "File" }
                        th scope="col" class="name" { "Quantity" }
                        th scope="col" class="name" { "Microphone" }
                        th scope="col" { "SNR, dB" }
                        th scope="col" { "Usable, Hz" }
                        th scope="col" { "Clock drift, ppm" }
                        th scope="col" class="name" { "Remarks" }
                    } }
                    tbody { @for c in &result.captures { tr {
                        th scope="row" class="name" { (c.file) }
                        td class="name" { (c.quantity) }
                        td class="name" { (c.probe.as_deref().unwrap_or(number::NONE)) }
                        td { (number::fixed(c.snr_db, 0)) }
                        td { (number::hz(c.usable_hz[0])) " to " (number::hz(c.usable_hz[1])) }
                        td { (number::signed(c.drift_ppm, 1)) }
                        td class="name" { (remarks(c.clipped, c.polarity)) }
                    } } }
                } }
            }
            @if !result.files.is_empty() {
                div class="scroll" { table {
                    caption { "Files that this report rests on, with their BLAKE3 digests" }
                    thead { tr {
                        th scope="col" class="name" { "File" }
                        th scope="col" class="name" { "What" }
                        th scope="col" class="name" { "Digest" }
                    } }
                    tbody { @for f in &result.files { tr {
                        th scope="row" class="name" { (f.path) }
                        td class="name" { (f.role) }
                        td class="digest" { (f.digest) }
                    } } }
                } }
            }
        }
    }
}

fn remarks(clipped: bool, polarity: i8) -> &'static str {
    match (clipped, polarity < 0) {
        (true, true) => "clipped, inverted",
        (true, false) => "clipped",
        (false, true) => "inverted",
        (false, false) => "none",
    }
}

/// How the numbers came about.
pub(super) fn computed(result: &Outcome) -> Markup {
    let fit = &result.fit;
    let judged = match result.judged {
        Judged::Designed => "as designed",
        Judged::Aligned => "after the fit",
    };
    html! {
        section {
            h2 { "How it was computed" }
            p { "Each capture is a logarithmic sweep. Deconvolution turns it into a response; the silence before "
                "the sweep, treated the same way, gives the noise at every frequency. A band counts where the "
                "response stands at least 20\u{202f}dB above that noise." }
            p { "The cabinet is simulated as a network of ducts, chambers, resistors, leaks and openings with wall "
                "losses. The free parameters are fitted to the complex responses of all captures together, with "
                "the design's tolerances as prior knowledge. What no parameter can explain is treated as a smooth "
                "error of the model, and the intervals are wider by it." }
            p { "A band's difference is measured minus simulated (" (judged) "). Its uncertainty (k\u{a0}=\u{a0}2) "
                "joins the measurement, the spread of what was not fitted, and the numerical error. «Within»: the "
                "difference is inside the tolerance even at the far end of its uncertainty; «outside»: outside it "
                "even at the near end; «unresolved»: neither can be said." }
            dl class="pairs" {
                dt { "Fit" } dd {
                    @if fit.converged { "converged" } @else { strong { "did not converge" } }
                    " after " (fit.iterations) @if fit.iterations == 1 { " iteration" } @else { " iterations" }
                    @if let Some(ended) = &fit.ended { " (" (ended) ")" }
                }
                dt { "Cost" } dd { (number::significant(fit.cost, 4)) ", " (fit.degrees_of_freedom) " degrees of freedom" }
                dt { "Time" } dd { (number::with_unit(&number::significant(fit.seconds, 2), "s")) }
                @for d in &fit.discrepancy {
                    dt { "Model error, " (d.observation) }
                    dd { (number::significant(d.sd_db, 2)) "\u{202f}dB, smooth over " (number::significant(d.length_octaves, 2)) " octaves" }
                }
            }
            @if !result.assumptions.is_empty() {
                h3 { "Counts as exact, and other assumptions" }
                ul { @for assumption in &result.assumptions { li { (assumption) } } }
            }
        }
    }
}

/// What the report does not say.
pub(super) fn cautions(result: &Outcome) -> Markup {
    let apart = result.parameters.iter().all(|p| p.identifiable);
    html! {
        section {
            h2 { "Cautions" }
            ul {
                li { "The verdict holds for this unit, these bands and these conditions." }
                li { "A finding names the best of the examined changes. A fault that no free parameter describes can "
                     "hide behind one that does." }
                li { "What counts as exact is not checked: an error there moves into the fitted parameters." }
                @if !apart {
                    li { "Some parameters are not told apart. Another microphone position or a measured dimension can "
                         "separate them." }
                }
            }
        }
    }
}

/// Program and design.
pub(super) fn footing(input: &ReportInput<'_>) -> Markup {
    let result = input.result;
    html! {
        p { (result.software) @if !result.software.is_empty() { " · " } "result format " (result.format)
            @if !result.design.digest.is_empty() { " · design " code { (result.design.digest) } } }
    }
}
