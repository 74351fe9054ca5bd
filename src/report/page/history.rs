//! The log looked back at, as one HTML file: yields, causes, and a chart of every number that was asked for.

use super::{pictures, whole};
use crate::production::pareto::Pareto;
use crate::production::trend::Trend;
use crate::production::yields::{Group, Yields};
use crate::report::number::probability;
use crate::report::{pareto, trend, words, yields};
use maud::{Markup, PreEscaped, html};

/// Size of a picture, user units.
const SIZE: (u32, u32) = (860, 300);

/// Everything that the page shows.
#[derive(Debug, Clone, Copy)]
pub struct History<'a> {
    /// Which entries, in words.
    pub what: &'a str,
    /// What must be known of virtual units among them, in words.
    pub note: Option<&'a str>,
    /// Yields.
    pub yields: &'a Yields,
    /// Causes.
    pub pareto: &'a Pareto,
    /// Charts.
    pub trends: &'a [Trend],
    /// When the page was made; empty: left out.
    pub made: &'a str,
}

/// The page.
#[must_use]
pub fn history_page(history: &History<'_>) -> String {
    let head = "Production log: yields, causes, trends";
    let body = html! {
        header {
            h1 { (head) }
            p { (history.what) @if let Some(note) = history.note { "; " (note) } @if !history.made.is_empty() { " · made " (history.made) } }
        }
        main {
            (glance(history))
            (yield_part(history.yields))
            (cause_part(history.pareto))
            @for (n, one) in history.trends.iter().enumerate() { (trend_part(n, one)) }
        }
        footer { p class="note" { "bassay " (env!("CARGO_PKG_VERSION")) } }
    };
    whole(head, &body)
}

fn judged(t: &Trend) -> Markup {
    let verdict = trend::verdict(t.state);
    html! {
        span class={ "judged " (words::short(verdict)) } {
            span aria-hidden="true" { (words::sign(verdict)) " " } (trend::word(t.state))
        }
    }
}

fn glance(history: &History<'_>) -> Markup {
    html! {
        section {
            h2 { "At a glance" }
            dl class="pairs" {
                @if let Some(all) = &history.yields.all {
                    dt { "Units tested" } dd { (all.tested) }
                    dt { "Passed at the first test" } dd { (yields::share(&all.first)) " %" }
                    dt { "Passed at the last test" } dd { (yields::share(&all.last)) " %" }
                }
                @if let Some(first) = history.pareto.causes.first() {
                    dt { "Most frequent cause" } dd { (pareto::name(first)) ", " (first.units) " of " (history.pareto.failed) " failed units" }
                }
                @for (n, t) in history.trends.iter().enumerate() {
                    dt { a href={ "#trend-" (n) } { (trend::heading(t)) } } dd { (judged(t)) }
                }
            }
        }
    }
}

/// A picture that is SVG already.
fn drawn(svg: String) -> Markup {
    html! { figure { div class="scroll" { (PreEscaped(svg)) } } }
}

fn yield_part(all: &Yields) -> Markup {
    html! {
        section {
            h2 { "Yields" }
            @if all.all.is_none() { p { "No unit was tested." } } @else {
                (drawn(yields::sheet(all).svg()))
                @for (kind, groups) in yields::kinds(all) { @if !groups.is_empty() { (yield_table(kind, groups)) } }
            }
        }
    }
}

fn yield_table(kind: &str, groups: &[Group]) -> Markup {
    html! {
        div class="scroll" { table {
            caption { "Units by " (kind) ": share that passed in %, with its 95 % interval" }
            thead { tr {
                th scope="col" class="name" { (kind) }
                th scope="col" { "tested" } th scope="col" { "failed" } th scope="col" { "undecided" }
                th scope="col" { "first test" } th scope="col" { "last test" }
            } }
            tbody { @for g in groups { tr {
                th scope="row" class="name" { (yields::name(g)) }
                td { (g.tested) } td { (g.failed) } td { (g.unresolved) }
                td { (yields::share(&g.first)) } td { (yields::share(&g.last)) }
            } } }
        } }
    }
}

fn cause_part(all: &Pareto) -> Markup {
    html! {
        section {
            h2 { "Causes" }
            @if all.causes.is_empty() { p { "No unit failed." } } @else {
                (drawn(pareto::bars(all).svg()))
                div class="scroll" { table {
                    caption { "Causes of " (all.failed) " failed units of " (all.tested) "; each unit counts once, by its first test" }
                    thead { tr {
                        th scope="col" class="name" { "cause" } th scope="col" { "units" }
                        th scope="col" { "share, % (95 %)" } th scope="col" { "mean probability" }
                        th scope="col" class="name" { "batches" }
                    } }
                    tbody { @for c in &all.causes { tr {
                        th scope="row" class="name" { (pareto::name(c)) }
                        td { (c.units) @if let Some(beside) = pareto::beside(c) { " (" (beside) ")" } } td { (pareto::share(c)) }
                        td { (c.probability.map_or("–".to_owned(), probability)) }
                        td class="name" { (pareto::batches(c)) }
                    } } }
                } }
            }
        }
    }
}

fn trend_part(n: usize, t: &Trend) -> Markup {
    let scale = trend::scale(t);
    html! {
        section {
            h2 id={ "trend-" (n) } { (trend::heading(t)) }
            p { (judged(t)) }
            ul { @for sentence in trend::sentences(t) { li { (sentence) } } }
            @for (stem, chart) in trend::charts(t) { (pictures::figure(&format!("trend-{n}-{stem}"), &chart, SIZE, "")) }
            @if !t.series.points.is_empty() {
                details {
                    summary { "Numbers of these pictures" }
                    div class="scroll" { table {
                        caption { "Values, oldest first" }
                        thead { tr {
                            th scope="col" { "no." } th scope="col" class="name" { "time" } th scope="col" class="name" { "unit" }
                            th scope="col" { "value" } th scope="col" { "average" }
                        } }
                        tbody { @for (i, p) in t.series.points.iter().enumerate() { tr {
                            th scope="row" { (i + 1) }
                            td class="name" { (p.at) } td class="name" { (p.unit) }
                            td { (trend::shown(&scale, p)) }
                            td { @if let Some(a) = i.checked_sub(t.baseline).and_then(|k| t.averages.get(k)) { (scale.show(a.value)) } }
                        } } }
                    } }
                }
            }
        }
    }
}
