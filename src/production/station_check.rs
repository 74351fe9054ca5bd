//! A station's check: a known resistor through the jig, and the ratio of gains, against the station file.
//!
//! Values: `resistor` over the whole usable range and `resistor:CENTER` in three bands, Ω, with limits R·(1 ± tolerance);
//! `gain-ratio` likewise against the jig's. The uncertainty counts: a value passes where it is inside even at the far end of it
//! (k = 2), fails where it is outside even at the near end, and is unresolved between.

use super::entry::{Judgement, Value};
use super::guard::{Zone, decide};
use crate::design::limits::{Decision, Rule};
use crate::design::station::{Check, Jig};
use crate::measure::calibration::loopback::EqualGain;
use crate::measure::calibration::pair::Pair;
use crate::signal::impedance::{Known, impedance};

/// Bands that the resistor is read in, Hz: name, from, to.
const BANDS: [(&str, f64, f64); 3] = [
    ("resistor:20", 10.0, 40.0),
    ("resistor:80", 40.0, 160.0),
    ("resistor:315", 160.0, 630.0),
];
/// Coverage factor of the decision.
const COVERAGE: f64 = 2.0;

/// Reads the known resistor from a take through the jig.
#[must_use]
pub fn resistor(pair: &Pair, jig: &Jig, check: &Check) -> Vec<Value> {
    let known = Known {
        reference: jig.reference_sd_ohm / jig.reference_ohm,
        gain: jig.gain_ratio_sd / jig.gain_ratio,
        lead_ohm: jig.lead_sd_ohm,
    };
    let (mut value, mut noise, mut relative) = (Vec::new(), Vec::new(), Vec::new());
    for (ratio, rms) in pair.ratio.iter().zip(&pair.noise_rms) {
        let gain = jig.gain_ratio;
        let (z, sd, own) = impedance(
            ratio / gain,
            rms / gain,
            jig.reference_ohm,
            jig.lead_ohm,
            &known,
        );
        value.push(z.re);
        noise.push(sd);
        relative.push(own);
    }
    let calibration = relative.iter().sum::<f64>() / relative.len().max(1) as f64;
    let whole = ("resistor", 0.0, f64::INFINITY);
    std::iter::once(whole)
        .chain(BANDS)
        .filter_map(|(name, from, to)| {
            let mean = pair.mean(&value, &noise, [from, to])?;
            let standard = mean.sd.hypot(calibration * mean.value);
            Some(judged(
                name,
                "Ω",
                mean.value,
                standard,
                check.resistor_ohm,
                check.tolerance,
            ))
        })
        .collect()
}

/// The ratio of gains against the jig's.
#[must_use]
pub fn gain_ratio(found: &EqualGain, jig: &Jig, check: &Check) -> Value {
    judged(
        "gain-ratio",
        "",
        found.gain_ratio,
        found.gain_ratio_sd.hypot(jig.gain_ratio_sd),
        jig.gain_ratio,
        check.tolerance,
    )
}

fn judged(name: &str, unit: &str, value: f64, standard: f64, wanted: f64, tolerance: f64) -> Value {
    let (low, high) = (wanted * (1.0 - tolerance), wanted * (1.0 + tolerance));
    let decision = Decision {
        rule: Rule::Conformity,
        guard_factor: COVERAGE,
    };
    Value {
        name: name.to_string(),
        unit: unit.to_string(),
        value: value.is_finite().then_some(value),
        expanded: standard.is_finite().then_some(COVERAGE * standard),
        decided: None,
        low: Some(low),
        high: Some(high),
        verdict: decide(value, standard, Zone::between(low, high), decision),
    }
}

/// The verdict of a check: fails where any value does, passes where all do.
#[must_use]
pub fn verdict(values: &[Value]) -> Judgement {
    let any = |which: Judgement| values.iter().any(|v| v.verdict == which);
    if any(Judgement::Fail) {
        Judgement::Fail
    } else if values.is_empty() || values.iter().any(|v| v.verdict != Judgement::Pass) {
        Judgement::Unresolved
    } else {
        Judgement::Pass
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::design::station::Stamp;
    use num_complex::Complex64;

    /// DERIVED: R through the exact divider comes back; with u = 0.2 % of the reference the expanded uncertainty is 0.4 %, so
    /// that 0.85 % off 8.2 Ω lies between the two ends of a 1 % limit, and 3 % off beyond both.
    #[test]
    fn a_value_near_its_limit_is_unresolved() {
        let jig = Jig {
            stamp: Stamp {
                taken: "2026-03-01T09:00:00Z".to_string(),
                serial: None,
                valid_days: 365.0,
                device: None,
            },
            reference_ohm: 10.0,
            reference_sd_ohm: 0.02,
            reference_power_w: None,
            lead_ohm: 0.05,
            lead_sd_ohm: 0.0,
            gain_ratio: 1.002,
            gain_ratio_sd: 0.0,
            resistors: None,
            chi_squared: None,
            how: None,
        };
        let check = Check {
            resistor_ohm: 8.2,
            tolerance: 0.01,
            every_hours: 24.0,
        };
        let taken = |ohm: f64| {
            let frequency_hz: Vec<f64> = (0..300)
                .map(|n| 5.0 * 2f64.powf(f64::from(n) / 48.0))
                .collect();
            let count = frequency_hz.len();
            let ratio = 1.002 * (ohm + 0.05) / (ohm + 10.05);
            Pair {
                file: String::new(),
                digest: String::new(),
                device: None,
                frequency_hz,
                ratio: vec![Complex64::new(ratio, 0.0); count],
                noise_rms: vec![1e-9; count],
                resolution_hz: 0.5,
                snr_db: 100.0,
            }
        };
        for (ohm, want) in [
            (8.2, Judgement::Pass),
            (8.2 * 1.0085, Judgement::Unresolved),
            (8.2 * 0.97, Judgement::Fail),
        ] {
            let values = resistor(&taken(ohm), &jig, &check);
            assert_eq!(values.len(), 4);
            for v in &values {
                assert!((v.value.unwrap() / ohm - 1.0).abs() < 1e-9, "{v:?}");
                assert!((v.expanded.unwrap() / ohm - 0.004).abs() < 1e-6, "{v:?}");
                assert_eq!(v.verdict, want, "{v:?}");
            }
            assert_eq!(verdict(&values), want);
        }
        assert_eq!(verdict(&[]), Judgement::Unresolved);
    }
}
