use super::*;

/// DERIVED: a rectangle alone, a normal alone, and both by adding up drawn pairs on a grid of their quantiles.
#[test]
fn how_far_a_line_lies_off() {
    assert_eq!(reach(0.0, 0.0, 0.95), 0.0);
    assert!((reach(0.45, 0.0, 0.9) - 0.405).abs() < 1e-12);
    assert!((reach(0.0, 0.1, 0.95) - 0.195_996_4).abs() < 1e-7);
    let (half, level) = (0.45, 0.126);
    for confidence in [0.5, 0.9, 0.955, 0.999] {
        let d = reach(half, level, confidence);
        let steps = 2000;
        let middle = |i: usize| (i as f64 + 0.5) / f64::from(steps);
        // The rectangle by its middles, the normal by its own distribution function.
        let share: f64 = (0..steps as usize)
            .map(|i| {
                let at = half * (2.0 * middle(i) - 1.0);
                normal_cdf((d - at) / level) - normal_cdf((-d - at) / level)
            })
            .sum::<f64>()
            / f64::from(steps);
        // The middle rule errs by 1/24 of the step squared times a slope of some 1/level.
        assert!((share - confidence).abs() < 1e-6, "{confidence} {share}");
    }
    // A level that is nearly sure joins on to the rectangle alone.
    assert!((reach(0.45, 1e-6, 0.95) - reach(0.45, 0.0, 0.95)).abs() < 1e-6);
}

/// DERIVED: without anything in common the limits are the usual order statistics, as many spaces given up at each end.
#[test]
fn nothing_in_common_is_the_usual_interval() {
    let drawn: Vec<f64> = (1..=1000).map(f64::from).collect();
    let a = around(drawn.clone(), 0.0, 0.0, 0.9, 0.5).unwrap().unwrap();
    let spaces = excluded(1000, 0.9, 0.95).unwrap().unwrap();
    let each = (spaces / 2) as f64;
    assert_eq!((a.low, a.high, a.reach), (each, 1001.0 - each, 0.0));
    // Far off to either side all that is given up may lie at one end.
    let a = around(drawn.clone(), 1e4, 0.0, 0.9, 0.5).unwrap().unwrap();
    let one = excluded(1000, 0.9, 0.95).unwrap().unwrap() as f64 - 1.0;
    assert!(
        (a.low + a.reach - one).abs() < 1e-9 && (a.high - a.reach - (1001.0 - one)).abs() < 1e-9
    );
    assert_eq!(around(drawn, 0.1, 0.0, 0.999_99, 0.95).unwrap(), None);
}
