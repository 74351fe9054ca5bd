use super::*;
use crate::design::limits_read::read_text;
use std::path::Path;

const TEXT: &str = r#"
format = "bassay-limits/1"
name = "x"
compared = "designed"
[design]
name = "Dome bass unit"
digest = "00"
[origin]
method = "hand"
[decision]
rule = "conformity"
guard_factor = 2.0
[environment]
temperature_c = [15.0, 25.0]
[[band]]
observation = "mouth-near"
center_hz = 31.5
low_db = -1.0
high_db = 1.0
[[parameter]]
path = "leak.seam.resistance"
low = 1e6
[[residue]]
observation = "mouth-near"
high_db = -50.0
[[residue]]
observation = "mouth-near"
center_hz = 40.0
high_db = -40.0
[[polarity]]
observation = "mouth-near"
sign = 1
"#;

fn limits() -> Limits {
    read_text(TEXT, Path::new("limits.toml")).unwrap()
}

fn value(name: &str, value: f64, standard: f64) -> Value {
    Value {
        name: name.to_string(),
        unit: String::new(),
        value: Some(value),
        expanded: Some(2.0 * standard),
        decided: None,
        low: None,
        high: None,
        verdict: Judgement::None,
    }
}

fn good() -> Vec<Value> {
    vec![
        value("band:mouth-near:31.5", 0.2, 0.1),
        value("band:mouth-near:40", 7.0, 0.1),
        value("leak.seam.resistance", 2e6, 1e5),
        value("residue:mouth-near:31.5", -60.0, 1.0),
        value("residue:mouth-near:40", -45.0, 1.0),
        value("polarity:mouth-near", 1.0, 0.0),
    ]
}

#[test]
fn a_good_unit_passes_and_what_has_no_limits_is_kept() {
    let judged = judge(&good(), &limits());
    assert_eq!(judged.verdict, Judgement::Pass, "{judged:?}");
    assert_eq!(judged.values.len(), 6);
    let free = judged.values.last().unwrap();
    assert_eq!(
        (free.name.as_str(), free.verdict),
        ("band:mouth-near:40", Judgement::None)
    );
    let at_40 = judged
        .values
        .iter()
        .find(|v| v.name == "residue:mouth-near:40")
        .unwrap();
    assert_eq!(
        at_40.high,
        Some(-40.0),
        "a band's own limit goes before the common one"
    );
}

/// Each number by itself: one that fails, one that cannot be told, one that is missing.
#[test]
fn every_number_counts() {
    for (index, bad, verdict) in [
        (0, 1.3, Judgement::Fail),
        (0, 0.9, Judgement::Unresolved),
        (2, 5e5, Judgement::Fail),
        (3, -47.0, Judgement::Fail),
        (3, -51.0, Judgement::Unresolved),
        (4, -41.0, Judgement::Unresolved),
        (5, -1.0, Judgement::Fail),
    ] {
        let mut list = good();
        list[index].value = Some(bad);
        assert_eq!(
            judge(&list, &limits()).verdict,
            verdict,
            "{} {bad}",
            list[index].name
        );
        list[index].value = None;
        assert_eq!(judge(&list, &limits()).verdict, Judgement::Unresolved);
        let name = list.remove(index).name;
        let without = judge(&list, &limits()).verdict;
        let wanted = if name == "residue:mouth-near:31.5" || name == "residue:mouth-near:40" {
            // The sweep says which bands there are.
            without
        } else {
            Judgement::Unresolved
        };
        assert_eq!(without, wanted, "{name}");
    }
    let mut without: Vec<Value> = good();
    without.retain(|v| !v.name.starts_with("residue"));
    let judged = judge(&without, &limits());
    assert_eq!(judged.verdict, Judgement::Unresolved);
    assert!(
        judged.doubts[0].contains("no residue could be told"),
        "{:?}",
        judged.doubts
    );
}

/// A residue that the noise hides passes where even the noise is below the limit, and never fails.
#[test]
fn hidden_residue_never_fails() {
    let mut list = good();
    for (value, verdict) in [
        (-70.0, Judgement::Pass),
        (-55.0, Judgement::Unresolved),
        (-20.0, Judgement::Unresolved),
    ] {
        list[3].value = Some(value);
        // Twice 6 dB is the guard: −70 reaches up to −58.
        list[3].expanded = Some(12.0);
        assert_eq!(judge(&list, &limits()).verdict, verdict, "{value}");
    }
}

#[test]
fn what_the_simulation_may_be_wrong_by_widens_the_guard() {
    let mut limits = limits();
    let mut list = good();
    list[0].value = Some(0.7);
    assert_eq!(judge(&list, &limits).verdict, Judgement::Pass);
    limits.bands[0].simulation_sd_db = Some(0.2);
    // DERIVED: 2·√(0.1² + 0.2²) = 0.447 > 0.3.
    assert_eq!(judge(&list, &limits).verdict, Judgement::Unresolved);
}

#[test]
fn air_is_checked() {
    let air = |temperature_c| Conditions {
        temperature_c,
        pressure_kpa: 101.3,
        humidity_pct: 50.0,
    };
    assert!(outside_environment(&air(20.0), [true; 3], &limits()).is_empty());
    let cold = outside_environment(&air(12.0), [true; 3], &limits());
    assert!(
        cold[0].contains("12 °C") && cold[0].contains("15 to 25 °C"),
        "{cold:?}"
    );
    let unknown = unstated_environment([false; 3], &limits());
    assert!(unknown[0].contains("temperature_c"), "{unknown:?}");
}
