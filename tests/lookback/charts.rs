//! Weighted averages and run rules: limits, run lengths, signals.

use bassay::production::chart::{d2, individuals};
use bassay::production::ewma::{Ewma, Limits, Process};
use bassay::production::run_rules::{Rule, moves_run_length, signals, zones_run_length};
use bassay::special::deviates::Deviates;

/// Simulation with drifts, growing limits and estimated limits: what the forward integral says is what happens.
#[test]
fn run_lengths_under_drift_are_those_of_simulated_charts() {
    let chart = Ewma::USUAL;
    let quiet = 30;
    let means: Vec<f64> = (0..400)
        .map(|t| 0.03 * (f64::from(t) - f64::from(quiet) + 1.0).max(0.0))
        .collect();
    let process = Process {
        means: &means,
        sd: 1.0,
    };
    let run = chart.run_length(Limits::Growing, process);
    let runs = 4000;
    let (mut sum, mut squares, mut counted, mut early) = (0.0, 0.0, 0.0, 0.0);
    for seed in 0..runs {
        let mut random = Deviates::new(11, seed);
        let x: Vec<f64> = means.iter().map(|m| m + random.normal()).collect();
        let alarm = chart
            .chart(&x, 0.0, 1.0)
            .iter()
            .position(|a| a.signals())
            .unwrap()
            + 1;
        if alarm <= quiet as usize {
            early += 1.0;
            continue;
        }
        let delay = (alarm - quiet as usize) as f64;
        sum += delay;
        squares += delay * delay;
        counted += 1.0;
    }
    let mean = sum / counted;
    let error = ((squares / counted - mean * mean) / counted).sqrt();
    let theory = run.mean_after(quiet as usize);
    // Four standard errors: one false report in 16,000 kinds of chance.
    assert!(
        (mean - theory).abs() < 4.0 * error,
        "{mean} ± {error}, {theory}"
    );
    let share = early / runs as f64;
    let expected = 1.0 - run.survival(quiet as usize);
    let error = (expected * (1.0 - expected) / runs as f64).sqrt();
    assert!((share - expected).abs() < 4.0 * error, "{share} {expected}");
}

/// Limits from a baseline: the mean over what it may have estimated, against simulated baselines. The median is compared, because
/// the mean hangs on rare baselines whose limits are so wide that they nearly never signal.
#[test]
fn estimated_limits_alarm_as_often_as_told() {
    let chart = Ewma::USUAL;
    let (baseline, runs, within) = (50, 3000, 100);
    let told = chart.with_estimates(Limits::Growing, &[], baseline, |run| {
        1.0 - run.survival(within)
    });
    let mut alarms = 0.0;
    for seed in 0..runs {
        let mut random = Deviates::new(12, seed);
        let x: Vec<f64> = (0..baseline + within).map(|_| random.normal()).collect();
        let found = individuals(&x[..baseline]).unwrap();
        let averages = chart.chart(&x[baseline..], found.centre, found.mean_range / d2());
        alarms += f64::from(u8::from(averages.iter().any(|a| a.signals())));
    }
    let share = alarms / runs as f64;
    let error = (told * (1.0 - told) / runs as f64).sqrt();
    // Four standard errors and 0.02 for taking the estimates as normal at five values each.
    assert!((share - told).abs() < 4.0 * error + 0.02, "{share} {told}");
}

/// Signals as they are counted in data follow the chains, for a steady and for a moved process. Four standard errors.
#[test]
fn simulated_signals_follow_the_chains() {
    let runs = 3000_u64;
    let first = |rules: &[Rule], shift: f64| -> (f64, f64) {
        let (mut sum, mut squares) = (0.0, 0.0);
        for seed in 0..runs {
            let mut random = Deviates::new(13, seed);
            let mut z = Vec::new();
            let place = loop {
                z.extend((0..200).map(|_| shift + random.normal()));
                if let Some(s) = signals(&z, rules).first() {
                    break s.index as f64 + 1.0;
                }
            };
            sum += place;
            squares += place * place;
        }
        let mean = sum / runs as f64;
        (
            mean,
            ((squares / runs as f64 - mean * mean) / runs as f64).sqrt(),
        )
    };
    for shift in [0.0, 1.0] {
        let (mean, error) = first(&Rule::ZONES, shift);
        let chain = zones_run_length(&Rule::ZONES, shift).mean();
        assert!(
            (mean - chain).abs() < 4.0 * error,
            "{mean} ± {error}, {chain}"
        );
    }
    for rule in [Rule::Steps, Rule::Alternating] {
        let (mean, error) = first(&[rule], 0.0);
        let chain = moves_run_length(rule, 60).unwrap().mean();
        assert!(
            (mean - chain).abs() < 4.0 * error,
            "{rule:?}: {mean} ± {error}, {chain}"
        );
    }
}

/// DERIVED: each pattern by hand, and one value short of it.
#[test]
fn each_rule_sees_its_pattern_and_no_less() {
    let found = |z: &[f64], rule: Rule| -> Vec<usize> {
        signals(z, &[rule]).iter().map(|s| s.index).collect()
    };
    assert_eq!(found(&[0.0, 3.1, -3.2, 2.9], Rule::Far), [1, 2]);
    assert_eq!(
        found(&[2.1, 0.0, 2.1, 0.0, 0.0, -2.1, 2.1], Rule::TwoOfThree),
        [2]
    );
    assert_eq!(
        found(&[1.1, 1.1, 0.0, 1.1, 1.1, -1.1], Rule::FourOfFive),
        [4]
    );
    assert!(found(&[1.1, 1.1, 0.0, 1.1, 0.0, 1.1], Rule::FourOfFive).is_empty());
    let mut eight = vec![0.2; 8];
    assert_eq!(found(&eight, Rule::EightOneSide), [7]);
    eight[3] = -0.1;
    assert!(found(&eight, Rule::EightOneSide).is_empty());
    assert_eq!(
        found(&[0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.1], Rule::Steps),
        [5]
    );
    assert!(found(&[0.0, 0.1, 0.2, 0.2, 0.4, 0.5], Rule::Steps).is_empty());
    let saw: Vec<f64> = (0..14).map(|i| f64::from(i % 2)).collect();
    assert_eq!(found(&saw, Rule::Alternating), [13]);
    assert!(found(&saw[1..], Rule::Alternating).is_empty());
}
