use super::*;

const RULES: [Rule; 3] = [Rule::Conformity, Rule::NonConformity, Rule::Simple];

fn decision(rule: Rule, guard_factor: f64) -> Decision {
    Decision { rule, guard_factor }
}

#[test]
fn the_rules_differ_between_the_guard_bands_only() {
    use Judgement::{Fail, Pass, Unresolved};
    let zone = Zone::between(-1.0, 1.0);
    for (value, wanted) in [
        (0.0, [Pass, Pass, Pass]),
        (0.7, [Pass, Pass, Pass]),
        (0.9, [Unresolved, Pass, Pass]),
        (-0.9, [Unresolved, Pass, Pass]),
        (1.1, [Unresolved, Pass, Fail]),
        (1.3, [Fail, Fail, Fail]),
        (-1.3, [Fail, Fail, Fail]),
        (f64::NAN, [Unresolved; 3]),
    ] {
        for (rule, wanted) in RULES.into_iter().zip(wanted) {
            assert_eq!(
                decide(value, 0.1, zone, decision(rule, 2.0)),
                wanted,
                "{value} {rule:?}"
            );
        }
    }
    // One limit only.
    let above = Zone {
        low: Some(0.0),
        high: None,
    };
    assert_eq!(
        decide(1e9, 1.0, above, decision(Rule::Conformity, 2.0)),
        Pass
    );
    // An uncertainty that is not known proves nothing.
    assert_eq!(
        decide(0.5, f64::NAN, zone, decision(Rule::Conformity, 2.0)),
        Unresolved
    );
    assert_eq!(
        decide(0.5, f64::NAN, zone, decision(Rule::Simple, 2.0)),
        Pass
    );
}

/// DERIVED: with one limit at the mean, simple acceptance and a normal process the joint risk is that of a bivariate normal over
/// a wedge: P(x > 0, y < 0) = arccos(ρ)/(2π), ρ = σ/√(σ² + u²) (Sheppard 1898, from memory).
#[test]
fn joint_risk_of_a_single_limit_is_an_angle() {
    for (sd, u) in [(1.0_f64, 0.25_f64), (1.0, 1.0), (0.3, 0.01), (0.01, 2.0)] {
        let half = Zone {
            low: None,
            high: Some(0.0),
        };
        let r = risks((0.0, sd), u, half, half, decision(Rule::Simple, 0.0));
        let rho = sd / sd.hypot(u);
        let want = rho.acos() / std::f64::consts::TAU;
        assert!(
            (r.pass_and_bad - want).abs() < 1e-9,
            "{sd} {u} {} {want}",
            r.pass_and_bad
        );
        assert!((r.fail_and_good - want).abs() < 1e-9);
        assert!((r.good - 0.5).abs() < 1e-9 && r.unresolved < 1e-12);
    }
}

/// CROSS: `tests/reference/guard/risks.py` (scipy's bivariate normal) on the same cases.
#[test]
fn risks_agree_with_a_general_library() {
    let text = std::fs::read_to_string("tests/reference/guard/risks.json").unwrap();
    let rows: Vec<serde_json::Value> = serde_json::from_str(&text).unwrap();
    assert!(rows.len() >= 40, "{}", rows.len());
    for row in &rows {
        let number = |key: &str| row[key].as_f64().unwrap();
        let rule = match row["rule"].as_str().unwrap() {
            "conformity" => Rule::Conformity,
            "non-conformity" => Rule::NonConformity,
            _ => Rule::Simple,
        };
        let r = risks(
            (number("mean"), number("sd")),
            number("u"),
            Zone::between(number("good_low"), number("good_high")),
            Zone::between(number("low"), number("high")),
            decision(rule, number("factor")),
        );
        // What the library's own bivariate integration leaves: 1e-8 absolute was asked of it.
        for (have, key) in [
            (r.good, "good"),
            (r.pass_and_bad, "pass_and_bad"),
            (r.fail_and_good, "fail_and_good"),
            (r.unresolved, "unresolved"),
        ] {
            assert!((have - number(key)).abs() < 2e-7, "{row} {key} {have}");
        }
    }
}

/// DERIVED: a guard band moves one risk against the other, and without scatter there is one value.
#[test]
fn guard_bands_trade_one_risk_for_the_other() {
    let zone = Zone::between(-1.0, 1.0);
    let at = |rule, factor| risks((0.1, 0.4), 0.1, zone, zone, decision(rule, factor));
    let simple = at(Rule::Simple, 0.0);
    let strict = at(Rule::Conformity, 1.65);
    let mild = at(Rule::NonConformity, 1.65);
    assert!(strict.pass_and_bad < 0.1 * simple.pass_and_bad);
    assert!(mild.fail_and_good < 0.1 * simple.fail_and_good);
    assert!(mild.pass_and_bad > simple.pass_and_bad);
    assert!(strict.unresolved > 0.0 && mild.unresolved < 1e-12);
    assert!(simple.good_fails() > 0.0 && simple.bad_passes() < 1.0);
    let sure = risks((0.2, 0.0), 0.1, zone, zone, decision(Rule::Simple, 0.0));
    assert_eq!(sure.good, 1.0);
    // Φ(−8): nothing.
    assert!(sure.fail_and_good < 1e-14 && sure.bad_passes().is_nan());
    let none = risks(
        (0.2, 0.1),
        0.0,
        zone,
        zone,
        decision(Rule::Conformity, 1.65),
    );
    assert!(none.fail_and_good == 0.0 && none.pass_and_bad == 0.0);
}
