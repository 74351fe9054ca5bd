//! The calibration of damping resistors as one HTML file.

use super::{pictures, whole};
use crate::damping::{Damping, Resistor};
use crate::report::damping::{
    charts, designed_and_wanted, reach, resistance, ripple_words, verdict,
};
use crate::report::number::significant;
use maud::{Markup, html};

/// Size of a picture, user units.
const SIZE: (u32, u32) = (820, 420);

/// The page.
#[must_use]
pub fn damping_page(damping: &Damping) -> String {
    let head = format!("Unit {}: damping resistors", damping.unit);
    let body = html! {
        header {
            h1 { (head) }
            p { "Design «" (damping.design) "». Target: " (damping.target) "." }
        }
        main {
            (table(damping))
            @if let Some(text) = ripple_words(damping) { p { (text) } }
            @if !damping.warnings.is_empty() {
                section class="warnings" { ul { @for w in &damping.warnings { li { (w) } } } }
            }
            @for r in &damping.resistors { (one(r)) }
            section {
                h2 { "Response for other resistances" }
                p class="note" {
                    "The aligned model at " (damping.place) ", resistances times what they are in place. "
                    "In brackets the ripple: rms off a straight line in the target band."
                }
                @for (stem, chart) in charts(damping) { (pictures::figure(&stem, &chart, SIZE, "")) }
            }
            section {
                h2 { "Before you open the cabinet" }
                p {
                    "Wear mask and gloves when you cut or handle fibres. Switch the amplifier off and take its "
                    "leads away. Local codes and licensed practice go first."
                }
            }
        }
        footer { p class="note" { "bassay " (env!("CARGO_PKG_VERSION")) } }
    };
    whole(&head, &body)
}

fn table(damping: &Damping) -> Markup {
    html! {
        section {
            h2 { "At a glance" }
            div class="scroll" {
                table {
                    thead { tr {
                        th { "resistor" } th { "unit" } th { "designed" } th { "in place (95 %)" } th { "wanted" } th { "to do" }
                    } }
                    tbody { @for r in &damping.resistors {
                        @let (value, unit) = resistance(r);
                        @let (designed, wanted) = designed_and_wanted(r);
                        tr {
                            td { (r.in_place.name) }
                            td { (unit) }
                            td { (significant(designed, 3)) }
                            td { (value) }
                            td { (wanted.map_or("–".to_string(), |w| significant(w, 3))) }
                            td { (r.verdict.map_or("–", verdict)) }
                        }
                    } }
                }
            }
        }
    }
}

fn one(r: &Resistor) -> Markup {
    html! {
        section {
            h3 { (r.in_place.name) }
            p { (r.advice) "." }
            @if !r.recipes.is_empty() {
                ol { @for recipe in &r.recipes { li { (recipe.text) } } }
            }
            p class="note" {
                "Acoustic resistance " (reach(&r.in_place.resistance_pa_s_per_m3)) " Pa·s/m³. Level: " (r.linearity) "."
                @if let Some(v) = r.in_place.velocity_m_per_s {
                    " The value belongs to a peak particle velocity of " (significant(v, 2)) " m/s."
                }
            }
        }
    }
}
