//! Capability, change points, shares.

use super::{near, number, rows};
use bassay::production::capability::{distance_interval, sample_capability};
use bassay::production::change_point::change_point;
use bassay::production::lookback::{Point, Series};
use bassay::production::trend::{Settings, State, trend};
use bassay::special::beta::{f_quantile, f_tail, incomplete_beta, share_interval};
use bassay::special::deviates::Deviates;

/// CROSS: scipy. 1e-9 relative: what continued fraction and halving reach; of 10⁵ values, 1e-8.
#[test]
fn distributions_are_those_of_scipy() {
    for row in rows("beta") {
        let found = incomplete_beta(number(&row, "a"), number(&row, "b"), number(&row, "x"));
        near(found, number(&row, "value"), 1e-9);
    }
    for row in rows("f_quantile") {
        let (over, under, p) = (
            number(&row, "over"),
            number(&row, "under"),
            number(&row, "p"),
        );
        let found = f_quantile(over, under, p);
        near(found, number(&row, "value"), 1e-9);
        near(f_tail(over, under, found), 1.0 - p, 1e-8);
    }
    for row in rows("share") {
        let found = share_interval(
            row["found"].as_u64().unwrap() as usize,
            row["tried"].as_u64().unwrap() as usize,
            number(&row, "confidence"),
        );
        near(found[0], number(&row, "low"), 1e-8);
        near(found[1], number(&row, "high"), 1e-8);
    }
}

/// PUBLISHED: NIST/SEMATECH e-Handbook, 7.2.4.1 (from memory): 4 of 20, 90 %: 0.071354 to 0.401029, six decimals.
#[test]
fn the_handbooks_share() {
    let [low, high] = share_interval(4, 20, 0.90);
    assert!(
        (low - 0.071_354).abs() < 1e-6 && (high - 0.401_029).abs() < 1.1e-6,
        "{low} {high}"
    );
}

/// CROSS: scipy's noncentral t, and adaptive quadrature for the centred bound.
#[test]
fn capability_bounds_are_those_of_scipy() {
    for row in rows("distance") {
        let n = row["n"].as_u64().unwrap() as usize;
        let ends = distance_interval(number(&row, "k"), n, 1.0 - 2.0 * number(&row, "side"));
        for (found, wanted) in ends.iter().zip(row["ends"].as_array().unwrap()) {
            // 1e-8 of a standard deviation: scipy's own noncentral t.
            assert!(
                (found - wanted.as_f64().unwrap()).abs() < 1e-8,
                "{row} {ends:?}"
            );
        }
    }
    for row in rows("centred") {
        let (cpk, n) = (number(&row, "cpk"), row["n"].as_u64().unwrap() as usize);
        let found = of_shape(n, cpk, cpk);
        near(found.cpk.high, number(&row, "high"), 1e-7);
    }
}

/// A sample of n values whose mean and deviation are exactly 0 and 1, with limits at these Cpk below and above.
fn of_shape(n: usize, below: f64, above: f64) -> bassay::production::capability::SampleCapability {
    let raw: Vec<f64> = (0..n).map(|i| i as f64 - (n as f64 - 1.0) / 2.0).collect();
    let sd = (raw.iter().map(|v| v * v).sum::<f64>() / (n as f64 - 1.0)).sqrt();
    let values: Vec<f64> = raw.iter().map(|v| v / sd).collect();
    sample_capability(&values, Some(-3.0 * below), Some(3.0 * above), 0.95).unwrap()
}

/// PUBLISHED: Bissell 1990 (from memory): Ĉpk·(1 ± z·√(1/(9n·Ĉpk²) + 1/(2(n − 1)))), good for n of 30 and more. The approximation is within
/// 3 % of the half width of n = 200 for a process far off the middle, where only one limit counts.
#[test]
fn intervals_of_cpk_are_near_bissells() {
    for cpk in [0.8, 1.0, 1.33, 1.67] {
        let n = 200.0_f64;
        let found = of_shape(200, 3.0, cpk).cpk;
        let half = 1.959_964 * (1.0 / (9.0 * n) + cpk * cpk / (2.0 * (n - 1.0))).sqrt();
        assert!((found.low - (cpk - half)).abs() < 0.03 * half, "{found:?}");
        near(found.value, cpk, 1e-12);
    }
    // Cp: PUBLISHED: χ² table (from memory): n = 20: 8.907 and 32.852 for 19 degrees of freedom.
    let cp = of_shape(20, 1.5, 1.5).cp.unwrap();
    near(cp.low, 1.5 * (8.907_f64 / 19.0).sqrt(), 1e-4);
    near(cp.high, 1.5 * (32.852_f64 / 19.0).sqrt(), 1e-4);
}

/// Intervals hold the truth at least as often as they say: 95 % less four standard errors of 500 samples (3.9 %).
#[test]
fn capability_intervals_hold() {
    for (n, mean) in [(20_usize, 0.0), (20, 1.0), (60, 0.3)] {
        let (mut cp, mut cpk, mut outside) = (0, 0, 0);
        let truth = sample_truth(mean);
        for seed in 0..500 {
            let mut random = Deviates::new(21, seed);
            let x: Vec<f64> = (0..n).map(|_| mean + random.normal()).collect();
            let found = sample_capability(&x, Some(-4.0), Some(4.0), 0.95).unwrap();
            let holds = |e: bassay::production::capability::Estimate, t: f64| {
                usize::from(e.low <= t && t <= e.high)
            };
            cp += holds(found.cp.unwrap(), truth.0);
            cpk += holds(found.cpk, truth.1);
            outside += holds(found.outside, truth.2);
        }
        for (what, held) in [("cp", cp), ("cpk", cpk), ("outside", outside)] {
            let share = held as f64 / 500.0;
            assert!(share > 0.911, "{what} {n} {mean}: {share}");
        }
    }
}

fn sample_truth(mean: f64) -> (f64, f64, f64) {
    let c = bassay::production::capability::capability(mean, 1.0, -4.0, 4.0).unwrap();
    (c.cp, c.cpk, c.outside)
}

/// The interval of the beginning holds it about as often as it says, for jumps and drifts of useful size.
#[test]
fn the_beginning_of_a_change_is_found() {
    let runs = 400;
    for (drift, size) in [(false, 2.0), (true, 3.0), (true, 6.0)] {
        let (mut held, mut width, mut right_shape) = (0, 0.0, 0);
        for seed in 0..runs {
            let mut random = Deviates::new(22, seed);
            // The beginning lies anywhere in the middle, as the prior says.
            let first = 40 + (seed as usize * 7) % 80;
            let x: Vec<f64> = (0..150)
                .map(|t| {
                    let after = (t as f64 - first as f64 + 1.0).max(0.0);
                    let part = if drift {
                        after / (150 - first) as f64
                    } else {
                        after.min(1.0)
                    };
                    10.0 + 0.5 * (size * part + random.normal())
                })
                .collect();
            let found = change_point(&x).unwrap();
            assert!(found.probability > 0.5, "{found:?}");
            held += u32::from(found.low95 <= first && first <= found.high95);
            width += (found.high95 - found.low95) as f64 / runs as f64;
            right_shape += u32::from((found.drift > 0.5) == drift);
        }
        let share = f64::from(held) / runs as f64;
        println!(
            "drift {drift}, size {size}: held {share:.3}, width {width:.1}, shape {right_shape}"
        );
        // 95 % less four standard errors of 400 (4.4 %).
        assert!(share > 0.906, "drift {drift}, size {size}: {share}");
        assert!(right_shape as f64 / runs as f64 > 0.75, "{right_shape}");
        assert!(width < 60.0, "{width}");
    }
}

/// A steady process seldom has a change that is more probable than none; nonsense has no answer.
#[test]
fn no_change_is_no_change() {
    let mut wrong = 0;
    for seed in 0..300 {
        let mut random = Deviates::new(23, seed);
        let x: Vec<f64> = (0..80).map(|_| random.normal()).collect();
        wrong += u32::from(change_point(&x).unwrap().probability > 0.5);
    }
    assert!(wrong < 24, "{wrong} of 300");
    assert!(change_point(&[1.0; 20]).is_none());
    assert!(change_point(&[1.0, 2.0]).is_none());
    assert!(change_point(&[f64::NAN; 20]).is_none());
}

/// One odd unit raises an alarm, and is no lasting change; too few values tell nothing.
#[test]
fn one_odd_unit_is_no_change() {
    let run = |values: &[f64]| {
        let points = values
            .iter()
            .map(|v| Point {
                at: "2026-03-02T08:00:00Z".into(),
                station: "station-1".into(),
                unit: "U1".into(),
                batch: None,
                attempt: 1,
                value: *v,
                expanded: None,
                low: None,
                high: None,
                digest: String::new(),
            })
            .collect();
        let series = Series {
            name: "r".into(),
            unit: "Ω".into(),
            points,
            untold: 0,
            missing: 0,
            retests: 0,
            other_unit: 0,
        };
        trend(series, &Settings::default())
    };
    let mut random = Deviates::new(24, 0);
    let mut values: Vec<f64> = (0..60).map(|_| 10.0 + 0.1 * random.normal()).collect();
    assert_eq!(run(&values).state, State::Steady);
    values[40] = 10.6;
    let found = run(&values);
    assert_eq!(found.state, State::Alarm, "{:?}", found.change);
    assert!(found.alarms.iter().any(|s| s.index == 40));
    assert_eq!(run(&values[..15]).state, State::CannotTell);
    assert_eq!(run(&[10.0; 60]).state, State::CannotTell);
    assert_eq!(run(&[]).state, State::CannotTell);
}
