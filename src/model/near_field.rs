//! From microphones close to openings to the far field.
//!
//! ```text
//! p_i = Σ_j W_ij·U_j        W_ij: pressure at the microphone near opening i per volume velocity of opening j
//! p(r) = Σ_j Z(r_j)·U_j     Z(r) = jωρ·e^(−jkr)/(Ωr) with every image
//! ```
//!
//! Solving the first for U takes out what each microphone hears of the other openings; with one circular opening
//! and the microphone in its plane this is Keele's p(r) = p_near·a/(2r) at low frequency, and for several openings the
//! complex sum of the near fields, each weighted by the root of its area (Keele 1974, JAES 22:154). A reading follows
//! the volume velocity within 1 dB up to the frequency of [`limit_hz`]: for a circle and no distance ka = 1.64, where
//! sin(ka/2)/(ka/2) is 0.891. Above it the cone or the mouth no longer moves as one anyway.

use super::network::Network;
use super::openings::invert;
use super::radiation::Axis;
use super::tone::Tone;
use crate::design::ProbePlace;
use num_complex::Complex64;
use std::f64::consts::TAU;

/// How far a reading may fall behind the volume velocity: 1 dB.
const ONE_DB: f64 = 0.891_250_938_133_745_5;
/// Frequencies between which the limit is looked for, Hz.
const RANGE_HZ: [f64; 2] = [1.0, 20_000.0];

/// Highest frequency, Hz, up to which the pressure on the axis of an opening is in proportion to ω·U within 1 dB.
#[must_use]
pub fn limit_hz(axis: &Axis, speed_m_per_s: f64) -> f64 {
    let per_k = |f: f64| {
        let k = TAU * f / speed_m_per_s;
        axis.pressure(k).value.norm() / k
    };
    let slow = per_k(1e-3);
    let follows = |f: f64| per_k(f) >= ONE_DB * slow;
    let [mut low, mut high] = RANGE_HZ;
    if follows(high) {
        return high;
    }
    // The reading falls steadily up to its first zero, which lies at more than twice the limit.
    for _ in 0..60 {
        let middle = (low * high).sqrt();
        if follows(middle) {
            low = middle;
        } else {
            high = middle;
        }
    }
    low
}

/// The near-field probes of a design, one for each opening: the nearest to it.
///
/// `None` for an opening that no probe stands at.
#[must_use]
pub fn probes(network: &Network) -> Vec<Option<usize>> {
    let design = network.design();
    design
        .openings
        .iter()
        .map(|o| {
            let near = |i: &usize| match &design.probes[*i].place {
                ProbePlace::Near {
                    opening,
                    distance_m,
                } if *opening == o.name => Some(*distance_m),
                _ => None,
            };
            (0..design.probes.len())
                .filter(|i| near(i).is_some())
                .min_by(|a, b| near(a).unwrap_or(0.0).total_cmp(&near(b).unwrap_or(0.0)))
        })
        .collect()
}

/// Share of each near-field pressure in the pressure at a point: p(r) = Σ_i share_i·p_i.
///
/// `probes` holds one near-field probe for each opening. `None` where the readings do not tell the openings apart.
#[must_use]
pub fn shares(
    network: &Network,
    probes: &[usize],
    position_m: [f64; 3],
    frequency_hz: f64,
) -> Option<Vec<Complex64>> {
    let at = Tone::new(network.air(), TAU * frequency_hz);
    let n = probes.len();
    let unit = |j: usize| {
        let mut flow = vec![Complex64::new(0.0, 0.0); n];
        flow[j] = Complex64::new(1.0, 0.0);
        flow
    };
    // shareᵀ = Zᵀ·W⁻¹.
    let mut inverse: Vec<Complex64> = probes
        .iter()
        .flat_map(|&i| (0..n).map(move |j| (i, j)))
        .map(|(i, j)| network.probe_weight(i, j, &at))
        .collect();
    invert(&mut inverse, n);
    let far: Vec<Complex64> = (0..n)
        .map(|j| network.point_of_flow(position_m, &at, &unit(j)))
        .collect();
    let shares: Vec<Complex64> = (0..n)
        .map(|i| (0..n).map(|j| far[j] * inverse[j * n + i]).sum())
        .collect();
    shares.iter().all(|x| x.is_finite()).then_some(shares)
}
