//! Impedance from the two-channel jig: a generator, a reference resistor R, the loudspeaker.
//!
//! ```text
//! H = load/source (after the gain ratio)     Z = R·H/(1 − H) − lead
//! dZ/Z_total = dH/(H·(1 − H))
//! u_rel² = u_R² + (u_g·|1 + Z/R|)² + (u_lead/|Z|)²   calibration: resistor, gain match, leads
//! ```
//!
//! The error grows where |Z| and R differ much: 1/(1 − H) = 1 + Z/R.

use num_complex::Complex64;

/// Relative standard uncertainty of a 1 % reference resistor (rectangular, 1 %/√3): common practice, no published
/// source.
pub const RESISTOR: f64 = 0.0058;
/// Relative standard uncertainty of the gain match of two channels of one recorder: common practice, no published
/// source.
pub const GAIN_MATCH: f64 = 0.001;

/// How closely a jig is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Known {
    /// Relative standard uncertainty of the reference resistor.
    pub reference: f64,
    /// Relative standard uncertainty of the ratio of gains.
    pub gain: f64,
    /// Standard uncertainty of the lead resistance, Ω.
    pub lead_ohm: f64,
}

impl Default for Known {
    fn default() -> Self {
        Self {
            reference: RESISTOR,
            gain: GAIN_MATCH,
            lead_ohm: 0.0,
        }
    }
}

/// Impedance, its noise and the relative standard uncertainty of its calibration at one frequency.
///
/// `h` is load over source after the gain ratio, `noise` the √E|error|² of it; Ω.
#[must_use]
pub fn impedance(
    h: Complex64,
    noise: f64,
    reference_ohm: f64,
    lead_ohm: f64,
    known: &Known,
) -> (Complex64, f64, f64) {
    let rest = 1.0 - h;
    let total = reference_ohm * h / rest;
    let scale = reference_ohm / rest.norm_sqr();
    let value = total - lead_ohm;
    let lead = known.lead_ohm / value.norm().max(f64::MIN_POSITIVE);
    let calibration = known
        .reference
        .hypot(known.gain / rest.norm())
        .hypot(lead.min(1.0));
    (value, noise * scale, calibration)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// DERIVED: the divider of a known impedance gives it back; the noise by a finite difference.
    #[test]
    fn a_divider_gives_its_load_back() {
        for z in [
            Complex64::new(6.0, 0.0),
            Complex64::new(0.2, -40.0),
            Complex64::new(3.0, 9.0),
        ] {
            let h = z / (z + 10.0);
            let (got, noise, calibration) = impedance(h, 1e-6, 10.0, 0.0, &Known::default());
            assert!((got - z).norm() < 1e-12 * z.norm());
            let moved = impedance(
                h + Complex64::new(1e-6, 0.0),
                0.0,
                10.0,
                0.0,
                &Known::default(),
            )
            .0;
            assert!(((moved - z).norm() / noise - 1.0).abs() < 1e-4);
            assert!(calibration >= RESISTOR);
        }
        let (got, ..) = impedance(Complex64::new(0.5, 0.0), 0.0, 10.0, 0.25, &Known::default());
        assert!((got.re - 9.75).abs() < 1e-12);
    }
}
