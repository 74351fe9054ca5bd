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
