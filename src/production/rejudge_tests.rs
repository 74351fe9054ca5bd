use super::*;
use crate::design::limits_read::read_text;
use crate::production::entry::Value;
use std::path::Path;

fn limits(high: f64) -> Limits {
    let text = format!(
        "format = \"bassay-limits/1\"\nname = \"x\"\ncompared = \"designed\"\n[design]\nname = \"d\"\ndigest = \"{}\"\n\
         [origin]\nmethod = \"hand\"\n[decision]\nrule = \"simple\"\n[[band]]\nobservation = \"mouth\"\ncenter_hz = 40\nlow_db = -9\nhigh_db = {high}\n",
        "ab".repeat(32)
    );
    read_text(&text, Path::new("limits.toml")).unwrap()
}

fn stored(unit: &str, value: f64, verdict: Judgement, design: &str) -> Stored {
    let entry: Entry = serde_json::from_value(serde_json::json!({
        "format": "bassay-entry/1", "kind": "inspection", "at": "2026-03-14T10:20:00Z", "operator": "o", "unit": unit,
        "attempt": 1, "verdict": verdict, "limits": "", "design": design, "software": "s",
        "values": [Value {
            name: "band:mouth:40".to_string(), unit: "dB".to_string(), value: Some(value), expanded: Some(0.1), decided: None,
            low: Some(-1.0), high: Some(1.0), verdict,
        }],
    }))
    .unwrap();
    Stored {
        station: "s".to_string(),
        number: 1,
        previous: String::new(),
        digest: "cd".repeat(32),
        entry,
    }
}

#[test]
fn other_limits_change_what_they_should() {
    let ours = "ab".repeat(32);
    let log = [
        stored("a", 0.2, Judgement::Pass, &ours),
        stored("b", 0.8, Judgement::Pass, &ours),
        stored("c", 1.4, Judgement::Fail, &ours),
        stored("d", 0.2, Judgement::Pass, &"00".repeat(32)),
    ];
    let before = log.clone();
    let tight = rejudge(&log, &Corrections::new(&[]), &[], &limits(0.5));
    assert_eq!(tight.count(Judgement::Pass), [2, 1]);
    assert_eq!(tight.count(Judgement::Fail), [1, 2]);
    assert_eq!(tight.other_design, 1);
    let b = &tight.tests[1];
    assert_eq!((b.old, b.new), (Judgement::Pass, Judgement::Fail));
    assert_eq!(b.because, ["band:mouth:40"]);
    assert!(tight.tests[0].because.is_empty());
    let wide = rejudge(&log, &Corrections::new(&[]), &[], &limits(2.0));
    assert_eq!(wide.count(Judgement::Pass), [2, 3]);
    assert_eq!(log, before, "the log is as it was");
}

fn doubted(mut stored: Stored, measurement: Option<Measurement>) -> Stored {
    stored.entry.verdict = Judgement::Unresolved;
    stored.entry.measurement = measurement;
    stored
}

fn verdicts(log: &[Stored], corrections: &[Stored], limits: &Limits) -> Vec<Judgement> {
    let history = rejudge(log, &Corrections::new(corrections), &[], limits);
    history.tests.iter().map(|t| t.new).collect()
}

/// A capture that contradicts all others does so by whatever limits; and as in a test, it counts only where the unit would not pass.
#[test]
fn doubts_about_the_measurement_stay() {
    let ours = "ab".repeat(32);
    let contradicted = Some(Measurement {
        contradicted: Some("mouth contradicts all others".to_string()),
        ..Measurement::default()
    });
    let bench = Some(Measurement {
        findings: vec![crate::production::entry::Cause {
            path: "capture.mouth.gain".to_string(),
            probability: 0.99,
            text: "the level of mouth is wrong".to_string(),
        }],
        ..Measurement::default()
    });
    let log = [
        doubted(stored("a", 1.4, Judgement::Fail, &ours), contradicted),
        doubted(stored("b", 1.4, Judgement::Fail, &ours), bench),
        doubted(stored("c", 1.4, Judgement::Fail, &ours), None),
        doubted(
            stored("d", 1.4, Judgement::Fail, &ours),
            Some(Measurement::default()),
        ),
    ];
    use Judgement::{Fail, Pass, Unresolved};
    let same = verdicts(&log, &[], &limits(1.0));
    assert_eq!(same, [Unresolved, Unresolved, Unresolved, Fail]);
    // An older entry does not tell what its doubt was about.
    let wide = verdicts(&log, &[], &limits(2.0));
    assert_eq!(wide, [Pass, Pass, Unresolved, Pass]);
}

/// Air that was not stated is a doubt by limits that have a range for it, and none by others.
#[test]
fn air_is_judged_by_the_new_limits() {
    let ours = "ab".repeat(32);
    let mut ranged = limits(1.0);
    ranged.environment.temperature_c = Some([15.0, 25.0]);
    let air = |temperature_c| {
        Some(crate::production::entry::Conditions {
            temperature_c,
            pressure_kpa: 101.0,
            humidity_pct: 50.0,
        })
    };
    let with = |temperature_c, measurement: Option<Measurement>| {
        let mut one = stored("a", 0.2, Judgement::Pass, &ours);
        one.entry.conditions = air(temperature_c);
        one.entry.measurement = measurement;
        one
    };
    let unstated = Measurement {
        unstated: vec!["temperature".to_string()],
        ..Measurement::default()
    };
    let log = [
        with(20.0, Some(Measurement::default())),
        with(30.0, Some(Measurement::default())),
        with(20.0, Some(unstated)),
        with(20.0, None),
    ];
    use Judgement::{Pass, Unresolved};
    assert_eq!(
        verdicts(&log, &[], &ranged),
        [Pass, Unresolved, Unresolved, Unresolved]
    );
    assert_eq!(verdicts(&log, &[], &limits(1.0)), [Pass; 4]);
    // The older entry was decided by these very limits: then its air was stated.
    let mut decided = with(20.0, None);
    decided.entry.limits.clone_from(&ranged.digest);
    assert_eq!(verdicts(&[decided], &[], &ranged), [Pass]);
}

#[test]
fn a_correction_stays_and_an_old_station_is_a_doubt() {
    let ours = "ab".repeat(32);
    let test = stored("a", 0.2, Judgement::Pass, &ours);
    let mut correction = test.clone();
    correction.entry = Entry {
        refers_to: Some(test.digest.clone()),
        verdict: Judgement::Fail,
        ..Entry::blank(Kind::Correction, "2026-03-15T10:20:00Z", "o")
    };
    let log = [test];
    assert_eq!(
        verdicts(&log, &[correction], &limits(1.0)),
        [Judgement::Fail]
    );
    let mut strict = limits(1.0);
    strict.station.check_within_h = Some(12.0);
    let check = |at: &str, verdict| Stored {
        entry: Entry {
            verdict,
            ..Entry::blank(Kind::StationCheck, at, "o")
        },
        ..log[0].clone()
    };
    let by =
        |checks: &[Stored]| rejudge(&log, &Corrections::new(&[]), checks, &strict).tests[0].new;
    // The test was at 10:20.
    assert_eq!(by(&[]), Judgement::Unresolved);
    assert_eq!(
        by(&[check("2026-03-14T06:00:00Z", Judgement::Pass)]),
        Judgement::Pass
    );
    assert_eq!(
        by(&[check("2026-03-13T06:00:00Z", Judgement::Pass)]),
        Judgement::Unresolved
    );
    assert_eq!(
        by(&[check("2026-03-14T06:00:00Z", Judgement::Fail)]),
        Judgement::Unresolved
    );
}
