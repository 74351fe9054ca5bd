//! Which captures a design asks for, and where the microphone goes for each.

use crate::design::captures::{Capture, CaptureKind, CaptureSet};
use crate::design::{Design, OpeningShape, Probe, ProbePlace};

/// What is captured.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum What {
    /// The driving-point impedance, by the jig.
    Impedance,
    /// The sound pressure at a probe.
    Probe(String),
}

impl What {
    /// `impedance` or the probe's name.
    #[must_use]
    pub fn label(&self) -> &str {
        match self {
            Self::Impedance => "impedance",
            Self::Probe(name) => name,
        }
    }

    /// By its label.
    #[must_use]
    pub fn of(label: &str) -> Self {
        match label {
            "impedance" => Self::Impedance,
            probe => Self::Probe(probe.to_string()),
        }
    }
}

/// All captures that a design asks for, in the order in which the bench is rebuilt least: the jig first, then near fields,
/// inside, room.
#[must_use]
pub fn wanted(design: &Design) -> Vec<What> {
    let order = |p: &Probe| match p.place {
        ProbePlace::Near { .. } => 0,
        ProbePlace::Inside { .. } => 1,
        ProbePlace::Point { .. } => 2,
    };
    let mut probes: Vec<&Probe> = design.probes.iter().collect();
    probes.sort_by_key(|p| order(p));
    let mut list = vec![What::Impedance];
    list.extend(probes.iter().map(|p| What::Probe(p.name.clone())));
    list
}

/// The capture of this that a set holds already.
#[must_use]
pub fn held<'a>(set: &'a CaptureSet, what: &What) -> Option<&'a Capture> {
    set.captures.iter().find(|c| match (&c.kind, what) {
        (CaptureKind::Impedance { .. }, What::Impedance) => true,
        (CaptureKind::Pressure { probe, .. }, What::Probe(name)) => probe == name,
        _ => false,
    })
}

/// What the operator has to do before a capture, in workshop words.
#[must_use]
pub fn instruction(design: &Design, what: &What) -> String {
    let What::Probe(name) = what else {
        return "Connect the loudspeaker through the impedance jig: source input ahead of\n\
                the reference resistor, load input across the loudspeaker's terminals.\n\
                Keep people and things away from the mouth."
            .to_string();
    };
    let place = design.probes.iter().find(|p| p.name == *name);
    let where_to =
        match place.map(|p| &p.place) {
            Some(ProbePlace::Near {
                opening,
                distance_m,
            }) => {
                let size = design.openings.iter().find(|o| o.name == *opening).map_or(
                    String::new(),
                    |o| match o.shape {
                        OpeningShape::Rectangular { width_m, height_m } => {
                            format!(" ({:.0} x {:.0} mm)", 1e3 * width_m, 1e3 * height_m)
                        }
                        OpeningShape::Round => {
                            let diameter = 2.0 * (o.area_m2 / std::f64::consts::PI).sqrt();
                            format!(" (round, {:.0} mm)", 1e3 * diameter)
                        }
                    },
                );
                let depth = if *distance_m == 0.0 {
                    "in its plane".to_string()
                } else {
                    format!("{:.0} mm in front of its plane", 1e3 * distance_m)
                };
                format!("Put the microphone on the axis of «{opening}»{size}, {depth}.")
            }
            Some(ProbePlace::Inside { junction }) => format!(
                "Put the microphone inside the cabinet, at «{junction}», and seal its hole:\n\
             an open hole is a leak."
            ),
            Some(ProbePlace::Point {
                position_m: [x, y, z],
            }) => format!(
                "Put the microphone at x {x:.2} m, y {y:.2} m, z {z:.2} m (x outwards from\n\
             the openings' plane, as in the design)."
            ),
            None => format!("Put the microphone at «{name}»."),
        };
    format!(
        "{where_to}\nConnect the amplifier straight to the loudspeaker, and the loop-back of its\n\
         voltage, through the divider, to the reference input."
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::path::Path;

    #[test]
    fn the_jig_comes_first_and_the_room_last() {
        let design = crate::design::read::read(Path::new("tests/designs/dome.toml")).unwrap();
        let labels: Vec<String> = wanted(&design)
            .iter()
            .map(|w| w.label().to_string())
            .collect();
        assert_eq!(
            labels,
            ["impedance", "mouth-near", "box-inside", "floor-2m"]
        );
    }

    #[test]
    fn the_instruction_says_where_and_fits_the_terminal() {
        let design = crate::design::read::read(Path::new("tests/designs/dome.toml")).unwrap();
        for what in wanted(&design) {
            let text = instruction(&design, &what);
            assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");
        }
        let text = instruction(&design, &What::of("mouth-near"));
        assert!(
            text.contains("«mouth» (400 x 300 mm), in its plane"),
            "{text}"
        );
    }
}
