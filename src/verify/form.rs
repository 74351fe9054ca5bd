//! The numerical-and-form uncertainty of one-dimensional theory, by what is observed.
//!
//! Plane waves and mouths that move as one are not the sound field. Finite elements of a short conical horn with a
//! flanged mouth (half angle 14°) and of a duct with a side branch say by how much: the largest deviations of level are
//! the half-widths below, taken as limits of a rectangular distribution, so that the standard uncertainty is the half-width
//! over √3 (JCGM 100, 4.3.7). They grow where the mouth is no longer small against the wave.
//!
//! | observation | ka ≤ 0.45 | above, to ka 1.1 |
//! | --- | --- | --- |
//! | impedance, inside | 0.30 dB | 0.55 dB |
//! | near field of a mouth or port | 0.45 dB | 0.80 dB |
//! | far field, a point in the room | 0.13 dB | 0.55 dB |
//! | near field of a cone seen from outside | 0.17 dB | 0.17 dB |
//!
//! a: radius of the circle of the largest opening's area. The near field of a mouth reads high by nearly the whole
//! half-width, because a real mouth moves faster at its rim than in its middle. A cone moves as one; what is left for
//! it is the arithmetic: the independent time-domain unit differs by up to 0.2 dB (95 %).
//!
//! `tests/outside/finite.rs` holds the half-widths against the finite elements.

use crate::design::{Design, ProbePlace};
use crate::measure::Observation;
use std::f64::consts::{PI, TAU};

/// ka up to which a mouth is small.
pub const SMALL_KA: f64 = 0.45;

/// Half-widths of the deviation of level, dB: small mouth, larger mouth.
pub const LOAD_DB: [f64; 2] = [0.30, 0.55];
/// The same of the near field of a mouth.
pub const NEAR_DB: [f64; 2] = [0.45, 0.80];
/// The same of the far field.
pub const FAR_DB: [f64; 2] = [0.13, 0.55];
/// The same of the near field of a cone.
pub const CONE_DB: [f64; 2] = [0.17, 0.17];

/// What kind of observation it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Impedance, or a microphone inside.
    Load,
    /// Near field of an opening at the end of a channel.
    Mouth,
    /// Near field of a cone seen from outside.
    Cone,
    /// A point in the room, or the sum of near fields.
    Far,
}

/// The kind of an observation.
#[must_use]
pub fn kind(design: &Design, observation: &Observation) -> Kind {
    let Observation::Pressure { probe } = observation else {
        return Kind::Load;
    };
    let place = design.probes.iter().find(|p| p.name == *probe);
    match place.map(|p| &p.place) {
        Some(ProbePlace::Near { opening, .. }) => {
            let at = design.openings.iter().find(|o| o.name == *opening);
            if at.is_some_and(|o| is_cone(design, &o.at)) {
                Kind::Cone
            } else {
                Kind::Mouth
            }
        }
        Some(ProbePlace::Point { .. }) => Kind::Far,
        Some(ProbePlace::Inside { .. }) | None => Kind::Load,
    }
}

/// Whether an opening at a junction is a cone seen from outside: a driver's own side with nothing else there.
fn is_cone(design: &Design, junction: &str) -> bool {
    let names = |name: &String| name == junction;
    let taken = design.ducts.iter().any(|d| names(&d.from) || names(&d.to))
        || design.chambers.iter().any(|c| names(&c.at))
        || design
            .resistors
            .iter()
            .any(|r| names(&r.from) || names(&r.to));
    let mut cones = design.driver.places();
    !taken && cones.any(|(front, rear, _)| front == junction || rear == junction)
}

/// Standard uncertainty of the simulated level at a frequency, dB.
#[must_use]
pub fn uncertainty_db(design: &Design, kind: Kind, frequency_hz: f64, speed_m_per_s: f64) -> f64 {
    let largest = design
        .openings
        .iter()
        .map(|o| o.area_m2)
        .fold(0.0, f64::max);
    let ka = TAU * frequency_hz / speed_m_per_s * (largest / PI).sqrt();
    let [small, large] = match kind {
        Kind::Load => LOAD_DB,
        Kind::Mouth => NEAR_DB,
        Kind::Cone => CONE_DB,
        Kind::Far => FAR_DB,
    };
    (if ka <= SMALL_KA { small } else { large }) / 3f64.sqrt()
}
