//! Leaks that the design has not: one at each junction from which air can reach the outside through a seam.
//!
//! They stand in the network at a resistance that passes nothing, so that their derivative exists; the search gives them
//! a real one where the evidence asks for it.

use crate::design::path::{Element, Parameter};
use crate::design::{CLOSED, Design, Leak, LeakForm, OUTSIDE};

/// Resistance of a leak that is not there, Pa·s/m³: ten decades above a seam that could be seen.
pub const ABSENT_PA_S_PER_M3: f64 = 1e15;
/// Resistance of a leak as builds have them, Pa·s/m³: by [`slot_gap_mm`] a slot 0.35 mm wide («common practice, no published source»; its order of magnitude is what matters).
pub const USUAL_PA_S_PER_M3: f64 = 3e5;

/// Gap (mm) of the slot that leaks like this resistance (Pa·s/m³): 300 mm long, through an 18 mm board, in air of 20 °C;
/// R = 12μ·depth/(length·gap³), plane viscous flow.
#[must_use]
pub fn slot_gap_mm(resistance_pa_s_per_m3: f64) -> f64 {
    (12.0 * 1.82e-5 * 0.018 / (0.3 * resistance_pa_s_per_m3)).cbrt() * 1e3
}

/// Name of a possible leak at a junction.
#[must_use]
pub fn name_at(junction: &str) -> String {
    format!("at-{junction}")
}

/// Name of a possible leak past the driver's gasket.
pub const PAST_DRIVER: &str = "past-driver";

/// The design with a leak at each junction that has neither a leak nor an opening to the outside, and one past the
/// driver's gasket.
#[must_use]
pub fn with_possible_leaks(design: &Design) -> Design {
    let mut extended = design.clone();
    for junction in junctions(design) {
        let open = design.openings.iter().any(|o| o.at == junction)
            || design.leaks.iter().any(|l| {
                (l.at == junction && l.to == OUTSIDE) || (l.to == junction && l.at == OUTSIDE)
            });
        if !open {
            extended.leaks.push(Leak {
                name: name_at(&junction),
                at: junction,
                to: OUTSIDE.to_string(),
                form: LeakForm::Resistance(ABSENT_PA_S_PER_M3),
            });
        }
    }
    let [front, rear] = [&design.driver.front, &design.driver.rear];
    let both = [front, rear].map(|j| j != OUTSIDE && j != CLOSED);
    let tied = design
        .leaks
        .iter()
        .any(|l| (&l.at == front && &l.to == rear) || (&l.at == rear && &l.to == front));
    if both == [true, true] && front != rear && !tied {
        extended.leaks.push(Leak {
            name: PAST_DRIVER.to_string(),
            at: front.clone(),
            to: rear.clone(),
            form: LeakForm::Resistance(ABSENT_PA_S_PER_M3),
        });
    }
    extended
}

/// Whether a parameter is that of a possible leak.
#[must_use]
pub fn is_one(design: &Design, parameter: Parameter) -> bool {
    match parameter.element {
        Element::Leak(i) => design.leaks[i].form == LeakForm::Resistance(ABSENT_PA_S_PER_M3),
        _ => false,
    }
}

/// Junctions in the order in which the design names them, the reserved ones left out.
fn junctions(design: &Design) -> Vec<String> {
    let mut list: Vec<&String> = Vec::new();
    list.extend(design.chambers.iter().map(|c| &c.at));
    for d in &design.ducts {
        list.extend([&d.from, &d.to]);
    }
    for r in &design.resistors {
        list.extend([&r.from, &r.to]);
    }
    list.extend([&design.driver.front, &design.driver.rear]);
    let mut named: Vec<String> = Vec::new();
    for junction in list {
        if junction != OUTSIDE && junction != CLOSED && !named.contains(junction) {
            named.push(junction.clone());
        }
    }
    named
}
