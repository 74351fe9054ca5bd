//! Recording: calibrations of the jig and harmonics of a bent sweep against closed forms.
//!
//! `tests/station_command.rs` reads a resistor, a capacitor and a lossy coil through the calibrated jig.

use super::table::source;
use super::{assert_near, assert_within};
use bassay::design::captures::SweepPlan;
use bassay::measure::calibration::jig::{Leads, Member, solve};
use bassay::measure::calibration::pair::Mean;
use bassay::signal::deconvolve::{Take, deconvolve};
use bassay::signal::sweep::Sweep;

const GAIN: f64 = 1.002;
const REFERENCE_OHM: f64 = 9.987;
const LEAD_OHM: f64 = 0.052;

/// A known resistor behind leads, as the exact divider shows it.
fn member(ohm: f64) -> Member {
    let z = ohm + LEAD_OHM;
    Member {
        file: format!("r{ohm}.wav"),
        resistor_ohm: ohm,
        resistor_sd_ohm: 0.0005 * ohm,
        ratio: Mean {
            value: GAIN * z / (z + REFERENCE_OHM),
            sd: 1e-6,
            scatter: 0.0,
        },
    }
}

/// DERIVED: R = R_ref·t − R_lead with t = h/(1 − h) is a straight line: one point with known leads gives its slope, two points
/// give both. Rounding.
#[test]
pub fn jig_by_one_and_two_resistors() {
    source(
        "DERIVED",
        "voltage divider, a straight line through one or two points",
    );
    let known = Leads {
        ohm: LEAD_OHM,
        sd_ohm: 0.01,
    };
    let one = solve(&[member(8.2)], GAIN, 0.0, known).unwrap();
    assert_near(
        one.reference_ohm,
        REFERENCE_OHM,
        1e-9,
        "reference resistor by one known resistor",
    );
    let unknown = Leads {
        ohm: 0.0,
        sd_ohm: 0.05,
    };
    let two = solve(&[member(8.2), member(22.0)], GAIN, 0.0, unknown).unwrap();
    assert_near(
        two.reference_ohm,
        REFERENCE_OHM,
        1e-9,
        "reference resistor by two known resistors",
    );
    // A hundred-millionth of the resistors: the lead is the difference of two large numbers.
    assert_within(
        two.lead_ohm,
        LEAD_OHM,
        1e-7,
        "Ω",
        "leads by two known resistors",
    );
}

/// DERIVED: with x = A·sin, x² = A²/2·(1 − cos 2) and x³ = A³/4·(3 sin − sin 3). 0.3 dB, as the deconvolution's own test:
/// the windows that part the orders cut their edges.
#[test]
pub fn harmonics_of_a_polynomial() {
    source("DERIVED", "powers of a sine");
    let sweep = Sweep::new(SweepPlan {
        duration_s: 8.0,
        ..SweepPlan::default()
    })
    .unwrap();
    let (second, third) = (0.02, 0.01);
    let bent: Vec<f64> = sweep
        .samples()
        .into_iter()
        .map(|x| x + second * x * x + third * x * x * x)
        .collect();
    let take = Take {
        rate_hz: f64::from(SweepPlan::default().sample_rate_hz),
        signal: &bent,
        reference: None,
    };
    let got = deconvolve(&take, &sweep).unwrap();
    let peak = sweep.peak();
    let linear = 1.0 + 0.75 * third * peak * peak;
    for (order, part, name) in [
        (2, second * peak / 2.0, "second harmonic of a polynomial"),
        (
            3,
            third * peak * peak / 4.0,
            "third harmonic of a polynomial",
        ),
    ] {
        let wanted = 20.0 * (part / linear).log10();
        let found = got.harmonics.iter().find(|h| h.order == order).unwrap();
        let levels = found.frequency_hz.iter().zip(&found.level_db);
        let levels: Vec<f64> = levels
            .filter_map(|(f, level)| (20.0..120.0).contains(f).then_some(*level))
            .collect();
        // Every fourth of 48 points an octave over 2.6 octaves: 31.
        assert!(levels.len() > 25);
        for level in levels {
            assert_within(level, wanted, 0.3, "dB", name);
        }
    }
}
