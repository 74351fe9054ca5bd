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
    let tight = rejudge(&log, &Corrections::new(&[]), &limits(0.5));
    assert_eq!(tight.count(Judgement::Pass), [2, 1]);
    assert_eq!(tight.count(Judgement::Fail), [1, 2]);
    assert_eq!(tight.other_design, 1);
    let b = &tight.tests[1];
    assert_eq!((b.old, b.new), (Judgement::Pass, Judgement::Fail));
    assert_eq!(b.because, ["band:mouth:40"]);
    assert!(tight.tests[0].because.is_empty());
    let wide = rejudge(&log, &Corrections::new(&[]), &limits(2.0));
    assert_eq!(wide.count(Judgement::Pass), [2, 3]);
    assert_eq!(log, before, "the log is as it was");
}
