//! Odd places: openings that overlap or leave the plane, probes where no microphone can stand.

use super::{Ends, List, SAME_AREA, WarningKind, short};
use crate::design::{Design, Flange, Opening, OpeningShape, ProbePlace, Space};
use std::f64::consts::PI;

/// Radius of the circle of an opening's area, m.
fn radius_m(opening: &Opening) -> f64 {
    (opening.area_m2 / PI).sqrt()
}

fn distance_m(a: [f64; 3], b: [f64; 3]) -> f64 {
    a.iter()
        .zip(&b)
        .map(|(x, y)| (x - y) * (x - y))
        .sum::<f64>()
        .sqrt()
}

pub(super) fn openings(design: &Design, ends: &Ends<'_>, list: &mut List) {
    for (i, opening) in design.openings.iter().enumerate() {
        let subject = format!("opening.{}", opening.name);
        if design.space != Space::Full && opening.flange == Flange::None {
            list.push(
                WarningKind::Flange,
                subject.clone(),
                "it has no flange, and the space has a plane that holds the openings",
                "use flange = \"infinite\", or space = \"full\" for a cabinet far from all walls",
            );
        }
        if let Some(first) = design.openings.first()
            && design.space != Space::Full
            && opening.position_m[0] != first.position_m[0]
        {
            list.push(
                WarningKind::OpeningPlace,
                subject.clone(),
                format!(
                    "it lies at x = {} m, opening {} at x = {} m; the space has one plane for all",
                    short(opening.position_m[0]),
                    first.name,
                    short(first.position_m[0])
                ),
                "give all openings the same x, or use space = \"full\"",
            );
        }
        if let OpeningShape::Rectangular { width_m, height_m } = opening.shape
            && width_m.max(height_m) > 20.0 * width_m.min(height_m)
        {
            list.push(
                WarningKind::UnlikelySize,
                subject.clone(),
                format!("it is {} m by {} m", short(width_m), short(height_m)),
                "check the shape; the radiation of a very long slot is less exact",
            );
        }
        // Pairs are few; a design with very many openings is not worth a second's wait.
        for other in design.openings[i + 1..].iter().take(100) {
            let apart = distance_m(opening.position_m, other.position_m);
            if apart < 0.9 * radius_m(opening).max(radius_m(other)) {
                list.push(
                    WarningKind::OpeningPlace,
                    subject.clone(),
                    format!(
                        "it is {} m from opening {}, closer than they are large",
                        short(apart),
                        other.name
                    ),
                    "check position_m: the centres of openings",
                );
            }
        }
        let behind = ends.get(opening.at.as_str()).map(Vec::as_slice);
        if let Some([(duct, area_m2)]) = behind
            && (opening.area_m2 - area_m2).abs() > SAME_AREA * area_m2
        {
            list.push(
                WarningKind::OpeningArea,
                subject,
                format!(
                    "its area is {} m², that of duct {} behind it {} m²",
                    short(opening.area_m2),
                    duct.name,
                    short(*area_m2)
                ),
                "correct one of the areas, or leave it so for a mouth with a grille or a lip",
            );
        }
    }
}

pub(super) fn probes(design: &Design, list: &mut List) {
    let plane_m = design.openings.first().map(|o| o.position_m[0]);
    for probe in &design.probes {
        let subject = format!("probe.{}", probe.name);
        match &probe.place {
            ProbePlace::Near {
                opening,
                distance_m,
            } => {
                let found = design.openings.iter().find(|o| o.name == *opening);
                if let Some(opening) = found.filter(|o| *distance_m > 2.0 * radius_m(o)) {
                    list.push(
                        WarningKind::ProbePlace,
                        subject,
                        format!(
                            "it is {} m ahead of opening {}, whose radius is {} m: that is no near field",
                            short(*distance_m),
                            opening.name,
                            short(radius_m(opening))
                        ),
                        "go closer, to a tenth of the radius or less, or use position_m",
                    );
                }
            }
            ProbePlace::Point { position_m } => {
                if design.space != Space::Full && plane_m.is_some_and(|x| position_m[0] < x) {
                    list.push(
                        WarningKind::ProbePlace,
                        subject.clone(),
                        format!("it is at x = {} m, behind the plane", short(position_m[0])),
                        "openings look along +x: a microphone has a larger x",
                    );
                }
                let near = design
                    .openings
                    .iter()
                    .find(|o| distance_m(o.position_m, *position_m) < radius_m(o));
                if let Some(opening) = near {
                    list.push(
                        WarningKind::ProbePlace,
                        subject,
                        format!(
                            "it is {} m from opening {}, in its near field",
                            short(distance_m(opening.position_m, *position_m)),
                            opening.name
                        ),
                        format!("use near = \"{}\" with distance_m", opening.name),
                    );
                }
            }
            ProbePlace::Inside { .. } => {}
        }
    }
}
